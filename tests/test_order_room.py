"""Room for what is ordered: in the tank or store when it comes, however slowly stock was used until then."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from order_plans import DAY, STOCK, USE, cases_of, on_hand, on_order, plan_of, plant
from scipy.stats import norm
from small_plant import small_tables

from pressstats.orders.planned import ORDERS
from pressstats.orders.room import levels, peaks, store_room

WANTS_MUCH = "\n[policy]\ncover_days_minimum = 80\ncover_days_maximum = 120\n"


def test_levels_walk_through_the_days(tmp_path: Path) -> None:
    scenarios = cases_of(plant(tmp_path), stock={"N1200": 30_000.0, "N600": 18_000.0}, spread=0.3, draws=20)
    for place in range(2):
        found, use, helped = levels(scenarios, place), scenarios.use[place], scenarios.helped[place]
        for case in range(20):
            level = scenarios.planned[place].stock
            for day in range(use.shape[1]):
                level += scenarios.come[place][case, day]
                assert found[case, day] == pytest.approx(level, abs=1e-6)
                level -= use[case, day]
                if day < helped[case]:
                    level = max(level, 0.0)


def test_peaks_are_the_expected_stock_where_nothing_varies(tmp_path: Path) -> None:
    scenarios = cases_of(plant(tmp_path), spread=0.0, draws=3)
    for place, one in enumerate(scenarios.planned):
        assert peaks(scenarios, place) == pytest.approx(one.mean[one.due[:ORDERS]])


def test_only_what_may_happen_after_an_order_needs_room_for_it(tmp_path: Path) -> None:
    scenarios = cases_of(plant(tmp_path), spread=0.2, draws=20_000)
    for place, one in enumerate(scenarios.planned):
        # Use is normal by a factor of the path, and nothing is late: in one case of twenty so much more is left.
        ahead = one.due[:ORDERS] - one.reviews[:ORDERS]
        more = norm.ppf(0.95) * 0.2 * USE[one.name] * ahead
        assert peaks(scenarios, place) - one.mean[one.due[:ORDERS]] == pytest.approx(more, rel=0.05)


def test_a_late_open_order_takes_its_room_once(tmp_path: Path) -> None:
    # One truck of five is a week late. 24 t are promised for the day before the first review: the expected stock of
    # that day has them, and where they are still out they come on top of less.
    came = small_tables()["deliveries"].query("delivery_id == 'D1'")
    rows = [
        came.assign(delivery_id=f"L{n}", load=f"L{n}", promised_on=came["delivered_on"] - late * DAY)
        for n, late in enumerate([0, 0, 0, 0, 7] * 4)
    ]
    toml = "\n[policy]\nnewsprint_storage_maximum_kg = 60000\n"
    logs = plant(tmp_path, toml, tables={"deliveries": pd.concat(rows)}, without=("prices",))
    use, stock = {"N600": 700.0}, {"N600": 18_000.0}
    review = cases_of(logs, use, stock).planned[0].reviews[0]
    on_its_way = on_order(("N600", 24_000.0, logs.as_of + int(review) * DAY))
    scenarios = cases_of(logs, use, stock, spread=0.0, open_rows=on_its_way)
    one, level = scenarios.planned[0], levels(scenarios, 0)
    assert (scenarios.come[0][:, : review + 1].sum(axis=1) == 0).mean() > 0.1
    first, second = scenarios.arrives[0][:, 0], scenarios.arrives[0][:, 1]
    highest = [level[n, a : max(b, a + 1)].max() for n, (a, b) in enumerate(zip(first, second, strict=True))]
    assert peaks(scenarios, 0)[0] == pytest.approx(np.quantile(highest, 0.95), abs=1.0)
    assert one.mean[one.due[0]] == pytest.approx(peaks(scenarios, 0)[0], abs=1.0)
    rooms = dict(store_room(logs, scenarios, on_hand(stock), on_its_way))
    assert rooms[int(one.due[0])] == pytest.approx(60_000 - np.quantile(level[:, one.due[0]], 0.95), abs=1.0)


def test_a_store_is_not_overfilled_where_use_is_slow(tmp_path: Path) -> None:
    logs = plant(tmp_path, WANTS_MUCH, storage_maximum=60_000.0)
    plan = plan_of(logs, use={"N600": 700.0}, stock={"N600": 18_000.0}, spread=0.2)
    second = np.sort(plan.published["due_on"].unique())[1]
    ahead = plan.stock_ahead[plan.stock_ahead["day"] < second]
    fullest = ahead.loc[ahead["q50"].idxmax()]
    # It is filled as far as its room goes in nineteen of twenty scenarios, a pack and the paths' noise apart.
    assert 0.9 * 60_000 < fullest["q95"] <= 1.01 * 60_000
    assert fullest["q50"] < 0.97 * 60_000


def test_all_newsprint_has_its_room_together(tmp_path: Path) -> None:
    toml = "\n[policy]\nnewsprint_storage_maximum_kg = 90000\n"
    logs, stock = plant(tmp_path, toml), on_hand(STOCK)
    none = on_order()
    even = store_room(logs, cases_of(logs, spread=0.0, draws=3), stock, none)
    varied = store_room(logs, cases_of(logs, spread=0.2, draws=20_000), stock, none)
    assert even is not None
    assert varied is not None
    total = sum(USE.values())
    for (day, room), (_, less) in zip(even, varied, strict=True):
        assert room == pytest.approx(max(90_000 - sum(STOCK.values()) + total * day, 0.0))
        one = cases_of(logs, spread=0.0, draws=3).planned[0]
        spread = (
            np.sqrt(sum(each**2 for each in USE.values())) * 0.2 * min(day, (one.due - one.reviews).max())
        )
        assert room - less == pytest.approx(norm.ppf(0.95) * spread, rel=0.06)
    assert store_room(plant(tmp_path / "free"), cases_of(logs, draws=3), stock, none) is None
    # What is on its way and cannot be planned takes its floor.
    other = on_order(("N1200", 5_000.0, logs.as_of + 9 * DAY))
    alone = cases_of(logs, use={"N600": 700.0}, stock={"N600": 18_000.0}, spread=0.0, draws=3)
    rooms = [store_room(logs, alone, stock, rows) for rows in (none, other)]
    assert rooms[0] is not None
    assert rooms[1] is not None
    assert rooms[0][-1][1] - rooms[1][-1][1] == pytest.approx(5_000.0)
