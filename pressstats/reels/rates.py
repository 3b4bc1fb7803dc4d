"""Rates of rare events: exact limits, comparison of two, what chance alone would show, how many reels tell.

Events are counts (web breaks, failed splices), exposure is what could have had one (reels,
kilometres, splices). Everything here works on plain counts and exposures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
import pandas as pd
from scipy import special

__all__ = [
    "chance_of_excess",
    "chance_of_more",
    "funnel_limits",
    "poisson_interval",
    "rate_ratio",
    "reels_to_tell_apart",
    "shrunk_rates",
]

#: Probability outside of a 95 % interval on each side, and that a difference of rates is found.
_TAIL, _POWER = (1 - 0.95) / 2, 0.8

Numbers: TypeAlias = np.ndarray | pd.Series | Sequence[float]


def poisson_interval(events: Numbers) -> tuple[np.ndarray, np.ndarray]:
    """Return the exact 95 % interval of the mean of Poisson counts.

    Parameters
    ----------
    events : array, shape (rows,)
        Counts.

    Returns
    -------
    low, high : ndarray, shape (rows,)
        Limits of the mean; the low one of 0 events is 0.

    Notes
    -----
    Garwood (1936), Biometrika 28:437: half the quantiles of chi-square with twice the count of degrees of freedom,
    which are those of the gamma distribution.
    """
    count = np.asarray(events, dtype=float)
    low = np.where(count > 0, special.gammaincinv(np.maximum(count, 1), _TAIL), 0.0)
    high = special.gammaincinv(count + 1, 1 - _TAIL)
    return low, high


def chance_of_excess(events: float, exposure: float, other_events: float, other_exposure: float) -> float:
    """Return how often chance alone gives rates that differ as much as these two (two-sided exact binomial test)."""
    total, share = int(events + other_events), exposure / (exposure + other_exposure)
    if total == 0:
        return 1.0
    count = np.arange(total + 1.0)
    log_chance = (
        (special.gammaln(total + 1) - special.gammaln(count + 1) - special.gammaln(total - count + 1))
        + special.xlogy(count, share)
        + special.xlog1py(total - count, -share)
    )
    # All outcomes that are no likelier than the one seen, rounding apart.
    unlikely = log_chance <= log_chance[int(events)] + 1e-7
    return float(min(np.exp(log_chance[unlikely]).sum(), 1.0))


def chance_of_more(events: float, exposure: float, other_events: float, other_exposure: float) -> float:
    """Return how often chance alone gives the first of two equal rates so many events (exact binomial test)."""
    if events <= 0:
        return 1.0
    if other_events < 0:
        return 0.0
    return float(special.betainc(events, other_events + 1, exposure / (exposure + other_exposure)))


def rate_ratio(
    events: float, exposure: float, other_events: float, other_exposure: float
) -> tuple[float, float, float]:
    """Return the ratio of two rates with its exact 95 % interval: ratio, low, high.

    Given the sum of the counts, the first one is binomial: the Clopper-Pearson limits of its share turn into limits
    of the ratio. Blank where there is no event at all; without an event on the other side ratio and upper limit are
    infinite.
    """
    if events + other_events == 0:
        return math.nan, math.nan, math.nan
    scale = other_exposure / exposure
    low_share = special.betaincinv(events, other_events + 1, _TAIL) if events else 0.0
    high_share = special.betaincinv(events + 1, other_events, 1 - _TAIL) if other_events else 1.0
    ratio = events / other_events * scale if other_events else math.inf
    high = high_share / (1 - high_share) * scale if high_share < 1 else math.inf
    return ratio, float(low_share / (1 - low_share) * scale), float(high)


def shrunk_rates(events: Numbers, exposure: Numbers) -> pd.DataFrame:
    """Return rates drawn towards their common mean, as far as chance may have spread them: rate, low, high (95 %).

    Levels' rates are gamma distributed about a common mean and counts are Poisson. Neither the mean nor how far the
    rates differ (their coefficient of variation) is estimated and then taken for known: the answer is averaged over
    the values that the counts allow, from a uniform prior on 0 to 1.5 of the variation, and one of the mean's
    logarithm that counts as half an event. One level alone keeps its own rate.
    """
    count, size = np.asarray(events, dtype=float), np.asarray(exposure, dtype=float)
    if len(count) < 2:
        low, high = poisson_interval(count)
        return pd.DataFrame({"rate": count / size, "low": low / size, "high": high / size})
    # Mid-points of a uniform grid; the smallest is as good as no difference at all.
    spread = (np.arange(30) + 0.5) * 0.05
    usual = (count.sum() + 0.5) / size.sum()
    # How well the mean is known at each spread sets how far about the usual rate it is looked for.
    doubt = 1 / np.sqrt((1 / (spread[:, None] ** 2 + 1 / (usual * size + 0.5))).sum(axis=1))
    step = np.linspace(-5, 5, 21)
    mean = (usual * np.exp(doubt[:, None] * step)).ravel()
    shape = np.repeat(1 / spread**2, len(step))
    expected = mean[:, None] * size
    rest = shape[:, None]
    log_likelihood = (
        special.gammaln(rest + count)
        - special.gammaln(rest)
        + rest * np.log(rest / (rest + expected))
        + count * np.log(expected / (rest + expected))
    ).sum(axis=1)
    log_likelihood += 0.5 * np.log(mean) + np.log(np.repeat(doubt, len(step)))
    weight = np.exp(log_likelihood - log_likelihood.max())
    likely = weight > 1e-5
    weight = weight[likely] / weight[likely].sum()
    # Given mean and spread, a level's rate is gamma distributed.
    degree = shape[likely, None] + count
    scale = 1 / ((shape / mean)[likely, None] + size)
    rate = weight @ (degree * scale)
    low, high = (_quantile(weight, degree, scale, rate, tail) for tail in (0.025, 0.975))
    return pd.DataFrame({"rate": rate, "low": low, "high": high})


def _quantile(
    weight: np.ndarray, degree: np.ndarray, scale: np.ndarray, rate: np.ndarray, probability: float
) -> np.ndarray:
    """Return a quantile of each level's mixture of gamma distributions, whose mean is `rate`."""
    low, high = np.log(rate) - 25, np.log(rate) + 5
    for _ in range(32):
        middle = (low + high) / 2
        below = weight @ special.gammainc(degree, np.exp(middle) / scale) < probability
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    quantile: np.ndarray = np.exp(high)
    return quantile


