"""Changes that last, refills that nobody logged, and the tables in which inks are told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from ink_simulation import Habits, lasting_change, simulate_ink, use_by_interval
from scipy import stats
from small_plant import small_tables, write_small_plant

from pressstats import ink
from pressstats.ink.changes import DATED, score_tests_of
from pressstats.ink.model import fit_ink
from pressstats.ink.refills import MAY_HIDE, UNLOGGED, leave_out_refills
from pressstats.ink.windows import Window
from pressstats.logs import read_logs
from pressstats.watch import ink_watch

HABITS = Habits(days=1092, dip_kg=20.0, missed=0.0)


def changed(
    seed: int, weeks: int, ratio: float, habits: Habits = HABITS
) -> tuple[pd.DataFrame, pd.Timestamp, float]:
    rows, _ = simulate_ink(np.random.default_rng(seed), habits)
    return lasting_change(rows, weeks, ratio, habits)


@pytest.mark.parametrize(("every", "dip_kg", "days"), [(1, 20.0, 14), (1, 60.0, 14), (7, 60.0, 35)])
def test_film_that_rose_eight_per_cent_forty_weeks_ago_is_one_change(
    every: int, dip_kg: float, days: int
) -> None:
    # Dips of 60 kg once a week date it to a month; daily ones, or 20 kg, within two weeks.
    habits = Habits(days=1092, dip_kg=dip_kg, every=every, missed=0.0)
    held = []
    for seed in range(5):
        rows, begin, kg = changed(seed, 40, 1.08, habits)
        judged, fits, found = ink.judge_inks(rows)
        assert [one.lasting for one in found] == [True]
        one = found[0]
        assert one.kind in ("film weight change", "change")
        assert one.until == rows["read_at"].iloc[-1]
        assert abs(one.since - begin) <= pd.Timedelta(days=days)
        assert one.extra_kg == pytest.approx(kg, rel=0.25)
        held.append(one.dated_low <= begin <= one.dated_high)
        # What is published is of the present, and the chart of the present is in control.
        film = ink.ink_model(judged, fits).set_index("term").loc["film_g_m2"]
        held.append(film["ci_low"] <= 1.08 * habits.film <= film["ci_high"])
        recent = ink_watch(judged, fits, found).tail(60 // every)
        assert (recent["used_kg"].sum() / recent["expected_kg"].sum()) == pytest.approx(1.0, abs=0.05)
    assert np.mean(held) >= 0.8


def test_levels_of_film_weight_are_told_with_their_dates_and_cost() -> None:
    rows, begin, kg = changed(1, 40, 1.08)
    _, fits, found = ink.judge_inks(rows)
    assert [one.kind for one in found] == ["film weight change"]
    told = ink.ink_regimes(fits, found, pd.Series({"black": 2.0}))
    before, now = told.to_dict("records")
    assert (told["measure"] == "film weight").all()
    assert (told["unit"] == "g/m2 of solid").all()
    assert before["to"] == now["from"]
    assert pd.isna(now["to"])
    assert pd.isna(before["cost_since"])
    assert now["dated_low"] <= begin <= now["dated_high"]
    assert before["ci_low"] <= HABITS.film <= before["ci_high"]
    assert now["ci_low"] <= 1.08 * HABITS.film <= now["ci_high"]
    assert now["cost_since"] == pytest.approx(2.0 * found[0].extra_kg)
    assert found[0].extra_kg == pytest.approx(kg, rel=0.2)
    # The level before is that of the time before, fitted by itself.
    alone = fit_ink("black", rows[rows["read_at"] <= found[0].since])
    assert alone is not None
    assert before["estimate"] == pytest.approx(alone.estimate[0], abs=0.03)
    table = ink.ink_findings(found)
    assert pd.isna(table["to"][0])
    assert table["unit"][0] == "g/m2 of solid"
    assert table["size"][0] == pytest.approx(0.08 * HABITS.film, rel=0.3)
    assert "95 %" in table["evidence"][0]


def test_two_changes_are_two_levels_more() -> None:
    rows, first, _ = changed(4, 100, 1.12)
    rows, second, _ = lasting_change(rows, 40, 1.12, HABITS)
    _, fits, found = ink.judge_inks(rows)
    assert [one.lasting for one in found] == [True, True]
    assert abs(found[0].since - first) <= pd.Timedelta(days=14)
    assert abs(found[1].since - second) <= pd.Timedelta(days=14)
    assert found[0].until == found[1].since
    assert list(ink.ink_findings(found)["to"].isna()) == [False, True]
    levels = ink.ink_regimes(fits, found, pd.Series(dtype=float))
    film = levels[levels["measure"] == "film weight"]
    assert len(film) == 3
    truth = HABITS.film * np.array([1.0, 1.12, 1.24])
    assert ((film["ci_low"] <= truth) & (truth <= film["ci_high"])).sum() >= 2
    assert (np.abs(film["estimate"] - truth) < 0.15).all()


def test_a_drift_that_ended_is_no_lasting_change() -> None:
    rows, _, _ = changed(2, 60, 1.12)
    rows, _, _ = lasting_change(rows, 52, 1 - 0.12, HABITS)
    _, fits, found = ink.judge_inks(rows)
    assert len(found) == 1
    assert not found[0].lasting
    assert fits["black"].estimate[0] == pytest.approx(HABITS.film, abs=4 * fits["black"].std_error[0])


def test_dates_are_those_of_the_stated_distribution() -> None:
    # (1 - exp(-x/2))^2 at 95 %: that of the larger of two exponential variables of mean 2.
    assert stats.expon.cdf(DATED, scale=2) ** 2 == pytest.approx(0.95)


def test_statistics_of_every_time_before_a_dip_are_those_of_windows() -> None:
    rows, _ = simulate_ink(np.random.default_rng(2), Habits(days=90))
    fit = fit_ink("black", rows)
    assert fit is not None
    score_tests = score_tests_of(fit).by_share[0]
    solid = rows["solid_m2"].to_numpy() / 1000
    coefficient, statistic = score_tests.before(solid)
    last = np.arange(len(rows) - 1)
    expected = score_tests.windows(solid, np.zeros_like(last), last)
    np.testing.assert_allclose(coefficient, expected[0], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(statistic, expected[1], rtol=1e-7, atol=1e-9)


def test_a_change_that_passed_for_scatter_is_judged_by_the_ratio_of_likelihoods() -> None:
    habits = Habits(days=420, dip_kg=20.0, missed=0.0)
    worth = []
    for seed in range(4):
        rows, begin, _ = changed(seed, 30, 1.06, habits)
        bare = fit_ink("black", rows)
        place = int((rows["since"] < begin).sum()) - 1
        window = Window("solid_m2", rows["since"].iloc[0], rows["read_at"].iloc[place], lasting=True)
        with_change = fit_ink("black", rows, [window])
        assert bare is not None
        assert with_change is not None
        score_tests, solid = score_tests_of(bare), rows["solid_m2"].to_numpy() / 1000
        size, statistic = score_tests.ask("before", solid)
        # The change doubles the scatter of runs at least, by which it would be judged else.
        assert bare.fit.scatter_variance > 2 * with_change.fit.scatter_variance
        ratio = 2 * (with_change.fit.likelihood - bare.fit.likelihood)
        assert statistic[place] == pytest.approx(ratio, rel=0.15)
        assert size[place] == pytest.approx(with_change.fit.estimate[3], rel=0.15)
        worth.append(statistic[place] / score_tests.by_share[0].before(solid)[1][place])
        assert score_tests.against[0] == 0
        assert max(score_tests.against) < 1
    assert np.mean(worth) > 1.3


def test_terms_are_of_the_present_and_expectation_of_its_own_time() -> None:
    rows, begin, _ = changed(3, 40, 1.3)
    at = rows["read_at"][(rows["read_at"] - begin).abs().idxmin()]
    fit = fit_ink("black", rows, [Window("solid_m2", rows["since"].iloc[0], at, lasting=True)])
    assert fit is not None
    early, late = rows[rows["read_at"] <= at], rows[rows["since"] >= at]
    assert fit.expected(late).sum() == pytest.approx(late["true_kg"].sum(), rel=0.4)
    np.testing.assert_allclose(fit.expected(late), ink.predict_use(fit, late)["mean"])
    assert fit.expected(early).sum() == pytest.approx(early["used_kg"].sum(), rel=0.02)
    assert ink.predict_use(fit, early)["mean"].sum() > 1.15 * early["used_kg"].sum()
    total, half = fit.combination(np.array([[1.0, 0, 0, 0], [1.0, 0, 0, 1.0]]))
    assert total[0] == fit.estimate[0]
    assert half[0] == pytest.approx(fit.interval()[0])
    assert total[1] == pytest.approx(HABITS.film, abs=0.1)


# --- without deliveries ----------------------------------------------------------------------------


def filled(load: float, every: int, seed: int = 1) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return an ink whose refills of about `load` nobody logged, and the same as it would be with them."""
    rng = np.random.default_rng(seed)
    rows, _ = simulate_ink(rng, Habits(days=728, every=every, missed=0.0))
    level, came = 0.0, np.zeros(len(rows))
    for number, used in enumerate(rows["true_kg"]):
        level -= used
        while level < 0:
            size = load * rng.uniform(0.9, 1.1)
            came[number] += size
            level += size
    return rows.assign(used_kg=rows["used_kg"] - came), rows


