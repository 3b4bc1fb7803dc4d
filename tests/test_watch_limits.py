"""Periods and limits of the week's page, each from both sides, with values worked out by hand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant
from test_regimes import runs_with_step

from pressstats import prices
from pressstats.ink import Finding
from pressstats.logs import Logs, read_logs
from pressstats.watch import startup, startup_regimes, waste_chart
from pressstats.watch.agreeing import _windows
from pressstats.watch.figure import Period, WeekInputs
from pressstats.watch.ink import ink_watch
from pressstats.watch.kinds import KINDS, PLANNED
from pressstats.watch.paper_figures import _PERIODS
from pressstats.watch.plausible import _films, _good_copies, _grammages, nothing_implausible
from pressstats.watch.process_exceptions import change_exceptions, waste_exceptions
from pressstats.watch.supply_figures import _INK_PERIODS, reel_figures
from pressstats.watch.units_suspected import LENGTHS, WEIGHTS, fitting_unit, nearest_unit
from pressstats.watch.waste import step_of

DAY = pd.Timedelta(days=1)


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("plant") / "logs"))


def test_figures_are_of_the_week_the_one_before_last_years_and_the_quarter() -> None:
    # A year of weeks back is 52, so that weekdays and nearly dates agree; a quarter has 13.
    assert (Period(1, 0), Period(1, 1), Period(1, 52), Period(13, 0)) == _PERIODS
    # Dips are too rough for a week: ink is judged over four.
    assert (Period(4, 0), Period(1, 0), Period(4, 52), Period(13, 0)) == _INK_PERIODS


def test_what_presses_more_is_wanted_sooner() -> None:
    kinds = [*KINDS.values(), *PLANNED.values()]
    # Tonight, half a week, a week, two, four: what words.md and the page say.
    days = {1: 1, 2: 3, 3: 7, 4: 14, 5: 28}
    assert {kind.severity for kind in kinds} == set(days)
    assert all(kind.within_days == days[kind.severity] for kind in kinds)


@pytest.mark.parametrize(
    ("measure", "kind", "days"),
    [("grammage", "grammage change", 91), ("start-up waste", "start-up waste", 364)],
)
def test_a_change_is_news_for_a_quarter_and_start_up_waste_for_a_year(
    logs: Logs, measure: str, kind: str, days: int
) -> None:
    for age, told in ((days, [kind]), (days + 1, [])):
        rows = pd.DataFrame({"measure": measure, "subject": "P1", "estimate": [40.0, 45.0]})
        rows["from"] = [logs.as_of.normalize() - 900 * DAY, logs.as_of.normalize() - age * DAY]
        rows = rows.assign(dated_low=rows["from"], dated_high=rows["from"], unit="kg", cost_since=10.0)
        rows = rows.assign(ci_low=39.0, ci_high=46.0)
        assert [row["kind"] for row in change_exceptions(logs, rows)] == told


def test_usual_waste_is_that_of_the_52_weeks_before_the_newest_eight() -> None:
    runs = runs_with_step(104, 200, 0.0, 5)
    runs = runs[(runs["press"] == "P1") & (runs["title"] == "Daily")]
    chart = waste_chart(runs)
    chart = chart[chart["measure"] == "startup"]
    weeks = sorted(runs["week"].unique())
    usual = runs.loc[runs["week"].isin(weeks[104 - 60 : 104 - 8]), "startup_kg"].mean() / 4.0
    assert chart["expected"].tolist() == pytest.approx([usual] * 104)


@pytest.mark.parametrize(("weeks", "charted"), [(13 + 8, True), (12 + 8, False)])
def test_a_press_has_a_chart_from_thirteen_weeks_before_the_newest_eight_on(
    weeks: int, charted: bool
) -> None:
    assert len(waste_chart(runs_with_step(weeks, 200, 0.0, 5))) == charted * 2 * 2 * weeks


@pytest.mark.parametrize(("weeks_ago", "found"), [(4, 4), (3, 4)])
def test_a_level_lasts_four_weeks(weeks_ago: int, found: int) -> None:
    week = pd.date_range("2025-01-06", periods=30, freq="7D")
    level = np.where(np.arange(30) >= 30 - weeks_ago, 10.0, 0.0)
    since, _ = step_of(pd.DataFrame({"week": week, "level": level, "expected": 0.0}))
    assert since == week[30 - found]


@pytest.mark.parametrize(("times", "ream"), [(0.91, True), (0.89, False), (1.09, True), (1.11, False)])
def test_a_grammage_of_pounds_a_ream_is_named_within_a_tenth(times: float, ream: bool) -> None:
    # 1 lb of 500 sheets of 24 x 36 in is 1.6275 g/m2 (definition of the units).
    effective = 30.0 * 1.6275 * times
    table = pd.DataFrame(
        {"material": ["N"], "effective_gsm": effective, "nominal_gsm": 30.0, "ci_low": effective - 0.1}
    )
    (doubt,) = _grammages(table.assign(ci_high=effective + 0.1))
    assert ("pounds a ream" in doubt.suspect) == ream


def test_a_film_is_refused_beyond_twenty_grams(logs: Logs) -> None:
    model = pd.DataFrame({"ink": "black", "term": "film_g_m2", "estimate": [19.9, 20.1]})
    assert [doubt.value for doubt in _films(logs, model)] == [20.1]


def test_units_are_what_they_are_in_millimetres_and_kilograms() -> None:
    # By definition; a value logged in a unit is so many times smaller.
    for units, factors in (
        (LENGTHS, {"centimetres": 10.0, "inches": 25.4, "metres": 1000.0}),
        (WEIGHTS, {"pounds": 0.45359237, "tonnes": 1000.0}),
    ):
        for unit, factor in factors.items():
            assert nearest_unit(1 / factor, units) == unit
            assert nearest_unit(1.19 / factor, units) == unit
            assert nearest_unit(0.82 / factor, units) != unit


def test_paper_costs_what_the_last_91_days_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tables = {name: table for name, table in small_tables(14).items() if name not in ("reel_mounts",)}
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    runs = logs["runs"].head(2).assign(date=[logs.as_of - 90 * DAY, logs.as_of - 91 * DAY], run_id=["1", "2"])
    webs = pd.DataFrame({"run_id": ["1", "2"], "material": ["young", "old"]})

    class Two:
        as_of = logs.as_of

        def __getitem__(self, name: str) -> pd.DataFrame:
            return {"runs": runs, "run_webs": webs}[name]

        def has(self, name: str) -> bool:
            return name != "reel_mounts"

    monkeypatch.setattr(prices, "paper_prices", lambda logs: pd.Series({"young": 0.5, "old": 0.9}))
    assert prices.newsprint_price(Two()) == 0.5  # type: ignore[arg-type]


# --- start-up waste ----------------------------------------------------------------------------


def started(values: dict[str, np.ndarray]) -> pd.DataFrame:
    """Return runs of one press from its titles' start-up waste by day [kg per web started], blank where not out."""
    day = pd.date_range("2024-01-01", periods=len(next(iter(values.values()))), freq="D")
    table = pd.DataFrame(values, index=day).rename_axis("date").melt(ignore_index=False, var_name="title")
    table = table.dropna().reset_index().assign(press="P1", starts=1.0)
    week = table["date"] - pd.to_timedelta(table["date"].dt.day_of_week, unit="D")
    return table.assign(week=week, startup_kg=table["value"])


