"""What is said of a plan: why each load is ordered, how stock goes on, and what cannot wait."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from order_plans import DAY, STOCK, USE, on_order, plan_of, plant

from pressstats import figures
from pressstats.markup import plain
from pressstats.orders.reasons import FULL, _lasts
from pressstats.pages import ring_first
from pressstats.pages.order_reasons import _left, _without, reason_words, waiting


def test_without_a_load_stock_runs_out_as_its_reason_says(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.0)
    why = reason_words(SimpleNamespace(plan=plan, logs=logs), str)
    told = 0
    for order, load in plan.published.groupby("order"):
        found = re.match(
            r"without (?:it|trucks [\d ,and]+|trucks \d+ to \d+) the risk is (\d+) % "
            r"that (\S+) runs out by [\d-]+, with all else",
            why[order],
        )
        if not found:
            assert "days of stock" in why[order] or "ahead" in why[order]
            continue
        material, chance = found.group(2), int(found.group(1))
        mine = plan.published[plan.published["material"] == material]
        line = load[load["material"] == material].iloc[0]
        # One path, and no truck is late: what was ordered before this load lasts until the next is due and a week.
        last = line["due_on"] + 14 * DAY
        kept = mine[(mine["due_on"] < line["due_on"])]["quantity"].sum()
        kept += mine[(mine["due_on"] == line["due_on"]) & (mine["stock_before"] < line["stock_before"])][
            "quantity"
        ].sum()
        nights = (last - plan.stock_ahead["day"].min()).days + 1
        short = STOCK[material] + kept < nights * USE[material] - 1e-6
        assert chance == (100 if short else 0)
        told += 1
    assert told >= 3
    # Of a truck that is not full its share is told: what its lines take of it.
    share = plan.published.groupby("order")["loads"].sum().clip(upper=1.0)
    for order, words in why.items():
        used = f"; {100 * share[order]:.0f} % of the truck is used."
        assert words.endswith(used) == (share[order] < FULL), order


def test_a_reason_says_why_it_is_bought_ahead_once_and_what_that_gains() -> None:
    policy = SimpleNamespace(cover_days_maximum=21.0, cover_days_minimum=3.0)
    plan = SimpleNamespace(policy=policy, currency="EUR")
    row = {"order": "O 1", "material": "ink", "days_left": 20.0, "days_after": 50.0, "used": 0.95}
    row |= {
        "risk": 0.4,
        "next_due_on": pd.Timestamp("2025-12-01"),
        "price": 4.0,
        "price_then": 4.1,
        "price_from": pd.NaT,
    }
    row |= {"supplier": "Mill", "chosen": "", "costs": 0.61, "others_cost": 0.62, "gain": 300.0}
    dear = pd.Timestamp("2026-01-02")

    def told(unit: str = "kg", **own: object) -> str:
        reasons = pd.DataFrame([row | own])
        logs = Known(plant=plan, has=lambda _: True)
        logs.materials = pd.DataFrame({"material": ["ink"], "unit": [unit]})
        published = pd.DataFrame(
            {
                "order": ["O 1"],
                "supplier": ["Mill"],
                "material": ["ink"],
                "order_on": [dear],
                "stock_before": [1.0],
            }
        )
        results = SimpleNamespace(plan=SimpleNamespace(reasons=reasons, published=published), logs=logs)
        return reason_words(results, str)["O 1"].replace("\xa0", " ")

    more = "50 days of stock with it, more than the 21 wanted"
    kinds = ("freight", "price", "risk", "break", "ahead", "cover", "contract")
    for kind in kinds:
        words = told(kind=kind, price_from=dear if kind == "price" else pd.NaT)
        assert more in words, kind
        # What speaks for it is told once, with what it gains where that is known.
        assert words.count("fill the truck") == (kind in ("freight", "risk", "cover")), kind
        assert len(re.findall("saves? 300 EUR|300 EUR are saved", words)) == (kind in ("price", "break")), (
            kind
        )
    assert "4.0000 against 4.1000 EUR from 2026-01-02 on" in told(kind="price", price_from=dear)
    assert (
        "other trucks of the day 300 EUR are saved over all of them (this at 4.0000 against 4.1000 EUR apart)"
        in told(kind="break")
    )
    assert "fill the truck" not in told(kind="risk", used=0.5)
    assert "saves 300 EUR" in told(kind="risk", price_from=dear)
    assert "for no single reason" in told(kind="ahead")
    assert "lowest" not in told(kind="risk")
    assert "lowest price with waste and breaks, at this size by 10 EUR a tonne" in told(
        kind="risk", chosen="cost"
    )
    assert "by 0.0100 EUR each" in told("each", kind="risk", chosen="cost")
    assert "as low elsewhere" in told(kind="risk", chosen="cost", others_cost=0.61)
    assert "not the cheapest, its contract or share asks" in told(kind="risk", chosen="contract")


class Known(SimpleNamespace):
    """Logs that know their materials alone."""

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.materials


def test_a_load_bought_ahead_gains_what_it_would_cost_ordered_apart(tmp_path: Path) -> None:
    # From 60 t on, the need of three weeks, all of an order is cheaper.
    least, dear, cheap = 60_000.0, 0.60, 0.54
    rows = [
        (name, "2025-01-01", size, price) for name in USE for size, price in ((0.0, dear), (least, cheap))
    ]
    prices = pd.DataFrame(rows, columns=["material", "valid_from", "from_quantity", "unit_price"])
    toml = "\n[policy]\nprice_breaks_by = 'order'\n"
    plan = plan_of(plant(tmp_path, toml, without=("deliveries",), tables={"prices": prices}), spread=0.0)
    told = []
    for reason in plan.reasons.itertuples():
        if reason.kind not in ("break", "freight", "ahead", "contract"):
            continue
        (supplier, day) = plan.published.loc[
            plan.published["order"] == reason.order, ["supplier", "order_on"]
        ].iloc[0]
        of_day = plan.published[
            (plan.published["supplier"] == supplier) & (plan.published["order_on"] == day)
        ]
        own = of_day["order"] == reason.order
        apart = sum(
            part["quantity"].sum() * (cheap if part["quantity"].sum() >= least else dear)
            for part in (of_day[own], of_day[~own])
        )
        gain = apart - (of_day["quantity"] * of_day["unit_price"]).sum()
        assert (reason.kind == "break") == (gain > 1e-6), reason.order
        told += [reason.gain - gain] if reason.kind == "break" else []
    assert told == pytest.approx([0.0] * len(told), abs=1e-6)
    assert len(told) > 1, plan.reasons["kind"].tolist()


def test_cover_in_a_reason_is_of_the_days_to_come() -> None:
    use = np.array([9.0, 30.0, 0.0, 50.0, 40.0])
    # 30, nothing and 50 are used up whole, and half of the next 40.
    assert _lasts(100.0, use, 1) == pytest.approx(3.5)
    assert _lasts(30.0, use, 1) == pytest.approx(2.0)
    assert _lasts(300.0, use, 1) == pytest.approx(4 + 180 / 30)
    assert _lasts(0.0, use, 0) == 0.0
    assert _lasts(1.0, np.zeros(3), 0) == np.inf


def test_days_that_are_left_have_their_number() -> None:
    assert [_left(days) for days in (0.4, 1.2, 1.6)] == [
        "0 days of stock are left", "1 day of stock is left", "2 days of stock are left",
    ]  # fmt: skip


def test_stock_ahead_is_a_walk_through_the_days(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.0, open_rows=on_order(("N1200", 24_000.0, logs.as_of + 3 * DAY)))
    for material, use in USE.items():
        ahead = plan.stock_ahead[plan.stock_ahead["material"] == material].set_index("day")
        came = plan.published[plan.published["material"] == material].groupby("due_on")["quantity"].sum()
        level = STOCK[material]
        for day in ahead.index:
            level += came.get(day, 0.0)
            # Promised for Wednesday, a day that receives.
            level += 24_000.0 if material == "N1200" and day == logs.as_of + 3 * DAY else 0.0
            level -= use
            assert ahead.loc[day, ["q05", "q50", "q95"]].tolist() == pytest.approx([level] * 3)
    wide = plan_of(logs, spread=0.2).stock_ahead
    late = wide[wide["day"] > wide["day"].min() + 30 * DAY]
    assert (late["q05"] < late["q50"]).all()
    assert (late["q50"] < late["q95"]).all()


def test_the_panels_show_limits_that_matter() -> None:
    days = pd.date_range("2025-01-01", periods=5, freq="D")
    ahead = pd.concat(
        [
            pd.DataFrame({"material": name, "day": days, "q05": 1.0, "q50": 2.0, "q95": 3.0})
            for name in ("wide", "narrow")
        ]
    )
    limits = pd.DataFrame({"material": ["wide", "narrow"], "least": [0.5, np.nan], "most": [4.0, 400.0]})
    marks = pd.DataFrame(
        {"material": "narrow", "day": days[[1, 3]], "what": ["order to place", "delivery of the plan"]}
    )
    titles = {"wide": "Wide [t]", "narrow": "Narrow [kg]"}
    figure = figures.stock_panels(ahead, limits, marks, titles)
    drawn = [(trace.name, trace.yaxis) for trace in figure.data if trace.name]
    assert ("least stock wanted", "y") in drawn
    assert ("least stock wanted", "y2") not in drawn
    # Room for 400 t would press a stock of 3 t to the floor.
    assert [trace.yaxis for trace in figure.data if trace.name == "storage limit"] == ["y"]
    assert [note.text for note in figure.layout.annotations] == ["Wide [t]", "Narrow [kg]"]
    # An order stands on the floor of its day, what comes of it where it lifts the stock.
    marked = {trace.name: (list(trace.x), list(trace.y), trace.yaxis) for trace in figure.data[-2:]}
    assert marked == {
        "order to place": (["2025-01-02"], [0.0], "y2"),
        "delivery of the plan": (["2025-01-04"], [2.0], "y2"),
    }


def test_a_width_that_runs_out_by_standing_in_is_held_by_what_the_other_gets() -> None:
    service = pd.DataFrame({"material": ["N1200", "N600"], "expedite": [0.0, 5820.0]})
    listed = pd.DataFrame({"material": ["N1200", "N600"], "stands_in_for": ["N600", None]})
    results = SimpleNamespace(plan=SimpleNamespace(service=service), logs={"materials": listed})
    soon = ring_first.SOON[0]
    assert "stands in for" in ring_first._without_rush(results, "N1200", soon)
    assert "comes in time" in ring_first._without_rush(results, "N600", soon)
    service["expedite"] = 0.0
    assert "comes in time" in ring_first._without_rush(results, "N1200", soon)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"kind": "break", "gain": 703.4}, "can wait until Wed 19 Mar; waiting costs 703 EUR"),
        # A price that is gone before the next review is waited for until then; a later one until the review.
        ({"kind": "price", "price_from": "2025-03-15"}, "can wait until Fri 14 Mar; waiting costs 10 EUR"),
        ({"kind": "price", "price_from": "2025-04-01"}, "can wait until Wed 19 Mar; waiting costs 10 EUR"),
        ({"kind": "risk"}, None),
        ({"kind": "cover"}, None),
        ({"kind": "contract"}, None),
    ],
)
def test_an_order_can_wait_that_is_bought_ahead_of_its_price(
    tmp_path: Path, row: dict[str, Any], words: str | None
) -> None:
    row = {"order": "A 1", "material": "N600", "gain": 10.0, "price_from": None} | row
    made = SimpleNamespace(
        reasons=pd.DataFrame([row]).assign(price_from=pd.to_datetime(row["price_from"])),
        published=pd.DataFrame({"order": ["A 1"], "order_on": [pd.Timestamp("2025-03-12")]}),
    )
    found = waiting(SimpleNamespace(plan=made, logs=plant(tmp_path)))  # type: ignore[arg-type]
    assert [plain(one).replace("\xa0", " ") for one in found.values()] == ([words] if words else [])
    assert waiting(SimpleNamespace(plan=None)) == {}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ("1", "without trucks 1 to 3"),
        ("2", "without trucks 2 and 3"),
        ("3", "without it"),
        ("4", "without it"),
    ],
)
def test_a_risk_says_without_which_trucks(order: str, words: str) -> None:
    # Three trucks bring one material, the last another besides; another supplier's truck brings it, too.
    rows = [("1", "N600", 100.0), ("2", "N600", 200.0), ("3", "N600", 300.0), ("3", "N1200", 50.0)]
    plan = pd.DataFrame(rows, columns=["order", "material", "stock_before"]).assign(supplier="Northmill")
    plan = pd.concat([plan, plan.tail(2).assign(order="4", supplier="Eastmill", stock_before=900.0)])
    plan = plan.assign(order_on=pd.Timestamp("2025-03-12"))
    assert _without(plan, SimpleNamespace(order=order, material="N600")) == words
