"""Stock-out risk before the next order can arrive: by hand, beside a simulation, and one number everywhere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from order_plans import DAY, STOCK, USE, cases_of, on_order, plan_of, plant
from order_risk import risk_world, simulated_risk, told_risk
from small_plant import small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders.late_trucks import late_trucks
from pressstats.orders.planned import ORDERS
from pressstats.orders.risk import out_before, risk_before_arrival


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


# --- trucks that come late ---------------------------------------------------------------------


def trucks_of(logs: Logs, stock: dict[str, float], rows: pd.DataFrame, spread: float = 0.0) -> pd.DataFrame:
    cases = cases_of(logs, {"N1200": 2400.0, "N600": 700.0}, stock, spread, 1000, rows)
    return late_trucks(cases, np.zeros((2, ORDERS)), rows)


def test_a_truck_may_be_as_late_as_stock_lasts_without_it(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    receives = logs.plant.calendar.receives
    # Ten days of one and twenty of the other: the eleventh issue lacks the one, and what is received on a day serves
    # the issue of the next.
    stock = {"N1200": 24_000.0, "N600": 14_000.0}
    promised = logs.as_of + 5 * DAY
    rows = on_order(("N1200", 90_000.0, promised), ("N600", 9_000.0, promised))
    row = trucks_of(logs, stock, rows).iloc[0]
    days = pd.date_range(promised, logs.as_of + 10 * DAY, unit="us")
    last = days[receives(days)][-1]
    assert row[["latest_on", "days_late"]].tolist() == [last, (last - promised).days]
    assert row[["state", "materials", "runs_out"]].tolist() == ["on order", "N1200; N600", "N1200"]
    # Of 24 t each: 99 t are four trucks and a part of another.
    assert row["trucks"] == 5
    assert row["issue"] == logs.as_of + 11 * DAY
    assert row[["chance_promised", "chance_week_late"]].tolist() == [0.0, 1.0]
    # A truck that could not come in time even if it came tomorrow; one that nothing on it waits for.
    never = trucks_of(logs, stock | {"N1200": 1_000.0}, rows).iloc[0]
    assert pd.isna(never["latest_on"])
    assert never[["why", "runs_out", "chance_promised"]].tolist() == ["no day is soon enough", "N1200", 1.0]
    much = trucks_of(logs, {"N1200": 5e5, "N600": 5e5}, rows).iloc[0]
    assert much["why"].startswith("nothing on it runs out within 28 days")
    assert much[["chance_promised", "chance_week_late"]].tolist() == [0.0, 0.0]
    odd = on_order(("N1200", 1.0, logs.as_of + 4000 * DAY), ("lacquer", 1.0, promised))
    assert set(trucks_of(logs, stock, odd)["why"]) == {
        "promised for a day beyond what the plan looks ahead",
        "stock or use of what is on it is not known",
    }
    assert trucks_of(logs, stock, on_order()).empty


def test_the_latest_day_is_that_of_trying_every_day_one_by_one(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    promised, other = logs.as_of + 4 * DAY, logs.as_of + 11 * DAY
    rows = on_order(("N1200", 30_000.0, promised), ("N1200", 12_000.0, other))
    cases = cases_of(logs, {"N1200": 2400.0}, {"N1200": 24_000.0}, 0.15, 200, rows)
    found = late_trucks(cases, np.zeros((1, ORDERS)), rows).set_index("promised_on")
    for day, amount in ((promised, 30_000.0), (other, 12_000.0)):
        held, chances = [], {}
        for late in range(22):
            comes = day + late * DAY
            if not logs.plant.calendar.receives(pd.DatetimeIndex([comes]))[0]:
                continue
            serves, out = (comes - cases.days[0]).days + 1, 0
            for case in range(200):
                left, lacks = 24_000.0, False
                for step in range(serves):
                    mine = amount * (cases.trucks[list(found.index).index(day)][1][case] + 1 == step)
                    left += cases.come[0][case, step] - mine - cases.use[0][case, step]
                    lacks, left = lacks or left < -1e-6, max(left, 0.0)
                out += lacks
            chances[late] = out / 200
            if out <= 10:
                held.append(comes)
        assert found.loc[day, "latest_on"] == held[-1]
        assert found.loc[day, "chance_week_late"] == pytest.approx(chances.get(7, np.nan), abs=1e-12)
        assert 0 < chances[max(late for late in chances if day + late * DAY <= held[-1])] <= 0.05


def test_a_plan_tells_of_what_is_ordered_next_and_of_what_nobody_counts_on(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    found = plan_of(
        logs,
        stock={"N1200": 34_000.0, "N600": 9_000.0},
        open_rows=on_order(("N600", 5e3, logs.as_of + 3 * DAY)),
    )
    table = found.late_trucks.set_index("state")
    first = found.published[found.published["order_on"] == found.published["order_on"].min()]
    assert table.loc["to order", "promised_on"] == first["due_on"].iloc[0]
    assert set(table.loc["to order", "materials"].split("; ")) == set(first["material"])
    assert table.loc["on order", "materials"] == "N600"
    # What the scenarios leave out, because nobody counts on it, is told all the same.
    lost = on_order(("N600", 5e3, logs.as_of - 60 * DAY))
    bare = cases_of(logs, USE, STOCK, 0.0, 50)
    row = late_trucks(bare, np.zeros((2, ORDERS)), lost).iloc[0]
    assert row[["state", "runs_out"]].tolist() == ["not counted on", ""]
