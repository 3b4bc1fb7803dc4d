"""Other assumptions: what each does to what is needed, against arithmetic."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from issue_simulation import FIRST, FOUNTAIN_PER_COPY, Plant, Title, area_of, gross_of, logs_of, recipe_from

from pressstats.demand import Recipe, WhatIf, driver_days

DAYS = 28  # four Weeklies
#: The first weeks have other numbers of pages: more than a year ago, so that all that is expected is 24 pages.
PLANT = Plant(
    (
        Title(
            "Daily",
            range(7),
            lambda _: 20_000.0,
            lambda day: (24.0, 40.0, 16.0, 32.0)[day // 7 % 4] if day < 49 else 24.0,
            lambda day: (8.0, 16.0, 4.0, 12.0)[day // 7 % 4] if day < 49 else 8.0,
        ),
        Title("Weekly", (3,), lambda _: 8_000.0, lambda _: 12.0, lambda _: 4.0),
    ),
    days=420,
)
DAILY, WEEKLY = gross_of(20_000.0), gross_of(8_000.0)
#: Weeks that are all alike do not tell whether wash goes by copies or runs, nor film from starts to the last gram.
UNSHARED = ["black", "cyan", "wash"]
KG = {"N1200": 0.045 * 1.06, "N600": 0.048 * 1.06}  # of a square metre, mounted


@pytest.fixture(scope="module")
def recipe(tmp_path_factory: pytest.TempPathFactory) -> Recipe:
    return recipe_from(logs_of(tmp_path_factory.mktemp("plant"), PLANT))


@pytest.fixture(scope="module")
def booked_recipe(tmp_path_factory: pytest.TempPathFactory) -> Recipe:
    return booked(tmp_path_factory.mktemp("booked"))


def needed(recipe: Recipe, assumed: WhatIf | None = None) -> pd.Series:
    known = pd.Timestamp(recipe.drivers.last)
    days = pd.date_range(known + pd.Timedelta(days=1), periods=DAYS, freq="D", unit="us")
    return driver_days(recipe, known, days, assumed).sum(skipna=False)


def change(recipe: Recipe, assumed: WhatIf) -> pd.Series:
    return needed(recipe, assumed) - needed(recipe)


def paper(copies: float, pages: float) -> pd.Series:
    return pd.Series({name: copies * area * KG[name] for name, area in area_of(pages).items()})


def assert_changes(found: pd.Series, expected: dict[str, float], base: pd.Series, rel: float = 0.005) -> None:
    """Each material changes as said within a small part of its use, and those not named not at all."""
    for material in found.index:
        want = expected.get(material, 0.0)
        assert found[material] == pytest.approx(want, abs=rel * max(abs(want), 1e-9) + 1e-4 * base[material])


def test_nothing_assumed_changes_nothing(recipe: Recipe) -> None:
    assert not change(recipe, WhatIf()).any()
    assert len(needed(recipe)) == 7
    expected = DAYS * paper(DAILY, 24) + 4 * paper(WEEKLY, 12)
    np.testing.assert_allclose(needed(recipe)[["N1200", "N600"]], expected, rtol=1e-3)


def test_fewer_copies(recipe: Recipe) -> None:
    # 2,000 copies a day less, with what runs over them; starts spoil as many.
    found = change(recipe, WhatIf(copies={"Daily": 0.9}))
    gross = -2_000 * 1.02 * DAYS
    solid = gross * 0.12 * 0.002
    expected = dict(paper(gross, 24)) | {"fountain": gross * FOUNTAIN_PER_COPY}
    expected |= {"black": 2.4 * solid, "cyan": 1.6 * solid}
    inks = ["black", "cyan"]
    assert_changes(found.drop(UNSHARED), expected, needed(recipe))
    np.testing.assert_allclose(found[inks], [expected[ink] for ink in inks], rtol=0.05)


def test_more_pages_take_the_make_up_of_as_many(recipe: Recipe) -> None:
    # 24 and 16 more pages are 40: five full webs instead of three, as in the runs of 40 pages.
    found = change(recipe, WhatIf(pages={"Daily": 16.0}))
    expected = dict(DAYS * (paper(DAILY, 40) - paper(DAILY, 24)))
    # The share of colour is what it was, so plates go up by 40/24.
    expected |= {"plate": DAYS * 48 * (40 / 24 - 1)}
    inks = ["black", "cyan"]
    assert_changes(found.drop(inks), expected, needed(recipe))
    solid = DAYS * DAILY * 0.12 * 0.002
    np.testing.assert_allclose(found[inks], [1.6 * solid, 1.6 * (40 / 24 - 1) * solid], rtol=0.05)


def test_another_grammage(recipe: Recipe) -> None:
    found = change(recipe, WhatIf(grammage={"N1200": 42.0}))
    assert_changes(found, {"N1200": needed(recipe)["N1200"] * (42 / 45 - 1)}, needed(recipe), 1e-9)


def test_more_coverage_takes_film_and_not_starts(recipe: Recipe) -> None:
    film = 0.002 * 0.12 * (DAYS * DAILY * 1.6 + 4 * WEEKLY * 0.8)
    found = change(recipe, WhatIf(coverage={"cyan": 1.25}))
    assert found.drop("cyan").abs().max() == 0.0
    assert found["cyan"] == pytest.approx(0.25 * film, rel=0.05)


def test_more_waste(recipe: Recipe) -> None:
    # Waste is 2 % of the copies and 400 at each start; half of it more.
    gross = {24: 0.5 * (400 + 400) * DAYS, 12: 0.5 * (160 + 400) * 4}
    more = paper(gross[24], 24) + paper(gross[12], 12)
    found = change(recipe, WhatIf(waste=1.5))
    expected = dict(more) | {"fountain": (gross[24] + gross[12]) * FOUNTAIN_PER_COPY}
    assert_changes(found.drop(UNSHARED), expected, needed(recipe), 0.02)
    assert (found[["black", "cyan"]] > 0).all()
    assert found["plate"] == 0.0


def booked(folder: Path, copies: float = 1.0, pages: float = 24.0) -> Recipe:
    """Return the recipe of logs whose plan books the daily's coming issues, made on the last day of the logs."""
    days = range(PLANT.days, PLANT.days + DAYS)
    plan = [(day, "Daily", PLANT.days - 1, 20_000.0 * copies, pages, pages / 3, "") for day in days]
    return recipe_from(logs_of(folder, replace(PLANT, plan=plan)))


