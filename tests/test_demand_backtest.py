"""Methods at past origins: nothing later shows, the choice is what it says, and sums agree with their parts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from issue_simulation import FIRST, Plant, Title, logs_of, plant_tables, recipe_from

from pressstats.demand import (
    CHOICE,
    HORIZON,
    METHODS,
    MethodBacktest,
    Recipe,
    backtest_methods,
    demand_outlook,
    reconcile,
)
from pressstats.demand import backtest as demand_backtest
from pressstats.demand.backtest import _agreeing, _direct, pooled_losses
from pressstats.demand.turn import turn_factor, turn_share
from pressstats.forecast import Backtest
from pressstats.forecast import backtest as engine_backtest

NEWSPRINT = ["N1200", "N600"]
NAIVE, DIRECT, DRIVERS, BOTH = range(len(METHODS))
WEEKS, ORIGIN = 64, 45
END = FIRST + pd.Timedelta(days=7 * ORIGIN)  # the first day that the origin has not seen


def lively(days: int = 7 * WEEKS) -> Plant:
    """A plant with something to tell every week, and with bookings at two distances."""
    rng = np.random.default_rng(11)
    copies, pages = rng.normal(20_000, 800, days + 60), rng.choice([20.0, 24.0, 28.0, 32.0], days + 60)
    titles = (
        Title("Daily", range(7), lambda day: copies[day], lambda day: pages[day], lambda day: pages[day] / 2),
        Title("Weekly", (3,), lambda day: copies[day] / 2, lambda _: 12.0, lambda _: 4.0),
    )
    plan = [
        (
            day,
            "Daily",
            day - lead,
            float(round(copies[day] + rng.normal(300, 400))),
            pages[day],
            8.0,
            "fair" * (day % 31 == 0),
        )
        for day in range(30, days + 40)
        for lead in (9, 25)
    ]
    return Plant(titles, days, plate_life=25_000.0, plan=plan)


@pytest.fixture(scope="module")
def recipe(tmp_path_factory: pytest.TempPathFactory) -> Recipe:
    return recipe_from(logs_of(tmp_path_factory.mktemp("lively"), lively()))


@pytest.fixture(scope="module")
def backtest(recipe: Recipe) -> MethodBacktest:
    return backtest_methods(recipe, NEWSPRINT)


# --- nothing later shows -----------------------------------------------------------------------


def altered_tables(new_width: bool) -> dict[str, pd.DataFrame]:
    """Alter everything after the origin: runs, webs, mounts, coverage, dips, counts, and bookings made later.

    Where wanted, a width that was never seen before comes up.
    """
    tables = plant_tables(lively())
    runs = tables["runs"]
    late = runs["date"] >= END
    later = set(runs.loc[late, "run_id"])
    copies = ["copies_ordered", "copies_gross", "copies_good", "copies_startup_waste", "copies_running_waste"]
    for name in copies:
        runs = runs.assign(**{name: runs[name].mask(late, (runs[name] * 0.5).round())})
    half = runs["copies_ordered"] + runs["copies_startup_waste"] + runs["copies_running_waste"]
    runs["copies_gross"] = runs["copies_gross"].mask(late, half)
    runs = runs.assign(
        pages=runs["pages"].mask(late, 16.0),
        colour_pages=runs["colour_pages"].mask(late, 2.0),
        plates=runs["plates"].mask(late, 777.0),
        title=runs["title"].mask(late & (runs["date"].dt.day_of_week > 3), "Newcomer"),
    )
    changes = {
        "reel_mounts": ("start_kg", lambda kg: kg * 0.7),
        "coverage": ("solid_pages", lambda pages: pages * 3),
        "run_webs": ("width_mm", lambda width: width * 0.5),
    }
    for name, (column, change) in changes.items():
        table = tables[name]
        mine = table["run_id"].isin(later)
        tables[name] = table.assign(**{column: table[column].mask(mine, change(table[column]))})
    webs = tables["run_webs"]
    new = webs["run_id"].isin(later) & (webs["web"] == "B")
    for name in ("run_webs", "reel_mounts") if new_width else ():
        table = tables[name]
        hit = table["run_id"].isin(webs.loc[new, "run_id"]) & (table["web"] == "B")
        tables[name] = table.assign(material=table["material"].mask(hit, "N400"))
    materials = tables["materials"]
    narrow = materials[materials["material"] == "N600"].assign(material="N400", width_mm=400.0)
    tables["materials"] = pd.concat([materials, narrow], ignore_index=True)
    dips, counts = tables["tank_readings"], tables["stock_counts"]
    after = dips["read_at"] >= END + pd.Timedelta(hours=7)
    falling = np.cumsum(after.to_numpy()) * 7.0
    tables["tank_readings"] = dips.assign(level_kg=dips["level_kg"].mask(after, 60_000.0 - falling))
    after = counts["counted_on"] >= END
    tables["stock_counts"] = counts.assign(quantity=counts["quantity"].mask(after, counts["quantity"] * 0.8))
    plan = tables["plan"]
    after = plan["made_on"] >= END
    plan = plan.assign(
        copies_planned=plan["copies_planned"].mask(after, 90_000.0),
        pages_planned=plan["pages_planned"].mask(after, 64.0),
        event=plan["event"].mask(after, "other"),
    )
    # Told afterwards of days long gone.
    told = plan[plan["date"] < END - pd.Timedelta(days=30)].assign(
        made_on=END + pd.Timedelta(days=3), copies_planned=1_000.0, event="told"
    )
    return tables | {"runs": runs, "plan": pd.concat([plan, told], ignore_index=True)}


@pytest.mark.parametrize("new_width", [False, True])
def test_nothing_after_an_origin_changes_a_digit_of_what_it_said(
    tmp_path: Path, recipe: Recipe, backtest: MethodBacktest, new_width: bool
) -> None:
    other = recipe_from(logs_of(tmp_path, lively(), altered_tables(new_width)))
    assert ("N400" in other.history) == new_width

    def same(one: np.ndarray, two: np.ndarray, what: str = "") -> None:
        # Matrices of one column more are added up in another order: the sixteenth digit may differ.
        np.testing.assert_allclose(one, two, rtol=1e-12 if new_width else 0, err_msg=what)

    assert list(recipe.history.columns) == [name for name in other.history.columns if name != "N400"]
    # What dips say of a week already over: the use between two dips is shared at the week's turn as the model
    # of all readings expects, so the last digits of an ink's weeks move with later dips, and a gauge that jumps
    # the day after may cost the week before. What an origin had seen is what the history says of it.
    inks = ["black", "cyan"]
    seen = [one.history.iloc[:ORIGIN] for one in (recipe, other)]
    np.testing.assert_allclose(seen[0][inks][:-1], seen[1][inks][:-1], rtol=1e-4)
    history = other.history.copy()
    history.iloc[:ORIGIN, history.columns.get_indexer(inks)] = seen[0][inks].to_numpy()
    pd.testing.assert_frame_equal(history.iloc[:ORIGIN][recipe.history.columns], seen[0], check_exact=True)
    again = backtest_methods(replace(other, history=history), [*NEWSPRINT, "N400"])
    mine = [again.names.index(name) for name in backtest.names]
    before = backtest.origins <= ORIGIN
    assert before.sum() > 10
    assert (backtest.origins == again.origins).all()
    for number, method in enumerate(METHODS):
        first, second = backtest.forecasts[number][before], again.forecasts[number][before][:, mine]
        assert np.isfinite(first).all()
        same(first, second, method)
    same(backtest.naive[before], again.naive[before][:, mine])
    # The choice of those origins and their intervals too.
    for origin in (30, 40, ORIGIN):
        same(backtest.losses(origin), again.losses(origin)[:, mine])
        same(backtest.chosen(origin), again.chosen(origin)[mine])
        said = [one.judged(origin) for one in (backtest, again)]
        if not new_width:  # shapes of errors are pooled over materials
            same(said[0].size, said[1].size)
            same(said[0].shape, said[1].shape)
    # And later ones are another matter: the comparison can fail.
    late = int(np.searchsorted(backtest.origins, ORIGIN + 1))
    for number in range(len(METHODS)):
        assert (backtest.forecasts[number, late] != again.forecasts[number, late][mine]).any(axis=1).any()


def test_bookings_made_after_an_origin_are_not_known_to_it(
    tmp_path: Path, recipe: Recipe, backtest: MethodBacktest
) -> None:
    tables = plant_tables(lively())
    plan = tables["plan"]
    dropped = plan[plan["made_on"] < END]
    other = recipe_from(logs_of(tmp_path, lively(), tables | {"plan": dropped}))
    again = backtest_methods(other, NEWSPRINT)
    pd.testing.assert_frame_equal(recipe.history, other.history)
    before = backtest.origins <= ORIGIN
    np.testing.assert_array_equal(backtest.forecasts[:, before], again.forecasts[:, before])
    assert (backtest.forecasts[DRIVERS, ~before] != again.forecasts[DRIVERS, ~before]).any()


def test_an_origin_says_what_logs_cut_there_would_have_said(tmp_path: Path, backtest: MethodBacktest) -> None:
    cut = logs_of(tmp_path, lively(), as_of=f"{END - pd.Timedelta(days=1):%Y-%m-%d}")
    then = recipe_from(cut)
    alone = backtest_methods(then, NEWSPRINT)
    row = int(np.searchsorted(backtest.origins, ORIGIN))
    assert alone.names == backtest.names
    assert alone.origins[-1] == ORIGIN
    exact = [backtest.names.index(name) for name in ("N1200", "N600", "plate", "fountain", "wash")]
    for method in (NAIVE, DRIVERS, DIRECT):
        said = alone.forecasts[method, -1][exact]
        np.testing.assert_allclose(
            said, backtest.forecasts[method, row][exact], rtol=1e-6, err_msg=METHODS[method]
        )


def test_of_decades_the_last_five_years_are_looked_back_on(
    recipe: Recipe, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And no forecast sees more than the fifteen years that take in the ten before the first of them."""
    assert (demand_backtest._LOOKED_BACK, demand_backtest._REMEMBERED) == (260, 520)
    monkeypatch.setattr(demand_backtest, "_LOOKED_BACK", 1)
    monkeypatch.setattr(demand_backtest, "_drivers", lambda recipe, origin: np.zeros((7, HORIZON)))
    seen = []

    def looked_back(series: pd.DataFrame, origins: np.ndarray, *other: float, **more: object) -> Backtest:
        seen.append(len(series))
        return engine_backtest(series, origins, *other, **more)

    monkeypatch.setattr(demand_backtest, "backtest", looked_back)
    monkeypatch.setattr(demand_backtest, "beside", lambda work: work)
    for remembered in (520, 40):
        monkeypatch.setattr(demand_backtest, "_REMEMBERED", remembered)
        found = demand_backtest.backtest_methods(recipe, NEWSPRINT)
        assert list(found.origins) == [WEEKS - 1, WEEKS]
    assert seen == [WEEKS, 41]


