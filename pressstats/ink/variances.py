"""How sure the two variances are, and what that does to intervals.

A year of daily dips holds hundreds of differences, yet says little of the scatter of use where the error of a dip is
many times as large: as little as a dozen independent figures would. Intervals that take the estimated variances for
the true ones are then too narrow (90 % where 95 % is meant, in tests/bench/bench_ink.py).
So the fit is looked at over all shares of scatter that the readings allow, each weighted
by its restricted likelihood (which is its posterior where the overall variance has the usual prior 1/v). The
ratio of the two standard deviations has a half-Cauchy prior (Gelman 2006, Bayesian Analysis 1:515; from
memory), which is uniform in the angle whose squared sine is the share. Given a share, what is estimated follows
Student's t, so an interval is that of a mixture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from .banded import restricted_likelihood

__all__ = ["VarianceSpread", "half_width", "variance_spread"]

_NODES = 21
#: Shares whose restricted log-likelihood lies further below the best than this are left out.
_DEPTH = 7.0


@dataclass(frozen=True)
class VarianceSpread:
    """The fit at several shares of scatter (nodes), whose weights sum to 1.

    `covariance` and `freedom` are those with the share given, `dip_variance` is of a dip [kg2], `scatter_variance` of
    use per unit of scatter of the interval.
    """

    weight: np.ndarray
    share: np.ndarray
    estimate: np.ndarray
    covariance: np.ndarray
    dip_variance: np.ndarray
    scatter_variance: np.ndarray
    freedom: int

    def total_covariance(self, centre: np.ndarray) -> np.ndarray:
        """Return the covariance about `centre`, shape (terms, terms), whatever the share."""
        away = self.estimate - centre
        return np.einsum("n,nij->ij", self.weight, self.covariance + away[:, :, None] * away[:, None, :])


def variance_spread(
    design: np.ndarray,
    response: np.ndarray,
    dip: tuple[np.ndarray, np.ndarray],
    scatter: np.ndarray,
    share: float,
) -> VarianceSpread:
    """Fit at every share of scatter that the readings allow, about the likeliest (others as in ``fit_banded``)."""
    # Imported where it is used: a page that only shows results should not pay for it.
    from scipy import optimize

    def depth(angle: float) -> float:
        return restricted_likelihood(np.sin(angle) ** 2, design, response, dip, scatter)[0]

    best = float(np.arcsin(np.sqrt(share)))
    top = depth(best)

    def edge(end: float) -> float:
        if depth(end) - top > -_DEPTH:
            return end
        return optimize.brentq(lambda angle: depth(angle) - top + _DEPTH, best, end, xtol=1e-3)

    low, high = edge(0.0), edge(np.pi / 2)
    angle = low + (high - low) * (np.arange(_NODES) + 0.5) / _NODES
    fits = [restricted_likelihood(np.sin(a) ** 2, design, response, dip, scatter) for a in angle]
    likelihood = np.array([fit[0] for fit in fits])
    weight = np.exp(likelihood - likelihood.max())
    variance = np.array([fit[1] for fit in fits])
    shares = np.sin(angle) ** 2
    return VarianceSpread(
        weight=weight / weight.sum(),
        share=shares,
        estimate=np.array([fit[2] for fit in fits]),
        covariance=np.array([v * np.linalg.inv(fit[3]) for v, fit in zip(variance, fits, strict=True)]),
        dip_variance=variance * (1 - shares) / float(dip[0].mean()),
        scatter_variance=variance * shares / float(scatter.mean()),
        freedom=len(response) - design.shape[1],
    )


def half_width(
    away: np.ndarray, variance: np.ndarray, spread: VarianceSpread, level: float = 0.95
) -> np.ndarray:
    """Return the half width of intervals of probability `level` about the estimates.

    `away`, shape (nodes, any), is the mean of each quantity at each share, less the middle of its interval,
    `variance` its variance there.
    """
    sd = np.sqrt(np.maximum(variance, 1e-300))
    low = np.zeros(away.shape[1])
    high = (np.abs(away) + 2 * special.stdtrit(spread.freedom, 0.5 + level / 2) * sd).max(axis=0)
    # Every part of the mixture holds more than `level` within `high`, so halving finds where all do together.
    for _ in range(50):
        middle = (low + high) / 2
        inside = special.stdtr(spread.freedom, (middle - away) / sd)
        inside -= special.stdtr(spread.freedom, (-middle - away) / sd)
        enough = spread.weight @ inside >= level
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return high
