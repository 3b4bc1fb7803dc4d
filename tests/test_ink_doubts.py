"""What is not known of a lasting change, and how it widens the intervals of the present."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from ink_simulation import Habits, lasting_change, simulate_ink
from scipy import stats

from pressstats import ink
from pressstats.ink import doubts
from pressstats.ink.banded import fit_banded
from pressstats.ink.changes import doubtful, score_tests_of
from pressstats.ink.model import dip_pattern, fit_ink
from pressstats.ink.windows import Window

HABITS = Habits(days=1092, dip_kg=20.0, missed=0.0)
NOWHERE = np.zeros(0, dtype=int)


def film_change(seed: int, weeks: int, habits: Habits = HABITS, ratio: float = 1.08) -> pd.DataFrame:
    return lasting_change(simulate_ink(np.random.default_rng(seed), habits)[0], weeks, ratio, habits)[0]


def idle_change(seed: int, weeks: int, kg_a_day: float) -> pd.DataFrame:
    rows, _ = simulate_ink(np.random.default_rng(seed), HABITS)
    late = rows["since"] >= rows["read_at"].max() - pd.Timedelta(weeks=weeks)
    return rows.assign(used_kg=rows["used_kg"] + kg_a_day * rows["days"] * late)


def film_fit(kind: str = "solid_m2") -> tuple[ink.InkFit, int, Window]:
    rows = film_change(1, 40)
    place = len(rows) - 281
    window = Window(kind, rows["since"].iloc[0], rows["read_at"].iloc[place], lasting=True)
    fit = fit_ink("black", rows, [window])
    assert fit is not None
    return fit, place, window


def test_evidence_is_the_ratio_of_the_two_normal_densities() -> None:
    # One reading of the coefficient, 0.3 +- 0.1, size drawn from N(0, 0.2^2).
    told = doubts.log_evidence(np.array([0.3]), np.array([9.0]), 0.2)
    expected = stats.norm.logpdf(0.3, scale=np.hypot(0.1, 0.2)) - stats.norm.logpdf(0.3, scale=0.1)
    assert told[0] == pytest.approx(expected)


def test_the_model_itself_at_its_own_day_leaves_no_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    fit, place, window = film_fit()
    monkeypatch.setattr(doubts, "KINDS", {("solid_m2",): 1.0})
    monkeypatch.setattr(doubts, "SIZE", 1e4)
    shift, doubt = doubts.doubt_of_changes(fit, score_tests_of(fit), [np.array([place])], [[window]], NOWHERE)
    np.testing.assert_allclose(doubt, 0.0, atol=1e-6)
    np.testing.assert_allclose(shift, 0.0, atol=1e-5)


def test_another_kind_adds_how_far_its_estimates_are_away(monkeypatch: pytest.MonkeyPatch) -> None:
    fit, place, window = film_fit()
    monkeypatch.setattr(doubts, "KINDS", {("days",): 1.0})
    monkeypatch.setattr(doubts, "SIZE", 1e4)
    shift, doubt = doubts.doubt_of_changes(fit, score_tests_of(fit), [np.array([place])], [[window]], NOWHERE)
    # The same by the fit of the other model with the variances of this one.
    rows = fit.rows
    idle = np.where(np.arange(len(rows)) <= place, rows["days"], 0.0)
    design = np.column_stack([fit.design[:, : len(fit.terms)], idle])
    diagonal, beside = dip_pattern(rows)
    mean_dip, mean_run = fit.fit.dip_variance * 2.0, fit.fit.scatter_variance * fit.scatter.mean()
    share = mean_run / (mean_dip + mean_run)
    other = fit_banded(design, rows["used_kg"].to_numpy(), (diagonal, beside), fit.scatter, share)
    film = fit.estimate[0] - other.estimate[0]
    assert film > 0.01
    assert shift[0] == pytest.approx(-film, rel=0.1)
    expected = max(other.covariance[0, 0] - fit.fit.covariance[0, 0], 0.0)
    assert doubt[0, 0] == pytest.approx(expected, rel=0.1, abs=2e-5)


def test_a_change_of_unknown_kind_widens_the_present_and_is_told_as_such() -> None:
    rows = film_change(1, 40, replace(HABITS, dip_kg=60.0))
    _, fits, found = ink.judge_inks(rows)
    (one,), fit = found, fits["black"]
    assert one.kind == "change"
    assert one.exposure == ""
    assert one.share == pytest.approx(0.06, abs=0.02)
    # One term stands for the change: two would trade off.
    assert [window.exposure for window in fit.windows] == ["solid_m2"]
    assert fit.doubt is not None
    bare = replace(fit, shift=None, doubt=None)
    assert (fit.interval() > bare.interval()).all()
    assert (fit.std_error > bare.std_error).all()
    exposure = rows.tail(30)
    sure, unsure = ink.predict_use(bare, exposure), ink.predict_use(fit, exposure)
    assert (unsure["parameter_sd"] > sure["parameter_sd"]).all()
    told = ink.ink_regimes(fits, found, pd.Series({"black": 2.0}))
    assert list(told["measure"]) == ["film weight"] * 2
    assert f"use changed by {100 * one.share:+.1f} %" in told["why"].iloc[1]
    assert "cannot be told" in told["why"].iloc[1]


def test_the_present_is_held_whichever_term_changed() -> None:
    film, idle = [], []
    for seed in range(6):
        _, fits, found = ink.judge_inks(film_change(seed, 8))
        assert any(one.lasting for one in found)
        half = fits["black"].interval()[0]
        film.append(abs(fits["black"].estimate[0] - 1.08 * HABITS.film) <= half)
        _, fits, found = ink.judge_inks(idle_change(seed, 8, 14.0))
        assert any(one.lasting for one in found)
        half = fits["black"].interval()[0]
        idle.append(abs(fits["black"].estimate[0] - HABITS.film) <= half)
        assert half < 0.25
    assert sum(film) >= 5
    assert sum(idle) >= 5


def test_film_weight_is_the_likelier_cause_where_nothing_else_tells() -> None:
    # Lasting changes of film weight are the common ones (common practice, no source).
    assert sum(doubts.KINDS.values()) == pytest.approx(1.0)
    assert doubts.KINDS[("solid_m2",)] > 4 * doubts.KINDS[("days",)] > 4 * doubts.KINDS["solid_m2", "days"]
    fit, _, _ = film_fit()
    per_day = fit.rows["used_kg"].sum() / fit.rows["days"].sum()
    assert doubts.size_scale(fit, "days") == pytest.approx(0.1 * per_day)


def ever_less_printed(rows: pd.DataFrame, film: float) -> pd.DataFrame:
    """Return the same ink with printed areas that fall by half: what is left of a change looks like film weight."""
    share = np.linspace(1.3, 0.7, len(rows))
    extra = film * (share - 1) * rows["solid_m2"] / 1000
    return rows.assign(
        used_kg=rows["used_kg"] + extra,
        solid_m2=rows["solid_m2"] * share,
        solid_squared=rows["solid_squared"] * share**2,
    )


def present_and_bare(ratio: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Return errors of film weight and whether its interval holds the truth, a row each: with and without doubt."""
    habits = Habits(days=420, dip_kg=20.0, missed=0.0)
    off, held, wider = [], [], []
    for seed in range(12):
        rows = ever_less_printed(simulate_ink(np.random.default_rng(seed), habits)[0], habits.film)
        bare = fit_ink("black", lasting_change(rows, 30, ratio, habits)[0])
        assert bare is not None
        both = (doubtful(bare, []), bare)
        off.append([abs(fit.estimate[0] - ratio * habits.film) for fit in both])
        held.append([abs(fit.estimate[0] - ratio * habits.film) <= fit.interval()[0] for fit in both])
        wider.append(both[0].interval()[0] / both[1].interval()[0])
    return np.mean(off, axis=0), np.sum(held, axis=0), float(np.mean(wider))


