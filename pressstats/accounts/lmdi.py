"""How much each factor of a product moved it: the additive log-mean Divisia index, LMDI-I.

Ang, B. W. (2005), The LMDI approach to decomposition analysis: a practical guide, Energy Policy 33, 867-871; zeros by
their analytical limits: Wood, R. and Lenzen, M. (2006), Energy Policy 34, 1326-1331.
"""

from __future__ import annotations

import numpy as np

__all__ = ["lmdi_effects", "logarithmic_mean", "part_effects"]

#: Relative difference below which the quotient of the logarithmic mean loses its digits: its series is taken.
_NEAR = 1e-4


def logarithmic_mean(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Return (one - two) / ln(one / two), which is the value itself where both are alike, and 0 where one is 0."""
    one, two = np.broadcast_arrays(np.asarray(one, dtype=float), np.asarray(two, dtype=float))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(one / two)
        mean = (one - two) / ratio
    near = np.abs(one - two) <= _NEAR * np.abs(two)
    geometric = np.sqrt(np.abs(one * two))
    # sinh(x / 2) / (x / 2) = 1 + x2 / 24 + x4 / 1920 ...
    mean = np.where(near, geometric * (1 + np.where(near, ratio, 0.0) ** 2 / 24), mean)
    return np.where((one <= 0) | (two <= 0), 0.0, mean)


def lmdi_effects(before: np.ndarray, now: np.ndarray) -> np.ndarray:
    """Return how much each factor moved the product of all.

    Parameters
    ----------
    before, now : ndarray, shape (cells, factors)
        Factors, none negative. Blank is not known, since the product is nothing without it: it counts as unchanged.

    Returns
    -------
    ndarray, shape (cells, factors)
        Effects; those of a cell add up to the difference of its products. Where a product comes from nothing, or goes
        to it, its factors that are 0 share the difference alike, which is the limit for factors that vanish alike.

    Examples
    --------
    >>> lmdi_effects(np.array([[10.0, 3.0]]), np.array([[20.0, 3.0]]))
    array([[30.,  0.]])
    """
    before, now = np.where(np.isnan(before), now, before), np.where(np.isnan(now), before, now)
    before, now = np.nan_to_num(before), np.nan_to_num(now)
    first, last = before.prod(axis=1), now.prod(axis=1)
    both = (first > 0) & (last > 0)
    ratio = np.ones_like(before)
    ratio[both] = now[both] / before[both]
    effects = logarithmic_mean(last, first)[:, None] * np.log(ratio)
    # Vanishing factors: those that are 0 on the side that has nothing.
    gone = np.where((first > 0)[:, None], now == 0, before == 0)
    share = gone / np.maximum(gone.sum(axis=1), 1)[:, None]
    return np.where(both[:, None], effects, share * (last - first)[:, None])


def part_effects(
    before: np.ndarray, now: np.ndarray, parts_before: np.ndarray, parts_now: np.ndarray
) -> np.ndarray:
    """Return how much each part of a factor that is a sum moved the product, shape (cells, parts).

    The effect of the factor, L(product) ln(now / before), is L(product) / L(factor) times its change, and the change
    is that of its parts, which may be negative or nothing. `before` and `now` are the products; the factor is the sum
    of the parts over the last axis.
    """
    mean = logarithmic_mean(parts_now.sum(axis=1), parts_before.sum(axis=1))
    weight = np.divide(logarithmic_mean(now, before), mean, out=np.zeros(len(mean)), where=mean > 0)
    return np.asarray(weight[:, None] * (parts_now - parts_before))