def test_a_change_of_start_up_waste_is_one_from_a_twentieth_on() -> None:
    day = np.arange(7 * 40)
    for step, spells in ((0.56, 2), (0.47, 1)):
        # The mean is 10 and half the step: a twentieth is 0.51.
        value = 10.0 + step * (day >= 140) + np.where(day % 2, 0.02, -0.02)
        assert len(startup_regimes(started({"Daily": value}), 0.5)) == spells


def test_the_level_of_start_up_waste_is_of_the_titles_of_the_last_91_days() -> None:
    once = {"inside": 30.0, "outside": 90.0}
    values = {"Daily": np.full(200, 10.0)} | {title: np.full(200, np.nan) for title in once}
    values["inside"][199 - 91], values["outside"][199 - 92] = once["inside"], once["outside"]
    found = startup_regimes(started(values), 0.5)
    # Ninety-two starts of the Daily, today's among them, and one of 30 kg.
    assert found["estimate"].tolist() == pytest.approx([(92 * 10 + 30) / 93])


def test_a_start_far_off_counts_as_four_standard_deviations() -> None:
    left = pd.Series([1.0, -1.0] * 20 + [100.0, -5.5])
    # The median distance is 1, which is 0.6745 standard deviations of normal errors (any table).
    far = 4 / 0.6745
    calmed = startup._calmed(left, pd.Series(0.0, left.index))
    assert calmed.tolist() == pytest.approx([*left[:40], far, -5.5], abs=1e-3)


