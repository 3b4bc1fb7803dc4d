"""The dynamic optimised Theta method for many series at once.

A running straight line and simple exponential smoothing share the forecast (Fiorucci, Pellegrini, Louzada,
Petropoulos & Koehler 2016, *International Journal of Forecasting* 32:1151). The smoothing constant is taken
from a grid; the share of the line then enters linearly and has a least-squares solution of its own.
"""

from __future__ import annotations

import numpy as np

from .smoothing import akaike_weights

__all__ = ["dynamic_theta"]


def dynamic_theta(
    values: np.ndarray,
    seen: np.ndarray,
    start: np.ndarray,
    levels: np.ndarray,
    horizon: int,
    fixed: float | None = None,
) -> np.ndarray:
    """Return forecasts of series without season."""
    count, times = values.shape
    known = seen.astype(float)
    # Running regression on the step number, counted from 1 at the first value.
    step = np.arange(times)[None, :] - start[:, None] + 1.0
    inside = known * (step > 0)
    n, st = inside.cumsum(axis=1), (inside * step).cumsum(axis=1)
    stt = (inside * step * step).cumsum(axis=1)
    sy, sty = (inside * values).cumsum(axis=1), (inside * step * values).cumsum(axis=1)
    determinant = n * stt - st * st
    slope = np.where(determinant > 0, (n * sty - st * sy) / np.where(determinant > 0, determinant, 1.0), 0.0)
    intercept = np.where(n > 0, (sy - slope * st) / np.maximum(n, 1.0), 0.0)
    level = np.repeat(values[np.arange(count), start][:, None], len(levels), axis=1)
    rest = 1.0 - levels
    decay = np.ones((count, len(levels)))
    cross, square, total = (np.zeros((count, len(levels))) for _ in range(3))
    for t in range(int(start.min()), times):
        if t > 0:
            error = values[:, t, None] - level
            line = decay * intercept[:, t - 1, None] + (1.0 - decay * rest) / levels * slope[:, t - 1, None]
            use = (known[:, t] * (step[:, t] > 3))[:, None]
            cross += use * error * line
            square += use * line * line
            total += use * error * error
        began = (step[:, t] > 0)[:, None]
        level += np.where(began, known[:, t, None], 0.0) * levels * (values[:, t, None] - level)
        decay = np.where(began, decay * rest, decay)
    best = np.clip(cross / np.maximum(square, 1e-12), 0.0, 1.0)
    share = best if fixed is None else np.full_like(cross, fixed)
    number = np.maximum(known.sum(axis=1), 1.0)[:, None]
    loss = total - 2 * share * cross + share * share * square
    weights = akaike_weights(number * np.log(np.maximum(loss / number, 1e-12)))
    first = decay * intercept[:, -1:] + (1.0 - decay * rest) / levels * slope[:, -1:]
    base = (weights * (level + share * first)).sum(axis=1)
    climb = (weights * share).sum(axis=1) * slope[:, -1]
    return base[:, None] + climb[:, None] * np.arange(horizon)