@pytest.mark.parametrize("every", [1, 7])
def test_large_refills_are_left_out_and_bias_nothing(every: int) -> None:
    off = []
    for seed in range(10):
        seen, _ = filled(5000.0, every, seed)
        left = leave_out_refills(seen, 60.0)
        assert left["used_kg"].isna().sum() == (left["why"] == UNLOGGED).sum() > 10
        judged, fits, found = ink.judge_inks(left)
        assert found == []
        told = use_by_interval(judged, fits)
        assert told["used_kg"].notna().all()
        assert (told["used_kg"] > 0).all()
        film = ink.ink_model(judged, fits).set_index("term").loc["film_g_m2"]
        off.append((film["estimate"] - Habits().film) / film["std_error"])
    assert abs(np.mean(off)) < 2.5 / np.sqrt(10)


@pytest.mark.parametrize(("load", "every"), [(900.0, 7), (1500.0, 7), (2000.0, 28)])
def test_refills_that_could_hide_make_no_film_weight(load: float, every: int) -> None:
    seen, _ = filled(load, every)
    left = leave_out_refills(seen, 60.0)
    assert left["used_kg"].isna().all()
    assert (left["why"] == MAY_HIDE).all()
    judged, fits, found = ink.judge_inks(left)
    assert fits == {}
    assert found == []
    assert ink.ink_model(judged, fits)["estimate"].isna().all()
    assert ink_watch(judged, fits, found)[["used_kg", "expected_kg"]].isna().all(axis=None)