@pytest.mark.parametrize(
    ("assumed", "plan"),
    [
        (WhatIf(copies={"Daily": 0.9}), {"copies": 0.9}),
        (WhatIf(pages={"Daily": 12.0}), {"pages": 36.0}),
        (WhatIf(closed=("Daily",)), {"copies": 0.0}),
    ],
    ids=["copies", "pages", "closed"],
)
def test_the_same_change_in_the_plan_needs_as_much(
    booked_recipe: Recipe, tmp_path: Path, assumed: WhatIf, plan: dict[str, float]
) -> None:
    found, expected = needed(booked_recipe, assumed), needed(booked(tmp_path, **plan))
    assert (needed(booked_recipe) - expected).abs().max() > 1000
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-6)


def test_a_title_given_up(recipe: Recipe) -> None:
    found = change(recipe, WhatIf(closed=("Weekly",)))
    expected = dict(-4 * paper(WEEKLY, 12))
    expected |= {"fountain": -4 * WEEKLY * FOUNTAIN_PER_COPY, "plate": -4 * 24.0}
    assert_changes(found.drop(UNSHARED), expected, needed(recipe))
    assert (found[["black", "cyan"]] < 0).all()


def test_a_new_title_like_another(recipe: Recipe) -> None:
    new = pd.DataFrame(
        {"title": ["Free"], "weekday": [5], "copies": [8_000.0], "pages": [12.0], "like": "Weekly"}
    )
    # A new title that is as the Weekly is needs what the Weekly needs, on Saturdays.
    found = change(recipe, WhatIf(added=new))
    given_up = change(recipe, WhatIf(closed=("Weekly",)))
    pd.testing.assert_series_equal(found, -given_up, rtol=1e-3, check_names=False)
    known = pd.Timestamp(recipe.drivers.last)
    days = pd.date_range(known + pd.Timedelta(days=1), periods=DAYS, freq="D", unit="us")
    daily = (
        driver_days(recipe, known, days, WhatIf(added=new))["N1200"]
        - driver_days(recipe, known, days)["N1200"]
    )
    assert (daily[days.day_of_week == 5] > 100).all()
    assert (daily[days.day_of_week != 5] == 0).all()
    # And twice a week, with one given up, together.
    twice = pd.concat([new, new.assign(weekday=6)])
    both = change(recipe, WhatIf(added=twice, closed=("Weekly",)))
    pd.testing.assert_series_equal(both, -given_up, rtol=1e-3, check_names=False)


def test_a_new_title_comes_out_on_no_closed_day(tmp_path: Path) -> None:
    last = FIRST + pd.Timedelta(days=69)
    closed = last + pd.Timedelta(days=(5 - last.day_of_week) % 7 or 7)
    toml = ("", f'[calendar]\nclosed = ["{closed:%Y-%m-%d}"]')
    recipe = recipe_from(logs_of(tmp_path, Plant(days=70, toml=toml)))
    new = pd.DataFrame(
        {"title": ["Free"], "weekday": [5], "copies": [8_000.0], "pages": [24.0], "like": "Daily"}
    )
    days = pd.date_range(last + pd.Timedelta(days=1), periods=14, freq="D", unit="us")
    said = driver_days(recipe, last, days, WhatIf(added=new))["plate"]
    plain = driver_days(recipe, last, days)["plate"]
    assert said[closed] == 0
    assert plain[closed] == 0
    assert (said - plain)[closed + pd.Timedelta(days=7)] == pytest.approx(48)


@pytest.mark.parametrize(
    "assumed",
    [
        WhatIf(copies={"Nobody's": 1.1}),
        WhatIf(pages={"Nobody's": 2.0}),
        WhatIf(closed=("Daily", "Nobody's")),
        WhatIf(
            added=pd.DataFrame(
                {"title": ["New"], "weekday": [0], "copies": [1.0], "pages": [8.0], "like": ["Nobody's"]}
            )
        ),
    ],
)
def test_an_unknown_title_is_named(recipe: Recipe, assumed: WhatIf) -> None:
    with pytest.raises(ValueError, match=r"no issue of Nobody's is expected; titles: Daily, Weekly"):
        needed(recipe, assumed)
