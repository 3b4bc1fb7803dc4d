"""How do errors hang together across series and along the horizon? Joint sample paths.

Past error vectors, one an origin over all series and the whole horizon, are mixed with normal weights, which
gives normal variables with their joint covariance; a part of noise that hangs together along the horizon alone
stands for what few origins cannot tell. Each variable is then mapped to the calibrated quantiles of its own
series and step, so that every margin is exactly the published interval (a normal copula; compare Clark et al.
2004, *Journal of Hydrometeorology* 5:243, which reorders by past ranks).
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from .intervals import quantile_factors

__all__ = ["joint_normals", "sample_factors"]

#: Independent error vectors that the noise without cross-correlation is worth.
_NOISE_VECTORS = 4.0
#: Scaled errors beyond this are held there: one odd step must not rule all paths.
_OUTLYING = 4.0


def joint_normals(scores: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Return standard normal variables that hang together as past errors did.

    Parameters
    ----------
    scores : ndarray, shape (origins, series, horizon)
        Past errors divided by their size; blank where unknown.
    draws : int
        Paths wanted.
    rng : Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, series, horizon)
        Normal variables of mean 0 and variance 1.
    """
    count, horizon = scores.shape[1:]
    persistence = _persistence(scores)
    noise = _autoregressive(rng.standard_normal((draws, count, horizon)), persistence)
    whole = np.isfinite(scores).any(axis=(1, 2))
    vectors = _completed(np.clip(scores[whole], -_OUTLYING, _OUTLYING), persistence)
    if not len(vectors):
        return noise
    power = np.sqrt((vectors**2).mean(axis=0))
    vectors = np.where(power > 1e-9, vectors / np.where(power > 1e-9, power, 1.0), 0.0)
    # Neighbouring origins overlap: they are worth about as many vectors as horizons they span.
    reached = np.isfinite(scores[whole]).any(axis=1).sum()
    worth = max(1.0, reached / horizon / max(1.0, 1.0 + persistence * 2.0))
    share = np.where(power > 1e-9, worth / (worth + _NOISE_VECTORS), 0.0)
    mixed = rng.standard_normal((draws, len(vectors))) @ vectors.reshape(len(vectors), -1)
    mixed = mixed.reshape(draws, count, horizon) / np.sqrt(len(vectors))
    return np.sqrt(share) * mixed + np.sqrt(1.0 - share) * noise


def sample_factors(scores: np.ndarray, shape: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Return joint draws of scaled errors whose margins are the calibrated ones.

    Parameters
    ----------
    scores : ndarray, shape (origins, series, horizon)
        Past errors divided by their size; blank where unknown.
    shape : ndarray, shape (horizon, probabilities)
        Calibrated quantiles of scaled errors.
    draws : int
        Paths wanted.
    rng : Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, series, horizon)
        Scaled errors.
    """
    normals = joint_normals(scores, draws, rng)
    chance = np.clip(ndtr(normals), 1e-6, 1.0 - 1e-6)
    flat = quantile_factors(shape, chance.reshape(-1, chance.shape[2]))
    return flat.reshape(normals.shape)


def _persistence(scores: np.ndarray) -> float:
    """Return the correlation of errors of one origin at neighbouring steps ahead, pooled over series."""
    first, second = scores[:, :, :-1], scores[:, :, 1:]
    both = np.isfinite(first) & np.isfinite(second)
    number = int(both.sum())
    left = np.clip(np.where(both, first, 0.0), -_OUTLYING, _OUTLYING)
    right = np.clip(np.where(both, second, 0.0), -_OUTLYING, _OUTLYING)
    size = float(np.sqrt((left**2).sum() * (right**2).sum()))
    # Worth 20 pairs: a random walk's errors hang together at about 0.7.
    found = float((left * right).sum()) / size if size > 0 else 0.0
    return float(np.clip((number * found + 20.0 * 0.7) / (number + 20.0), 0.0, 0.98))


def _autoregressive(noise: np.ndarray, persistence: float) -> np.ndarray:
    """Return standard normal noise with that correlation of neighbouring steps along the last axis."""
    result = noise.copy()
    fresh = np.sqrt(1.0 - persistence**2)
    for ahead in range(1, noise.shape[-1]):
        result[..., ahead] = persistence * result[..., ahead - 1] + fresh * noise[..., ahead]
    return result


def _completed(scores: np.ndarray, persistence: float) -> np.ndarray:
    """Return vectors with unknown steps set to what the last known step lets expect."""
    result = scores.copy()
    result[..., 0] = np.where(np.isfinite(result[..., 0]), result[..., 0], 0.0)
    for ahead in range(1, scores.shape[-1]):
        unknown = ~np.isfinite(result[..., ahead])
        result[..., ahead] = np.where(unknown, persistence * result[..., ahead - 1], result[..., ahead])
    return result