# --- the choice --------------------------------------------------------------------------------


def made_up(weeks: int = 70, seed: int = 1) -> MethodBacktest:
    """Forecasts of four methods of three materials from random numbers, some of them blank."""
    rng = np.random.default_rng(seed)
    origins = np.arange(30, weeks + 1)
    actual = rng.uniform(50, 150, (3, weeks))
    actual[2, 40] = np.nan
    forecasts = rng.uniform(50, 150, (4, len(origins), 3, HORIZON))
    forecasts[2, :, 1] = np.nan  # no driver forecast of the second material
    forecasts[2, :6, 2] = np.nan  # one of the third that began late
    naive = rng.uniform(5, 9, (len(origins), 3))
    index = pd.date_range("2024-01-01", periods=weeks, freq="7D", unit="us")
    return MethodBacktest(index, ["a", "b", "c"], actual, origins, forecasts, naive)


@pytest.mark.parametrize("origin", [31, 36, 50, 70])
def test_losses_are_mean_absolute_scaled_errors_of_a_slow_loop(origin: int) -> None:
    one = made_up()
    losses = one.losses(origin)
    for material in range(3):
        able = [m for m in range(4) if np.isfinite(one.forecasts[m, origin - 30, material]).all()]
        errors: dict[int, list[float]] = {m: [] for m in range(4)}
        for row, start in enumerate(one.origins):
            for ahead in range(CHOICE):
                week = start + ahead
                # Once a year is seen, weeks whose season nobody had seen are left out.
                if week >= origin or (origin >= 52 > week) or not np.isfinite(one.actual[material, week]):
                    continue
                missed = [
                    abs(one.actual[material, week] - one.forecasts[m, row, material, ahead])
                    / one.naive[row, material]
                    for m in range(4)
                ]
                # Only weeks on which every method that can speak now had spoken.
                if all(np.isfinite(missed[m]) for m in able):
                    for m in range(4):
                        errors[m].append(missed[m])
        means = [float(np.mean(errors[m])) if errors[m] and m in able else np.inf for m in range(4)]
        for m in able:
            if errors[m]:
                assert losses[m, material] == pytest.approx(means[m])


