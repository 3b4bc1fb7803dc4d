"""From issues to materials, against arithmetic of a plant that is known to the kilogram, and slow loops."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from issue_simulation import (
    FIRST,
    FOUNTAIN_PER_COPY,
    GRAMMAGE,
    OVERHEAD,
    START_KG,
    WASH_PER_RUN,
    Plant,
    Title,
    area_of,
    gross_of,
    logs_of,
    plant_tables,
    recipe_from,
)
from scipy.optimize import nnls

from pressstats.demand import Recipe, driver_days
from pressstats.demand.configuration import WebConfiguration
from pressstats.demand.materials import _overhead, _plate_life, _terms

DAYS = 14


def ahead(recipe: Recipe, days: int = DAYS) -> tuple[pd.Timestamp, pd.DatetimeIndex]:
    known = pd.Timestamp(recipe.drivers.last)
    return known, pd.date_range(known + pd.Timedelta(days=1), periods=days, freq="D", unit="us")


def needed(plant: Plant, days: pd.DatetimeIndex) -> pd.DataFrame:
    """What the days take, added up issue by issue from what the plant was made of."""
    table = pd.DataFrame(0.0, index=days, columns=list(MATERIALS))
    table[["black", "cyan"]] += 1.0  # standing
    long = replace(plant, days=10_000)
    for day, title in long.issues():
        date = FIRST + pd.Timedelta(days=day)
        if date not in days:
            continue
        copies, pages, colour = title.copies(day), title.pages(day), title.colour(day)
        gross = gross_of(copies, title.runs)
        for material, area in area_of(pages).items():
            table.loc[date, material] += gross * area * GRAMMAGE[material] / 1000 * OVERHEAD
        table.loc[date, "black"] += gross * 0.1 * pages * 0.12 * 0.002 + START_KG * title.runs
        table.loc[date, "cyan"] += gross * 0.2 * colour * 0.12 * 0.002 + START_KG * title.runs * (colour > 0)
        sets = max(np.ceil(gross / title.runs / plant.plate_life), 1.0) * title.runs
        table.loc[date, "plate"] += (pages + 3 * colour) * sets
        table.loc[date, "fountain"] += FOUNTAIN_PER_COPY * gross
        table.loc[date, "wash"] += WASH_PER_RUN * title.runs
    return table


MATERIALS = ("N1200", "N600", "black", "cyan", "fountain", "plate", "wash")


# --- a plant whose issues do not change --------------------------------------------------------


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Recipe:
    return recipe_from(logs_of(tmp_path_factory.mktemp("steady"), Plant()))


def test_steady_issues_are_forecast_exactly(steady: Recipe) -> None:
    said = driver_days(steady, *ahead(steady))
    assert list(said.columns) == list(MATERIALS)
    expected = needed(Plant(), said.index)
    exact = ["N1200", "N600", "fountain", "plate"]
    np.testing.assert_allclose(said[exact], expected[exact], rtol=1e-4, atol=1e-3)
    # Weeks that are all alike cannot share ink among film, starts and standing, but its sum is known. Wash goes
    # by runs, but as well by copies: every week has as many of either.
    weekly = said.to_numpy().reshape(-1, 7, len(MATERIALS)).sum(axis=1)
    np.testing.assert_allclose(weekly, expected.to_numpy().reshape(-1, 7, 7).sum(axis=1), rtol=1e-4)


def test_issues_that_vary_are_forecast_by_their_parts(tmp_path: Path) -> None:
    # Pages by weekday in jumps of widths, two runs of one title, copies by weekday.
    plant = Plant(
        titles=(
            Title(
                "Daily",
                range(6),
                lambda day: 15_000.0 + 2_000.0 * (day % 7),
                lambda day: (24, 20, 28, 24, 36, 40)[day % 7],
                lambda day: (8, 8, 12, 8, 16, 16)[day % 7],
            ),
            Title("Sunday", (6,), lambda _: 30_000.0, lambda _: 44.0, lambda _: 20.0, runs=2),
        ),
        days=210,
    )
    recipe = recipe_from(logs_of(tmp_path, plant))
    said, expected = driver_days(recipe, *ahead(recipe)), needed(plant, ahead(recipe)[1])
    # Waste is learned as a share of copies and a number a start, so gross copies by day are exact.
    np.testing.assert_allclose(said["N1200"], expected["N1200"], rtol=1e-3)
    np.testing.assert_allclose(said["N600"], expected["N600"], rtol=1e-3, atol=0.1)
    np.testing.assert_allclose(said["fountain"], expected["fountain"], rtol=1e-3)
    # Weeks all alike do not tell film from starts, so inks are known by the week and not by the day.
    totals = said.sum() / expected.sum()
    np.testing.assert_allclose(totals[["black", "cyan", "plate", "wash"]], 1.0, rtol=0.01)


@pytest.mark.parametrize("life", [25_000.0, 50_000.0, np.inf])
def test_a_planted_plate_life_is_found(tmp_path: Path, life: float) -> None:
    # Copies from 15,000 to 65,000: at 25,000 impressions one, two or three sets of plates.
    plant = Plant(
        titles=(Title("Daily", range(7), lambda day: 15_000.0 + 10_000.0 * (day % 7 % 6)),),
        plate_life=life,
    )
    recipe = recipe_from(logs_of(tmp_path, plant))
    assert _plate_life(recipe.runs, recipe.runs.lately(recipe.drivers.last)) == life
    said, expected = driver_days(recipe, *ahead(recipe)), needed(plant, ahead(recipe)[1])
    np.testing.assert_allclose(said["plate"], expected["plate"], rtol=1e-6)
    assert expected["plate"].nunique() == (1 if life == np.inf else 3 if life == 25_000 else 2)


def test_no_plate_life_is_made_of_a_title_that_has_more_plates(steady: Recipe) -> None:
    # Runs of one title are all of one length, so nothing tells a life from more plates a page.
    runs = steady.runs
    longer = runs.title == runs.titles["Daily"]
    runs = replace(runs, gross=np.where(longer, 60_000.0, 9_000.0), plates=np.where(longer, 144.0, 36.0))
    assert _plate_life(runs, runs.lately(steady.drivers.last)) == np.inf


# --- make-up -----------------------------------------------------------------------------------


def made(day: int, title: str, pages: float, one: float, two: float) -> tuple[int, str, float, float, float]:
    return day, title, pages, one, two


RUNS = [
    made(0, "A", 16, 1.0, 0.0),
    made(1, "A", 24, 1.5, 0.1),
    made(2, "B", 8, 0.4, 0.0),
    made(3, "A", 32, 2.0, 0.0),
    made(5, "A", 24, 1.2, 0.7),  # made up anew
]


def configuration() -> WebConfiguration:
    day, title, pages, one, two = map(np.array, zip(*RUNS, strict=True))
    return WebConfiguration(
        ["one", "two"],
        np.datetime64("2025-01-01") + day,
        title.astype(object),
        pages.astype(float),
        np.column_stack([one, two]),
        np.full(len(day), np.nan),  # nobody logged the pages of a web
        np.zeros((len(day), 2)),
    )


@pytest.mark.parametrize("known", range(6))
@pytest.mark.parametrize("title", ["A", "B", "never seen"])
def test_make_up_by_the_last_run_with_the_nearest_pages_is_a_slow_loop(known: int, title: str) -> None:
    asked = np.array([[4.0, 8.0, 16.0, 19.9, 20.0], [20.1, 24.0, 27.9, 32.0, 48.0]])
    found = configuration().per_copy(title, asked, np.datetime64("2025-01-01") + known)
    seen = [run for run in RUNS if run[0] <= known]
    own = [run for run in seen if run[1] == title] or seen
    for place, pages in np.ndenumerate(asked):
        best = None
        for run in own:
            # Nearest; of two as near the larger one; of as many pages the last one.
            rank = (-abs(run[2] - pages), run[2], run[0])
            if best is None or rank > best[0]:
                best = (rank, run)
        assert best is not None
        low, high = min(run[2] for run in own), max(run[2] for run in own)
        share = pages / min(max(pages, low), high)
        np.testing.assert_allclose(found[place], np.array(best[1][3:]) * share, rtol=1e-12)


def test_pages_never_printed_are_made_up_with_whole_full_webs() -> None:
    # Webs of eight pages a square metre each and, for four pages more, half of one of another width.
    pages = np.array([20.0, 24.0, 32.0])
    made_up = WebConfiguration(
        ["full", "half"],
        np.datetime64("2025-01-01") + np.arange(3),
        np.array(["A"] * 3, dtype=object),
        pages,
        np.array([[2.0, 0.5], [3.0, 0.0], [4.0, 0.0]]),
        np.full(3, 8.0),
        np.array([[1.0, 0.0]] * 3),
    )
    asked = np.array([12.0, 16.0, 36.0, 40.0, 44.0, 45.0, 48.0, 96.0])
    found = made_up.per_copy("A", asked, np.datetime64("2025-02-01"))
    expected = [[1, 0.5], [2, 0], [4, 0.5], [5, 0], [5, 0.5], [5, 0.5], [6, 0]]
    np.testing.assert_allclose(found[:-1], expected)
    # Far beyond, in proportion to the most that is put together.
    np.testing.assert_allclose(found[-1], [12.0, 0.0])


def test_make_up_before_any_run_is_blank() -> None:
    assert np.isnan(configuration().per_copy("A", np.array([16.0]), np.datetime64("2024-12-31"))).all()


# --- waste, overhead, ink ----------------------------------------------------------------------


def test_mounted_over_printed_is_drawn_to_all_newsprint_where_little_was_printed(steady: Recipe) -> None:
    weeks = 30
    index = pd.date_range("2024-01-01", periods=weeks, freq="7D", unit="us")
    history = pd.DataFrame({"N1200": 1100.0, "N600": 60.0}, index=index)
    history.iloc[25:, 1] = np.nan  # blank weeks count for nothing
    printed = {"N1200": np.full(weeks, 1000.0), "N600": np.full(weeks, 50.0)}
    one = replace(steady, history=history, printed=printed)
    found = _overhead(one, 30)
    # The last 26 weeks: 26 of the one, 21 of the other.
    used, base = np.array([26 * 1100.0, 21 * 60.0]), np.array([26 * 1000.0, 21 * 50.0])
    common = used.sum() / base.sum()
    prior = 4 * base.sum() / 26 / 2
    np.testing.assert_allclose(list(found.values()), (used + prior * common) / (base + prior))
    # A width that the press has not seen yet does not make the others' own weeks count more.
    later = replace(one, history=history.assign(N400=0.0), printed=printed | {"N400": np.zeros(weeks)})
    again = _overhead(later, 30)
    assert again == pytest.approx(found | {"N400": common})
    assert _overhead(replace(one, printed={}), 30) == {}


def test_terms_of_an_ink_are_those_of_non_negative_least_squares() -> None:
    rng = np.random.default_rng(1)
    for film, start, standing in ((0.002, 0.5, 7.0), (0.002, 0.0, 30.0), (0.0005, 0.0, 60.0)):
        solid = rng.uniform(2e4, 9e4, 150)
        starts = rng.integers(4, 60, 150).astype(float)
        used = film * solid + start * starts + standing + rng.normal(0, 0.5, 150)
        found = _terms(used, solid, starts)
        assert found is not None
        design = np.column_stack([solid, starts, np.ones(150)])[-104:]
        size = design.mean(axis=0)
        # The ridge as two more rows, so that scipy.optimize.nnls solves the same problem.
        rows = np.sqrt(0.002 * 104) * np.diag([0.0, 1.0, 1.0])[1:]
        said, _ = nnls(np.vstack([design / size, rows]), np.append(used[-104:], [0.0, 0.0]))
        late = used[-13:].sum() / (design[-13:] / size @ said).sum()
        np.testing.assert_allclose(found, said / size * late, rtol=1e-6, atol=1e-9)
        # Nearly what it was made of (the ridge takes a little from the constants), its sum within the scatter.
        np.testing.assert_allclose(found[0], film, rtol=0.25)
        np.testing.assert_allclose((design[-13:] @ found).sum(), used[-13:].sum(), rtol=1e-9)


def test_full_weeks_after_a_thin_summer_take_what_they_take() -> None:
    """Volume moves by a tenth, and what starts and idle days take is a third: it is not film."""
    rng = np.random.default_rng(8)
    solid = 300_000 * (1 + 0.1 * np.cos(2 * np.pi * np.arange(60) / 52)) * rng.normal(1, 0.03, 60)
    starts, off = np.full(60, 14.0), []
    for seed in range(20):
        used = 0.00142 * solid + 6.5 * starts + 98.0
        terms = _terms(used + np.random.default_rng(seed).normal(0, 15, 60), solid, starts)
        assert terms is not None
        full = np.array([330_000.0, 14.0, 1.0])
        off.append(terms @ full / (full @ [0.00142, 6.5, 98.0]) - 1)
    assert abs(np.mean(off)) < 0.01


def test_terms_of_an_ink_are_never_negative_and_none_without_weeks() -> None:
    rng = np.random.default_rng(2)
    solid, starts = rng.uniform(2e4, 9e4, 60), rng.uniform(4, 60, 60)
    found = _terms(0.003 * solid - 0.6 * starts - 9.0, solid, starts)
    assert found is not None
    assert (found >= 0).all()
    assert found[1] == 0
    # Dips that say ink came back are an error, and no forecast is below nothing.
    gone = _terms(np.where(np.arange(60) < 47, 0.003 * solid, -50.0), solid, starts)
    assert gone is None or (gone >= 0).all()
    blank = np.full(60, np.nan)
    assert _terms(blank, solid, starts) is None
    assert _terms(solid, blank, starts) is None
    assert _terms(solid[:3], solid[:3], starts[:3]) is None
    assert _terms(solid, np.zeros(60), starts) is None


def test_a_drift_of_the_last_quarter_goes_on() -> None:
    rng = np.random.default_rng(3)
    solid, starts = rng.uniform(2e4, 9e4, 104), np.full(104, 30.0)
    used = 0.002 * solid * np.where(np.arange(104) >= 91, 1.1, 1.0)
    found = _terms(used, solid, starts)
    assert found is not None
    said = found @ np.array([solid[-13:].sum(), starts[-13:].sum(), 13])
    assert said == pytest.approx(used[-13:].sum())


# --- what is not known -------------------------------------------------------------------------


def test_an_ink_whose_coverage_is_not_known_is_blank_and_not_nothing(tmp_path: Path) -> None:
    plant = Plant(days=70)
    tables = plant_tables(plant)
    coverage = tables["coverage"]
    mine = coverage["run_id"].str.contains("Weekly")
    recipe = recipe_from(logs_of(tmp_path, plant, tables | {"coverage": coverage[~mine]}))
    said = driver_days(recipe, *ahead(recipe))
    assert said[["black", "cyan"]].isna().all(axis=None)
    assert said["N1200"].notna().all()
    # One run of unknown coverage costs its week alone.
    one = coverage["run_id"] == "0030Daily0"
    recipe = recipe_from(logs_of(tmp_path / "one", plant, tables | {"coverage": coverage[~one]}))
    assert np.isnan(recipe.solid["black"]).sum() == 1
    full = recipe_from(logs_of(tmp_path / "all", plant))
    pd.testing.assert_frame_equal(
        driver_days(recipe, *ahead(recipe)), driver_days(full, *ahead(full)), rtol=1e-4
    )


def test_colour_pages_that_a_title_does_not_log_cost_no_ink(tmp_path: Path) -> None:
    plant = Plant(days=140)
    tables = plant_tables(plant)
    runs = tables["runs"]
    blank = runs["colour_pages"].mask(runs["title"] == "Weekly")
    recipe = recipe_from(logs_of(tmp_path, plant, tables | {"runs": runs.assign(colour_pages=blank)}))
    expected = needed(plant, ahead(recipe)[1])
    said = driver_days(recipe, *ahead(recipe))
    np.testing.assert_allclose(said["cyan"].sum(), expected["cyan"].sum(), rtol=0.005)
    np.testing.assert_allclose(said["plate"].sum(), expected["plate"].sum(), rtol=1e-6)
    # And of nobody: cyan goes by pages then.
    never = recipe_from(
        logs_of(tmp_path / "never", plant, tables | {"runs": runs.assign(colour_pages=np.nan)})
    )
    said = driver_days(never, *ahead(never))
    np.testing.assert_allclose(said["cyan"].sum(), expected["cyan"].sum(), rtol=0.005)
    np.testing.assert_allclose(said["plate"].sum(), expected["plate"].sum(), rtol=1e-6)


def test_newsprint_of_unknown_grammage_is_blank_and_leaves_the_others_alone(steady: Recipe) -> None:
    kinds = steady.kinds.copy()
    kinds.loc["N600", "grammage_gsm"] = np.nan
    printed = steady.printed | {"N600": np.full(len(steady.history), np.nan)}
    one = replace(steady, kinds=kinds, printed=printed)
    said = driver_days(one, *ahead(one))
    np.testing.assert_allclose(said["N1200"], needed(Plant(), said.index)["N1200"], rtol=1e-4)
    assert said["N600"].isna().all()


def test_two_plate_materials_are_told_by_nobody(tmp_path: Path) -> None:
    plant = Plant(days=35)
    tables = plant_tables(plant)
    plate = tables["materials"].query("kind == 'plate'").assign(material="plate, small")
    tables["materials"] = pd.concat([tables["materials"], plate], ignore_index=True)
    recipe = recipe_from(logs_of(tmp_path, plant, tables))
    assert not {"plate", "plate, small"} & set(driver_days(recipe, *ahead(recipe)).columns)


@pytest.mark.parametrize("name", ["pages", "date", "week", "material", "runs"])
def test_a_material_may_be_called_as_it_likes(tmp_path: Path, name: str) -> None:
    plant = Plant(days=35)
    tables = plant_tables(plant)
    for table in ("run_webs", "reel_mounts", "materials"):
        tables[table] = tables[table].assign(material=tables[table]["material"].replace({"N1200": name}))
    recipe = recipe_from(logs_of(tmp_path, plant, tables))
    said = driver_days(recipe, *ahead(recipe))
    np.testing.assert_allclose(said[name], needed(plant, said.index)["N1200"], rtol=1e-4)
