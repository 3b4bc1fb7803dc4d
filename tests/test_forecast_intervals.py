"""Sizes, factors and shapes of errors, weights of methods: each against a loop or an equation written out by hand.

The numbers stand here again, so that none of them moves unnoticed. Evidence for them: ``tests/bench``.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from pressstats.forecast import MEMBERS, Forecast, Judgement, calibrated, intervals, mean_kept
from pressstats.forecast.calibrating import own_factor
from pressstats.forecast.combining import member_weights
from pressstats.forecast.intervals import PROBABILITIES, error_shape, regress_sizes
from pressstats.forecast.paths import joint_normals
from pressstats.forecast.rolling import Rolled

ORIGINS = np.array([40, 44, 52, 60])


def scores_of(seed: int, series: int = 5, horizon: int = 8) -> np.ndarray:
    """Scaled errors of four origins, the last of which has none yet; each series has a size of its own."""
    rng = np.random.default_rng(seed)
    scores = rng.normal(0, 1, (4, series, horizon)) * rng.uniform(0.5, 3.0, series)[:, None]
    scores[2, :, 5:] = np.nan
    scores[3] = np.nan
    return scores


# --- a series' own factor ------------------------------------------------------------------------


def loop_factor(scores: np.ndarray, left_out: int | None) -> list[float]:
    """Mean absolute error of each series, each origin by the share of its steps that are new, drawn to 1."""
    fresh = [4 / 8, 8 / 8, 8 / 8, 1.0]
    result = []
    for series in range(scores.shape[1]):
        total, weight = 16.0, 16.0
        for origin, share in enumerate(fresh):
            known = [min(abs(one), 6.0) for one in scores[origin, series] if not math.isnan(one)]
            if known and origin != left_out:
                total += 2.0 * share * sum(known) / len(known)
                weight += 2.0 * share
        result.append(total / weight)
    return result


def test_a_series_own_factor_is_what_a_loop_finds():
    scores = scores_of(1)
    scores[0, 0, 0] = 40.0
    factor, without = own_factor(scores, ORIGINS)
    np.testing.assert_allclose(factor, loop_factor(scores, None), rtol=1e-12)
    for origin in range(3):
        np.testing.assert_allclose(without[origin], loop_factor(scores, origin), rtol=1e-12)


def test_a_series_without_errors_is_less_sure_than_others():
    scores = scores_of(2)
    scores[:, 1] = np.nan
    assert own_factor(scores, ORIGINS)[0][1] == 1.15


# --- size of errors ------------------------------------------------------------------------------


def test_sizes_solve_the_equation_of_a_gamma_regression_with_a_prior():
    rng = np.random.default_rng(3)
    features = np.stack([np.ones(200), rng.normal(0, 1, 200), rng.normal(0, 0.05, 200)], axis=1)
    sizes = np.exp(features @ [0.3, 0.5, 0.0]) * rng.gamma(2, 0.5, 200)
    sizes[:3] *= 50
    prior = np.array([-0.2, 0.1, 0.4])
    found = regress_sizes(features, sizes, prior, 50.0)
    over = np.minimum(sizes / np.exp(features @ found), 6.0) - 1.0
    # Each coefficient is drawn to its prior as by 50 errors of its mean square, of 0.05 at least.
    pull = 50.0 * np.maximum((features**2).mean(axis=0), 0.05) * (found - prior)
    np.testing.assert_allclose(features.T @ over, pull, atol=1e-4)
    np.testing.assert_array_equal(regress_sizes(features[:0], sizes[:0], prior, 50.0), prior)


def rolled_without_errors(number: float, strength: float = 4.0) -> Rolled:
    """One origin, two series, three steps: what its size rests on is the prior alone."""
    shape = (1, 2, 3)
    forecasts = np.full((len(MEMBERS), *shape), np.nan)
    forecasts[0], forecasts[1] = 100.0, 104.0
    return Rolled(
        np.full((2, 60), 100.0),
        np.array([60]),
        forecasts,
        np.full(shape, 3.0),
        np.full((1, 2), 5.0),
        np.full((1, 2), number),
        np.full((1, 2), 1.4),
        np.full(shape, strength),
    )


@pytest.mark.parametrize("number", [4.0, 60.0])
def test_without_any_past_error_sizes_are_the_prior_ones(number):
    told = intervals.judge(intervals.combined(rolled_without_errors(number), 0, np.array([], dtype=int), 52))
    # The naive error is drawn by two values to the usual one, here 0.1 of the level.
    naive = (number * 5.0 + 2.0 * 10.0) / (number + 2.0)
    share = (number - 3.0) / (number - 3.0 + 3.0)
    for step in range(3):
        log = -0.06 + 0.19 * math.log(step + 1) + 0.64 * share * math.log(3.0 / naive)
        log += 0.09 * (share * math.log(2.0 / naive) - (1 - share) * 1.5)
        log += 0.27 * math.log(1.4) + 0.15 * math.log(4.0)
        assert told.size[0, step] == pytest.approx(naive * math.exp(log), rel=1e-9)


def test_forecasts_of_others_start_from_their_own_prior():
    told = calibrated(np.zeros((2, 20)), np.full((0, 2, 20), np.nan), np.array([], dtype=int), np.ones(2))
    for step in (1, 10, 20):
        expected = 1.15 * math.exp(-0.45 + 0.15 * math.log(step))
        assert told.size[0, step - 1] == pytest.approx(expected, rel=1e-9)
    errors = np.random.default_rng(4).normal(0, 3, (4, 2, 20))
    few, many = (
        calibrated(np.zeros((2, 20)), errors[:n], np.arange(n) * 20, np.ones(2)).size.mean() for n in (1, 4)
    )
    # Mean absolute error 2.4; the prior of about 0.8 counts 30 errors.
    assert 1.2 < few < many < 2.4


def test_sizes_of_others_are_a_regression_on_the_horizon_that_bends_after_ten_steps():
    rng = np.random.default_rng(6)
    # Errors are much larger beyond ten steps, so that the bend tells.
    errors = rng.normal(0, 1, (4, 1, 20)) * np.where(np.arange(1, 21) > 10, 8.0, 1.0)
    told = calibrated(np.zeros((1, 20)), errors, np.arange(4) * 20, np.ones(1)).size[0]
    ahead = np.arange(1.0, 21.0)
    features = np.stack([np.ones(20), np.log(ahead), np.log(np.maximum(ahead / 10.0, 1.0))], axis=1)
    found = regress_sizes(
        np.tile(features, (4, 1)), np.abs(errors).reshape(-1), np.array([-0.45, 0.15, 0.0]), 30.0
    )
    # The series' own factor is the same at every horizon.
    size = np.exp(features @ found)
    np.testing.assert_allclose(told / told[0], size / size[0], rtol=1e-9)


# --- shape of errors -----------------------------------------------------------------------------


def test_shapes_are_quantiles_half_symmetric_and_drawn_to_the_usual_ones():
    scores = np.random.default_rng(5).gamma(2, 1, (3, 30, 8)) - 2
    found = error_shape(scores, np.array([0, 8, 16]))
    usual = {0.0: 0.0, 0.8: 1.55, 0.95: 2.75, 0.98: 3.7}
    for ahead, places in ((0, slice(0, 2)), (7, slice(5, 8))):
        values = scores[:, :, places].ravel()
        # Steps of one series and origin are one error; three origins do not overlap.
        share = 90 / (90 + 30.0)
        for level in (0.1, 0.9, 0.975, 0.99):
            even = np.quantile(np.abs(values), abs(2 * level - 1), method="median_unbiased")
            signed = np.quantile(values, level, method="median_unbiased")
            own = 0.5 * signed + 0.5 * math.copysign(even, level - 0.5)
            prior = math.copysign(usual[round(abs(2 * level - 1), 3)], level - 0.5)
            place = int(np.argmin(np.abs(PROBABILITIES - level)))
            assert found[ahead, place] == pytest.approx(share * own + (1 - share) * prior, rel=1e-9)


def test_the_usual_shape_is_the_one_of_m1():
    shape = error_shape(np.full((1, 2, 3), np.nan), np.array([5]))
    told = dict(zip(np.round(PROBABILITIES, 3), shape[0], strict=True))
    expected = {0.6: 0.28, 0.7: 0.59, 0.75: 0.76, 0.8: 0.95, 0.85: 1.19, 0.9: 1.55, 0.95: 2.15, 0.975: 2.75}
    for level, value in expected.items():
        assert told[level] == pytest.approx(value)
        assert told[round(1 - level, 3)] == pytest.approx(-value)
    assert told[0.99] == pytest.approx(3.7)
    assert told[0.995] == pytest.approx(4.52)


# --- weights of methods --------------------------------------------------------------------------


def test_weights_are_inverse_to_errors_drawn_to_those_of_all_series():
    errors = np.full((len(MEMBERS), 2), np.nan)
    errors[0], errors[1], errors[2] = [1.0, 4.0], [3.0, 4.0], [2.0, 4.0]
    speaks = np.isfinite(errors)
    speaks[3] = True  # has no error yet: counts as all series say, of which nothing is known
    told = member_weights(errors, speaks)
    relative = {0: (0.5, 1.0), 1: (1.5, 1.0), 2: (1.0, 1.0)}
    for series in range(2):
        load = {}
        for method, both in relative.items():
            pooled = sum(both) / 2
            load[method] = 1 / ((both[series] + 0.5 * pooled) / 1.5)
        load[3] = 1.0
        for method, weight in load.items():
            assert told[method, series] == pytest.approx(weight / sum(load.values()), rel=1e-12)
    never_wrong = np.full((len(MEMBERS), 1), np.nan)
    never_wrong[0], never_wrong[1] = 0.0, 1.0
    assert member_weights(never_wrong, np.isfinite(never_wrong))[1, 0] == pytest.approx(0.5 / (0.5 + 50))


# --- joint paths ---------------------------------------------------------------------------------


def test_what_few_origins_tell_of_correlation_is_drawn_to_the_mean_one():
    # One error vector worth one: it makes a third of the variance, so correlations are a third of it and the mean's.
    rng = np.random.default_rng(6)
    scores = np.array([[[1.0], [1.0], [-1.0]]])
    drawn = joint_normals(scores, 1.0, 60000, rng)[:, :, 0]
    found = np.corrcoef(drawn.T)
    # The mean correlation of the three pairs is below 0, so noise is apart.
    assert found[0, 1] == pytest.approx(1 / 3, abs=0.02)
    assert found[0, 2] == pytest.approx(-1 / 3, abs=0.02)
    alike = joint_normals(np.ones((1, 3, 1)), 1.0, 60000, rng)[:, :, 0]
    # All alike: a correlation of .95 at most, worth 3 of 3 + 8, in the two thirds of noise.
    assert np.corrcoef(alike.T)[0, 1] == pytest.approx(1 / 3 + 2 / 3 * 0.95 * 3 / 11, abs=0.02)


def test_a_cut_at_nothing_leaves_the_mean_where_it_was() -> None:
    shape = np.repeat(np.interp(PROBABILITIES, [0, 0.5, 1], [-2.0, 0.0, 2.0])[None], 2, axis=0)
    point, size = (
        np.array([[100.0, 10.0], [3.0, 0.0], [-2.0, 5.0]]),
        np.array([[5.0, 10.0], [40.0, 6.0], [1.0, 1.0]]),
    )
    judged = Judgement(point, size, shape, np.zeros((0, 3)), np.zeros((0, 3, 2)), 0.0)
    names = pd.Index(["sure", "lumpy", "nothing"])

    def mean(one: Judgement, floor: float) -> np.ndarray:
        return Forecast(pd.RangeIndex(2), names, one, floor).mean.to_numpy().T

    kept = mean_kept(judged, 0.0)
    np.testing.assert_allclose(
        mean(kept, 0.0), [[100.0, 10.0], [3.0, 0.0], [0.0, mean(judged, -np.inf)[2, 1]]], atol=1e-9
    )
    assert mean(judged, 0.0)[1, 0] > 4 * 3.0  # as it was: four times what is expected
    # What no cut touches stays to the digit; an interval keeps its size.
    assert kept.point[0, 0] == point[0, 0]
    assert kept.size is size
