"""Order cards: the latest day to order by a walk through the days, what packs are called, whom to ring."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from order_plans import DAY, STOCK, USE, on_order, plan_of, plant

from pressstats.orders import latest_order_days
from pressstats.pages import order_cards, ring_first
from pressstats.pages.common import day_words
from pressstats.pages.material_words import material_words, packs_words
from pressstats.pages.order_cards import first_orders

if TYPE_CHECKING:
    from pressstats.exhibits import Block


def results_of(logs: Any, plan: Any, open_rows: pd.DataFrame) -> Any:
    cover = pd.DataFrame({"material": list(USE), "quantity": list(STOCK.values())})
    cover["days_cover"] = cover["quantity"] / pd.Series(list(USE.values()))
    stock = pd.DataFrame({"material": list(USE), "quantity": list(STOCK.values()), "why": ""})
    tables = {"order_plan": plan.published, "stock_cover": cover}

    class StandIn(SimpleNamespace):
        def __getitem__(self, name: str) -> pd.DataFrame:
            return tables[name]

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
        assert f"{rows['cost'].sum():,.0f} EUR" in said(block), order
    assert block.markup.count('class="to-write"') == first["order"].nunique()
    assert "freight 600 EUR" in said(block)
    assert "contact" not in said(block)
    # Whom to ring stands on each card, as text; what can wait least stands first.
    known = {"contacts": {"Northmill": "desk <4>"}}
    named = dataclasses.replace(logs, plant=logs.plant.model_copy(update=known))
    plan = dataclasses.replace(
        plan, published=plan.published.assign(order_on=plan.published["order_on"].min())
    )
    first = first_orders(plan.published)
    orders = list(first["order"].unique())
    days = pd.Series(pd.NaT, index=orders, dtype="datetime64[us]")
    days[orders[-1]], days[orders[0]] = first["order_on"].iloc[0], first["order_on"].iloc[0] + DAY
    monkeypatch.setattr(order_cards, "latest_order_days", lambda *_: days)
    block = order_cards.order_now(results_of(named, plan, on_order()))
    assert block.markup.count("desk &lt;4&gt;") == len(orders)
    heads = [line for line in said(block).splitlines() if "freight" in line]
    # the trucks of a supplier are numbered in that order
    assert [head.split(":")[0] for head in heads] == [
        f"Northmill, truck {number} of {len(orders)}" for number in range(1, len(orders) + 1)
    ]
    placed = first.groupby("order")["cost"].sum()
    assert len(orders) > 1
    assert f"{placed[orders[-1]]:,.0f} EUR; latest {day_words(days[orders[-1]])}" in heads[0]
    assert f"{placed[orders[0]]:,.0f} EUR; latest {day_words(days[orders[0]])}" in heads[1]
    assert all("latest not known" in line for line in heads[2:])


def test_who_is_rung_stands_with_a_number_or_with_whom_to_ask_for_it(tmp_path: Path) -> None:
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
    # Nobody is rung only where deliveries are known.
    quiet = dataclasses.replace(plan, service=plan.service.assign(short_on=pd.NaT))
    (nobody,) = ring_first.ring_first(results_of(logs, quiet, on_order()))
    assert nobody.startswith("Nobody. No open order is late")
    without = plant(tmp_path / "without")
    (unknown,) = ring_first.ring_first(results_of(without, quiet, on_order()))
    assert "is unknown" in unknown