def test_an_earlier_choice_does_not_hang_on_which_methods_speak_today() -> None:
    one = made_up()
    forecasts = one.forecasts.copy()
    forecasts[1, -1], forecasts[2, -1, 1] = np.nan, 100.0
    other = replace(one, forecasts=forecasts)
    for origin in (40, 60, 69):
        np.testing.assert_array_equal(one.losses(origin), other.losses(origin))
        np.testing.assert_array_equal(one.chosen(origin), other.chosen(origin))
    assert (other.chosen(70) != 1).all()


def test_who_did_not_know_of_a_title_that_ended_tells_nothing_of_what_is_left() -> None:
    one = made_up()
    actual = one.actual.copy()
    actual[:, 55:] = 5.0  # from week 55 on hardly anything is left; known when 59 weeks are seen
    forecasts = one.forecasts.copy()
    forecasts[:, one.origins >= 59] = 6.0
    changed = replace(one, actual=actual, forecasts=forecasts, changes=np.array([[55, 59]]))
    known = changed.known_at(70)
    for row, origin in enumerate(changed.origins):
        for ahead in range(HORIZON):
            week = origin + ahead
            assert known[row, ahead] == (week < 70 and not (origin < 59 and week >= 55))
    # Before it was known it counted as any error does; and where titles come and go all the time, it always does.
    whole = replace(changed, changes=np.zeros((0, 2), dtype=int))
    np.testing.assert_array_equal(changed.known_at(58), whole.known_at(58))
    churn = np.array([[week, week + 4] for week in (40, 45, 50, 55)])
    np.testing.assert_array_equal(replace(changed, changes=churn).known_at(70), whole.known_at(70))
    assert changed.judged(70).size[0, :CHOICE].mean() < 0.8 * whole.judged(70).size[0, :CHOICE].mean()


