"""Forecast methods against loops and another library; no origin knows what came later; honest intervals."""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pandas as pd
import pytest
from statsmodels.tsa.exponential_smoothing.ets import ETSModel

from pressstats.forecast.simple import (
    CHOICE,
    HORIZON,
    METHODS,
    YEAR,
    Backtest,
    backtest,
    errors_at,
    errors_of_blocks,
    forecast_weeks,
    mask_known,
)

NAIVE, DAMPED = 0, 1
LEVELS = np.array([0.05, 0.5, 0.95])


def history_of(values: np.ndarray, names: list[str] | None = None) -> pd.DataFrame:
    values = np.atleast_2d(values)
    weeks = pd.date_range("2022-01-03", periods=values.shape[1], freq="7D", unit="us")
    return pd.DataFrame(values.T, index=weeks, columns=names or [f"m{n}" for n in range(len(values))])


def noisy(series: int, weeks: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    season = 100 * np.sin(2 * np.pi * np.arange(weeks) / 52.18)
    return (
        1000
        + season
        + rng.normal(0, 60, (series, weeks)).cumsum(axis=1) * 0.2
        + rng.normal(0, 60, (series, weeks))
    )


# --- methods -----------------------------------------------------------------------------------


def test_seasonal_naive_is_what_a_loop_takes() -> None:
    values = noisy(1, 120, 1)[0]
    test = backtest(history_of(values))
    assert METHODS[NAIVE] == "seasonal naive"
    assert list(test.origins) == list(range(60, 121))
    for row, origin in enumerate(test.origins):
        for ahead in range(HORIZON):
            week = origin + ahead
            while week >= origin:
                week -= YEAR
            assert test.forecasts[NAIVE, 0, row, ahead] == values[week]


def test_without_a_year_the_naive_forecast_is_the_mean_of_thirteen_weeks() -> None:
    values = noisy(1, 45, 2)[0]
    test = backtest(history_of(values))
    for row, origin in enumerate(test.origins):
        np.testing.assert_allclose(
            test.forecasts[NAIVE, 0, row], values[origin - 13 : origin].mean(), rtol=1e-12
        )


def test_damped_trend_is_the_forecast_of_another_library() -> None:
    # ETSModel(y / mean |y|, error="add", trend="add", damped_trend=True).fit().forecast(58) of statsmodels.
    values = noisy(1, 110, 3)[0]
    test = backtest(history_of(values))
    unit = np.abs(values).mean()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = ETSModel(values / unit, error="add", trend="add", damped_trend=True).fit(disp=False)
    expected = np.maximum(fitted.forecast(HORIZON) * unit, 0.0)
    np.testing.assert_allclose(test.forecasts[DAMPED, 0, -1], expected, rtol=1e-8)
    # A past origin: parameters of the weeks before the first origin, filtered on.
    first, origin = int(test.origins[0]), int(test.origins[7])
    unit = np.abs(values[:first]).mean()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = ETSModel(values[:first] / unit, error="add", trend="add", damped_trend=True).fit(disp=False)
        later = ETSModel(values[:origin] / unit, error="add", trend="add", damped_trend=True).smooth(
            fitted.params
        )
    expected = np.maximum(later.forecast(HORIZON) * unit, 0.0)
    np.testing.assert_allclose(test.forecasts[DAMPED, 0, 7], expected, rtol=1e-8)


def test_a_constant_or_short_history_is_forecast_at_its_mean() -> None:
    for weeks in (1, 5, 30, 80):
        test = backtest(history_of(np.full(weeks, 7.0)))
        assert test.forecasts.shape == (2, 1, len(test.origins), HORIZON)
        np.testing.assert_allclose(test.forecasts, 7.0, rtol=1e-12)
        assert list(test.chosen(test.errors(), weeks)) == [NAIVE]


def test_a_forecast_of_use_is_never_negative() -> None:
    falling = np.linspace(500, 5, 80) + np.random.default_rng(4).normal(0, 1, 80)
    assert (backtest(history_of(falling)).forecasts >= 0).all()


# --- no leak -----------------------------------------------------------------------------------


def gapped(kind: str) -> np.ndarray:
    values = noisy(2, 130, 5)
    if kind == "gap within":
        values[0, 80:96] = np.nan
    elif kind == "late begin":
        values[0, :90] = np.nan
    elif kind == "gap at the end":
        values[0, 120:] = np.nan
    return values


@cache
def backtest_of(kind: str) -> Backtest:
    return backtest(history_of(gapped(kind)))


# Within the gap, and after it; within the late begin, and after it; before the gap at the end.
@pytest.mark.parametrize(
    ("kind", "seen"),
    [
        *[("whole", 88), ("gap within", 88), ("gap within", 105)],
        *[("late begin", 70), ("late begin", 105), ("gap at the end", 110)],
    ],
)
def test_no_origin_changes_when_later_values_do(kind: str, seen: int) -> None:
    values = gapped(kind)
    altered = values.copy()
    altered[:, seen:] = np.random.default_rng(6).uniform(0, 5000, altered[:, seen:].shape)
    one, two = backtest_of(kind), backtest(history_of(altered))
    known = one.origins <= seen
    np.testing.assert_array_equal(one.forecasts[:, :, known], two.forecasts[:, :, known])
    np.testing.assert_array_equal(one.scale[:, known], two.scale[:, known])
    errors = [test.errors() for test in (one, two)]
    np.testing.assert_array_equal(
        *[mask_known(error, test.origins, seen) for error, test in zip(errors, (one, two), strict=True)]
    )
    chosen = [test.chosen(error, seen) for test, error in zip((one, two), errors, strict=True)]
    np.testing.assert_array_equal(*chosen)
    spread = [
        errors_at(error, chosen[0], test, seen, LEVELS, CHOICE)
        for error, test in zip(errors, (one, two), strict=True)
    ]
    np.testing.assert_array_equal(*spread)


def test_an_origin_that_has_seen_nothing_has_no_forecast() -> None:
    test = backtest_of("late begin")
    unseen = test.origins <= 90
    assert np.isnan(test.forecasts[:, 0, unseen]).all()
    assert np.isfinite(test.forecasts[:, 0, ~unseen]).all() and np.isfinite(test.forecasts[:, 1]).all()


# --- errors and choice -------------------------------------------------------------------------


def test_errors_are_what_a_loop_finds() -> None:
    values = noisy(2, 90, 7)
    values[1, 60:63] = np.nan
    test = backtest(history_of(values))
    errors = test.errors()
    for series in range(2):
        for row, origin in enumerate(test.origins):
            seen = values[series, :origin]
            gaps = [abs(seen[t] - seen[t - YEAR]) for t in range(YEAR, origin)]
            gaps = [gap for gap in gaps if np.isfinite(gap)]
            if len(gaps) < 13:
                gaps = [abs(seen[t] - seen[t - 1]) for t in range(1, origin)]
            scale = np.nanmean(gaps)
            assert test.scale[series, row] == pytest.approx(scale)
            for ahead in range(HORIZON):
                week = origin + ahead
                came = values[series, week] if week < 90 else np.nan
                for method in range(2):
                    error = (came - test.forecasts[method, series, row, ahead]) / scale
                    assert errors[method, series, row, ahead] == pytest.approx(error, nan_ok=True)


def stand_in(errors: np.ndarray) -> Backtest:
    """A backtest of one series with given errors, shape (methods, origins, HORIZON)."""
    origins = np.arange(30, 30 + errors.shape[1])
    n = int(origins[-1])
    weeks = pd.date_range("2022-01-03", periods=n, freq="7D")
    blank = np.full((len(METHODS), 1, len(origins), HORIZON), np.nan)
    ones = np.ones((1, n))
    return Backtest(weeks, ["m"], ones, ones, origins, blank, np.ones((1, len(origins))))


def test_naive_wins_ties_and_where_nothing_is_known() -> None:
    same = np.full((2, 1, 20, HORIZON), 0.5)
    test = stand_in(same[:, 0])
    assert list(test.chosen(same, 50)) == [NAIVE]
    better = same.copy()
    better[DAMPED] = 0.4
    assert list(test.chosen(better, 50)) == [DAMPED]
    assert list(test.chosen(better, 30)) == [NAIVE]  # nothing had come by then
    assert list(test.chosen(np.full_like(same, np.nan), 50)) == [NAIVE]
    # Only the first thirteen weeks ahead count.
    far = same.copy()
    far[DAMPED, ..., CHOICE:] = 0.0
    assert list(test.chosen(far, 50)) == [NAIVE]


def test_the_better_method_is_chosen_where_it_is_known_to_be_better() -> None:
    rng = np.random.default_rng(9)
    seasonal = 1000 + 400 * np.sin(2 * np.pi * np.arange(160) / 52) + rng.normal(0, 20, 160)
    flat = 1000 + rng.normal(0, 100, 160)
    test = backtest(history_of(np.stack([seasonal, flat])))
    assert list(test.chosen(test.errors(), 160)) == [NAIVE, DAMPED]
    np.testing.assert_array_equal(
        forecast_weeks(test, np.array([NAIVE, DAMPED])),
        np.stack([test.forecasts[NAIVE, 0, -1], test.forecasts[DAMPED, 1, -1]]),
    )


def test_too_few_errors_give_no_quantile() -> None:
    test = backtest(history_of(noisy(1, 30, 10)))
    errors = test.errors()
    assert np.isnan(errors_at(errors, np.array([NAIVE]), test, 30, LEVELS, 13)).all()
    assert np.isnan(errors_of_blocks(errors, np.array([NAIVE]), LEVELS)).all()


# --- intervals ---------------------------------------------------------------------------------


def test_ninety_per_cent_intervals_hold_nine_of_ten() -> None:
    # 18 independent stationary series of 104 weeks; the next 13 weeks are held out. Errors of one series lean on
    # each other, so the standard error of the share is taken over series.
    rng = np.random.default_rng(12)
    series, seen = 18, 104
    noise = rng.normal(0, 80, (series, seen + CHOICE))
    for week in range(1, noise.shape[1]):
        noise[:, week] += 0.4 * noise[:, week - 1]
    values = 1000 + noise
    held = []
    for number in range(0, series, 6):
        test = backtest(history_of(values[number : number + 6, :seen]))
        errors = test.errors()
        chosen = test.chosen(errors, seen)
        spread = errors_at(errors, chosen, test, seen, LEVELS, CHOICE)
        point = forecast_weeks(test, chosen)[:, :CHOICE]
        unit = test.scale[:, -1:]
        came = values[number : number + 6, seen:]
        held.append((point + unit * spread[..., 1] <= came) & (came <= point + unit * spread[..., 3]))
        # Quantiles are in order.
        assert (np.diff(spread[..., 1:], axis=-1) >= 0).all()
    shares = np.concatenate(held).mean(axis=1)
    assert abs(shares.mean() - 0.90) < max(4 * shares.std() / np.sqrt(series), 0.02)


def test_blocks_are_means_of_whole_blocks() -> None:
    test = backtest(history_of(noisy(2, 130, 13)))
    errors = test.errors()
    chosen = np.array([NAIVE, DAMPED])
    blocks = errors_of_blocks(errors, chosen, LEVELS)
    for number in (0, 3, 7):
        means = []
        for series, method in enumerate(chosen):
            for row, origin in enumerate(test.origins):
                if origin + 4 * (number + 1) <= 130:
                    means.append(errors[method, series, row, 4 * number : 4 * number + 4].mean())
        assert blocks[number, 0] == pytest.approx(np.mean(means))
        quantiles = np.quantile(means, LEVELS, method="median_unbiased")
        np.testing.assert_allclose(blocks[number, 1:], quantiles, rtol=1e-12)


def test_distant_blocks_are_widened_with_the_root_of_the_distance() -> None:
    # 84 weeks and 42 origins before today: 2 series x (42 - 4 (k + 1) + 1) means of block k, 20 or more to k = 7.
    test = backtest(history_of(noisy(2, 84, 14)))
    blocks = errors_of_blocks(test.errors(), np.array([NAIVE, NAIVE]), LEVELS)
    for number in (8, 10, 13):
        np.testing.assert_allclose(blocks[number], blocks[7] * np.sqrt((number + 1) / 8), rtol=1e-12)
    assert not np.allclose(blocks[7], blocks[6] * np.sqrt(8 / 7))
