"""How far to trust any forecasts, whoever made them, from what they missed at past origins.

The intervals of the engine's own combination lean on what its methods say of themselves; forecasts that
come from elsewhere have only their record. Size by horizon and by series, shape of the errors and
the way in which they hang together are learned from it as the engine learns its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .intervals import OUTLYING, Judgement, error_shape, fresh_share, quantile_factors, regress_sizes

__all__ = ["calibrated", "mean_kept", "own_factor"]

#: Logarithm of the mean absolute error in units of the naive error: constant, log horizon, log of the horizon beyond
#: `_BOOKED` steps. Prior, worth `_PRIOR_ERRORS` errors: none MSIS +.1 %.
_PRIOR = np.array([-0.45, 0.15, 0.0])
_PRIOR_ERRORS = 30.0
#: Steps ahead for which something is commonly booked. At half MSIS -.3 %, double +.2 %.
_BOOKED = 10.0
#: Independent errors that the prior of a series' own factor is worth. None: MSIS +2.2 %; no factor at all +.1 % (-.2
#: to +.3).
_OWN_PRIOR = 16.0
#: Factor for series without any past error of their own. No series of the sets is without.
_UNTRIED = 1.15
#: Probabilities over which means are taken, and steps within which a shift is found.
_MIDDLES = (np.arange(50) + 0.5) / 50
_SHIFTS = 20


def calibrated(point: np.ndarray, missed: np.ndarray, origins: np.ndarray, naive: np.ndarray) -> Judgement:
    """Return forecasts with the sizes and shapes of their errors, from what was `missed` at past `origins` (ascending).

    Shapes: point (series, horizon), missed (origins, series, horizon), blank where not known yet; naive error
    (series,).
    """
    horizon = point.shape[1]
    ahead = np.arange(1, horizon + 1)
    features = np.stack([np.ones(horizon), np.log(ahead), np.log(np.maximum(ahead / _BOOKED, 1.0))], axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = missed / naive[:, None]
    scaled = np.where(np.isfinite(scaled), scaled, np.nan)
    known = np.isfinite(scaled)
    every = np.broadcast_to(features, (*scaled.shape, features.shape[1]))
    coefficients = regress_sizes(every[known], np.abs(scaled[known]), _PRIOR, _PRIOR_ERRORS)
    size = np.exp(features @ coefficients)
    scores = scaled / size
    # The present origin has no errors yet; it closes the row of origins.
    now = np.full((1, *scores.shape[1:]), np.nan)
    last = origins[-1] + 1 if len(origins) else 1
    factor, without = own_factor(np.concatenate([scores, now]), np.append(origins, last))
    shape = error_shape(scores / without[:-1, :, None], origins)
    return Judgement(
        point,
        size * (factor * naive)[:, None],
        shape,
        np.zeros((0, len(point))),
        scores,
        float((fresh_share(np.append(origins, last), horizon)[:-1] * known.any(axis=(1, 2))).sum()),
    )


def mean_kept(judged: Judgement, floor: float) -> Judgement:
    """Return the judgement moved down so that the cut at the floor leaves the mean where it was.

    A wide interval that is cut on its low side alone would raise the mean, the more the less is known.
    """
    values = judged.point + judged.size * quantile_factors(judged.shape, _MIDDLES)[:, None, :]
    wanted = np.maximum(values.mean(axis=0), floor)
    shift = np.zeros_like(judged.point)
    # Newton's method on a convex function, from its upper side: it never goes too far.
    for _ in range(_SHIFTS):
        above = values + shift > floor
        over = np.maximum(values + shift, floor).mean(axis=0) - wanted
        shift = shift - over / np.maximum(above.mean(axis=0), 1 / len(_MIDDLES))
    return replace(judged, point=judged.point + shift)


def own_factor(scores: np.ndarray, origins: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return each series' own factor, and for each origin the factor without that origin's errors.

    Forecasts of neighbouring origins miss the same values: errors count by the steps that they newly cover.
    """
    known = np.isfinite(scores)
    number = known.sum(axis=2)
    size = np.where(known, np.minimum(np.abs(scores), OUTLYING), 0.0).sum(axis=2)
    mean = size / np.maximum(number, 1)
    fresh = fresh_share(origins, scores.shape[2])
    load = np.where(number > 0, 2.0 * fresh[:, None], 0.0)
    total, weight = (load * mean).sum(axis=0), load.sum(axis=0)
    factor = (total + _OWN_PRIOR) / (weight + _OWN_PRIOR)
    without = (total - load * mean + _OWN_PRIOR) / (weight - load + _OWN_PRIOR)
    return np.where(weight > 0, factor, _UNTRIED), without
