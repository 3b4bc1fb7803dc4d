"""Effects of several groups, each with its error, drawn together as far as chance may have spread them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

__all__ = ["shrunk_effects"]

#: Values of the standard deviation between groups that the answer is averaged over.
_GRID = 60
#: Probability outside of an interval on each side.
_TAIL = 0.025


def shrunk_effects(effect: np.ndarray, error: np.ndarray, largest: float) -> pd.DataFrame:
    """Return effects drawn towards their common mean.

    Parameters
    ----------
    effect, error : ndarray, shape (groups,)
        Estimates and their standard errors.
    largest : float
        Largest standard deviation between groups that is thought of.

    Returns
    -------
    DataFrame, shape (groups, 3)
        mean, low, high (95 %). One group alone keeps its own estimate.

    Notes
    -----
    Effects are normal about a common mean, estimates normal about effects. The standard deviation between groups is
    not estimated and then taken for known: the answer is averaged over the values that the estimates allow, from a
    uniform prior on 0 to `largest`, and one of the mean that is flat (Gelman et al., Bayesian Data Analysis, section
    5.4).
    """
    if len(effect) < 2:
        reach = special.ndtri(1 - _TAIL) * error
        return pd.DataFrame({"mean": effect, "low": effect - reach, "high": effect + reach})
    between = (np.arange(_GRID) + 0.5)[:, None] / _GRID * largest
    weight = 1 / (error**2 + between**2)
    sure = weight.sum(axis=1)
    common = (weight * effect).sum(axis=1) / sure
    log_density = 0.5 * (np.log(weight).sum(axis=1) - np.log(sure))
    log_density -= 0.5 * (weight * (effect - common[:, None]) ** 2).sum(axis=1)
    chance = np.exp(log_density - log_density.max())
    chance /= chance.sum()
    # Given the deviation, the mean of all is normal, and an effect is normal about a mixture of both.
    own = between**2 * weight
    mean = own * effect + (1 - own) * common[:, None]
    spread = np.sqrt(own * error**2 + (1 - own) ** 2 / sure[:, None])
    low, high = (_quantile(chance, mean, spread, probability) for probability in (_TAIL, 1 - _TAIL))
    return pd.DataFrame({"mean": chance @ mean, "low": low, "high": high})


def _quantile(chance: np.ndarray, mean: np.ndarray, spread: np.ndarray, probability: float) -> np.ndarray:
    """Return a quantile of each group's mixture of normal distributions."""
    low, high = (mean - 9 * spread).min(axis=0), (mean + 9 * spread).max(axis=0)
    for _ in range(40):
        middle = (low + high) / 2
        below = chance @ special.ndtr((middle - mean) / spread) < probability
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    quantile: np.ndarray = (low + high) / 2
    return quantile
