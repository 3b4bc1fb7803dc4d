"""From where on shifts, slips, ends, zeros and outlying errors count, and what ridges are worth."""

from __future__ import annotations

import numpy as np
import pytest
from test_forecast_methods import with_december

from pressstats.forecast import members, seasons
from pressstats.forecast.autoregression import difference_forecast, seasonal_difference_forecast
from pressstats.forecast.breaks import level_shifts, settled
from pressstats.forecast.intervals import PROBABILITIES, quantile_factors
from pressstats.forecast.paths import joint_normals
from pressstats.forecast.peaks import peaks
from pressstats.forecast.preparing import ended, prepare
from pressstats.forecast.smoothing import grid_of

#: Steps +1, -1, +1, -1, 0 again and again: median 0, median departure 1, so a robust deviation of 1.4826.
EVEN = np.tile([0.0, 1.0, 0.0, 1.0, 0.0], 12)


def seen(values: np.ndarray) -> np.ndarray:
    return np.ones(values.shape, dtype=bool)


def shifts(values: np.ndarray) -> list[int]:
    """Return at which steps the level of one series shifts."""
    return list(np.flatnonzero(level_shifts(values[None], seen(values[None]))[0]))


# --- ridges --------------------------------------------------------------------------------------


def test_a_steady_rise_goes_on_as_far_as_the_ridges_let_it() -> None:
    # All changes are 1, so n rows of ones with ridge r(j) solve to a sum of weights n s / (1 + n s), s = sum of 1 / r.
    # Monthly: 16 changes, 6 lags, so n = 10 and s = 6 / 10 + 1 / 40 = 0.625.
    rising = np.arange(17.0)[None]
    told = difference_forecast(rising, seen(rising), 12, 1)
    assert told[0, 0] == pytest.approx(16 + 6.25 / 7.25, rel=1e-9)
    # Years of 4 steps: 16 changes since a year ago, lags 1, 2, 4 and 5, so n = 11 and s = 4 / 10 + 1 / 10 = 0.5.
    yearly = np.arange(20.0)[None] / 4
    told = seasonal_difference_forecast(yearly, seen(yearly), 4, 1)
    assert told[0, 0] == pytest.approx(4 + 5.5 / 6.5, rel=1e-9)


# --- shifts and slips ----------------------------------------------------------------------------


def test_size_of_a_shift_is_told_by_eight_steps_on_both_sides() -> None:
    values = EVEN + np.where(np.arange(60) >= 35, 20 + 0.2 * (np.arange(60) - 35), 0.0)
    found = level_shifts(values[None], seen(values[None]))[0]
    assert found[35] == pytest.approx(values[35:43].mean() - values[27:35].mean(), rel=1e-9)


@pytest.mark.parametrize(("step", "found"), [(9.5, [35]), (8.3, [])])
def test_a_shift_is_beyond_six_deviations_of_usual_steps(step: float, found: list[int]) -> None:
    # 6 x 1.4826 = 8.9
    values = EVEN.copy()
    values[35:] += step
    assert shifts(values) == found


@pytest.mark.parametrize(("step", "found"), [(16.0, [35]), (14.0, [])])
def test_a_shift_is_beyond_three_times_the_steps_that_a_tenth_exceed(step: float, found: list[int]) -> None:
    # One step in five is of 5: nine in ten are not beyond 5, and 3 x 5 = 15.
    values = np.tile([0.0, 1.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 5.0, 0.0], 6)
    values[35:] += step
    assert shifts(values) == found


@pytest.mark.parametrize(("back_to", "found"), [(14.29, [35]), (12.0, [])])
def test_seven_tenths_of_a_shift_must_last(back_to: float, found: list[int]) -> None:
    # A step of 20, then seven steps lower: means of (20 + 7 x 14.29) / 8 = 15 and of 13 about 14.
    values = EVEN.copy()
    values[35] += 20
    values[36:] += back_to
    assert shifts(values) == found


@pytest.mark.parametrize(("left", "found"), [(4, [56]), (3, [])])
def test_a_shift_must_last_four_steps(left: int, found: list[int]) -> None:
    values = EVEN.copy()
    values[-left:] += 25
    assert shifts(values) == found


