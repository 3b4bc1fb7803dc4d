"""How good is a forecast? Scaled and percentage errors, scores of intervals and quantiles.

Actual values and forecasts have the horizon as their last axis and may carry any axes of series before it.
A value that is not known is blank (NaN) and counts in no mean.

Sources: Hyndman & Koehler (2006), *International Journal of Forecasting* 22:679 (scaled errors); Gneiting &
Raftery (2007), *Journal of the American Statistical Association* 102:359 (interval and quantile scores);
Makridakis, Spiliotis & Assimakopoulos (2020), *International Journal of Forecasting* 36:54 (MSIS, OWA).
"""

from __future__ import annotations

import warnings

import numpy as np

__all__ = ["coverage", "mape", "mase", "msis", "naive_scale", "owa", "pinball", "smape"]


def naive_scale(history: np.ndarray, period: int = 1) -> np.ndarray:
    """Return the mean absolute seasonal difference within a history."""
    history = np.asarray(history, dtype=float)
    return _mean(np.abs(history[..., period:] - history[..., :-period]))


def mase(actual: np.ndarray, forecast: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return the mean absolute scaled error."""
    return _mean(np.abs(np.asarray(actual) - forecast)) / scale


def smape(actual: np.ndarray, forecast: np.ndarray) -> np.ndarray:
    """Return the symmetric mean absolute percentage error, of 0 to 200 [%], shape (...).

    A step whose actual value and forecast are both zero counts as no error.
    """
    actual, forecast = np.asarray(actual, dtype=float), np.asarray(forecast, dtype=float)
    size = np.abs(actual) + np.abs(forecast)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(size == 0, 0.0, np.abs(actual - forecast) / size)
    return 200.0 * _mean(ratio)


def mape(actual: np.ndarray, forecast: np.ndarray) -> np.ndarray:
    """Return the mean absolute percentage error [%], shape (...); steps whose actual value is zero are left out."""
    actual = np.asarray(actual, dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(actual == 0, np.nan, np.abs((actual - forecast) / actual))
    return 100.0 * _mean(ratio)


def msis(
    actual: np.ndarray, low: np.ndarray, high: np.ndarray, scale: np.ndarray, level: float = 0.95
) -> np.ndarray:
    """Return the mean scaled interval score."""
    actual = np.asarray(actual, dtype=float)
    outside = np.maximum(low - actual, 0.0) + np.maximum(actual - high, 0.0)
    return _mean(high - low + 2.0 / (1.0 - level) * outside) / scale


def coverage(actual: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the share of known actual values within the limits, limits included [1], shape (...)."""
    actual = np.asarray(actual, dtype=float)
    return _mean(np.where(np.isnan(actual), np.nan, (low <= actual) & (actual <= high)))


def pinball(actual: np.ndarray, quantile: np.ndarray, probability: float) -> np.ndarray:
    """Return the mean quantile score of one quantile forecast."""
    excess = np.asarray(actual, dtype=float) - quantile
    return _mean(np.maximum(probability * excess, (probability - 1.0) * excess))


def owa(smape_own: float, mase_own: float, smape_naive: float, mase_naive: float) -> float:
    """Return the overall weighted average: mean of the two errors relative to those of the naive method [1]."""
    return 0.5 * (smape_own / smape_naive + mase_own / mase_naive)


def _mean(values: np.ndarray) -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # nothing known: blank
        return np.asarray(np.nanmean(values, axis=-1))
