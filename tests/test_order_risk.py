"""Stock-out risk before the next order can arrive: by hand, beside a simulation, and one number everywhere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from order_plans import DAY, cases_of, on_order, plan_of, plant
from order_risk import risk_world, simulated_risk, told_risk
from small_plant import small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import risk_before_arrival
from pressstats.orders.planned import ORDERS
from pressstats.orders.risk import out_before


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("risk") / "logs", small_tables()))


def test_the_risk_told_is_that_of_a_simulation(logs: Logs) -> None:
    # `bench_orders.py risk` runs a hundred worlds; here twelve, their own error among the five points.
    worlds = [risk_world(logs, seed) for seed in range(12)]
    told = np.array([told_risk(world) for world in worlds])
    true = np.array([simulated_risk(world, 1000) for world in worlds])
    assert true.min() < 0.3 < 0.7 < true.max()
    assert (np.abs(told - true) <= 0.05).mean() >= 0.9
    assert abs((told - true).mean()) < 0.02


def test_days_count_from_the_order_before_to_this_one() -> None:
    out = np.zeros((4, 10), dtype=bool)
    out[0, 2] = out[1, 5] = out[2, 9] = True
    arrives = np.array([[3, 6], [5, 8], [4, 9], [4, 6]])
    # First order: case 0 on day 2 before 3; case 1 runs out on the day that the order serves first.
    assert out_before(out, None, arrives[:, 0]) == 0.25
    # Between the two: case 1 on day 5 from 5 to 8; case 2 on day 9 is served by the second.
    assert out_before(out, arrives[:, 0], arrives[:, 1]) == 0.25
    assert out_before(out, None, arrives[:, 1]) == 0.5


def test_what_is_late_is_counted_in_and_what_is_ordered_is_not(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    use, stock = {"N1200": 2400.0}, {"N1200": 24_000.0}
    bare = cases_of(logs, use, stock, spread=0.0, draws=50)
    nothing = np.zeros((1, ORDERS))
    first = int(bare.planned[0].due[0])
    assert first > 11
    # Ten days' use against more days until an order can come.
    assert risk_before_arrival(bare, nothing)["N1200"] == 1.0
    much = on_order(("N1200", 90_000.0, logs.as_of + 5 * DAY))
    assert risk_before_arrival(cases_of(logs, use, stock, 0.0, 50, much), nothing)["N1200"] == 0.0
    # Orders of the plan change nothing of what happens until the first of them comes.
    assert risk_before_arrival(bare, np.full((1, ORDERS), 5e4))["N1200"] == 1.0
    late = on_order(("N1200", 90_000.0, logs.as_of + (first + 5) * DAY))
    assert risk_before_arrival(cases_of(logs, use, stock, 0.0, 50, late), nothing)["N1200"] == 1.0


def test_one_number_in_the_plan_and_its_service(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    days = {"N1200": 17.0, "N600": 22.0}
    found = plan_of(logs, stock={"N1200": days["N1200"] * 2400, "N600": days["N600"] * 700}, spread=0.15)
    first = found.published["order_on"].min()
    rows = found.published[found.published["order_on"] == first].groupby("material")["stockout_probability"]
    assert set(rows.min().index) == {"N1200", "N600"}
    pd.testing.assert_series_equal(rows.min(), found.risk.reindex(rows.min().index), check_names=False)
    assert found.risk.between(0, 1).all()
    assert found.risk["N1200"] > 0.02
    service = found.service.set_index("material")
    told = service[service["cause"].isin(["before any order", "worth a rush"])]
    assert len(told)
    assert (told["chance"] == found.risk.reindex(told.index)).all()
    assert (service["on_order"] == 0).all()