def test_errors_of_who_had_seen_no_season_are_brought_down_to_those_of_who_had() -> None:
    rng = np.random.default_rng(2)
    index = pd.date_range("2024-03-04", periods=70, freq="7D", unit="us")
    origins, said = np.arange(35, 71), np.full((4, 36, 3, HORIZON), 100.0)
    one = MethodBacktest(
        index, ["a", "b", "c"], 100 + rng.normal(0, 5, (3, 70)), origins, said, np.full((36, 3), 6.0)
    )
    late = replace(one, origins=origins + 17, actual=np.hstack([np.full((3, 17), np.nan), one.actual]))
    early, seen = one.judged(70).size[:, :CHOICE].mean(), late.judged(87).size[:, :CHOICE].mean()
    assert 1.1 < seen / early < 1.3


def test_weeks_of_a_year_that_nobody_has_seen_are_no_surer_for_lying_further_ahead() -> None:
    # From 8 weeks to 26 October: Christmas is the sixth to the tenth week, and what comes after it is as little known.
    index = pd.date_range("2025-09-01", periods=8, freq="7D", unit="us")
    actual = np.array([[98.0, 103.0, 99.0, 101.0, 97.0, 104.0, 100.0, 98.0]])
    short = MethodBacktest(
        index, ["a"], actual, np.array([8]), np.full((4, 1, 1, HORIZON), 100.0), np.full((1, 1), 5.0)
    )
    size = short.judged(8).size[0]
    assert (np.diff(size) >= 0).all()
    turn = turn_share(index[-1] + pd.to_timedelta(7 * np.arange(1, HORIZON + 1), unit="D"))
    assert size[turn == 1].min() > 1.2 * size[turn == 0].min()
    # The same weeks after years of them have their own width again.
    years = pd.date_range("2022-09-05", periods=164, freq="7D", unit="us")
    known = np.tile(actual, 21)[:, :164]
    long = MethodBacktest(years, ["a"], known, np.array([164]), short.forecasts, short.naive)
    assert (np.diff(long.judged(164).size[0]) < 0).any()
    # Without a season, errors are as much larger as those of origins without one are known to be.
    assert size[0] / long.judged(164).size[0, 0] == pytest.approx(1.2, abs=0.15)