def test_a_change_too_small_to_be_found_moves_and_widens_the_present() -> None:
    off, held, _ = present_and_bare(1.03)
    # Closer to the truth and wider: ten of twelve hold it, none where it is taken for granted that nothing changed.
    assert off[0] < 0.6 * off[1]
    assert held[0] >= 9
    assert held[1] <= 2


def test_where_nothing_changed_the_present_is_a_little_less_sure() -> None:
    off, held, wider = present_and_bare(1.0)
    assert off[0] < 1.1 * off[1]
    assert held[0] >= 10
    assert 1.2 < wider < 1.7


def test_of_more_places_than_are_looked_at_neighbours_stand_for_each_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fit = fit_ink("black", film_change(1, 40, ratio=1.02), [])
    assert fit is not None
    every = doubtful(fit, [])
    monkeypatch.setattr(doubts, "_PLACES", 180)
    some = doubtful(fit, [])
    assert (np.abs(every.shift - some.shift) <= 0.03 * np.sqrt(np.diag(every.doubt))).all()
    assert np.diag(some.doubt) == pytest.approx(np.diag(every.doubt), rel=0.03)
    assert not np.array_equal(every.doubt, some.doubt)
    places, days = doubts._thinned(np.arange(7), np.arange(7.0))
    assert (list(places), list(days)) == (list(range(7)), list(range(7)))
    monkeypatch.setattr(doubts, "_PLACES", 3)
    places, days = doubts._thinned(np.arange(10, 17), np.arange(1.0, 8.0))
    assert (list(places), list(days)) == ([11, 13, 15], [3.0, 7.0, 18.0])
