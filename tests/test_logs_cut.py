"""As-of: nothing after it shows, whatever happens to later rows; overlapping exports change nothing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.tables import INPUTS

Tables = dict[str, pd.DataFrame]
DAY = pd.Timedelta(days=1)
AS_OF = FIRST_DAY + 7 * DAY  # a Monday
TODAY = dt.date(2025, 4, 30)


def _read(folder: Path, tables: Tables, as_of: pd.Timestamp | None = AS_OF) -> Logs:
    return read_logs(write_small_plant(folder, tables), None if as_of is None else as_of.date(), TODAY)


def assert_same(one: Logs, other: Logs) -> None:
    assert one.as_of == other.as_of
    assert list(one.tables) == list(other.tables)
    for name in one.tables:
        pd.testing.assert_frame_equal(one[name], other[name], check_exact=True, obj=name)
    for name in ("rejected", "warnings", "set_aside"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True, obj=name)


def _spoiled() -> Tables:
    """Return the small plant with a problem of every sort before and after as-of."""
    tables = small_tables()
    for late in (0, 18):
        tables["run_webs"].loc[3 + late, "width_mm"] = 9000.0
        tables["coverage"].loc[8 + late, "solid_pages"] = 99.0
        tables["reel_mounts"].loc[6 + late, "start_kg"] = 20.0
        tables["tank_readings"].loc[3 + late // 2, "level_kg"] = -1.0
    tables["runs"].loc[[2, 11], "copies_good"] = 30000.0
    tables["coverage"].loc[[6, 25], "run_id"] = "nowhere"
    return tables


def _later_runs(tables: Tables) -> set[str]:
    runs = tables["runs"]
    return set(runs.loc[runs["date"] > AS_OF, "run_id"])


def _is_later(name: str, table: pd.DataFrame, later: set[str]) -> pd.Series:
    """Return which rows lie after as-of, decided here by the words of the contract alone."""
    if "run_id" in table and name != "runs":
        mask = table["run_id"].isin(later)
        if name == "coverage":  # an unknown run stands among the rows of its time
            mask |= (table["run_id"] == "nowhere") & (np.arange(len(table)) > 20)
        return mask
    column = {
        "runs": "date", "tank_readings": "read_at", "deliveries": "ordered_on", "stock_counts": "counted_on",
        "prices": "agreed_on", "waste_sold": "sold_on", "reels": "received_on",
    }.get(name)  # fmt: skip
    if name == "plan":
        return table["made_on"].fillna(table["date"]) >= AS_OF + DAY
    return table[column] >= AS_OF + DAY if column in table else pd.Series(False, index=table.index)


def _remove(tables: Tables) -> None:
    later = _later_runs(tables)
    for name, table in tables.items():
        tables[name] = table[~_is_later(name, table, later)]


def _halve(tables: Tables) -> None:
    later = _later_runs(tables)
    for name, table in tables.items():
        mask = _is_later(name, table, later)
        numbers = table.select_dtypes("float").columns
        tables[name] = table.assign(
            **{column: table[column].where(~mask, table[column] / 2) for column in numbers}
        )


def _garble(tables: Tables) -> None:
    """Fill later rows with what cannot be read, their own time apart."""
    later = _later_runs(tables)
    times = {
        "date",
        "read_at",
        "ordered_on",
        "counted_on",
        "agreed_on",
        "sold_on",
        "received_on",
        "made_on",
        "run_id",
    }
    for name, table in tables.items():
        mask = _is_later(name, table, later)
        for column in table.columns.difference(list(times)):
            table = table.assign(**{column: table[column].astype(object).where(~mask, "<garbage>")})
        tables[name] = table


def _repeat_earlier_keys(tables: Tables) -> None:
    """Give later rows the keys of earlier ones."""
    later = _later_runs(tables)
    tables["runs"].loc[tables["runs"]["run_id"].isin(later), "run_id"] = "0001"
    for name in ("run_webs", "coverage", "reel_mounts"):
        tables[name] = tables[name][~_is_later(name, tables[name], later)]


def _add(tables: Tables) -> None:
    runs = tables["runs"]
    more = runs.tail(4).assign(run_id=["a", "b", "c", "d"])
    for column in ("date", "started_at", "finished_at"):
        more[column] += 9 * DAY
    tables["runs"] = pd.concat([runs, more])
    tank = tables["tank_readings"].tail(3)
    tables["tank_readings"] = pd.concat(
        [tables["tank_readings"], tank.assign(read_at=tank["read_at"] + 5 * DAY)]
    )
    order = tables["deliveries"].tail(1).assign(delivery_id="D99", material="nothing")
    tables["deliveries"] = pd.concat([tables["deliveries"], order.assign(ordered_on=AS_OF + DAY)])


def _deliver_otherwise(tables: Tables) -> None:
    """Change what became known of a delivery after as-of only."""
    row = tables["deliveries"]["delivery_id"] == "D2"
    assert (tables["deliveries"].loc[row, "delivered_on"] > AS_OF).all()
    tables["deliveries"] = tables["deliveries"].astype({"unit_price": object, "quantity": object})
    tables["deliveries"].loc[row, ["quantity", "unit_price", "tank", "load"]] = [-5.0, "dear", "K9", "L77"]
    tables["deliveries"].loc[row, ["delivered_on", "delivered_at"]] = [AS_OF + DAY, AS_OF + 3.3 * DAY]


@pytest.mark.parametrize("spoil", [small_tables, _spoiled])
@pytest.mark.parametrize("change", [_remove, _halve, _garble, _repeat_earlier_keys, _add, _deliver_otherwise])
def test_what_lies_after_as_of_changes_nothing(
    tmp_path: Path, spoil: Callable[[], Tables], change: Callable[[Tables], None]
) -> None:
    before = _read(tmp_path / "before", spoil())
    tables = spoil()
    change(tables)
    assert_same(before, _read(tmp_path / "after", tables))
    if spoil is _spoiled:
        assert len(before.rejected) > 5
        assert len(before.set_aside) > 2


def test_as_of_equal_to_the_default_is_the_default(tmp_path: Path) -> None:
    tables = _spoiled()
    tables["tank_readings"].loc[5, "read_at"] = pd.NaT
    default = _read(tmp_path, tables, None)
    explicit = _read(tmp_path, tables, default.as_of)
    assert_same(default, explicit)
    assert default.digest == explicit.digest
    assert default.sources == explicit.sources
    assert default.digest != _read(tmp_path, tables).digest


def test_each_table_is_cut_by_its_own_time(tmp_path: Path) -> None:
    tables = small_tables()
    tables["reels"]["received_on"] = tables["reels"]["received_on"].where(tables["reels"].index < 5)
    tables["reels"]["delivery_id"] = tables["reels"]["delivery_id"].where(tables["reels"].index < 7)
    tables["plan"]["made_on"] = [AS_OF, AS_OF + DAY, pd.NaT, *[AS_OF] * 4]
    agreed = {AS_OF: "agreed today for later", AS_OF + DAY: "agreed tomorrow", pd.NaT: "known at once"}
    tables["prices"] = pd.concat(
        [
            tables["prices"].assign(valid_from=AS_OF + number * DAY, agreed_on=day)
            for number, day in enumerate(agreed, start=1)
        ]
    )
    logs = _read(tmp_path, tables)
    runs = logs["runs"]
    assert runs["date"].max() == AS_OF
    assert len(runs) == 9
    for name in ("run_webs", "reel_mounts", "coverage"):
        assert set(logs[name]["run_id"]) == set(runs["run_id"])
    # The dip on the morning of as-of is in, the next morning's is out.
    assert logs["tank_readings"]["read_at"].max() == AS_OF + pd.Timedelta(hours=6)
    assert logs["stock_counts"]["counted_on"].max() == FIRST_DAY + 6 * DAY
    assert logs["prices"]["valid_from"].tolist() == [AS_OF + DAY, AS_OF + 3 * DAY]
    assert logs["plan"]["date"].tolist() == [tables["plan"]["date"][n] for n in (0, 3, 4, 5, 6)]
    assert len(logs["materials"]) == 4
    assert len(logs["budget"]) == 1
    mounted = set(logs["reel_mounts"]["reel_id"])
    known = set(tables["reels"]["reel_id"][:7]) | mounted
    assert set(logs["reels"]["reel_id"]) == known & set(tables["reels"]["reel_id"])


def test_deliveries_are_what_they_were(tmp_path: Path) -> None:
    orders = _read(tmp_path, small_tables())["deliveries"].set_index("delivery_id")
    assert list(orders.index) == ["D1", "D2", "D3", "D5"]  # D4 was ordered later
    late = orders.loc["D2"]
    assert late["quantity"] == 10000.0  # as ordered, not the 9900 that came
    assert late[["delivered_on", "delivered_at", "load", "tank", "unit_price"]].isna().all()
    assert pd.isna(orders.loc["D5", "cancelled_on"])
    assert orders.loc["D3", "delivered_on"] == FIRST_DAY + 5 * DAY
    full = _read(tmp_path, small_tables(), None)["deliveries"].set_index("delivery_id")
    assert full.loc["D2", "quantity"] == 9900.0
    assert full.loc["D5", "cancelled_on"] == FIRST_DAY + 10 * DAY


def test_undated_plan_counts_at_the_newest_as_of_only(tmp_path: Path) -> None:
    tables = small_tables()
    tables["plan"] = tables["plan"].drop(columns="made_on")
    assert len(_read(tmp_path, tables, None)["plan"]) == 7
    assert len(_read(tmp_path, tables)["plan"]) == 0


# -- overlapping exports ------------------------------------------------------------------------


def _split(folder: Path, tables: Tables, name: str, ranges: list[tuple[int, int]]) -> None:
    (folder / f"{name}.csv").unlink()
    for number, (first, last) in enumerate(ranges):
        tables[name][first:last].to_csv(folder / f"{name}_{number}.csv", index=False)


@pytest.mark.parametrize(
    "name", ["runs", "run_webs", "reel_mounts", "coverage", "tank_readings", "deliveries"]
)
@pytest.mark.parametrize("ranges", [[(0, 9), (4, 99)], [(4, 99), (0, 9)], [(0, 99), (0, 99), (2, 3)]])
def test_overlapping_exports_change_nothing(tmp_path: Path, name: str, ranges: list[tuple[int, int]]) -> None:
    tables = small_tables()
    whole = _read(tmp_path / "whole", tables, None)
    folder = write_small_plant(tmp_path / "parts", tables)
    _split(folder, tables, name, ranges)
    parts = read_logs(folder, today=TODAY)
    assert_same(whole, parts)
    repeated = sum(source.duplicates for source in parts.sources)
    assert repeated == sum(min(last, len(tables[name])) - first for first, last in ranges) - len(tables[name])


def test_repetition_in_another_spelling_is_a_repetition(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    text = (folder / "coverage.csv").read_text()
    (folder / "coverage_again.csv").write_text(
        text.replace("1.6", " 1.600").replace(",", ";").replace("black", "Black")
    )
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert len(logs["coverage"]) == 32


def test_contradicting_rows_are_all_set_aside(tmp_path: Path) -> None:
    tables = small_tables()
    folder = write_small_plant(tmp_path, tables)
    other = tables["coverage"].iloc[[3, 4]].copy()
    other.loc[3, "solid_pages"] = 0.9
    other.to_csv(folder / "coverage_b.csv", index=False)
    logs = read_logs(folder)
    rule = "the same run_id, ink as another row, which differs; {} has another solid_pages"
    assert logs.rejected[["file", "line", "rule"]].values.tolist() == [
        ["coverage.csv", 5.0, rule.format("coverage_b.csv:2")],
        ["coverage_b.csv", 2.0, rule.format("coverage.csv:5")],
    ]
    assert len(logs["coverage"]) == 31
    assert logs.set_aside.values.tolist() == [["coverage", "0011"]]


def test_a_row_rejected_in_one_export_and_good_in_another_is_not_lost(tmp_path: Path) -> None:
    tables = small_tables()
    folder = write_small_plant(tmp_path, tables)
    tables["coverage"].iloc[[3]].assign(solid_pages=-1.0).to_csv(folder / "coverage_b.csv", index=False)
    logs = read_logs(folder)
    assert len(logs["coverage"]) == 32
    assert len(logs.rejected) == 1
    assert logs.set_aside.empty


def test_an_order_that_arrived_between_two_exports_is_one_order(tmp_path: Path) -> None:
    tables = small_tables()
    folder = write_small_plant(tmp_path, tables)
    blank = {
        "delivered_on": pd.NaT,
        "delivered_at": pd.NaT,
        "load": None,
        "unit_price": np.nan,
        "quantity": 10000.0,
    }
    tables["deliveries"].iloc[[1]].assign(**blank).to_csv(folder / "deliveries_w10.csv", index=False)
    logs = read_logs(folder)
    assert logs.rejected.empty, logs.rejected.to_string()
    assert logs["deliveries"].set_index("delivery_id").loc["D2", "quantity"] == 9900.0
    then = read_logs(folder, AS_OF.date())
    assert then.rejected.empty
    assert then["deliveries"].set_index("delivery_id").loc["D2", "quantity"] == 10000.0


def test_tables_are_sorted_by_key_whatever_the_order_of_the_file(tmp_path: Path) -> None:
    tables = small_tables()
    whole = _read(tmp_path / "whole", tables, None)
    mixed = {name: table.sample(frac=1, random_state=3) for name, table in tables.items()}
    assert_same(whole, _read(tmp_path / "mixed", mixed, None))
    for name, table in whole.tables.items():
        key = list(INPUTS[name].key)
        pd.testing.assert_frame_equal(table, table.sort_values(key, ignore_index=True))
