"""How do many opinions become one? A weighted mean, by what each method's past errors were.

Weights are inverse to mean absolute errors at past origins, drawn towards what all series together say of a
method: past errors of one series are too few to trust alone (Bates & Granger 1969, *Operational Research
Quarterly* 20:451; Timmermann 2006, *Handbook of Economic Forecasting* 1:135).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .members import MEMBERS

if TYPE_CHECKING:
    from .rolling import Rolled

__all__ = ["COMBINED", "combine", "member_errors", "member_weights"]

#: Methods that enter the combination.
COMBINED = tuple(name for name in MEMBERS if name != "seasonal naive")
_ENTERS = np.array([name in COMBINED for name in MEMBERS])
#: Weight of all series' mean relative error against a series' own one. Own errors alone: MASE 0, MSIS -.2 %; all
#: series' alone +.1 and +.4 %; all methods alike +.2 and +.3 %.
_POOLED = 0.5
#: Relative errors below this count as this: a method that was never wrong before is not infinitely good. No series of
#: the sets comes near it.
_ERROR_LEAST = 0.02


def member_errors(rolled: Rolled, origin: int, usable: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean absolute errors of all methods known at an origin, and how many each mean holds.

    Over the origins that are `usable` and the horizons at which all methods of a series spoke; blank without any.
    """
    known = rolled.known_at(origin)[:, None, :] & usable[:, :, None]
    size = np.abs(rolled.came()[None] - rolled.forecasts)
    spoke = np.isfinite(size)
    here = spoke.any(axis=(1, 3))
    # Compared where every method that ever speaks of a series speaks, so that none is spared a hard time.
    fair = known & (spoke | ~here[:, None, :, None]).all(axis=0) & spoke.any(axis=0)
    number = fair.sum(axis=(0, 2)).astype(float)
    total = np.where(fair[None] & spoke, size, 0.0).sum(axis=(1, 3))
    with np.errstate(invalid="ignore", divide="ignore"):
        errors = np.where(here & (number > 0), total / number, np.nan)
    return errors, number


def member_weights(errors: np.ndarray, speaks: np.ndarray) -> np.ndarray:
    """Return weights of the methods that speak, shape (methods, series); each series' sum to 1."""
    speaks = speaks & _ENTERS[:, None]
    known = np.isfinite(errors) & speaks
    number = known.sum(axis=0)
    mean = np.where(known, errors, 0.0).sum(axis=0) / np.maximum(number, 1)
    usable = known & (mean > 0)
    relative = np.where(usable, errors / np.where(mean > 0, mean, 1.0), 0.0)
    count = usable.sum(axis=1)
    pooled = np.where(count > 0, relative.sum(axis=1) / np.maximum(count, 1), 1.0)[:, None]
    shrunk = np.where(usable, (relative + _POOLED * pooled) / (1.0 + _POOLED), pooled)
    weights = np.where(speaks, 1.0 / np.maximum(shrunk, _ERROR_LEAST), 0.0)
    return weights / np.maximum(weights.sum(axis=0), 1e-300)


def combine(forecasts: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the weighted mean of forecasts and their weighted mean absolute distance from it.

    Shape (methods, ..., series, horizon) in, without methods out. Where a method is silent the others share its
    weight.
    """
    between = (1,) * (forecasts.ndim - 3)
    load = weights.reshape(len(weights), *between, -1, 1) * np.isfinite(forecasts)
    total = load.sum(axis=0)
    spoken = np.where(np.isfinite(forecasts), forecasts, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (load * spoken).sum(axis=0) / total
        away = (load * np.abs(spoken - mean)).sum(axis=0) / total
    return mean, away