@pytest.mark.parametrize(("steps", "found"), [(25, [15]), (24, [])])
def test_which_steps_are_usual_is_known_from_more_than_twenty_four(steps: int, found: list[int]) -> None:
    values = EVEN[:steps].copy()
    values[15:] += 25
    assert shifts(values) == found


@pytest.mark.parametrize(("odd", "becomes"), [(4.0, 2 * 0.7413), (3.4, 3.4)])
def test_a_slip_is_beyond_five_deviations_of_usual_departures(odd: float, becomes: float) -> None:
    # Departures from the middle of both neighbours: -1/2, 1, -1, 1, -1/2; their median is -1/2, the median distance
    # from it 1/2, the robust deviation 0.7413 and five of them 3.71. A slip is drawn back to two of them.
    values = EVEN.copy()
    values[31] = odd
    assert settled(values[None], seen(values[None]))[0, 31] == pytest.approx(becomes, abs=1e-3)


# --- zeros and ends ------------------------------------------------------------------------------


def test_three_zeros_in_ten_make_a_series_intermittent() -> None:
    some = np.tile([4.0, 5.0], (2, 10))
    some[0, [0, 3, 6, 9, 12, 15]] = 0.0  # 6 of 20
    some[1, [0, 3, 6, 9, 12]] = 0.0  # 5 of 20
    assert list(prepare(some).intermittent) == [True, False]


@pytest.mark.parametrize(
    ("every", "quiet", "over"), [(1, 8, True), (1, 7, False), (3, 13, True), (3, 12, False)]
)
def test_a_series_has_ended_after_eight_steps_and_four_usual_gaps(every: int, quiet: int, over: bool) -> None:
    values = np.concatenate([np.tile([0.0] * (every - 1) + [5.0], 10), np.zeros(quiet)])[None]
    assert ended(values, seen(values)) == [over]


@pytest.mark.parametrize(("steps", "block"), [(24, 12), (23, 3), (6, 3), (5, 2)])
def test_sums_over_years_need_two_of_them(steps: int, block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    taken = []
    real = members.aggregate

    def noted(values: np.ndarray, known: np.ndarray, size: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        taken.append(size)
        return real(values, known, size)

    monkeypatch.setattr(members, "aggregate", noted)
    history = 50 + np.random.default_rng(1).normal(0, 1, (1, steps))
    members._aggregated(prepare(history), 12, grid_of((0.5,), ((0.1, 0.9),)), 12)
    assert taken == [block]


# --- seasons -------------------------------------------------------------------------------------


def test_harmonics_and_peaks_are_told_apart_in_two_turns() -> None:
    # Peaks of about 12 on a wave of 20: what one turn takes for the wave moves what the next takes for peaks.
    period, weeks = 365.25 / 7, np.arange(120)
    values = with_december(3, 120, 1, 12.0) + 20 * np.sin(2 * np.pi * (weeks + 1) / period)
    known, together = seen(values), np.zeros(3)
    narrow = np.zeros((3, 140))
    for _ in range(2):
        wave, trend, _ = seasons._harmonic_season(values - narrow[:, :120], known, period, 20)
        narrow, *_ = peaks(values - wave[:, :120] - trend, known, period, 20, together)
    told = seasons.harmonics(values, known, period, 20, together).terms
    np.testing.assert_allclose(told, (wave + narrow)[:, 120:], rtol=1e-9)


# --- errors --------------------------------------------------------------------------------------


def test_errors_beyond_four_times_their_size_rule_no_path() -> None:
    scores = np.random.default_rng(1).uniform(-1, 1, (6, 3, 4))
    paths = {}
    for odd in (3.5, 4.0, 40.0):
        scores[2, 1, 1] = odd
        paths[odd] = joint_normals(scores, 6.0, 5, np.random.default_rng(2))
    np.testing.assert_allclose(paths[40.0], paths[4.0], rtol=1e-12)
    assert np.abs(paths[3.5] - paths[4.0]).max() > 1e-3


def test_quantiles_are_held_out_to_one_in_two_hundred() -> None:
    shape = np.arange(float(len(PROBABILITIES)))[None]
    ends = quantile_factors(shape, np.array([0.005, 0.01, 0.5, 0.99, 0.995]))[:, 0]
    np.testing.assert_allclose(ends, [0, 1, 10, 19, 20], atol=1e-9)
