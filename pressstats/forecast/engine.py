"""Forecast many series at once, with intervals, joint paths and an account of past forecasts."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from .intervals import Combined, Judgement, combined, judge, quantile_factors
from .members import MEMBERS
from .paths import sample_factors
from .rolling import roll

__all__ = ["Backtest", "Forecast", "backtest", "forecast"]

#: Past origins for weights and intervals of one forecast, half a horizon apart. With 16 MSIS -1.3 %, in twice the time.
PAST_ORIGINS = 8
#: Probabilities over which means are taken.
_MIDDLES = (np.arange(50) + 0.5) / 50


@dataclass(frozen=True)
class Forecast:
    """What many series will do next.

    Attributes
    ----------
    index : Index, shape (horizon,)
        Steps ahead.
    names : Index, shape (series,)
        Series, as the columns of the history.
    judgement : Judgement
        Point forecasts, sizes and shapes of errors.
    floor : float
        No value lies below; minus infinity for no such bound.
    """

    index: pd.Index
    names: pd.Index
    judgement: Judgement
    floor: float

    @property
    def median(self) -> pd.DataFrame:
        """Combined point forecast, shape (horizon, series) [unit of the series]."""
        return self._frame(np.maximum(self.judgement.point, self.floor))

    @property
    def mean(self) -> pd.DataFrame:
        """Mean of the calibrated distribution, shape (horizon, series) [unit of the series]."""
        return self._frame(_mean(self.judgement, self.floor))

    @property
    def weights(self) -> pd.DataFrame:
        """Weight of each method, shape (methods, series) [1]."""
        return pd.DataFrame(self.judgement.weights, index=list(MEMBERS), columns=self.names)

    def quantile(self, probability: float) -> pd.DataFrame:
        """Return one quantile, shape (horizon, series) [unit of the series]."""
        return self._frame(self.quantiles(np.array([probability]))[0].T)

    def quantiles(self, probabilities: np.ndarray) -> np.ndarray:
        """Return quantiles, shape (probabilities, horizon, series) [unit of the series]."""
        return np.swapaxes(_quantiles(self.judgement, self.floor, _checked(probabilities)), 1, 2)

    def paths(self, n: int, seed: int = 0) -> np.ndarray:
        """Return joint sample paths, shape (n, horizon, series) [unit of the series]."""
        return np.swapaxes(_paths(self.judgement, self.floor, n, seed), 1, 2)

    def _frame(self, values: np.ndarray) -> pd.DataFrame:
        return pd.DataFrame(values.T, index=self.index, columns=self.names)


@dataclass(frozen=True)
class Backtest:
    """Forecasts made again from past origins, each with what was known then.

    Attributes
    ----------
    index : Index, shape (times,)
        Steps of the history.
    names : Index, shape (series,)
        Series.
    origins : ndarray of int, shape (origins,)
        Steps seen by each origin; the first step ahead is ``index[origin]``.
    actual : ndarray, shape (origins, horizon, series)
        What came [unit of the series]; blank where unknown or still ahead.
    naive : ndarray, shape (origins, horizon, series)
        Seasonal naive forecast; the last known value where there is no year yet.
    scale : ndarray, shape (origins, series)
        Naive error within what the origin had seen [unit of the series].
    floor : float
        No value lies below.
    combined : tuple of Combined
        What each origin's methods said together, from which its intervals are learned when they are asked for.
    """

    index: pd.Index
    names: pd.Index
    origins: np.ndarray
    actual: np.ndarray
    naive: np.ndarray
    scale: np.ndarray
    floor: float
    combined: tuple[Combined, ...]

    @cached_property
    def judgements(self) -> tuple[Judgement, ...]:
        """Forecast of each origin, with the size and shape of its errors."""
        return tuple(judge(one) for one in self.combined)

    @property
    def median(self) -> np.ndarray:
        """Point forecasts, shape (origins, horizon, series) [unit of the series]."""
        points = np.stack([one.said[-1] for one in self.combined])
        return np.swapaxes(np.maximum(points, self.floor), 1, 2)

    @property
    def mean(self) -> np.ndarray:
        """Means of the calibrated distributions, shape (origins, horizon, series) [unit of the series]."""
        return np.swapaxes(np.stack([_mean(one, self.floor) for one in self.judgements]), 1, 2)

    @property
    def errors(self) -> np.ndarray:
        """Actual less point forecast, shape (origins, horizon, series) [unit of the series]."""
        return self.actual - self.median

    def quantiles(self, probabilities: np.ndarray) -> np.ndarray:
        """Return quantiles, shape (probabilities, origins, horizon, series) [unit of the series]."""
        levels = _checked(probabilities)
        each = [_quantiles(one, self.floor, levels) for one in self.judgements]
        return np.swapaxes(np.stack(each, axis=1), 2, 3)

    def paths(self, origin: int, n: int, seed: int = 0) -> np.ndarray:
        """Return joint sample paths of the origin at a place of `origins`, shape (n, horizon, series)."""
        return np.swapaxes(_paths(self.judgements[origin], self.floor, n, seed), 1, 2)


def forecast(
    history: pd.DataFrame,
    horizon: int,
    period: float | tuple[float, ...] | None = None,
    *,
    nonnegative: bool = False,
    past: int = PAST_ORIGINS,
    stride: int | None = None,
) -> Forecast:
    """Forecast many series from the end of their history.

    Parameters
    ----------
    history : DataFrame, shape (times, series)
        Values on equal steps [any unit a series]; blank where unknown, also before a series begins.
    horizon : int
        Steps ahead.
    period : float or tuple of float, optional
        Steps in a year, whole or not (12, 365.25 / 7), or in a week and a year (7, 365.25); none for no season.
    nonnegative : bool
        Whether no value can lie below zero.
    past : int
        Past origins whose errors make weights and intervals.
    stride : int, optional
        Steps between past origins; half a horizon by default.

    Returns
    -------
    Forecast
        Point forecasts, quantiles and joint paths; blank for series without any value.

    Raises
    ------
    ValueError
        The history has no step, its steps are not in order, a value is infinite or no number; horizon, period or
        the number of origins is not positive.
    """
    values, periods = _checked_inputs(history, horizon, period)
    times = values.shape[1]
    earlier = _earlier(times, past, stride or max(1, horizon // 2))
    origins = np.append(earlier, times)
    rolled = roll(values, origins, periods, horizon)
    judged = judge(combined(rolled, len(origins) - 1, np.arange(len(earlier)), _lag(periods)))
    floor = 0.0 if nonnegative else -np.inf
    return Forecast(_following(history.index, horizon), history.columns, judged, floor)


def backtest(
    history: pd.DataFrame,
    origins: np.ndarray | list[int],
    horizon: int,
    period: float | tuple[float, ...] | None = None,
    *,
    nonnegative: bool = False,
    past: int = PAST_ORIGINS,
    stride: int | None = None,
) -> Backtest:
    """Forecast again from past origins, each with nothing but what it had seen.

    Parameters
    ----------
    history : DataFrame, shape (times, series)
        Values on equal steps [any unit a series]; blank where unknown.
    origins : sequence of int
        Steps seen, ascending; from 1 to times.
    horizon, period, nonnegative, past, stride
        As in :func:`forecast`. The cost grows with the number of different origins, wanted ones and those before
        them together: a stride that divides the distance of the wanted ones shares most.

    Returns
    -------
    Backtest
        Forecasts, intervals and what came. The same as :func:`forecast` of the history cut at each origin.

    Raises
    ------
    ValueError
        As in :func:`forecast`; an origin lies outside the history, or origins do not ascend.
    """
    values, periods = _checked_inputs(history, horizon, period)
    wanted = np.asarray(origins, dtype=int)
    times = values.shape[1]
    if not len(wanted) or wanted[0] < 1 or wanted[-1] > times or (np.diff(wanted) <= 0).any():
        raise ValueError(f"origins must ascend within 1 to {times}: {list(map(int, wanted))}")
    step = stride or max(1, horizon // 2)
    before = {int(origin): _earlier(int(origin), past, step) for origin in wanted}
    every = np.unique(np.concatenate([wanted, *before.values()]))
    rolled = roll(values, every, periods, horizon)
    lag = _lag(periods)
    together = tuple(
        combined(rolled, int(np.searchsorted(every, origin)), np.searchsorted(every, earlier), lag)
        for origin, earlier in before.items()
    )
    rows = np.searchsorted(every, wanted)
    naive = rolled.forecasts[MEMBERS.index("seasonal naive"), rows]
    last = np.stack([_last_known(values[:, :origin]) for origin in wanted])
    naive = np.where(np.isfinite(naive), naive, last[:, :, None])
    return Backtest(
        history.index,
        history.columns,
        wanted,
        np.swapaxes(rolled.came()[rows], 1, 2),
        np.swapaxes(naive, 1, 2),
        rolled.naive[rows],
        0.0 if nonnegative else -np.inf,
        together,
    )


def _quantiles(judged: Judgement, floor: float, probabilities: np.ndarray) -> np.ndarray:
    """Return quantiles, shape (probabilities, series, horizon)."""
    factors = quantile_factors(judged.shape, probabilities)
    return _placed(judged, factors[:, None, :], floor)


def _mean(judged: Judgement, floor: float) -> np.ndarray:
    return np.asarray(_quantiles(judged, floor, _MIDDLES).mean(axis=0))


def _paths(judged: Judgement, floor: float, n: int, seed: int) -> np.ndarray:
    factors = sample_factors(judged.scores, judged.worth, judged.shape, n, np.random.default_rng(seed))
    return _placed(judged, factors, floor)


def _placed(judged: Judgement, factors: np.ndarray, floor: float) -> np.ndarray:
    """Return values at scaled errors, never below the floor."""
    return np.maximum(judged.point + judged.size * factors, floor)


def _checked_inputs(
    history: pd.DataFrame, horizon: int, period: float | tuple[float, ...] | None
) -> tuple[np.ndarray, tuple[float, ...]]:
    """Return values, shape (series, times), and periods in ascending order."""
    if horizon < 1:
        raise ValueError(f"horizon must be 1 or more: {horizon}")
    if not len(history):
        raise ValueError("history has no step")
    if not history.index.is_monotonic_increasing or not history.index.is_unique:
        raise ValueError("steps of the history must ascend, each once")
    for name, kind in history.dtypes.items():
        if not pd.api.types.is_numeric_dtype(kind):
            raise ValueError(f"column {name!r} must hold numbers: {kind}")
    values = history.to_numpy(dtype=float, na_value=np.nan).T
    endless = np.isinf(values)
    if endless.any():
        series, step = np.argwhere(endless)[0]
        raise ValueError(f"column {history.columns[series]!r} is infinite at {history.index[step]}")
    given = () if period is None else (period,) if isinstance(period, int | float) else tuple(period)
    periods = tuple(sorted(float(one) for one in given))
    if any(not one >= 2 for one in periods):
        raise ValueError(f"a period must be 2 steps or more: {period}")
    return values, periods


def _checked(probabilities: np.ndarray | list[float]) -> np.ndarray:
    levels = np.asarray(probabilities, dtype=float)
    if not ((levels > 0) & (levels < 1)).all():
        raise ValueError(f"probabilities must lie between 0 and 1: {levels}")
    return levels


def _lag(periods: tuple[float, ...]) -> int:
    return max(1, round(periods[0])) if periods else 1


def _earlier(origin: int, past: int, stride: int) -> np.ndarray:
    """Return up to `past` origins before one, ascending."""
    earlier = origin - stride * np.arange(past, 0, -1)
    return earlier[earlier >= 1]


def _last_known(values: np.ndarray) -> np.ndarray:
    seen = np.isfinite(values)
    last = values.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)
    return np.where(seen.any(axis=1), values[np.arange(len(values)), last], np.nan)


def _following(index: pd.Index, horizon: int) -> pd.Index:
    """Return the steps after the last one, at the distance of the last two or the calendar's."""
    last = index[-1]
    if isinstance(index, pd.DatetimeIndex) and len(index) > 2:
        regular = index.freq or pd.infer_freq(index)
        if regular is not None:
            return pd.date_range(last, periods=horizon + 1, freq=regular, unit=index.unit)[1:]
    step = last - index[-2] if len(index) > 1 else (pd.Timedelta(days=1) if hasattr(last, "year") else 1)
    return pd.Index([last + step * ahead for ahead in range(1, horizon + 1)], name=index.name)
