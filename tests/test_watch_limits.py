"""Periods and limits of the week's page, each from both sides, with values worked out by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant
from test_regimes import runs_with_step

from pressstats import prices
from pressstats.logs import Logs, read_logs
from pressstats.watch import waste_chart
from pressstats.watch.change_exceptions import change_exceptions
from pressstats.watch.kinds import KINDS, PLANNED
from pressstats.watch.paper_figures import _PERIODS
from pressstats.watch.periods import Period
from pressstats.watch.plausible import _films, _grammages
from pressstats.watch.supply_figures import _INK_PERIODS
from pressstats.watch.units_suspected import LENGTHS, WEIGHTS, nearest_unit
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
            assert nearest_unit(1.19 / factor, units) == unit and nearest_unit(0.82 / factor, units) != unit


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
