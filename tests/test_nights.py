"""What is laid out for the next booked night: by hand on a tidy plant, and told honestly where little is logged."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from small_plant import PLANT_TOML, small_tables, write_small_plant
from worlds.judging import read

from pressstats import pages
from pressstats.logs import read_logs
from pressstats.nights import night_jobs, night_splices, night_tanks
from pressstats.past import past_forecasts
from pressstats.results import Results, analyse
from pressstats.watch.kinds import KINDS

pytestmark = pytest.mark.usefixtures("few_draws")


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Results:
    logs = read_logs(
        write_small_plant(tmp_path_factory.mktemp("nights") / "logs", small_tables(28), PLANT_TOML)
    )
    return analyse(logs, *past_forecasts(None, logs.as_of))


def webs_of(results: Results, *titles: str) -> pd.DataFrame:
    runs = results.logs["runs"].drop_duplicates("title", keep="last").set_index("title")
    day = results.logs.as_of + pd.Timedelta(days=1)
    rows: list[dict[str, Any]] = [
        {"date": day, "title": name, "like": runs.loc[name, "run_id"]} for name in titles
    ]
    return pd.DataFrame(rows)


def test_a_booked_title_starts_as_usual_and_takes_the_plates_of_its_pages(small: Results) -> None:
    logs = small.logs
    table = small["night_jobs"].set_index("title")
    runs = logs["runs"][(logs["runs"]["title"] == "Daily")]
    row = table.loc["Daily"]
    assert row["date"] == logs.as_of + pd.Timedelta(days=1)
    assert row["copies"] == 19000
    weekday = runs[runs["date"].dt.day_of_week == row["date"].day_of_week]
    weekday = weekday if len(weekday) >= 4 else runs
    usual = row["date"] + (weekday["started_at"] - weekday["date"]).median()
    assert abs(row["starts_at"] - usual) <= pd.Timedelta(minutes=1)
    hours = (runs["finished_at"] - runs["started_at"]).dt.total_seconds() / 3600
    length = 19000 / (runs["copies_ordered"] / hours).median()
    assert (row["ends_at"] - row["starts_at"]).total_seconds() / 3600 == pytest.approx(length, abs=0.02)
    if runs["plates"].notna().any():
        sets = (runs["plates"] / (runs["pages"] + 3 * runs["colour_pages"])).median()
        assert row["plates"] == pytest.approx(sets * (row["pages"] + 3 * row["colour_pages"]), abs=0.5)


def test_one_press_prints_one_title_after_the_other(small: Results) -> None:
    logs = small.logs
    other = logs["runs"][logs["runs"]["title"] == "Daily"].assign(
        title="Second", run_id=lambda rows: "S" + rows["run_id"]
    )
    plan = logs["plan"].assign(title="Second")
    tables = {name: logs[name] for name in logs.tables} if hasattr(logs, "tables") else {}
    tables |= {"runs": pd.concat([logs["runs"], other]), "plan": pd.concat([logs["plan"], plan])}
    both = _Logs(logs, tables)
    webs = webs_of(small, "Daily")
    webs = pd.concat([webs, webs.assign(title="Second", like="S" + webs["like"])])
    table = night_jobs(both, webs)  # type: ignore[arg-type]
    first, second = table.sort_values("starts_at").itertuples()
    assert first.press == second.press
    assert second.starts_at == first.ends_at


class _Logs:
    """Logs with some tables replaced."""

    def __init__(self, logs: Any, tables: dict[str, pd.DataFrame]) -> None:
        self._logs, self._tables = logs, tables

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self._tables.get(name, self._logs[name])

    def __getattr__(self, name: str) -> Any:
        return getattr(self._logs, name)


def test_splices_come_where_the_reels_before_them_end() -> None:
    start = pd.Timestamp("2025-03-01 22:00")
    jobs = pd.DataFrame(
        {
            "title": ["T"],
            "press": ["P1"],
            "starts_at": [start],
            "ends_at": [start + pd.Timedelta(minutes=100)],
        }
    )
    planned = pd.DataFrame(
        {
            "title": "T",
            "web": ["a", "b", "c"],
            "run_m": 10_000.0,
            "first_m": [(1500.0, 2500.0), (), (10_001.0,)],
            "new_m": 4000.0,
            "new_sd_m": 100.0,
            "error_m": 0.0,
        }
    )
    webs = planned[["title", "web"]].assign(reelstand=["R1", "R2", "R3"])
    table = night_splices(planned, jobs, webs)
    # One per cent of the web a minute: part reels of 1,500 and 2,500 m, then new ones of 4,000 m.
    minutes = (table["at"] - start).dt.total_seconds() / 60
    assert minutes[table["web"] == "a"].tolist() == [15, 40, 80]
    assert minutes[table["web"] == "b"].tolist() == [40, 80]
    assert "c" not in set(table["web"])
    # Two webs change over in the same minute: both say so.
    both = table.set_index(["web", "splice"])["together"]
    assert both[("a", 2)] == "web b"
    assert both[("b", 1)] == "web a"
    assert both[("a", 1)] == ""
    # Known part reels err by nothing here, a new one by 100 m or a minute, two by the root of two.
    late = (table["late"] - table["at"]).dt.total_seconds() / 60
    assert late[table["web"] == "a"].round().tolist() == [0, 0, 1]
    assert (late[table["web"] == "b"].to_numpy() - 1.2816 * np.sqrt([1, 2])).max() < 0.5


def test_reels_that_have_not_rested_are_not_pulled_and_the_oldest_go_first(small: Results) -> None:
    from pressstats.nights import night_reels

    jobs = small["night_jobs"]
    planned = small.reel_study.planned.assign(new_reels=2.0, part_reels="")
    chain = small.reel_study.reel_chain
    day = jobs["date"].iloc[0]
    material = str(planned["material"].iloc[0])
    new = pd.DataFrame(
        {
            "supplier": "S",
            "reel_id": ["fresh", "old", "older"],
            "material": material,
            "received_on": [day - pd.Timedelta(days=n) for n in (1, 5, 9)],
            "received_kg": [900.0, 901.0, 902.0],
        }
    )
    rows = new[["supplier", "reel_id", "material"]].assign(
        mounts=0.0, in_store_kg=900.0, first_mounted=pd.NaT
    )
    study = dataclasses.replace(
        small.reel_study, planned=planned, reel_chain=pd.concat([chain.iloc[:0], rows])
    )
    plant = small.logs.plant
    resting = plant.model_copy(update={"reel": plant.reel.model_copy(update={"rest_days": 1})})
    logs = _Logs(dataclasses.replace(small.logs, plant=resting), {"reels": new})
    table = night_reels(logs, study, jobs)  # type: ignore[arg-type]
    assert table["reel_id"].tolist()[:2] == ["older", "old"]
    assert "fresh" not in set(table["reel_id"])
    # Without a rest the reel of the day before may be mounted, last.
    awake = night_reels(_Logs(small.logs, {"reels": new}), study, jobs)  # type: ignore[arg-type]
    assert awake["reel_id"].tolist()[:3] == ["older", "old", "fresh"][: len(awake)]


def test_a_tank_is_held_against_the_night_and_an_old_dip_says_nothing(small: Results) -> None:
    from pressstats.orders import Paths

    logs = small.logs
    inks = logs["materials"][logs["materials"]["kind"] == "ink"]
    name, ink = inks["material"].iloc[0], inks["ink"].iloc[0]
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=7)
    paths = Paths(days, [name], np.full((1, 40, 7), 100.0), np.full((1, 7), 90.0))

    def state(levels: list[float], back: float = 0.5) -> list[str]:
        read_at = logs.as_of + pd.Timedelta(days=1 - back)
        tanks = [f"X{number}" for number in range(len(levels))]
        dips = pd.DataFrame({"tank": tanks, "ink": ink, "level_kg": levels, "read_at": read_at})
        table = night_tanks(_Logs(logs, {"tank_readings": dips}), paths)  # type: ignore[arg-type]
        assert (table["tonight_kg"] == 90).all()
        assert (table["tonight_high_kg"] == 100).all()
        return table["state"].tolist()

    assert state([100.0, 500.0]) == ["in control", "in control"]
    assert state([99.0, 500.0]) == ["watch", "in control"]
    # The need of an ink stands at the first of its tanks alone: a column that is summed counts it once.
    dips = pd.DataFrame({"tank": ["X0", "X1"], "ink": ink, "level_kg": 500.0, "read_at": logs.as_of})
    table = night_tanks(_Logs(logs, {"tank_readings": dips}), paths)  # type: ignore[arg-type]
    page = dataclasses.replace(small, published={**small.published, "night_tanks": table})
    markup = pages.last_night.tanks(page).markup
    assert [markup.count(cell) for cell in (">90<", ">100<", ">with X0<")] == [1, 1, 2]
    assert state([60.0, 39.0]) == ["act", "act"]
    assert state([500.0], back=6.0) == ["unknown"]


def test_what_is_not_booked_or_not_logged_is_said_and_nothing_is_reassured(tmp_path: Path) -> None:
    tables = {
        name: table
        for name, table in small_tables(28).items()
        if name not in ("plan", "reels", "tank_readings")
    }
    logs = read_logs(write_small_plant(tmp_path, tables, PLANT_TOML))
    results = analyse(logs, *past_forecasts(None, logs.as_of))
    night = pages.last_night
    words = " ".join(
        read(part(results))
        for part in (
            night.headline,
            night.look_at,
            night.runs,
            night.jobs,
            night.webs,
            night.reels,
            night.tanks,
            night.splices,
        )
    )
    assert "what tonight takes is not known" in words
    assert "no table plan" in words
    assert "no table tank_readings" in words
    for calm in ("ran as usual", "All tanks hold", "never two at once", "0 reels"):
        assert calm not in words, calm
    assert "thirteen weeks" in words


def test_a_booking_of_pages_that_a_title_never_has_is_asked_about(small: Results) -> None:
    logs, jobs = small.logs, small["night_jobs"]
    tomorrow = logs.as_of + pd.Timedelta(days=1)
    rows = {"material": "N1200", "quantity": [20e3, 4e3], "promised_on": tomorrow}
    opens = pd.DataFrame(rows | {"supplier": "Mill", "delivery_id": ["a", "b"]})
    late = small["late_trucks"].iloc[:0].reindex([0]).assign(supplier="Mill", promised_on=tomorrow)

    def told(pages_booked: float, kept: int = 99) -> str:
        runs = logs["runs"].groupby("title").tail(kept)
        published = {
            **small.published,
            "night_jobs": jobs.assign(pages=pages_booked),
            "late_trucks": late.assign(state="on order", trucks=2.0),
        }
        mine = dataclasses.replace(
            small, logs=_Logs(logs, {"runs": runs}), published=published, open_orders=opens
        )
        return read(pages.last_night.look_at(mine))

    assert "Daily is booked with 24 pages; it usually has 16, and none of its last 20 runs had 24." in told(
        24
    )
    start = jobs.loc[jobs["title"] == "Daily", "starts_at"].iloc[0]
    assert f"before plates and reels are laid out, its press usually starts at {start:%H:%M}: what" in told(
        24
    )
    assert "is booked with" not in told(16)
    assert "is booked with" not in told(24, kept=19)
    assert re.search(
        rf"Due {tomorrow:%a} .* from Mill , after tonight's printing, 2 trucks at least: N1200 24\.0\st",
        told(16),
    )
    assert "today" not in told(16)


def test_what_the_pressroom_does_this_week_stands_on_its_page_with_its_caution(small: Results) -> None:
    morning = small.logs.as_of + pd.Timedelta(days=1)
    butts, startup = KINDS["butts"], KINDS["start-up waste"]
    assert butts.desk == startup.desk == "pressroom"
    assert butts.caution
    rows = [
        ("Have the splice setting of R1 checked", "butts: R1", morning + pd.Timedelta(days=9)),
        ("Go through the start-up routine of P1", "start-up waste: P1", morning),
        ("Count N600", "stock unknown: N600", morning + pd.Timedelta(days=2)),
    ]
    listed = pd.DataFrame(rows, columns=["do", "exception", "by"]).assign(about="it", who="foreman")
    published = {**small.published, "to_do": listed}
    lines = read(pages.last_night.look_at(dataclasses.replace(small, published=published)))
    lines = re.sub(r" (?=[.,:])", "", lines)
    assert re.search(
        rf"By {rows[0][2]:%a} .*, foreman: {rows[0][0]}\. Caution\. {re.escape(butts.caution)}\.", lines
    )
    # What presses stands there as before, once; what others do does not.
    assert lines.count(rows[1][0]) == 1
    assert "Count N600" not in lines


def test_the_headline_says_what_was_outside_the_usual(small: Results) -> None:
    calm = dict.fromkeys(("wasted_kg", "breaks", "remade", "ink_kg", "minutes_late"), 0.0)
    row = small["run_record"].tail(1).assign(
        **calm, wasted_expected_kg=1.0, wasted_high=2.0, breaks_high=2.0, remade_high=2.0, ink_high=2.0,
        minutes_high=2.0,
    )  # fmt: skip

    def told(*rows: pd.DataFrame) -> str:
        published = {**small.published, "run_record": pd.concat(rows)}
        return read(pages.last_night.headline(dataclasses.replace(small, published=published)))

    assert "The one run ran as usual" in told(row)
    late = row.assign(minutes_late=9.0, remade=3.0)
    assert re.search(r"The one run was outside the usual: \S+ on P\d \(plates made again, late\)", told(late))
    assert "1 of 2 runs was outside the usual" in told(row, late)
    assert told(*[late] * 5).count("(plates made again, late)") == 3

    # Start-up waste beyond its own limit is named where the total is not beyond its own.
    def asked(record: pd.DataFrame) -> str:
        published = {**small.published, "run_record": record}
        return read(pages.last_night.look_at(dataclasses.replace(small, published=published)))

    begun = row.assign(startup_kg=341.0, startup_high=320.0)
    assert re.search(r"wasted more at start-up than .*: 341\skg, limit 320\skg", asked(begun))
    assert "start-up" not in asked(begun.assign(wasted_kg=600.0))
    # What ended late has its clock times.
    assert re.search(
        r"9\smin after its usual end, limit 2\smin; it ran \d\d:\d\d to \d\d:\d\d\.", asked(late)
    )
    assert "and 2 more" in told(*[late] * 5)