def funnel_limits(rate: float, exposure: Numbers, tail: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the rates between which chance alone keeps a level of the given exposure.

    Parameters
    ----------
    rate : float
        Common rate [1 / unit of exposure].
    exposure : array, shape (rows,)
        Exposures, above 0.
    tail : float
        Probability outside, on each side.

    Returns
    -------
    low, high : ndarray, shape (rows,)
        Limits of the rate: Poisson counts, interpolated so that the funnel is smooth.
    """
    size = np.asarray(exposure, dtype=float)
    mean = rate * size
    # P(count <= x) of a Poisson mean m is gammaincc(x + 1, m); between whole numbers it is continuous in x.
    low = np.array([_count_at(m, tail) for m in mean])
    high = np.array([_count_at(m, 1 - tail) for m in mean])
    return np.maximum(low, 0.0) / size, high / size


def _count_at(mean: float, probability: float) -> float:
    """Return the (real) count up to which a Poisson variable of that mean falls with that probability."""
    low, high = -1.0 + 1e-9, mean + 10 * math.sqrt(mean) + 30
    for _ in range(60):
        middle = (low + high) / 2
        if special.gammaincc(middle + 1, mean) < probability:
            low = middle
        else:
            high = middle
    return high


def reels_to_tell_apart(
    rate: float, other_rate: float, share: float = 0.5, *, inflation: float = 1.0
) -> float:
    """Return how many reels of two suppliers together tell their break rates (per reel) apart.

    Infinite where the rates are equal, blank where one is 0. `share` is that of the first in the reels, `inflation`
    the variance of the counts over that of chance alone, four in five the probability that a two-sided test at 5 % then
    finds the difference. From the variance of the logarithm of a ratio of two Poisson rates, 1 / events + 1 / events.
    """
    if rate <= 0 or other_rate <= 0:
        return math.nan
    distance = abs(math.log(rate / other_rate))
    if distance == 0:
        return math.inf
    wanted = (special.ndtri(0.975) + special.ndtri(_POWER)) / distance
    return float(inflation * wanted**2 * (1 / (rate * share) + 1 / (other_rate * (1 - share))))
