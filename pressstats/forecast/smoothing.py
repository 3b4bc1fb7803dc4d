"""Exponential smoothing over a grid of parameters: many series and all grid points in one pass.

The recursions are those of Hyndman, Koehler, Ord & Snyder (2008), *Forecasting with Exponential Smoothing*:
level and damped trend in error-correction form. Instead of searching the best parameters of each
series, every point of one grid is run for all series together as arrays, and the points are averaged with
weights from their likelihood (Akaike weights; Kolassa 2011, *International Journal of Forecasting* 27:238).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Grid", "Smoothed", "akaike_weights", "grid_of", "smooth"]

#: Points with less than this share of the best point's weight are left out. None left out: no difference.
_WEIGHT_LEAST = 1e-4
#: Values that a forecast must rest on before it counts several steps ahead. Half or double MASE within .05 %.
_WARM = 8


@dataclass(frozen=True)
class Grid:
    """Points of a parameter grid, each array of shape (points,)."""

    level: np.ndarray  # share of a one-step error that the level takes over [1]
    trend: np.ndarray  # the same of the trend
    damping: np.ndarray  # factor of the trend from step to step [1]; 0 where there is no trend
    parameters: np.ndarray  # number of free parameters and states, for the penalty


@dataclass(frozen=True)
class Smoothed:
    """States after the last step of every series at every grid point, and how well each point did."""

    grid: Grid
    # (series, points): Akaike's criterion, corrected for short histories, up to a constant of the series
    criterion: np.ndarray
    variance: np.ndarray  # (series, points): mean squared one-step error [unit squared]
    level: np.ndarray  # (series, points): at the last step [unit of the series]
    slope: np.ndarray
    # (series, points): mean squared one-step error, late ones weighing more [unit squared]
    recent: np.ndarray

    def forecast(self, weights: np.ndarray, horizon: int) -> np.ndarray:
        """Return the weighted forecast, shape (series, horizon), for weights of shape (series, points)."""
        run = np.cumsum(self.grid.damping[:, None] ** np.arange(1, horizon + 1), axis=1)
        return (weights * self.level).sum(axis=1)[:, None] + (weights * self.slope) @ run

    def calm(self, weights: np.ndarray) -> np.ndarray:
        """Return the root of the late squared one-step error over that of the whole history, shape (series,)."""
        whole = (weights * self.variance).sum(axis=1)
        return np.sqrt((weights * self.recent).sum(axis=1) / np.maximum(whole, 1e-300))

    def spread(self, weights: np.ndarray, horizon: int) -> np.ndarray:
        """Return the standard deviation of errors that the model itself implies, shape (series, horizon)."""
        grid = self.grid
        run = np.cumsum(grid.damping[:, None] ** np.arange(1, horizon + 1), axis=1)
        moves = grid.level[:, None] + grid.trend[:, None] * run
        total = np.cumsum(moves**2, axis=1) - moves**2 + 1.0
        return np.sqrt((weights * self.variance) @ total)


def grid_of(levels: tuple[float, ...], trends: tuple[tuple[float, float], ...] = ((0.0, 0.0),)) -> Grid:
    """Return all combinations of levels and pairs (trend's share of the level's share, damping); (0, 0) is no trend."""
    rows = []
    for level in levels:
        for trend, damping in trends:
            count = 2 + (2 if damping else 0) + (1 if 0 < damping < 1 else 0)
            rows.append((level, level * trend, damping, count))
    columns = np.array(rows, dtype=float).T
    return Grid(columns[0], columns[1], columns[2], columns[3])


def smooth(
    values: np.ndarray,
    seen: np.ndarray,
    start: np.ndarray,
    grid: Grid,
    level: np.ndarray,
    slope: np.ndarray,
    ahead: tuple[int, ...] = (1,),
    memory: float = 12.0,
) -> Smoothed:
    """Run every grid point over every series."""
    count, times = values.shape
    points = len(grid.level)
    lev = np.repeat(level[:, None], points, axis=1)
    begin = np.where(grid.damping > 0, slope[:, None], 0.0)
    slp = begin.copy()
    total = np.zeros((count, points))
    recent = np.zeros((count, points))
    known = seen.astype(float)
    common = int(start.max())
    far = _Far(values, known, start, grid, tuple(step for step in ahead if step > 1))
    error, part, base = (np.empty((count, points)) for _ in range(3))
    for t in range(int(start.min()), times):
        np.multiply(slp, grid.damping, out=slp)
        if t < common:  # some series have not begun: their states stand still
            began = (start <= t)[:, None]
            np.copyto(slp, begin, where=~began)
            np.add(lev, np.where(began, slp, 0.0), out=base)
        else:
            np.add(lev, slp, out=base)
        np.subtract(values[:, t, None], base, out=error)
        error *= known[:, t, None]
        np.multiply(error, error, out=part)
        total += part
        part -= recent
        part *= known[:, t, None] / memory
        recent += part
        np.multiply(error, grid.level, out=part)
        np.add(base, part, out=lev)
        np.multiply(error, grid.trend, out=part)
        slp += part
        far.add(t, lev, slp)
    number = np.maximum(seen.sum(axis=1), 1)[:, None].astype(float)
    variance = total / number
    used = grid.parameters
    spare = np.maximum(number - used - 1.0, 1.0)
    criterion = far.mixed(number * np.log(np.maximum(variance, 1e-12)))
    criterion = criterion + 2.0 * used + 2.0 * used * (used + 1.0) / spare
    reached = 1.0 - (1.0 - 1.0 / memory) ** number
    return Smoothed(grid, criterion, variance, lev, slp, recent / reached)


class _Far:
    """Sums of squared errors of forecasts several steps ahead, from every step of the history."""

    def __init__(
        self, values: np.ndarray, known: np.ndarray, start: np.ndarray, grid: Grid, steps: tuple[int, ...]
    ) -> None:
        self.values, self.steps = values, steps
        # The first forecasts rest on few values.
        warm = np.arange(values.shape[1])[None, :] >= start[:, None] + _WARM
        self.known = known
        self.origin = known * warm
        self.run = [sum(grid.damping**power for power in range(1, step + 1)) for step in steps]
        self.total = [np.zeros((len(values), len(grid.level))) for _ in steps]
        self.number = [np.zeros((len(values), 1)) for _ in steps]

    def add(self, t: int, level: np.ndarray, slope: np.ndarray) -> None:
        """Count the forecasts made after step `t`."""
        for number, step in enumerate(self.steps):
            if t + step >= self.values.shape[1]:
                continue
            use = (self.origin[:, t] * self.known[:, t + step])[:, None]
            error = self.run[number] * slope
            error += level
            error -= self.values[:, t + step, None]
            error *= error
            error *= use
            self.total[number] += error
            self.number[number] += use

    def mixed(self, likelihood: np.ndarray) -> np.ndarray:
        """Return the mean of the one-step and the more distant terms of the criterion."""
        if not self.steps:
            return likelihood
        parts = [likelihood]
        for total, count in zip(self.total, self.number, strict=True):
            enough = count >= _WARM
            mean = total / np.maximum(count, 1.0)
            parts.append(np.where(enough, count * np.log(np.maximum(mean, 1e-12)), likelihood))
        return np.mean(parts, axis=0)


def akaike_weights(criterion: np.ndarray, sharpness: float = 1.0) -> np.ndarray:
    """Return weights along the last axis that fall with half the criterion, shape as given; rows sum to 1."""
    low = np.nanmin(criterion, axis=-1, keepdims=True)
    weights = np.exp(-0.5 * sharpness * (criterion - low))
    weights = np.where(np.isfinite(weights), weights, 0.0)
    weights[weights < _WEIGHT_LEAST] = 0.0
    return weights / weights.sum(axis=-1, keepdims=True)