def test_a_year_leaves_the_direct_forecast_halfway_to_last_year() -> None:
    index = pd.date_range("2024-01-01", periods=60, freq="7D", unit="us")
    history = pd.DataFrame({"a": 100 + 30 * np.sin(np.arange(60) * 2 * np.pi / 52)}, index=index)
    none, origins = np.zeros((0, 2), dtype=int), np.array([50, 60])
    said, naive, _ = _direct(history, origins, [], none)
    alone, _, _ = _direct(history, origins, [], np.array([[20, 24]]))  # a title that ended or began
    np.testing.assert_allclose(said[1], (alone[1] + naive[1]) / 2)
    np.testing.assert_array_equal(said[0], alone[0])


def test_without_any_error_stands_what_does_well_on_other_plants() -> None:
    one = made_up()
    # Drivers where they can speak, else the mean of what is left.
    assert one.chosen(30).tolist() == [DRIVERS, BOTH, BOTH]
    blank = one.forecasts.copy()
    blank[1:] = np.nan
    assert replace(one, forecasts=blank).chosen(30).tolist() == [NAIVE] * 3


def test_a_choice_needs_looks_and_follows_all_materials() -> None:
    able = np.ones((4, 6), dtype=bool)
    usual = np.repeat(np.array([[1.0], [0.85], [0.72], [0.73]]), 6, axis=1)
    odd = usual.copy()
    odd[DIRECT, 0] = 0.6  # one material on which the direct method had luck, or not
    assert pooled_losses(odd, 2.0, able).argmin(axis=0).tolist() == [DRIVERS] * 6
    assert pooled_losses(odd, 40.0, able).argmin(axis=0).tolist() == [DIRECT] + [DRIVERS] * 5
    # Where it does well on all, all take it up sooner; and a plant of its own kind overrules other plants.
    everywhere = usual.copy()
    everywhere[DIRECT] = 0.6
    assert pooled_losses(everywhere, 6.0, able).argmin(axis=0).tolist() == [DIRECT] * 6
    assert pooled_losses(everywhere, 0.0, able).argmin(axis=0).tolist() == [DRIVERS] * 6
    able[DRIVERS, 3] = False
    assert pooled_losses(usual, 5.0, able)[:, 3].argmin() == BOTH
    assert np.isinf(pooled_losses(usual, 5.0, able)[DRIVERS, 3])


