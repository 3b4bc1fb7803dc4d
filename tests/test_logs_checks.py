"""Every rule: broken by one row of the small plant, found in its line, and the row used or set aside."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import Logs, describe_check, read_logs
from pressstats.logs.crosschecks import diameter_m
from pressstats.logs.cutting import isolated
from pressstats.logs.report import problem_groups
from pressstats.logs.requirements import losses
from pressstats.logs.rowchecks import exists_twice, missing, to_utc

Tables = dict[str, pd.DataFrame]
DAY = pd.Timedelta(days=1)
HOUR = pd.Timedelta(hours=1)


def _set(table: str, row: int, **values: Any) -> Callable[[Tables], tuple[str, int]]:
    def change(tables: Tables) -> tuple[str, int]:
        for column, value in values.items():
            tables[table][column] = tables[table][column].astype(object)
            tables[table].loc[row, column] = value
        return table, row + 2

    return change


def _set_everywhere(table: str, **values: Any) -> Callable[[Tables], tuple[str, int]]:
    def change(tables: Tables) -> tuple[str, int]:
        tables[table] = tables[table].assign(**values)
        return table, 2

    return change


def _problem(frame: pd.DataFrame, table: str, line: int) -> list[str]:
    found = frame[(frame["table"] == table) & (frame["line"] == line)]
    return found["rule"].tolist()


REJECTS = [
    (_set("runs", 3, copies_good=20001.0), "more good copies than gross"),
    (_set("runs", 3, started_at=FIRST_DAY + 2 * DAY + 23.6 * HOUR), "finished before it started"),
    (_set("runs", 3, started_at=FIRST_DAY + 1 * DAY + 23 * HOUR), "a run of more than 24 hours"),
    (
        _set("runs", 3, date=FIRST_DAY - 2 * DAY),
        "publication date more than 3 days from the start of printing",
    ),
    (
        _set("runs", 3, date=FIRST_DAY + 30 * DAY),
        "publication date more than 3 days from the start of printing",
    ),
    (_set("runs", 3, pages=5000), "out of limits; from 2 to 400"),
    (_set("runs", 3, pages=16.5), "a whole number"),
    (_set("runs", 3, press=""), "must not be blank"),
    (_set("runs", 3, production="sideways"), "none of the allowed words; straight, collect"),
    (_set("run_webs", 3, run_id="nowhere"), "no such run"),
    (_set("run_webs", 3, material="N999"), "no such material"),
    (_set("run_webs", 3, material="black"), "no newsprint"),
    (_set("run_webs", 3, width_mm=1301.0), "wider than the press; at most 1300 mm"),
    (_set("coverage", 3, run_id="nowhere"), "no such run"),
    (_set("coverage", 3, solid_pages=16.01), "more than the pages of its run; 16"),
    (_set("reel_mounts", 3, run_id="nowhere"), "no such run"),
    (_set("reel_mounts", 3, web="Z"), "no such web of the run"),
    (_set("reel_mounts", 3, material="N999"), "no such material"),
    # 543.4 kg less 96.8 kg returned, and 3 x sqrt(2 x 3^2 + 0.3^2) = 12.76 kg for weighing
    (
        _set("reel_mounts", 3, scrapped_kg=460.0),
        "strip, returned, butt and scrapped are more than the reel held",
    ),
    # 45 g/m2, 70 um, 1.2 m wide: 1.7 m is pi/4 x (1.7^2 - 0.076^2)/70e-6 x 1.2 x 0.045 = 1747.5 kg
    (
        _set("reel_mounts", 3, start_kg=1749.0, returned_kg=1302.4),
        "thicker than any reel of its width and grammage; 1.70 m",
    ),
    (_set("reels", 3, received_kg=1900.0), "thicker than any reel of its width and grammage; 1.77 m"),
    (_set("reels", 3, material="N999"), "no such material"),
    (_set("tank_readings", 3, tank="K9"), "no tank of plant.toml"),
    (_set("tank_readings", 3, level_kg=2001.0), "above the capacity of the tank; 2000 kg"),
    (_set("tank_readings", 3, ink="cyan"), "another ink than plant.toml declares for the tank"),
    (_set("tank_readings", 3, read_at="2041-03-05 06:00"), "lies after today"),
    (_set("tank_readings", 3, read_at="1905-03-05 06:00"), "no plausible year"),
    (_set("tank_readings", 3, read_at="2015-03-05 06:00"), "years away from all the other dates"),
    (_set("deliveries", 1, ordered_on=FIRST_DAY + 10 * DAY), "delivered before it was ordered"),
    (_set("deliveries", 1, material="N999"), "no such material"),
    (_set("stock_counts", 1, material="N999"), "no such material"),
    (_set("stock_counts", 1, quantity=-400.0), "out of limits; from 0 to 1,000,000,000"),
    (_set("materials", 0, width_mm=float("nan")), "newsprint needs its width and its grammage"),
    (_set("materials", 0, unit="each"), "newsprint is counted in kg"),
]

WARNS = [
    (_set("runs", 3, copies_good=18899.0), "gross is not good + start-up + running, by more than 0.5 % and 50 copies"),
    (_set("runs", 3, copies_good=19201.0), "gross is not good + start-up + running, by more than 0.5 % and 50 copies"),
    (_set("runs", 3, press="P7"), "no press of plant.toml"),
    (_set("runs", 3, colour_pages=17.0), "more colour pages than pages"),
    (_set("runs", 3, plates_remade=65.0), "more plates remade than exposed"),
    (_set("run_webs", 3, pages=7.0), "its width and cut-off hold another number of pages; 8"),
    (_set("run_webs", 3, width_mm=1215.0), "another width than its material; 1200 mm"),
    (_set("coverage", 2, solid_pages=15.9), None),  # with 0.8 of cyan 16.7 of 16 pages: 104 %
    (_set("reel_mounts", 3, butt_kg=0.5), "a butt is left by a splice only"),
    (_set("reel_mounts", 3, mounted_at=FIRST_DAY + 3 * DAY), "more than a day away from its run"),
    (_set("reel_mounts", 5, supplier="Northmill", reel_id="S2001", mounted_at="2025-03-04 22:10"),
     "the same reel still ran on another web; reel_mounts.csv:8"),
    (_set("reel_mounts", 7, supplier="Northmill", reel_id="S2001"),
     "the same reel was used up or thrown away before; reel_mounts.csv:8"),
    # 5 x sqrt(2) x 3 kg = 21.2 kg more than the 543.4 kg that went back
    (_set("reel_mounts", 2, start_kg=565.0), "heavier than when the same reel went back; reel_mounts.csv:2"),
    (_set("reel_mounts", 2, start_kg=564.0), None),
    # 45 g/m2, 70 um, 1.2 m wide: 1.35 m is pi/4 x (1.35^2 - 0.076^2)/70e-6 x 1.2 x 0.045 = 1100.7 kg
    (_set("reels", 3, received_kg=1102.0), "thick for a reel of its width and grammage; 1.35 m"),
    (_set("reels", 3, received_kg=1099.0), None),
    (_set("deliveries", 1, promised_on=FIRST_DAY - 9 * DAY), "promised before it was ordered"),
    (_set("deliveries", 1, delivered_at=FIRST_DAY), "time of receipt on another day than the day of receipt"),
    (_set("deliveries", 1, cancelled_on=FIRST_DAY), "cancelled, yet delivered"),
    (_set("deliveries", 2, tank="K9"), "no tank of plant.toml"),
    (_set("deliveries", 2, tank="C1"), "another ink than the tank holds"),
    (_set("materials", 1, ink=""), "which ink it is, is not said"),
    (_set("materials", 1, unit="l"), "tanks and coverage tell ink in kg"),
    (_set("materials", 3, unit="kg"), "plates are counted each"),
    (_set("materials", 0, stands_in_for="N999"), "no such material"),
    (_set("materials", 1, order_minimum=9999.0), "the least order is more than can be stored"),
    (_set("prices", 0, material="N999"), "no such material"),
    (_set("budget", 0, material="N999"), "no such material"),
    (_set("plan", 0, title="Evening"), "no run has printed this title"),
    (_set("plan", 0, pages_planned=0.0, colour_pages=0.0), "copies without pages"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "rule"), REJECTS, ids=[str(i) for i in range(len(REJECTS))])
def test_rejects(tmp_path: Path, change: Callable[[Tables], tuple[str, int]], rule: str) -> None:
    tables = small_tables()
    table, line = change(tables)
    logs = read_logs(write_small_plant(tmp_path, tables))
    assert any(found.startswith(rule) for found in _problem(logs.rejected, table, line)), (
        logs.rejected.to_string()
    )
    source = next(source for source in logs.sources if source.table == table)
    assert source.used + source.rejected + source.duplicates == source.rows
    assert len(logs[table]) == source.used < len(tables[table])


@pytest.mark.parametrize(("change", "rule"), WARNS, ids=[str(i) for i in range(len(WARNS))])
def test_warns(tmp_path: Path, change: Callable[[Tables], tuple[str, int]], rule: str | None) -> None:
    tables = small_tables()
    clean = read_logs(write_small_plant(tmp_path / "clean"))
    table, line = change(tables)
    logs = read_logs(write_small_plant(tmp_path / "doubtful", tables))
    assert logs.rejected.empty, logs.rejected.to_string()
    assert len(logs[table]) == len(clean[table])
    if rule is None:
        assert logs.warnings.empty
    else:
        assert any(found.startswith(rule) for found in _problem(logs.warnings, table, line)), (
            logs.warnings.to_string()
        )


def _changed(tmp_path: Path, *changes: Callable[[Tables], tuple[str, int]]) -> Logs:
    tables = small_tables()
    for change in changes:
        change(tables)
    return read_logs(write_small_plant(tmp_path, tables))


def test_a_row_set_aside_is_not_also_doubtful(tmp_path: Path) -> None:
    logs = _changed(tmp_path, _set("runs", 3, copies_good=-120.0, press="P7"))
    assert _problem(logs.rejected, "runs", 5) == ["out of limits; from 0 to 5,000,000"]
    assert logs.warnings.empty


def test_sum_of_inks_is_shown_once_for_a_run(tmp_path: Path) -> None:
    logs = _changed(tmp_path, _set("coverage", 2, solid_pages=12.0), _set("coverage", 3, solid_pages=7.3))
    assert _problem(logs.warnings, "coverage", 4) == [
        "the inks of its run cover more than 120 % of the pages; 121 %"
    ]
    assert len(logs.warnings) == 1


def test_pages_of_the_webs_are_those_of_the_run(tmp_path: Path) -> None:
    tables = small_tables()
    tables["run_webs"] = tables["run_webs"].drop(index=1)
    tables["reel_mounts"] = tables["reel_mounts"][tables["reel_mounts"]["run_id"] != "0001"]
    logs = read_logs(write_small_plant(tmp_path, tables))
    assert _problem(logs.warnings, "runs", 2) == ["its webs carry another number of pages; 8"]


def test_what_hung_on_a_rejected_row_says_where_that_row_is(tmp_path: Path) -> None:
    logs = _changed(tmp_path, _set("runs", 3, copies_good=-1.0))
    why = "no such run; its row runs.csv:5 was set aside"
    hung = logs.rejected[logs.rejected["table"] != "runs"]
    assert set(hung["rule"]) == {why}
    assert set(hung["table"]) == {"run_webs", "reel_mounts", "coverage"}
    assert logs.set_aside.empty  # the run itself is gone, no sum over it is low
    logs = _changed(tmp_path, _set("run_webs", 6, width_mm=9000.0))
    hung = logs.rejected[logs.rejected["table"] == "reel_mounts"]
    assert set(hung["rule"]) == {"no such web of the run; its row run_webs.csv:8 was set aside"}
    assert logs.set_aside.values.tolist() == [["reel_mounts", "0031"], ["run_webs", "0031"]]


def test_a_material_may_stand_in_for_another(tmp_path: Path) -> None:
    tables = small_tables()
    other = tables["materials"].iloc[[0]].assign(material="N1200B")
    tables["materials"] = pd.concat([tables["materials"], other], ignore_index=True)
    tables["reel_mounts"].loc[3, "material"] = "N1200B"
    tables["reels"].loc[1, "material"] = "N1200B"
    doubtful = read_logs(write_small_plant(tmp_path / "doubtful", tables)).warnings
    assert _problem(doubtful, "reel_mounts", 5) == ["another material than its web; N1200"]
    tables["materials"].loc[4, "stands_in_for"] = "N1200"
    assert not _problem(read_logs(write_small_plant(tmp_path / "good", tables)).warnings, "reel_mounts", 5)


def test_the_same_reel_at_the_same_minute_on_two_webs_is_a_contradiction(tmp_path: Path) -> None:
    logs = _changed(tmp_path, _set("reel_mounts", 1, reel_id="S1001"))
    first, second = _problem(logs.rejected, "reel_mounts", 2), _problem(logs.rejected, "reel_mounts", 3)
    words = "the same supplier, reel_id, mounted_at as another row, which differs; "
    assert first == [words + "reel_mounts.csv:3 has another web, reelstand"]
    assert second[0].endswith("reel_mounts.csv:2 has another web, reelstand")


def test_blank_weights_are_unknown_and_break_no_rule(tmp_path: Path) -> None:
    logs = _changed(
        tmp_path,
        _set_everywhere("reel_mounts", start_kg=np.nan, returned_kg=np.nan, butt_kg=np.nan, strip_kg=np.nan),
    )
    assert logs.rejected.empty
    assert len(logs.warnings) == 0


# -- dates --------------------------------------------------------------------------------------


def test_slips_of_the_pen_do_not_move_the_default_as_of(tmp_path: Path) -> None:
    far = {
        "date": FIRST_DAY + 500 * DAY,
        "started_at": FIRST_DAY + 499.9 * DAY,
        "finished_at": FIRST_DAY + 499.95 * DAY,
    }
    logs = _changed(
        tmp_path,
        _set("runs", 4, **far),
        _set("runs", 5, date="2205-03-08"),
        _set("runs", 6, date="2025-08-09"),
    )
    assert logs.as_of == FIRST_DAY + 13 * DAY
    assert [_problem(logs.rejected, "runs", line) for line in (6, 7, 8)] == [
        ["years away from all the other dates"],
        ["no plausible year"],
        ["publication date more than 3 days from the start of printing"],
    ]


def test_isolated_needs_a_gap_a_handful_and_a_crowd() -> None:
    crowd = pd.date_range("2025-01-01", periods=30).to_numpy()
    alone = pd.to_datetime(["2020-01-01", "2020-01-02", None]).to_numpy()
    assert isolated(np.concatenate([crowd, alone])).nonzero()[0].tolist() == [30, 31]
    assert not isolated(np.concatenate([crowd[:10], alone])).any()  # two of twelve: who is the crowd?
    assert not isolated(np.concatenate([crowd, crowd - np.timedelta64(400, "D")])).any()


def test_today_is_the_last_day_and_tomorrows_paper_is_printed_on_it(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    # the last run bears the 16th and was printed on the evening of the 15th
    logs = read_logs(folder, today=dt.date(2025, 3, 15))
    assert logs.as_of == pd.Timestamp("2025-03-16")
    logs = read_logs(folder, today=dt.date(2025, 3, 14))
    assert logs.as_of == pd.Timestamp("2025-03-15")
    rules = logs.rejected[(logs.rejected["table"] == "runs") & (logs.rejected["line"] == 16)]["rule"].tolist()
    assert rules == ["lies after today | lies after today | lies after today"]


VIENNA = ZoneInfo("Europe/Vienna")


def test_clock_agrees_with_the_time_zone_database_hour_by_hour() -> None:
    wall = pd.date_range("2024-01-01", "2026-01-01", freq="30min").to_numpy().astype("datetime64[us]")
    moments = [moment.astype(dt.datetime) for moment in wall]
    first = [m.replace(tzinfo=VIENNA, fold=0).astimezone(dt.UTC).replace(tzinfo=None) for m in moments]
    second = [m.replace(tzinfo=VIENNA, fold=1).astimezone(dt.UTC).replace(tzinfo=None) for m in moments]
    back = [m.replace(tzinfo=dt.UTC).astimezone(VIENNA).replace(tzinfo=None) for m in first]
    np.testing.assert_array_equal(to_utc(VIENNA, wall), np.array(first, dtype="datetime64[us]"))
    gone = np.array([b != m for b, m in zip(back, moments, strict=True)])
    twice = np.array([f < s for f, s in zip(first, second, strict=True)])
    np.testing.assert_array_equal(missing(VIENNA, wall), gone)
    np.testing.assert_array_equal(exists_twice(VIENNA, wall), twice)
    later = to_utc(VIENNA, wall, second=True)
    np.testing.assert_array_equal(later[~gone], np.array(second, dtype="datetime64[us]")[~gone])


@pytest.mark.parametrize(
    ("start", "finish", "rejects", "warns"),
    [
        # 30 March 2025: 02:00 becomes 03:00; 26 October 2025: 03:00 becomes 02:00
        ("2025-03-30 01:30", "2025-03-30 03:15", [], []),
        (
            "2025-03-30 02:30",
            "2025-03-30 04:00",
            [],
            ["the clocks went forward and this hour does not exist"],
        ),
        ("2025-10-26 02:40", "2025-10-26 02:10", [], ["exists twice"] * 2),
        ("2025-10-26 01:40", "2025-10-26 02:10", [], ["exists twice"]),
        ("2025-10-26 03:40", "2025-10-26 03:10", ["finished before it started"], []),
        ("2025-10-25 03:30", "2025-10-26 03:00", ["a run of more than 24 hours"], []),
        ("2025-03-29 03:30", "2025-03-30 04:00", [], []),
    ],
)
def test_runs_across_a_change_of_the_clocks(
    tmp_path: Path, start: str, finish: str, rejects: list[str], warns: list[str]
) -> None:
    tables = small_tables()
    shift = pd.Timestamp(finish).normalize() - (FIRST_DAY + 13 * DAY)
    for name in ("runs", "reel_mounts"):
        for column in tables[name].select_dtypes("datetime"):
            tables[name][column] += shift
    tables["runs"].loc[14, ["started_at", "finished_at"]] = pd.to_datetime([start, finish])
    logs = read_logs(write_small_plant(tmp_path, {k: tables[k] for k in ("runs", "run_webs", "materials")}))
    rules = [rule for text in _problem(logs.rejected, "runs", 16) for rule in text.split(" | ")]
    assert rules == rejects
    doubts = [rule for text in _problem(logs.warnings, "runs", 16) for rule in text.split(" | ")]
    assert len(doubts) == len(warns)
    assert all(wanted in doubt for wanted, doubt in zip(warns, doubts, strict=True))


# -- geometry and report ------------------------------------------------------------------------


def test_diameter_inverts_length_from_geometry() -> None:
    # 45 g/m2, 75 um, 1.25 m, 76 mm core, 1.6 m wide -> 1,173.7 kg: derived from US GPO JCP A10
    (metres,) = diameter_m(np.array([1173.7]), np.array([1600.0]), np.array([45.0]), np.array([75.0]), 76)
    assert metres == pytest.approx(1.25, abs=5e-5)


def test_check_groups_counts_and_tells_what_is_lost(tmp_path: Path) -> None:
    tables = small_tables()
    tables["coverage"].loc[:4, "solid_pages"] = 99.0
    tables["runs"].loc[3, "title"] = "\x1b[31mred"
    tables["runs"].loc[3, "copies_good"] = 18000.0
    folder = write_small_plant(tmp_path, {k: v for k, v in tables.items() if k != "tank_readings"})
    logs = read_logs(folder)
    groups = problem_groups(logs)
    assert groups[["table", "rule", "severity", "rows"]].values.tolist() == [
        ["coverage", "more than the pages of its run", "set aside", 5.0],
        ["runs", "gross is not good + start-up + running, by more than 0.5 % and 50 copies", "doubtful", 1.0],
    ]
    assert groups["first_lines"].iloc[0].split("\n")[0] == "coverage.csv:2 solid_pages = 99.0 (16)"
    lost = losses(logs).set_index(["analysis", "missing"])["lost"]
    assert lost["ink_model", "table tank_readings"] == "all of it"
    assert ("ink_model", "5 rows of coverage") in lost.index
    text = describe_check(logs)
    assert "coverage: more than the pages of its run (5 rows)" in text
    assert "    and 2 more" in text
    assert "  What does ink use depend on? (ink_model)\n    no table tank_readings: no answer\n" in text
    assert "    5 rows of coverage set aside: " in text
    assert "\x1b" not in text


def test_check_of_clean_logs_says_so(tmp_path: Path) -> None:
    logs = read_logs(write_small_plant(tmp_path))
    assert problem_groups(logs).empty
    assert "Set aside" not in describe_check(logs)


def test_every_requirement_names_declared_tables_and_columns() -> None:
    from pressstats.logs.requirements import REQUIREMENTS
    from pressstats.tables import INPUTS

    for requirement in REQUIREMENTS:
        for need in requirement.needs:
            assert set(need.columns) <= {c.name for c in INPUTS[need.table].columns if c.may_be_blank}
