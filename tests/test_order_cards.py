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


def test_cards_hold_all_that_an_order_is_placed_with(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.0)
    block = order_cards.order_now(results_of(logs, plan, on_order()))
    first = first_orders(plan.published)
    # A card a supplier, a column a truck, each with a space for its order number.
    assert block.markup.count('class="card"') == 1
    assert block.markup.count("<input") == first["order"].nunique()
    for row in first.itertuples():
        assert packs_words(logs, row.material, row.packs, row.quantity) in block.markup
        assert f"{short_words(logs)[row.material]} {row.unit_price:.4f} " in said(block)
    for kg in first.groupby("order")["quantity"].sum():
        assert f"{kg:,.0f}".replace(",", "\u202f") in block.markup
    for order, cost in first.groupby("order")["cost"].sum().items():
        assert f" {cost:,.2f}" in next(line for line in said(block).splitlines() if "in all" in line), order
    assert "freight 600.00" in said(block)
    assert "ring" not in said(block).split("Ring first")[0]
    assert "consider" not in said(block)


def test_trucks_of_a_supplier_stand_side_by_side_and_three_on_a_card(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = plant(tmp_path, '\n[contacts]\nNorthmill = "desk <4>"\n')
    plan = plan_of(logs, spread=0.0)
    rows = first_orders(plan.published)
    rows = rows[rows["order"] == rows["order"].iloc[0]].head(1)
    day = rows["order_on"].iloc[0]
    trucks = [rows.assign(order=f"{day:%Y-%m-%d} Northmill {number}") for number in range(1, 12)]
    trucks[1] = trucks[1].assign(unit_price=0.6)
    trucks[2] = trucks[2].assign(packs=1.0)
    trucks.append(rows.assign(order=f"{day:%Y-%m-%d} Eastmill 1", supplier="Eastmill"))
    published = pd.concat(trucks)[plan.published.columns]
    plan = dataclasses.replace(plan, published=published, reasons=plan.reasons.iloc[:0])
    orders = list(published["order"].unique())
    days = pd.Series(day + 2 * DAY, index=orders, dtype="datetime64[us]")
    days[orders[0]] = pd.NaT
    days[orders[3]] = day + DAY
    monkeypatch.setattr(order_cards, "latest_order_days", lambda *_: days)
    why = dict(zip(orders[:3], ("one reason.", "another.", "a third."), strict=True))
    monkeypatch.setattr(order_cards, "reason_words", lambda *_: why)
    monkeypatch.setattr(order_cards, "waiting", lambda *_: {orders[1]: "can wait until Monday"})
    block = order_cards.order_now(results_of(logs, plan, on_order()))
    cost = rows["cost"].sum()
    # Who can wait least is rung first; trucks keep their numbers, as a number they are sorted by.
    assert [line.split(";")[0] for line in said(block).splitlines() if "mill, " in line] == [
        f"Northmill, trucks 1 to 3 of 11: {3 * cost:,.2f} EUR",
        f"Northmill, trucks 4 to 6 of 11: {3 * cost:,.2f} EUR",
        f"Northmill, trucks 7 to 9 of 11: {3 * cost:,.2f} EUR",
        f"Northmill, trucks 10 to 11 of 11: {2 * cost:,.2f} EUR",
        f"Eastmill, 1 truck: {cost:,.2f} EUR",
    ]
    first, fourth = [line for line in said(block).splitlines() if line.startswith("order ")][:2]
    assert (
        first
        == f"order {day:%a}, latest not known can wait until Monday {day:%a}, latest {day_words(day + 2 * DAY)}"
    )
    assert fourth.startswith(f"order {day:%a}, latest {day_words(day + DAY)} {day:%a}, ")
    # Another price is a line of its own.
    packs = packs_words(logs, rows["material"].iloc[0], rows["packs"].iloc[0], rows["quantity"].iloc[0])
    name = short_words(logs)[rows["material"].iloc[0]]
    lines = [line for line in said(block).splitlines() if line.startswith(name)]
    assert f"{name} 0.6000 {packs}" in lines
    assert f"{name} {rows['unit_price'].iloc[0]:.4f} {packs} 1 reel" in lines
    assert "Truck 1: One reason. Truck 2: Another. Truck 3: A third." in block.markup
    assert said(block).count("ring desk <4>") == 4
    # Where trucks come on different days, each says its own.
    late = published.assign(due_on=published["due_on"].where(published["order"] != orders[1], day + 30 * DAY))
    block = order_cards.order_now(results_of(logs, dataclasses.replace(plan, published=late), on_order()))
    due = day_words(rows["due_on"].iloc[0])
    assert f"\ndue {due} {day_words(day + 30 * DAY)} {due}\n" in said(block)
    assert said(block).count(f"; due {due}") == 4


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
    assert nothing.startswith("Nobody today: nothing is late, and nothing is likely to run out before")
    # Only the claim whose period ends before the orders are placed.
    ends = day_words(by[0], logs.as_of)
    assert claim == f"By {ends}: send Northmill our claims, 226 EUR; the first lapse then."
    # What is claimed without a price has no sum.
    unpriced = ring_first.ring_first(results_of(logs, quiet, coming, claims.assign(cost=np.nan)))
    assert said(unpriced[1]) == claim.replace(", 226 EUR", "")
    day = day_words(logs.as_of + DAY, logs.as_of)
    assert following.startswith(f"Due {day}: 1 truck from Northmill")
    needed = trucks.loc[trucks["promised_on"] == logs.as_of + DAY, "latest_on"].item()
    assert (f"Northmill, needed by {day_words(needed, logs.as_of)}: ring" in following) == pd.notna(needed)
    spared = trucks.assign(latest_on=pd.NaT, runs_out="", chance_promised=0.0)
    free = results_of(logs, dataclasses.replace(quiet, late_trucks=spared), coming, claims)
    assert (
        said(ring_first.ring_first(free)[2]) == f"Due {day}: 1 truck from Northmill can be spared four weeks."
    )
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
    assert bare.startswith("Nobody today: nothing is late")
    without = plant(tmp_path / "without")
    (unknown,) = ring_first.ring_first(results_of(without, quiet, on_order()))
    assert "is unknown" in unknown
