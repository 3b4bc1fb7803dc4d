"""Counts against the book: differences by hand, and which of them tell a wrong count from lost paper."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import count_differences, miscounts
from pressstats.paper import weighed_paper

DEMO = Path(__file__).parents[1] / "data_demo"
DAY = pd.Timedelta(days=1)


def differences_of(logs: Logs) -> pd.DataFrame:
    return count_differences(logs, weighed_paper(logs).runs)


def logs_of(
    folder: Path, counts: list[tuple[pd.Timestamp, float, pd.Timestamp | None]], **more: object
) -> Logs:
    rows = pd.DataFrame(counts, columns=["counted_on", "quantity", "counted_at"]).assign(material="N1200")
    rows["counted_at"] = pd.to_datetime(rows["counted_at"])
    return read_logs(write_small_plant(folder / "logs", small_tables() | {"stock_counts": rows} | more))


def used_between(first: pd.Timestamp, last: pd.Timestamp, column: str = "date") -> float:
    tables = small_tables()
    runs = tables["runs"]
    mine = set(runs.loc[(runs[column] > first) & (runs[column] <= last), "run_id"])
    return sum(
        row.start_kg - row.returned_kg for row in tables["reel_mounts"].itertuples() if row.run_id in mine
    )


def test_a_difference_is_counted_less_book(tmp_path: Path) -> None:
    first, last = FIRST_DAY + 4 * DAY, FIRST_DAY + 11 * DAY
    table = differences_of(logs_of(tmp_path, [(first, 30_000.0, None), (last, 31_000.0, None)]))
    # Between them 9,900 kg came, on the tenth day.
    used = used_between(first, last)
    row = table.set_index("material").loc["N1200"]
    assert row["used"] == pytest.approx(used)
    assert row["expected"] == pytest.approx(30_000 + 9_900 - used)
    assert row["difference"] == pytest.approx(31_000 - row["expected"])
    assert np.isnan(row["spread"])  # one difference tells no spread


def test_a_count_with_its_hour_takes_the_runs_finished_by_then(tmp_path: Path) -> None:
    first, last = FIRST_DAY + 4 * DAY, FIRST_DAY + 9 * DAY
    runs = small_tables()["runs"]
    for hour, came in ((9, 0.0), (11, 9_900.0)):
        at = last + pd.Timedelta(hours=hour)
        counts = [(first, 30_000.0, None), (last, 20_000.0, at)]
        table = differences_of(logs_of(tmp_path / str(hour), counts))
        mine = set(runs.loc[(runs["date"] > first) & (runs["finished_at"] <= at), "run_id"])
        mounts = small_tables()["reel_mounts"]
        mounts = mounts[mounts["run_id"].isin(mine)]
        used = (mounts["start_kg"] - mounts["returned_kg"]).sum()
        assert table["expected"].iloc[0] == pytest.approx(30_000 + came - used)


def test_runs_without_reel_records_leave_the_book_blank(tmp_path: Path) -> None:
    mounts = small_tables()["reel_mounts"]
    days = [FIRST_DAY + n * DAY for n in (3, 6, 13)]
    run = small_tables()["runs"].query("date > @days[1]")["run_id"].iloc[0]
    logs = logs_of(
        tmp_path, [(day, 30_000.0, None) for day in days], reel_mounts=mounts[mounts["run_id"] != run]
    )
    table = differences_of(logs)
    assert np.isfinite(table["difference"].iloc[0])
    assert np.isnan(table["difference"].iloc[1])


def table_of(sizes: list[float], counted: float = 1000.0) -> pd.DataFrame:
    days = FIRST_DAY + 7 * DAY * np.arange(len(sizes))
    return pd.DataFrame(
        {"material": "N1200", "counted_on": days, "counted": counted, "difference": sizes, "spread": 5.0}
    )


def test_without_deliveries_no_count_is_held_against_the_book(tmp_path: Path) -> None:
    rows = pd.DataFrame(
        {
            "counted_on": [FIRST_DAY + 4 * DAY, FIRST_DAY + 11 * DAY],
            "quantity": [30_000.0, 31_000.0],
            "material": "N1200",
        }
    )
    tables = {n: t for n, t in small_tables().items() if n != "deliveries"} | {"stock_counts": rows}
    table = differences_of(read_logs(write_small_plant(tmp_path / "logs", tables)))
    assert len(table) == 1
    assert table["expected"].isna().all()
    assert table["difference"].isna().all()


def test_a_miscount_is_taken_back_and_a_loss_is_not() -> None:
    found = miscounts(table_of([2.0, -100.0, 97.0, 4.0, -80.0, 1.0, 60.0]))
    assert found["difference"].tolist() == [60.0, -80.0, -100.0]  # the latest first
    assert found["state"].tolist() == ["last count", "stays", "taken back"]
    assert miscounts(table_of([4.0, -19.0, 20.0])).empty  # four spreads and less
    # However well counts agree else, a unit in a thousand is no matter.
    assert miscounts(table_of([0.0, 1.0]).assign(spread=0.0)).empty
    assert len(miscounts(table_of([0.0, 3.0]).assign(spread=0.0))) == 1


def test_the_planted_miscount_of_the_demo_is_found() -> None:
    # data_demo/README.md: the count of N45-1260 on 2024-07-22 missed 14,600 kg.
    found = miscounts(differences_of(read_logs(DEMO)))
    wrong = found[found["state"] == "taken back"]
    assert wrong["material"].tolist() == ["N45-1260"]
    assert wrong["counted_on"].tolist() == [pd.Timestamp("2024-07-22")]
    assert wrong["difference"].iloc[0] == pytest.approx(-14600, abs=4 * 600)
    assert len(found) <= 3  # of 930 counts
    # Published on that day, it is the last one: the stock stands on it.
    then = miscounts(differences_of(read_logs(DEMO, "2024-07-22")))
    assert then["state"].iloc[0] == "last count"
