"""Where an exception begins: each limit from both sides, so that a limit that is moved or turned round fails here."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.prices import receipt_prices
from pressstats.watch.kinds import is_news, raised
from pressstats.watch.process_exceptions import unexplained_exceptions
from pressstats.watch.reel_exceptions import _store_losses
from pressstats.watch.routine_exceptions import implausible_exceptions, log_exceptions, standby_exceptions
from pressstats.watch.stock_exceptions import stock_exceptions

DAY = pd.Timedelta(days=1)


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("plant") / "logs"))


def test_news_is_less_than_four_weeks_old(logs: Logs) -> None:
    days = pd.Series([logs.as_of - 28 * DAY, logs.as_of - 27 * DAY])
    assert is_news(logs, days).tolist() == [False, True]


def test_paper_is_unexplained_beyond_three_and_a_half_standard_deviations(logs: Logs) -> None:
    rows = pd.DataFrame({"z": [3.5, 3.51, -3.5, -3.51]}).assign(
        week=logs.as_of, press="P1", unexplained_kg=50.0, threading_kg=10.0
    )
    found = list(unexplained_exceptions(logs, rows))
    assert len(found) == 2
    assert {row["size"] for row in found} == {40.0}


def test_a_part_reel_has_lost_paper_beyond_six_errors_of_two_weighings(logs: Logs) -> None:
    error = logs.plant.measurement.reel_kg * np.sqrt(2)
    chain = pd.DataFrame({"store_loss_kg": [6.0 * error, 6.1 * error]}).assign(
        last_ended=logs.as_of, reel_id=["a", "b"], material="N1200"
    )
    (found,) = _store_losses(logs, chain)
    assert found["size"] == pytest.approx(6.1 * error)
    assert found["why"].endswith("(b)")
    assert found["cost_basis"] == "to date"


def cover(logs: Logs, days: float) -> list[dict[str, object]]:
    table = pd.DataFrame({"material": ["N1200"], "days_cover": [days], "quantity": [1e6 * days]})
    table["runs_out_q05"] = pd.NaT
    stock = pd.DataFrame({"material": ["N1200"], "quantity": [1.0], "why": [""]})
    orders = pd.DataFrame(columns=["delivery_id", "material", "supplier", "quantity", "promised_on"])
    misses = pd.DataFrame({"counted_on": pd.Series(dtype="datetime64[us]"), "state": pd.Series(dtype="str")})
    return list(stock_exceptions(logs, table, stock, orders, misses))


def test_days_of_stock_are_low_below_the_least_and_high_beyond_twice_the_most(logs: Logs) -> None:
    policy = logs.plant.policy
    assert [row["kind"] for row in cover(logs, policy.cover_days_minimum - 0.01)] == ["days of stock low"]
    assert not cover(logs, policy.cover_days_minimum)
    assert not cover(logs, 2 * policy.cover_days_maximum)
    (found,) = cover(logs, 2 * policy.cover_days_maximum + 0.01)
    assert found["kind"] == "days of stock high"
    # What lies above the limit, a hundredth of a day of 1,000 t, costs its price and the holding rate of a year.
    assert found["cost"] == pytest.approx(1e4 * receipt_prices(logs)["N1200"] * policy.holding_cost_rate)
    assert found["cost_basis"] == "a year"


def test_an_order_is_late_the_day_after_its_promise(logs: Logs) -> None:
    table = pd.DataFrame({"material": [], "days_cover": [], "quantity": [], "runs_out_q05": []})
    stock = pd.DataFrame({"material": ["N1200"], "quantity": [1.0], "why": [""]})
    misses = pd.DataFrame({"counted_on": pd.Series(dtype="datetime64[us]"), "state": pd.Series(dtype="str")})
    for days, late in ((0, 0), (1, 1)):
        orders = pd.DataFrame(
            {"delivery_id": ["D4"], "material": "N1200", "supplier": "Northmill", "quantity": 9.0}
        ).assign(promised_on=logs.as_of - days * DAY)
        assert len(list(stock_exceptions(logs, table, stock, orders, misses))) == late


def test_a_standby_test_is_overdue_the_day_after_it_was_due(tmp_path: Path) -> None:
    tables = small_tables()
    last = tables["runs"]["date"].max()
    days = {"due today": 90, "due yesterday": 91, "never": None, "later": -3}
    tested = [pd.NaT if late is None else last - late * DAY for late in days.values()]
    first = tables["standby"].iloc[[0]]
    tables["standby"] = pd.concat(
        [first.assign(supply=name, tested_on=day) for name, day in zip(days, tested, strict=True)]
    )
    found = list(
        standby_exceptions(read_logs(write_small_plant(tmp_path / "logs", tables), f"{last:%Y-%m-%d}"))
    )
    assert [row["subject"] for row in found] == ["due yesterday", "never"]
    assert found[0]["size"] == 1.0
    assert np.isnan(found[1]["size"])
    # Whom the logs name is asked.
    assert {row["owner"] for row in found} == {"control room"}
    assert {row["state"] for row in found} == {"act"}


def test_runs_without_reels_are_a_gap_only_where_reels_are_logged(tmp_path: Path, logs: Logs) -> None:
    assert not list(log_exceptions(logs))
    tables = small_tables()
    mounts = tables["reel_mounts"]
    bare = read_logs(
        write_small_plant(tmp_path / "a", tables | {"reel_mounts": mounts[mounts["run_id"] != "0001"]})
    )
    (gap,) = log_exceptions(bare)
    assert gap["size"] == 1.0
    assert gap["kind"] == "log gap"
    # What was logged and set aside was logged.
    spoilt = mounts.assign(start_kg=mounts["start_kg"].mask(mounts["run_id"] == "0001", -1.0))
    aside = read_logs(write_small_plant(tmp_path / "c", tables | {"reel_mounts": spoilt}))
    assert len(aside.rejected)
    assert not list(log_exceptions(aside))
    del tables["reel_mounts"]
    assert not list(log_exceptions(read_logs(write_small_plant(tmp_path / "b", tables))))


def test_what_cannot_be_true_names_its_unit_and_asks_for_action_where_it_refuses_something(
    logs: Logs,
) -> None:
    table = pd.DataFrame(
        {"subject": ["run_webs", "plan"], "what": ["rows doubtful", "rows doubtful"], "value": [61.2, 7.0]}
    ).assign(unit="%", limit=5.0, suspect=["run_webs.width_mm in cm?", ""], refuses=["paper", ""])
    first, second = implausible_exceptions(logs, table)
    assert first["state"] == "act"
    assert second["state"] == "watch"
    assert first["why"] == "rows doubtful 61.2 %, limit 5 %: run_webs.width_mm in cm?"


def test_a_cost_has_a_basis_and_none_without_a_cost(logs: Logs) -> None:
    assert raised(logs, "butts", "S1", "-", cost=10.0)["cost_basis"] == "a year"
    assert raised(logs, "butts", "S1", "-")["cost_basis"] == ""
    assert raised(logs, "start-up waste", "P1", "-", cost=10.0)["cost_basis"] == "to date"
