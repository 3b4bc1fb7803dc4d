"""Order cards: the latest day to order by a walk through the days, what packs are called, whom to ring."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from order_plans import DAY, STOCK, USE, on_order, plan_of, plant

from pressstats.orders import latest_order_days
from pressstats.orders.contract_ends import CONTRACTS
from pressstats.pages import order_cards, ring_first
from pressstats.pages.common import day_words
from pressstats.pages.material_words import material_words, packs_words, short_words
from pressstats.pages.order_cards import first_orders
from pressstats.publishing.sheets import order_rows
from pressstats.tables import OUTPUTS

if TYPE_CHECKING:
    from pressstats.exhibits import Block


def results_of(logs: Any, plan: Any, open_rows: pd.DataFrame, claims: pd.DataFrame | None = None) -> Any:
    cover = pd.DataFrame({"material": list(USE), "quantity": list(STOCK.values())})
    cover["days_cover"] = cover["quantity"] / pd.Series(list(USE.values()))
    stock = pd.DataFrame({"material": list(USE), "quantity": list(STOCK.values()), "why": ""})
    record = pd.DataFrame({"supplier": ["Northmill"], "on_time_pct": [64.2]})
    tables = {
        "order_plan": plan.published,
        "stock_cover": cover,
        "late_trucks": plan.late_trucks,
        "supplier_record": record,
        "exceptions": OUTPUTS["exceptions"].empty() if claims is None else claims,
    }

    class StandIn(SimpleNamespace):
        def __getitem__(self, name: str) -> pd.DataFrame:
            return tables[name]

        def tables(self) -> dict[str, pd.DataFrame]:
            return tables

    nothing = pd.DataFrame(columns=["subject", "what", "suspect", "refuses"])
    return StandIn(logs=logs, plan=plan, open_orders=open_rows, on_hand=stock, implausible=nothing)


def said(block: Block | str) -> str:
    text = block if isinstance(block, str) else block.text
    return text.replace("\u202f", ",").replace("\xa0", " ").replace("\u2068", "").replace("\u2069", "")


@pytest.mark.parametrize("wanted", [2, 7])
def test_an_order_may_wait_while_the_least_stock_is_left_when_it_comes(tmp_path: Path, wanted: int) -> None:
    toml = f"[policy]\ncover_days_minimum = {wanted}\n"
    logs = plant(tmp_path, toml)
    plan = plan_of(logs, spread=0.0)
    daily = pd.Series(USE)
    latest = latest_order_days(logs, plan, daily)
    assert list(latest.index) == list(plan.published["order"].unique())
    kept = 0
    for order, rows in plan.published.groupby("order", sort=False):
        placed, due = rows["order_on"].iloc[0], rows["due_on"].iloc[0]
        days = []
        for later in range(7):
            # One path and nothing late: what came before that day, less what is used until the evening of waiting.
            left = []
            for name in rows["material"]:
                mine = plan.published[plan.published["material"] == name]
                came = mine.loc[mine["due_on"] < due, "quantity"].sum()
                nights = (due + (later - 1) * DAY - logs.as_of).days
                left.append((STOCK[name] + came - nights * USE[name]) / USE[name])
            day = placed + later * DAY
            if later == 0 or (min(left) >= wanted - 1e-9 and day.day_of_week < 5):
                days.append(day)
        assert latest[order] == days[-1], order
        kept += latest[order] > placed
    assert kept > 0
    # What a supplier brings on a day is ordered in one call: none of it later than all of it may come.
    waits = next(
        order for order, rows in plan.published.groupby("order") if latest[order] > rows["order_on"].iloc[0]
    )
    row = plan.published[plan.published["order"] == waits].iloc[0]
    for days_late, runs_out, until in ((1.0, "N600", 1), (np.nan, "N600", 0), (np.nan, "", 7)):
        late = pd.DataFrame(
            {
                "supplier": [row["supplier"]],
                "promised_on": [row["due_on"]],
                "state": ["to order"],
                "days_late": [days_late],
                "runs_out": [runs_out],
            }
        )
        held = latest_order_days(logs, dataclasses.replace(plan, late_trucks=late), daily)
        assert held[waits] == min(latest[waits], row["order_on"] + until * DAY)
    # A material of which nobody knows the use of a day makes the day of its orders unknown.
    assert latest_order_days(logs, plan, daily.drop("N600")).isna().any()


def test_packs_are_called_as_they_are_sold(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    assert material_words(logs)["N1200"] == "45 g 1200 mm N1200"
    # What the code says itself is not said twice.
    assert material_words(logs)["black"] == "ink black"
    own = logs["materials"].assign(material=logs["materials"]["material"].replace("black", "ink-black"))
    named = dataclasses.replace(logs, tables={**logs.tables, "materials": own})
    assert material_words(named)["ink-black"] == "ink-black"
    assert material_words(logs)["plate"] == "plate"
    # Who knows the plant needs no code of a width, but where two are the same.
    assert short_words(logs)[["N1200", "black", "plate"]].tolist() == ["45 g 1200 mm", "ink black", "plate"]
    twice = pd.concat([logs["materials"], logs["materials"].head(1).assign(material="N1200-2")])
    alike = dataclasses.replace(logs, tables={**logs.tables, "materials": twice})
    assert short_words(alike)[["N1200", "N600"]].tolist() == ["45 g 1200 mm N1200", "45 g 600 mm"]
    nameless = dataclasses.replace(logs, tables={})
    assert short_words(nameless).empty
    assert packs_words(logs, "N1200", 26, 26 * 970.0) == "26 reels"
    assert packs_words(logs, "N1200", 1, 970.0) == "1 reel"
    # Common practice, no source: an IBC holds about a tonne, a drum 200 l.
    assert packs_words(logs, "black", 2, 2000.0) == "2 IBCs"
    assert packs_words(logs, "black", 3, 600.0) == "3 drums"
    assert packs_words(logs, "black", 3, 60.0) == "3 containers"
    assert packs_words(logs, "plate", 4, 200.0) == "4 boxes"
    assert packs_words(logs, "plate", float("nan"), 200.0) == ""


def test_cards_hold_all_that_an_order_is_placed_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.0)
    block = order_cards.order_now(results_of(logs, plan, on_order()))
    first = first_orders(plan.published)
    assert block.markup.count('class="card"') == first["order"].nunique()
    for row in first.itertuples():
        assert f"{row.packs:.0f} reel" in block.markup
        assert f"{row.quantity:,.0f}".replace(",", "\u202f") in block.markup
        assert f"{row.unit_price:.4f}" in block.markup
    for order, rows in first.groupby("order"):
        assert f"{rows['cost'].sum():,.2f} EUR" in said(block), order
    assert block.markup.count('class="to-write"') == first["order"].nunique()
    assert "with freight 600.00 EUR a truck" in said(block)
    assert "desk" not in said(block)
    assert "consider" not in said(block)
    # Whom to ring is text, and stands once for what a supplier brings on a day; who can wait least stands first.
    known = {"contacts": {"Northmill": "desk <4>"}}
    named = dataclasses.replace(logs, plant=logs.plant.model_copy(update=known))
    day = plan.published["order_on"].min()
    one_day = plan.published.assign(order_on=day)
    plan = dataclasses.replace(
        plan, published=one_day.assign(order=numbered(one_day)), reasons=plan.reasons.iloc[:0]
    )
    first = first_orders(plan.published)
    orders = list(first["order"].unique())
    assert len(orders) > 10
    days = pd.Series(day, index=orders, dtype="datetime64[us]")
    monkeypatch.setattr(order_cards, "latest_order_days", lambda *_: days)
    block = order_cards.order_now(results_of(named, plan, on_order()))
    # So does what is the same of all of them; what differs stands on each card.
    (group,) = [line for line in said(block).splitlines() if "desk <4>" in line]
    total = f"{first['cost'].sum():,.2f} EUR"
    assert group == f"Northmill: desk <4>; {len(orders)} trucks {total}; order by {day_words(day)}"
    heads = heads_of(block)
    assert first["due_on"].nunique() > 1
    assert all("; due " in head and "order by" not in head for head in heads)
    # A truck has the number that its order has in tables and workbooks.
    assert [head.split(":")[0] for head in heads] == [
        f"Northmill, truck {number} of {len(orders)}" for number in range(1, len(orders) + 1)
    ]
    placed = plan.published.groupby("order")["cost"].sum()
    for number, head in enumerate(heads, start=1):
        assert f": {placed[f'{day:%Y-%m-%d} Northmill {number}']:,.2f} EUR; " in head
    last = plan.published["order"] == orders[-1]
    plan.published.loc[last, "supplier"] = "Eastmill"
    days[orders[:-1]] = day + DAY
    days[orders[0]] = day + 2 * DAY
    heads = heads_of(order_cards.order_now(results_of(named, plan, on_order())))
    assert heads[0].startswith(f"Eastmill, one truck: {placed[orders[-1]]:,.2f} EUR; ")
    assert f"order by {day_words(day)}; " in heads[0]
    # Of a supplier's trucks that which can wait least stands first.
    assert all(f"order by {day_words(day + DAY)}" in head for head in heads[1:-1])
    assert f"order by {day_words(day + 2 * DAY)}" in heads[-1]
    days[orders[-1]] = pd.NaT
    heads = heads_of(order_cards.order_now(results_of(named, plan, on_order())))
    assert "order by not known" in heads[-1]


def test_trucks_that_are_alike_share_a_card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.0)
    rows = first_orders(plan.published)
    rows = rows[rows["order"] == rows["order"].iloc[0]]
    day = rows["order_on"].iloc[0]
    trucks = [rows.assign(order=f"{day:%Y-%m-%d} Northmill {number}") for number in (1, 2, 3)]
    trucks[2] = trucks[2].assign(quantity=2 * trucks[2]["quantity"])
    published = pd.concat(trucks)[plan.published.columns]
    plan = dataclasses.replace(plan, published=published)
    orders = list(published["order"].unique())
    days = pd.Series(day, index=orders, dtype="datetime64[us]")
    monkeypatch.setattr(order_cards, "latest_order_days", lambda *_: days)
    why = dict(zip(orders, ("one reason.", "another.", "a third."), strict=True))
    monkeypatch.setattr(order_cards, "reason_words", lambda *_: why)
    needs = dict(
        zip(
            orders,
            (("risk", "84 %"), ("can wait", "until Monday"), ("can wait", "until Friday")),
            strict=True,
        )
    )
    monkeypatch.setattr(order_cards, "need_words", lambda *_: needs)
    block = order_cards.order_now(results_of(logs, plan, on_order()))
    # Of trucks that are alike it is said which can wait; one that can wait by itself is not to be ordered by a day.
    assert "; risk 84 %; truck 2 can wait until Monday" in said(block)
    assert said(block).count("; can wait until Friday") == 1
    assert said(block).count("order by") == 1
    total = f"{rows['cost'].sum():,.2f} EUR"
    heads = heads_of(block)
    assert [head.split(";")[0] for head in heads] == [
        f"Northmill, trucks 1 and 2 of 3: 2 × {total}",
        f"Northmill, truck 3 of 3: {total}",
    ]
    # What one of them brings is not taken for all of them.
    assert block.markup.count("packs a truck") == 1
    assert said(block).count("with freight 600.00 EUR a truck") == 1
    # Each truck keeps its own order number and reason, and the goods of one stand on the card.
    assert [block.markup.count(f"Order number, truck {number} <") for number in (1, 2, 3)] == [1, 1, 0]
    assert block.markup.count('class="to-write"') == 3
    assert "Truck 1: One reason. Truck 2: Another." in block.markup
    assert "A third." in block.markup
    assert "Truck 3: A third." not in block.markup
    assert block.markup.count(f"{rows['packs'].iloc[0]:.0f} reels") >= 2
    # One that may wait longer is not like the others.
    days[orders[1]] = day + DAY
    heads = heads_of(order_cards.order_now(results_of(logs, plan, on_order())))
    assert [head.split(":")[0] for head in heads] == [
        f"Northmill, truck {number} of 3" for number in (1, 3, 2)
    ]


def numbered(rows: pd.DataFrame) -> list[str]:
    """Return an order a row, numbered as trucks of a day are."""
    return [
        f"{row.order_on:%Y-%m-%d} Northmill {number}" for number, row in enumerate(rows.itertuples(), start=1)
    ]


def heads_of(block: Block) -> list[str]:
    return [
        line
        for line in said(block).splitlines()
        if re.match(r"(North|East)mill[^;]*: [×\d, ]+\.\d\d EUR", line)
    ]


def test_a_card_says_what_a_contract_would_have_placed_elsewhere(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.0)
    row = first_orders(plan.published).iloc[0]
    much = plan.published.loc[
        (plan.published["order_on"] == row["order_on"]) & (plan.published["material"] == row["material"]),
        "quantity",
    ].sum()
    advice = {name: [None] for name in CONTRACTS} | {
        "supplier": ["Southmill"],
        "other": ["Northmill"],
        "material": [row["material"]],
        "contract_from": [logs.as_of],
        "shift": [2 * much],
        "first_on": [row["order_on"]],
        "first_quantity": [much],
    }

    def told(**own: Any) -> str:
        contracts = pd.DataFrame(advice | own).astype(CONTRACTS)
        return said(
            order_cards.order_now(
                results_of(logs, dataclasses.replace(plan, contracts=contracts), on_order())
            )
        )

    packs = packs_words(logs, row["material"], row["packs"], row["quantity"])
    assert f"consider Southmill for {packs} {row['material']}, see contracts" in told()
    assert f"consider Southmill for up to 1,000 kg {row['material']}, see contracts" in told(shift=[1000.0])
    assert "consider" not in told(first_on=[row["order_on"] + 7 * DAY])
    # So does each row of that order on the sheet that is ordered from, and no other.
    moved = dataclasses.replace(plan, contracts=pd.DataFrame(advice).astype(CONTRACTS))
    sheet = order_rows(results_of(logs, moved, on_order()))
    says = sheet["why"].str.startswith(f"consider Southmill for {packs} {row['material']}, see contracts; ")
    assert says.tolist() == (sheet["order"] == row["order"]).tolist()
    assert says.any()
    assert "consider" not in told(shift=[-2 * much])


def test_who_is_rung_stands_with_a_number_or_with_whom_to_ask_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = plant(tmp_path, without=("prices",))
    late = on_order(("N600", 4_850.0, logs.as_of - 2 * DAY), ("N1200", 9_700.0, logs.as_of + 40 * DAY))
    plan = plan_of(logs, open_rows=late)
    lines = [said(line) for line in ring_first.ring_first(results_of(logs, plan, late))]
    (asked,) = [line for line in lines if "O0" in line]
    assert asked.startswith("**Ring Northmill** (no number in the logs; ask purchasing) for a new day")
    assert "4,850 kg N600" in asked
    known = dataclasses.replace(
        logs, plant=logs.plant.model_copy(update={"contacts": {"Northmill": "desk 4"}})
    )
    lines = [said(line) for line in ring_first.ring_first(results_of(known, plan, late))]
    assert any(line.startswith("**Ring Northmill, desk 4** for a new day") for line in lines)
    # That nothing is late is said only where deliveries are known, with what comes next and what has least to spare.
    quiet = dataclasses.replace(plan, service=plan.service.assign(short_on=pd.NaT))
    coming = on_order(("N600", 4_850.0, logs.as_of + DAY))
    trucks = plan_of(logs, open_rows=coming).late_trucks
    quiet = dataclasses.replace(quiet, late_trucks=trucks)
    by = pd.to_datetime([logs.as_of + DAY, logs.as_of + 60 * DAY])
    claims = pd.DataFrame({"kind": "claim", "subject": ["Northmill", "Eastmill"], "by": by, "cost": 226.4})
    trucks["days_late"] = [0.0] * len(trucks)
    nothing, claim, following, spare = [
        said(line) for line in ring_first.ring_first(results_of(logs, quiet, coming, claims))
    ]
    assert nothing.startswith("Nothing is late today, and nothing is likely to run out before")
    # Only the claim whose period ends before the orders are placed.
    ends = day_words(by[0], logs.as_of)
    assert claim == f"By {ends}, when the first period ends: send Northmill its claims, 226 EUR in all."
    # What is claimed without a price has no sum.
    unpriced = ring_first.ring_first(results_of(logs, quiet, coming, claims.assign(cost=np.nan)))
    assert said(unpriced[1]) == claim.replace(", 226 EUR in all", "")
    day = day_words(logs.as_of + DAY, logs.as_of)
    assert following.startswith(f"Due {day}: 1 truck from Northmill")
    needed = trucks.loc[trucks["promised_on"] == logs.as_of + DAY, "latest_on"].item()
    assert (f"Northmill, needed by {day_words(needed, logs.as_of)}." in following) == pd.notna(needed)
    # Who must be rung about which truck is said, and what runs out after it; not where its supplier is never so late.
    first = trucks.sort_values("promised_on").iloc[0]
    due = day_words(first["promised_on"], logs.as_of)
    assert f", due {due}: 0 days, then {short_words(logs)[first['runs_out']]} runs out first" in spare
    assert re.match(r"Fewest days to spare: Northmill(, truck \d+|, order)?, due ", spare)
    trucks["days_late"] = [400.0] * len(trucks)
    known = {"Northmill": {"late_q95": 7.0}}
    summary = pd.DataFrame(known).T.rename_axis("supplier").reset_index()
    monkeypatch.setattr(ring_first.LeadTimes, "summary", lambda _: summary)
    assert len(ring_first.ring_first(results_of(logs, quiet, coming, claims))) == 3
    (bare,) = ring_first.ring_first(
        results_of(logs, dataclasses.replace(quiet, late_trucks=trucks.iloc[:0]), on_order())
    )
    assert bare.startswith("Nothing is late today")
    without = plant(tmp_path / "without")
    (unknown,) = ring_first.ring_first(results_of(without, quiet, on_order()))
    assert "is unknown" in unknown