def test_drawn_choices_miss_less_than_the_winner_of_each_material() -> None:
    """Methods whose true losses differ a little, each material looked at over a few noisy horizons."""
    rng = np.random.default_rng(5)
    able, drawn, alone = np.ones((4, 10), dtype=bool), [], []
    for _ in range(200):
        # Every plant and every material has its own true losses.
        truth = np.array([1.0, 0.85, 0.72, 0.73])[:, None] * np.exp(
            rng.normal(0, 0.08, (4, 1)) + rng.normal(0, 0.04, (4, 10))
        )
        seen = truth * np.exp(rng.normal(0, 0.3 / np.sqrt(3.0), truth.shape))
        each = np.arange(10)
        drawn.append(truth[pooled_losses(seen, 3.0, able).argmin(axis=0), each].mean())
        alone.append(truth[seen.argmin(axis=0), each].mean())
    gain = np.array(alone) - np.array(drawn)
    assert gain.mean() > 4 * gain.std() / np.sqrt(len(gain))
    assert gain.mean() > 0.01


# --- the turn of the year -----------------------------------------------------------------------


def test_weeks_about_christmas_are_known_by_their_days() -> None:
    share = turn_share(
        pd.DatetimeIndex(["2025-11-24", "2025-12-01", "2025-12-22", "2026-01-05", "2026-01-12"])
    )
    np.testing.assert_allclose(share, [0, 1, 1, 2 / 7, 0])
    assert turn_share(pd.DatetimeIndex(["2026-06-01"])) == 0


def test_the_turn_of_the_year_has_its_own_size() -> None:
    rng = np.random.default_rng(3)
    weeks = pd.date_range("2023-06-05", periods=160, freq="7D")
    target = np.arange(40, 140)[:, None] + np.arange(13)
    share = turn_share(weeks)[target]
    base = np.abs(rng.normal(0, 1, (100, 3, 13)))
    none, wide = turn_factor(base, share), turn_factor(base * (1 + 2 * share)[:, None, :], share)
    # Drawn to what other plants show, by two turns seen; no errors at all say no more than those.
    assert (none > 0.9).all()
    assert (none < 1.25).all()
    assert (wide > 1.8).all()
    assert (wide < 3.0).all()
    np.testing.assert_allclose(turn_factor(np.full((4, 3, 13), np.nan), share[:4]), 1.25)


def test_intervals_are_wider_where_errors_were() -> None:
    rng = np.random.default_rng(9)
    index = pd.date_range("2023-07-03", periods=128, freq="7D", unit="us")  # to early December 2025
    share = turn_share(pd.date_range(index[0], periods=128 + HORIZON, freq="7D"))
    actual = 100 + rng.normal(0, 1, (3, 128)) * (4 + 12 * share[:128])
    origins = np.arange(60, 129)
    said = np.full((4, len(origins), 3, HORIZON), 100.0)
    one = MethodBacktest(index, ["a", "b", "c"], actual, origins, said, np.full((len(origins), 3), 6.0))
    size = one.judged(128).size
    ahead = share[128:]
    assert (ahead[:3] == 1).all()
    assert ahead[8:13].max() == 0
    ratio = size[:, :3].mean() / size[:, 8:13].mean()
    assert 1.5 < ratio < 4.5  # three in truth: errors of four, and of sixteen on the days about Christmas
    assert 2.5 < size[:, 8:13].mean() < 5.0  # mean absolute error of a normal error of four is 3.2


# --- few weeks, a broken week, no issues --------------------------------------------------------


def test_weeks_that_were_equal_by_chance_leave_intervals_with_a_width(tmp_path: Path) -> None:
    outlook = demand_outlook(recipe_from(logs_of(tmp_path, Plant(days=14))))
    assert (outlook.backtest.naive[:, [0, 5]] < 1e-6).all()  # two weeks, all alike
    low, high = outlook.forecast.quantiles(np.array([0.1, 0.9]))
    assert (high - low > 0.01 * outlook.forecast.median.to_numpy()).all()


