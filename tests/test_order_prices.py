"""A price agreed to change: what the plan buys ahead, what it waits for, and what its reasons say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from order_plans import plan_of, plant
from test_order_milp import item

from pressstats.orders import OrderPlan, solve

CHANGE = pd.Timestamp("2025-04-14")


def planned_with(folder: Path, price: float, rate: float = 0.12) -> OrderPlan:
    """Plan for two widths at 0.60, and at `price` for orders from four weeks after as-of on."""
    rows = [
        (name, day, 0.0, value)
        for name in ("N1200", "N600")
        for day, value in (("2025-01-01", 0.60), (f"{CHANGE:%Y-%m-%d}", price))
    ]
    prices = pd.DataFrame(rows, columns=["material", "valid_from", "from_quantity", "unit_price"])
    toml = f"\n[policy]\nholding_cost_rate = {rate}\n"
    return plan_of(plant(folder, toml, without=("deliveries",), tables={"prices": prices}))


def ordered_before(found: OrderPlan) -> float:
    """Return what is ordered before the change [t]."""
    table = found.published
    return float(table.loc[table["order_on"] < CHANGE, "quantity"].sum()) / 1000


def test_a_rise_is_bought_ahead_of_where_that_pays_and_its_reason_says_so(tmp_path: Path) -> None:
    flat, rise = (planned_with(tmp_path / str(price), price) for price in (0.60, 0.648))
    # About 23 t a week are used: three weeks and more come earlier.
    assert ordered_before(rise) > ordered_before(flat) + 60
    said = rise.reasons.dropna(subset="price_then")
    assert len(said)
    assert (said["price"] == 0.6).all()
    assert (said["price_then"] == 0.648).all()
    assert (said["price_from"] == pd.Timestamp("2025-04-16")).all()
    assert flat.reasons["price_then"].isna().all()
    # What is ordered again before the rise could wait until then: of it the rise is no reason.
    for reason in said.itertuples():
        mine = rise.published[rise.published["material"] == reason.material]
        order = mine[mine["order"] == reason.order].iloc[0]
        assert mine["order_on"].max() >= CHANGE
        assert not ((mine["order_on"] > order["order_on"]) & (mine["order_on"] < CHANGE)).any(), reason.order
        assert reason.gain == pytest.approx(0.048 * order["quantity"])
    # No more than the least that what is ordered before and after costs.
    table = rise.published
    price = np.where(table["order_on"] < CHANGE, 0.60, 0.648)
    freight = table["order"].nunique() * 600
    assert table["cost"].sum() == pytest.approx((table["quantity"] * price).sum() + freight)


def test_a_rise_is_not_bought_ahead_of_where_holding_costs_more(tmp_path: Path) -> None:
    # 8 % against a week's holding of 11.5 %.
    flat, rise = (planned_with(tmp_path / str(price), price, rate=6.0) for price in (0.60, 0.648))
    assert ordered_before(rise) < ordered_before(flat) + 12


def test_a_fall_is_waited_for(tmp_path: Path) -> None:
    flat, fall = (planned_with(tmp_path / str(price), price) for price in (0.60, 0.552))
    assert ordered_before(fall) < ordered_before(flat)
    assert (fall.service["weeks_short"] <= fall.service["allowed"]).all()


@pytest.mark.parametrize(("rise", "weeks"), [(0.5, 0), (1.5, 1), (3.5, 3), (6.5, 6)])
def test_so_many_weeks_are_bought_ahead_as_the_rise_pays_holding_for(rise: float, weeks: int) -> None:
    # One unit a week at 100, held at 1 a week: each week ahead costs 1 a unit, the rise of order 4 on saves `rise`.
    needs = np.arange(1.0, 14.0)
    rate = 365.25 / 7 / 100
    one = item(
        "paper",
        list(needs),
        pack=1.0,
        load=1000.0,
        due=np.arange(14)[1:] * 7,
        prices=[[(0.0, 100.0 if order < 4 else 100.0 + rise)] for order in range(13)],
    )
    found = solve([one], load_cost=0.0, holding_rate=rate, end=13 * 7, gap=0.0)
    expected = np.ones(13)
    expected[3] += weeks
    expected[4 : 4 + weeks] = 0
    # Holding of later orders costs the dearer price's rate, by less than half a week.
    assert found.quantity[0].tolist() == expected.tolist()
