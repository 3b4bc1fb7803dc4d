"""What weekly series will do next: two simple methods, a rolling origin to choose, calibrated intervals.

Every series is forecast by the seasonal naive method (the same week last year) and by one exponential
smoothing model with a damped trend. Both are tried at every past week of the second half of the
history (a rolling origin); the smoothing model is published only where it was better than the naive
one, and intervals are the quantiles of those past errors, never of the fit.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = [
    "CHOICE",
    "HORIZON",
    "METHODS",
    "YEAR",
    "Backtest",
    "backtest",
    "errors_at",
    "errors_of_blocks",
    "forecast_weeks",
    "mask_known",
]

YEAR = 52
#: Weeks ahead: the broken week and month, then twelve months.
HORIZON = 58
#: Horizons on which methods are compared.
CHOICE = 13
METHODS = ("seasonal naive", "damped trend")
#: Fewer weeks than this are too few for a trend.
_WEEKS_MINIMUM = 26
#: Errors needed before a quantile is taken from a series' own past alone.
_OWN_ERRORS = 60
#: Errors needed for any quantile at all.
_ANY_ERRORS = 20


@dataclass(frozen=True)
class Backtest:
    """Forecasts of every method from every past origin, beside what came.

    Attributes
    ----------
    weeks : DatetimeIndex, shape (n,)
        First days of the weeks of the history.
    names : list of str, length series
        The series.
    actual : ndarray, shape (series, n)
        History; blank where unknown.
    filled : ndarray, shape (series, n)
        History with gaps filled by the last value before them, as the methods see it: a bridge to the
        next value would tell an origin within the gap what came later.
    origins : ndarray of int, shape (origins,)
        An origin o has seen the first o weeks; the last one, n, is today's.
    forecasts : ndarray, shape (methods, series, origins, HORIZON)
        Forecast of week o + h, h from 0; blank from origins that have seen no value yet.
    scale : ndarray, shape (series, origins)
        Mean absolute difference to a year earlier in what the origin had seen (to the week
        before where there is no year yet): the unit of errors.
    """

    weeks: pd.DatetimeIndex
    names: list[str]
    actual: np.ndarray
    filled: np.ndarray
    origins: np.ndarray
    forecasts: np.ndarray
    scale: np.ndarray

    def errors(self) -> np.ndarray:
        """Return actual minus forecast over scale, shape (methods, series, origins, HORIZON)."""
        target = self.origins[:, None] + np.arange(HORIZON)[None, :]
        n = self.actual.shape[1]
        came = np.where(target < n, self.actual[:, np.minimum(target, n - 1)], np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            scaled = (came[None] - self.forecasts) / self.scale[None, :, :, None]
        return np.where(np.isfinite(scaled), scaled, np.nan)

    def chosen(self, errors: np.ndarray, origin: int) -> np.ndarray:
        """Return the method chosen for each series from errors known at `origin` weeks.

        Parameters
        ----------
        errors : ndarray
            Result of :meth:`errors`.
        origin : int
            Weeks seen; an error counts only if its week had passed by then.

        Returns
        -------
        ndarray of int, shape (series,)
            Index into ``METHODS``: the naive one unless another has a smaller mean absolute error.
        """
        known = mask_known(errors, self.origins, origin)[..., :CHOICE]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # series without any error yet
            mean = np.nanmean(np.abs(known), axis=(2, 3))
        return np.argmin(np.where(np.isnan(mean), np.inf, mean), axis=0)


def mask_known(errors: np.ndarray, origins: np.ndarray, origin: int) -> np.ndarray:
    """Return `errors` with those blank whose week had not passed when `origin` weeks were seen."""
    known = origins[:, None] + np.arange(HORIZON)[None, :] < origin
    return np.where(known, errors, np.nan)


def backtest(history: pd.DataFrame) -> Backtest:
    """Forecast each series from every week of the second half of its history, and from its end.

    Parameters
    ----------
    history : DataFrame, shape (weeks, series)
        Weekly values on a complete weekly index; blank where unknown.

    Returns
    -------
    Backtest
        Forecasts from all origins. Parameters of the smoothing model come from the weeks before the
        first origin for all past origins, and from the whole history for the last.
    """
    n = len(history)
    first = max(min(n, _WEEKS_MINIMUM), n // 2)
    origins = np.arange(first, n + 1)
    actual = history.to_numpy(dtype=float).T
    filled = _filled(history).to_numpy(dtype=float).T
    forecasts = np.stack(
        [
            np.stack([_naive_from(series, origins) for series in filled]),
            np.stack([_damped_from(series, origins, first) for series in filled]),
        ]
    )
    unseen = np.stack([~np.isfinite(actual[:, :origin]).any(axis=1) for origin in origins], axis=1)
    forecasts[:, unseen] = np.nan
    scale = np.stack([[_scale(series[:origin]) for origin in origins] for series in actual])
    return Backtest(
        pd.DatetimeIndex(history.index),
        list(map(str, history.columns)),
        actual,
        filled,
        origins,
        np.maximum(forecasts, 0.0),
        scale,
    )


def errors_at(
    errors: np.ndarray, chosen: np.ndarray, test: Backtest, origin: int, levels: np.ndarray, horizon: int
) -> np.ndarray:
    """Return mean and quantiles of the scaled errors of the chosen methods, known at `origin` weeks.

    Parameters
    ----------
    errors : ndarray, shape (methods, series, origins, HORIZON)
        Scaled errors.
    chosen : ndarray of int, shape (series,)
        Chosen method of each series.
    test : Backtest
        Where the errors come from.
    origin : int
        Weeks seen.
    levels : ndarray, shape (levels,)
        Probabilities.
    horizon : int
        Weeks ahead that are wanted, from 1.

    Returns
    -------
    ndarray, shape (series, horizon, 1 + levels)
        Mean and quantiles in units of the scale, from a series' own errors where it has 60 at
        about that horizon, else from those of all series; blank where even those are fewer than 20.
    """
    known = mask_known(errors, test.origins, origin)
    mine = known[chosen, np.arange(len(chosen))]  # series, origins, HORIZON
    result = np.full((len(chosen), horizon, 1 + len(levels)), np.nan)
    for ahead in range(horizon):
        low, high = _neighbours(ahead)
        window = mine[:, :, low:high]
        pooled = window[np.isfinite(window)]
        for series in range(len(chosen)):
            own = window[series][np.isfinite(window[series])]
            values = own if len(own) >= _OWN_ERRORS else pooled
            if len(values) >= _ANY_ERRORS:
                result[series, ahead] = _summary(values, levels)
    return result


def errors_of_blocks(
    errors: np.ndarray, chosen: np.ndarray, levels: np.ndarray, block: int = 4
) -> np.ndarray:
    """Return mean and quantiles of the mean scaled error over blocks of weeks, for totals of months.

    Parameters
    ----------
    errors : ndarray, shape (methods, series, origins, HORIZON)
        Scaled errors.
    chosen : ndarray of int, shape (series,)
        Chosen method of each series.
    levels : ndarray, shape (levels,)
        Probabilities.
    block : int
        Weeks in a block.

    Returns
    -------
    ndarray, shape (HORIZON // block, 1 + levels)
        Mean and quantiles over all series and origins. A block that fewer than 20 past errors reach takes
        the last one that has them, widened with the root of the distance.
    """
    mine = errors[chosen, np.arange(len(chosen))]
    blocks = HORIZON // block
    result = np.full((blocks, 1 + len(levels)), np.nan)
    last = -1
    for number in range(blocks):
        means = mine[:, :, number * block : (number + 1) * block].mean(axis=2)
        values = means[np.isfinite(means)]
        if len(values) >= _ANY_ERRORS:
            result[number] = _summary(values, levels)
            last = number
        elif last >= 0:
            result[number] = result[last] * np.sqrt((number + 1) / (last + 1))
    return result


def forecast_weeks(test: Backtest, chosen: np.ndarray) -> np.ndarray:
    """Return today's forecast of the chosen methods, shape (series, HORIZON)."""
    return test.forecasts[chosen, np.arange(len(chosen)), -1]


def _summary(values: np.ndarray, levels: np.ndarray) -> np.ndarray:
    return np.append(values.mean(), np.quantile(values, levels, method="median_unbiased"))


def _neighbours(ahead: int) -> tuple[int, int]:
    """Return the horizons whose errors serve for `ahead`: more of them the further away."""
    reach = 1 + ahead // 6
    return max(ahead - reach, 0), min(ahead + reach + 1, HORIZON)


def _filled(history: pd.DataFrame) -> pd.DataFrame:
    # Weeks before the first value are filled with it; origins that lie there have no forecast.
    return history.ffill().bfill().fillna(0.0)


def _scale(seen: np.ndarray) -> float:
    """Return the mean absolute difference; 0 of a constant series, blank without any difference."""
    for lag, least in ((YEAR, 13), (1, 1)):
        differences = np.abs(seen[lag:] - seen[:-lag])
        differences = differences[np.isfinite(differences)]
        if len(differences) >= least:
            return float(differences.mean())
    return float("nan")


def _naive_from(series: np.ndarray, origins: np.ndarray) -> np.ndarray:
    """Return the value of the same week last year; without a year yet, the mean of the last 13 weeks."""
    result = np.empty((len(origins), HORIZON))
    for row, origin in enumerate(origins):
        if origin < YEAR:
            result[row] = series[max(origin - 13, 0) : origin].mean() if origin else 0.0
        else:
            result[row] = series[origin - YEAR + np.arange(HORIZON) % YEAR]
    return result


def _damped_from(series: np.ndarray, origins: np.ndarray, first: int) -> np.ndarray:
    """Return forecasts by exponential smoothing with additive errors and a damped additive trend."""
    past = _damped_states(series[: origins[-1]], series[:first])
    now = _damped_states(series, series)
    result = np.empty((len(origins), HORIZON))
    for row, origin in enumerate(origins):
        level, trend, damping = now if origin == origins[-1] else past
        steps = np.cumsum(damping ** np.arange(1, HORIZON + 1))
        result[row] = level[origin - 1] + trend[origin - 1] * steps if origin else 0.0
    return result


def _damped_states(series: np.ndarray, training: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Fit on `training`, filter `series`; return level and trend after each week, and the damping."""
    from statsmodels.tsa.exponential_smoothing.ets import ETSModel

    if len(training) < _WEEKS_MINIMUM or np.ptp(training) == 0:
        mean = pd.Series(series).rolling(13, min_periods=1).mean().to_numpy()
        return mean, np.zeros(len(series)), 0.9
    unit = float(np.abs(training).mean()) or 1.0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a search that stops at a bound is still a forecast to compare
        fitted = ETSModel(training / unit, error="add", trend="add", damped_trend=True).fit(disp=False)
        states = ETSModel(series / unit, error="add", trend="add", damped_trend=True).smooth(fitted.params)
    damping = float(dict(zip(fitted.model.param_names, fitted.params, strict=True))["damping_trend"])
    return np.asarray(states.level) * unit, np.asarray(states.slope) * unit, damping