def test_the_day_of_a_change_of_start_up_waste_is_looked_for_in_eight_weeks_either_side(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    days = []

    def seen(level: np.ndarray, information: np.ndarray) -> tuple[int, int, int]:
        days.append(len(level))
        return startup_dated(level, information)

    startup_dated = startup.date_shift
    monkeypatch.setattr(startup, "date_shift", seen)
    day = np.arange(7 * 50)
    startup_regimes(started({"Daily": 10.0 + 3.0 * (day >= 175) + np.where(day % 2, 0.1, -0.1)}), 0.5)
    assert set(days) == {2 * 56}


def waste_by_week(weeks: int, begins: int) -> pd.DataFrame:
    """Return a chart whose level rose by 9 so many weeks ago, and by 1 in the last ten."""
    number = np.arange(weeks)
    level = 9.0 * (number >= weeks - begins) + 1.0 * (number >= weeks - 10)
    week = pd.date_range(end="2025-03-10", periods=weeks, freq="7D")
    table = pd.DataFrame({"week": week, "level": level, "excess_kg": level})
    return table.assign(press="P1", measure="startup", expected=0.0, signal="high")


@pytest.mark.parametrize(("begins", "since", "size"), [(100, 100, 9 + 10 / 100), (110, 10, 1.0)])
def test_a_level_is_looked_for_in_the_last_two_years(
    logs: Logs, begins: int, since: int, size: float
) -> None:
    (row,) = waste_exceptions(logs, waste_by_week(150, begins))
    assert row["week"] == pd.Timestamp("2025-03-10") - (since - 1) * 7 * DAY
    assert row["size"] == pytest.approx(size)


# --- ink, reels, and what cannot be true -------------------------------------------------------


@pytest.mark.parametrize(("days", "signal"), [(91, "high"), (92, "")])
def test_a_lasting_change_of_ink_keeps_its_chart_out_of_control_for_91_days(days: int, signal: str) -> None:
    read = pd.date_range("2025-01-01", periods=120, freq="D")
    judged = pd.DataFrame({"ink": "black", "read_at": read, "since": read - DAY, "used_kg": 1.0})
    change = Finding(
        "black", "film weight change", read[-1] - days * DAY, read[-1], 0.1, 50.0, 40.0, 9.0, "solid_m2", True
    )
    assert ink_watch(judged, {}, [change])["signal"].iloc[-1] == signal


def test_measures_of_the_same_thing_are_compared_from_five_on_and_of_the_last_13_weeks(logs: Logs) -> None:
    values, ages = pd.Series([5.0, 4.0, 3.0, 2.0, 1.0, 9.0]), np.array([0, 1, 2, 3, 90, 91])
    days = (logs.as_of - pd.to_timedelta(ages, unit="D")).to_numpy()
    assert [part.tolist() for part in _windows(logs, values, days)] == [values.tolist(), [5, 4, 3, 2, 1]]
    assert not list(_windows(logs, values[:4], days[:4]))


def balance(logs: Logs, mounted_for_good: float) -> pd.DataFrame:
    rows = {"mounted_kg": 100.0 * mounted_for_good, "good_kg": 100.0, "good_grammage_kg": 0.0}
    return pd.DataFrame([rows] * 5).assign(date=logs.as_of)


@pytest.mark.parametrize(("share", "told"), [(79.0, [79.0]), (81.0, []), (99.0, []), (101.0, [101.0])])
def test_mounted_paper_in_good_copies_is_believed_from_80_to_100_per_cent(
    logs: Logs, share: float, told: list[float]
) -> None:
    found = _good_copies(logs, balance(logs, 100 / share), {}, True)
    assert [doubt.value for doubt in found] == pytest.approx(told)


@pytest.mark.parametrize(("times", "pounds"), [(1.95, False), (2.0, True), (2.8, True), (2.9, False)])
def test_weights_in_pounds_are_named_by_what_good_copies_usually_are(
    logs: Logs, times: float, pounds: bool
) -> None:
    # A pound is 0.4536 kg and good copies are 93 % of the paper mounted, so 2.37 times their weight would be mounted;
    # a factor of 1.2 either way is allowed.
    (doubt,) = _good_copies(logs, balance(logs, times), {}, True)
    assert ("start_kg in pounds" in doubt.suspect) == pounds


@pytest.mark.parametrize(("fitting", "unit"), [(6, "centimetres"), (5, "")])
def test_a_unit_is_named_where_six_tenths_of_the_values_fit_in_it(fitting: int, unit: str) -> None:
    values = np.array([40.0] * fitting + [77.0] * (10 - fitting))
    assert fitting_unit(values, LENGTHS, lambda widths: widths == 400.0) == unit


def test_web_breaks_are_those_of_13_weeks(tmp_path: Path) -> None:
    tables = {name: table for name, table in small_tables(7 * 18).items() if name != "reel_mounts"}
    runs = tables["runs"]
    day = (runs["date"] - runs["date"].min()).dt.days
    # Thirteen of eighteen weeks begin on day 35.
    tables["runs"] = runs.assign(web_breaks=np.where(day == 35, 1.0, np.where(day == 34, 10.0, 0.0)))
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    balance = logs["runs"].assign(week=logs.plant.week_of(logs["runs"]["date"]))
    found = SimpleNamespace(implausible=nothing_implausible())
    figure = next(reel_figures(WeekInputs(logs, balance, found, pd.DataFrame(), pd.Series())))  # type: ignore[arg-type]
    assert (figure.value, figure.unit) == (1.0, "in 13 weeks")