def test_levels_that_only_fall_need_no_delivery() -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=60))
    pd.testing.assert_frame_equal(leave_out_refills(rows, 60.0), rows)


# --- tables ----------------------------------------------------------------------------------------


def test_the_ledger_tells_what_came_and_went_of_each_tank(tmp_path: Path) -> None:
    tables = small_tables(28)
    write_small_plant(tmp_path, tables)
    logs = read_logs(tmp_path)
    exposure = ink.ink_exposure(logs)
    ledger = ink.ink_ledger(logs, exposure)
    dips = logs["tank_readings"]
    assert len(ledger) == len(dips)
    for tank, mine in ledger.groupby("tank"):
        assert mine["why"].iloc[0] == "first dip"
        assert pd.isna(mine["used_kg"].iloc[0])
        known = mine.iloc[1:][mine["used_kg"].iloc[1:].notna()]
        before = mine["level_kg"].shift()[known.index]
        np.testing.assert_allclose(known["used_kg"], before + known["received_kg"] - known["level_kg"])
        assert set(mine.loc[mine["used_kg"].isna(), "why"]) >= {"first dip"}
        name = dips.loc[dips["tank"] == tank, "ink"].iloc[0]
        inside = exposure[
            (exposure["ink"] == name)
            & (exposure["finished_at"] > mine["read_at"].iloc[0])
            & (exposure["finished_at"] <= mine["read_at"].iloc[-1])
        ]
        assert mine["printed"].sum() == pytest.approx(inside["solid_m2"].sum())
