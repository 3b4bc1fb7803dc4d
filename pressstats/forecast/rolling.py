"""What would each method have said at past origins? One table for weights, intervals and backtests.

A past origin is one more series that ends earlier, so the cost is linear in series and origins, and an origin
cannot know what came after it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .members import MEMBERS, member_forecasts
from .preparing import prepare, stack_origins

__all__ = ["Rolled", "least_known", "roll"]

#: Series and origins that are held in memory together.
_ROWS_TOGETHER = 4096


@dataclass(frozen=True)
class Rolled:
    """Forecasts of all methods from several origins."""

    history: np.ndarray  # (series, times): values [any unit]; blank where unknown
    origins: np.ndarray  # (origins,): steps seen, ascending
    # (methods, origins, series, horizon): forecasts [unit of the series]; blank where there is none
    forecasts: np.ndarray
    # (origins, series, horizon): standard deviation that the smoothing model implies [unit of the series]
    spread: np.ndarray
    # (origins, series): mean absolute difference to a year earlier, or to the step before where there is no
    # year yet, of what the origin had seen [unit of the series]
    naive: np.ndarray
    number: np.ndarray  # (origins, series): known values that the origin had seen
    calm: np.ndarray  # (origins, series): late one-step errors over those of all that the origin had seen [1]
    # (origins, series, horizon): how far departures of the same dates in earlier years are beyond chance, 1 or
    # more [1]
    strength: np.ndarray

    @property
    def horizon(self) -> int:
        """Steps ahead."""
        return int(self.forecasts.shape[-1])

    def came(self) -> np.ndarray:
        """Return what came, shape (origins, series, horizon); blank where unknown or still ahead."""
        times = self.history.shape[1]
        target = self.origins[:, None] + np.arange(self.horizon)
        values = self.history[:, np.minimum(target, times - 1)]
        return np.swapaxes(np.where(target < times, values, np.nan), 0, 1)

    def known_at(self, origin: int) -> np.ndarray:
        """Return whether an error was known when `origin` steps were seen, shape (origins, horizon)."""
        return self.origins[:, None] + np.arange(self.horizon) < origin


def least_known(known: np.ndarray, lag: int) -> np.ndarray:
    """Return how many known values a past origin needs for its errors to tell of today, shape as `known`.

    Two years and a little, or three fifths of today's history where that is shorter; never fewer than eight.
    """
    return np.maximum(np.minimum(2.0 * lag + 4.0, 0.6 * known), 8.0)


def roll(history: np.ndarray, origins: np.ndarray, periods: tuple[float, ...], horizon: int) -> Rolled:
    """Forecast every series from every origin (steps seen, ascending); blank where an origin has seen no value."""
    count = len(history)
    lag = max(1, round(periods[0])) if periods else 1
    forecasts = np.full((len(MEMBERS), len(origins), count, horizon), np.nan)
    spread, strength = (np.full((len(origins), count, horizon), np.nan) for _ in range(2))
    naive, number, calm = (np.full((len(origins), count), np.nan) for _ in range(3))
    together = max(1, _ROWS_TOGETHER // max(count, 1))
    for first in range(0, len(origins), together):
        part = slice(first, first + together)
        seen = stack_origins(history, origins[part])
        some = np.isfinite(seen).any(axis=1)
        shape = (len(origins[part]), count)
        number[part] = np.isfinite(seen).sum(axis=1).reshape(shape)
        naive[part] = _naive_error(seen, lag).reshape(shape)
        if not some.any():
            continue
        origin = np.repeat(np.arange(len(origins[part])), count)
        said = member_forecasts(prepare(seen[some]), periods, horizon, origin[some])
        flat = np.full((len(MEMBERS), len(seen), horizon), np.nan)
        flat[:, some] = said.forecasts
        forecasts[:, part] = flat.reshape(len(MEMBERS), *shape, horizon)
        quiet = np.full(len(seen), np.nan)
        quiet[some] = said.calm
        calm[part] = quiet.reshape(shape)
        for whole, of_some in ((spread, said.spread), (strength, said.strength)):
            wide = np.full((len(seen), horizon), np.nan)
            wide[some] = of_some
            whole[part] = wide.reshape(*shape, horizon)
    return Rolled(history, origins, forecasts, spread, naive, number, calm, strength)


def _naive_error(seen: np.ndarray, lag: int) -> np.ndarray:
    result = np.full(len(seen), np.nan)
    for distance, least in ((lag, min(lag, 8)), (1, 1)):
        if distance >= seen.shape[1]:
            continue
        difference = np.abs(seen[:, distance:] - seen[:, :-distance])
        known = np.isfinite(difference)
        number = known.sum(axis=1)
        mean = np.where(known, difference, 0.0).sum(axis=1) / np.maximum(number, 1)
        result = np.where(np.isnan(result) & (number >= least), mean, result)
    return result