def test_a_week_already_begun_at_the_end_is_known_to_today_alone(
    tmp_path: Path, backtest: MethodBacktest
) -> None:
    # Three days into a week: what was booked and printed on them counts, for today's origin.
    logs = logs_of(tmp_path, lively(), as_of=f"{END + pd.Timedelta(days=2):%Y-%m-%d}")
    broken = recipe_from(logs)
    assert len(broken.history) == ORIGIN
    assert broken.drivers.last == np.datetime64(END + pd.Timedelta(days=2), "D")
    alone = backtest_methods(broken, NEWSPRINT)
    row = int(np.searchsorted(backtest.origins, ORIGIN))
    exact = [backtest.names.index(name) for name in ("N1200", "N600", "plate")]
    both = np.intersect1d(backtest.origins, alone.origins[:-1])
    assert len(both) > 10
    before = [one.forecasts[DRIVERS][np.isin(one.origins, both)][:, exact] for one in (alone, backtest)]
    np.testing.assert_allclose(before[0], before[1], rtol=1e-9)
    assert (alone.forecasts[DRIVERS, -1][exact] != backtest.forecasts[DRIVERS, row][exact]).any()
    outlook = demand_outlook(broken)
    assert outlook.weeks[0] == END
    assert np.isfinite(outlook.mean).all()


def test_without_plan_or_issues_to_come_the_others_stand(tmp_path: Path) -> None:
    plain = Plant(titles=(Title("Daily", range(7)),), days=210, closed=range(170, 209))
    recipe = recipe_from(logs_of(tmp_path, plain))
    outlook = demand_outlook(recipe)
    assert np.isfinite(outlook.mean).all()
    nobody = replace(recipe, drivers=replace(recipe.drivers, titles=[], bookings={}))
    silent = demand_outlook(nobody)
    assert np.isnan(silent.backtest.forecasts[[DRIVERS, BOTH]]).all()
    assert set(silent.chosen) <= {NAIVE, DIRECT}
    assert np.isfinite(silent.mean).all()
    np.testing.assert_allclose(silent.shares, 1 / 7)


# --- sums and parts ----------------------------------------------------------------------------


def hierarchy() -> tuple[np.ndarray, np.ndarray]:
    """A total, three regions and eight towns whose forecasts do not add up; numbers are drawn."""
    rng = np.random.default_rng(8)
    region = np.array([0, 0, 0, 1, 1, 2, 2, 2])
    summing = np.vstack([np.ones(8), *(region == one for one in range(3)), np.eye(8)]).astype(float)
    towns = rng.uniform(1, 9, (8, 4))
    base = summing @ towns * rng.uniform(0.9, 1.1, (12, 4))
    return base, summing


def test_a_sure_forecast_moves_least() -> None:
    base, summing = hierarchy()
    variance = np.where(np.arange(12) == 0, 1e-6, 1.0)
    found = reconcile(base, summing, variance)
    np.testing.assert_allclose(found[0], base[0], rtol=1e-5)
    # The projection S (S' W S)^-1 S' W, written out; what adds up already stays as it is.
    weight = np.diag(1 / variance)
    projection = summing @ np.linalg.inv(summing.T @ weight @ summing) @ summing.T @ weight
    np.testing.assert_allclose(found, projection @ base, rtol=1e-6)
    np.testing.assert_allclose(reconcile(found, summing, variance), found, rtol=1e-6)
    with pytest.raises(np.linalg.LinAlgError):
        reconcile(base[:4], summing[:4], np.ones(4))


def test_a_width_that_never_changed_keeps_its_forecast_and_the_rest_agree() -> None:
    said = np.array([[100.0, 110.0], [50.0, 40.0], [7.0, 7.0], [200.0, 200.0]])
    found = _agreeing(said, np.array([10.0, 5.0, 0.0, 12.0]))
    np.testing.assert_allclose(found[2], 7.0)
    np.testing.assert_allclose(
        found[:2],
        reconcile(
            np.array([[100.0, 110.0], [50.0, 40.0], [193.0, 193.0]]),
            np.array([[1.0, 0], [0, 1], [1, 1]]),
            np.array([100.0, 25.0, 144.0]),
        )[:2],
    )
    np.testing.assert_array_equal(_agreeing(said, np.array([10.0, 0.0, 0.0, 12.0])), said[:3])
    blank = said.copy()
    blank[0] = np.nan
    np.testing.assert_array_equal(_agreeing(blank, np.array([np.nan, 5.0, 1.0, np.nan])), blank[:3])
