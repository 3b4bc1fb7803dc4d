"""Regression of counts on factors, with exposure: Poisson, and negative binomial where that is not enough.

Cells that share a cluster (reels of one delivery) share what nobody measured. The negative binomial
model here gives each cluster one gamma distributed factor of mean 1, shared by all its cells: with one
cell a cluster it is the ordinary negative binomial regression.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

__all__ = ["DISPERSED", "CountFit", "chance_of_dispersion", "count_regression"]

_STEPS = 60
_NEAR = 0.05
#: A spread among clusters is modelled where chance alone would show it this rarely.
DISPERSED = 0.05


@dataclass(frozen=True)
class CountFit:
    """A fitted regression of counts.

    `coefficients` are effects on the logarithm of the rate, `shape` is k of the clusters' gamma factor (variance 1/k;
    infinite for ``Poisson``), `deviance` that of a Poisson fit (else blank), `degrees` cells less columns,
    `p_dispersion` how often chance alone spreads the clusters so far, `expected` the counts of the cells.
    """

    coefficients: pd.Series
    covariance: pd.DataFrame
    family: str
    shape: float
    log_likelihood: float
    deviance: float
    degrees: int
    p_dispersion: float
    expected: np.ndarray

    def contrast(self, weights: np.ndarray) -> tuple[float, float]:
        """Return a sum of the coefficients times `weights`, shape (columns,), and its standard error."""
        value = float(self.coefficients.to_numpy() @ weights)
        return value, float(np.sqrt(weights @ self.covariance.to_numpy() @ weights))


def count_regression(
    events: np.ndarray,
    design: pd.DataFrame,
    exposure: np.ndarray | None = None,
    cluster: np.ndarray | None = None,
    family: str = "",
) -> CountFit:
    """Fit counts to a log-linear rate; raise LinAlgError if columns of the design cannot be told apart.

    `exposure` is above 0 (1 without it), `cluster` numbers the cluster of each cell from 0 (each its own without it).
    An empty `family` takes ``negative binomial`` where the clusters spread more than chance allows in 19 of 20 cases,
    else ``Poisson``.

    Maximum likelihood by Fisher scoring. With a gamma factor g of shape k for each cluster, given the counts the
    factor has mean (k + Y) / (k + M), Y and M being the cluster's count and expectation; the shape maximises the
    likelihood in which the effects are fitted anew.
    """
    y = np.asarray(events, dtype=float)
    x = design.to_numpy(dtype=float)
    size = np.ones(len(y)) if exposure is None else np.asarray(exposure, dtype=float)
    group = np.arange(len(y)) if cluster is None else np.unique(cluster, return_inverse=True)[1]
    # Cells of a cluster stand together, so that they are added up in one pass over all columns.
    order = np.argsort(group, kind="stable")
    y, x, size, group = y[order], x[order], size[order], group[order]
    start = np.zeros(x.shape[1])
    beta, expected = _fit(y, x, size, group, np.inf, start)
    p_dispersion = chance_of_dispersion(y, expected, group)
    shape = np.inf
    if family == "negative binomial" or (family == "" and p_dispersion < DISPERSED):
        shape = _shape(y, x, size, group, beta)
        beta, expected = _fit(y, x, size, group, shape, beta)
    information = _information(x, expected, group, shape)
    labels = design.columns
    ratio = np.where(y > 0, y / np.where(expected > 0, expected, 1.0), 1.0)
    deviance = float(2 * (y * np.log(ratio) - (y - expected)).sum()) if np.isinf(shape) else np.nan
    return CountFit(
        coefficients=pd.Series(beta, labels),
        covariance=pd.DataFrame(np.linalg.inv(information), labels, labels),
        family="Poisson" if np.isinf(shape) else "negative binomial",
        shape=float(shape),
        log_likelihood=_log_likelihood(y, expected, group, shape),
        deviance=deviance,
        degrees=len(y) - x.shape[1],
        p_dispersion=p_dispersion,
        expected=expected[np.argsort(order)],
    )


def chance_of_dispersion(events: np.ndarray, expected: np.ndarray, cluster: np.ndarray) -> float:
    """Return how often Poisson counts alone would spread the clusters about their expectation so far (one-sided).

    Score test against a gamma factor of each cluster (Dean 1992, Journal of the American Statistical Association
    87:451; from memory).
    """
    count = np.bincount(cluster, weights=events)
    mean = np.bincount(cluster, weights=expected)
    spread = 2 * (mean**2).sum()
    if spread <= 0:
        return 1.0
    return float(special.ndtr(-((count - mean) ** 2 - count).sum() / np.sqrt(spread)))


def _fit(
    y: np.ndarray, x: np.ndarray, size: np.ndarray, group: np.ndarray, shape: float, start: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    beta = start.copy()
    if not beta.any():
        # A constant that gives the overall rate; least squares finds it whichever column holds it.
        rate = np.log(max(y.sum(), 0.5) / size.sum())
        beta = np.linalg.lstsq(x.T @ x, x.T @ np.full(len(y), rate), rcond=None)[0]
    value, expected = _value(y, x, size, group, shape, beta)
    information, longest = np.empty(0), np.inf
    for _ in range(_STEPS):
        factor = 1.0 if np.isinf(shape) else _factor(y, expected, group, shape)[group]
        # Near the top the information hardly changes from step to step.
        if longest > _NEAR:
            information = _information(x, expected, group, shape)
        step = np.linalg.solve(information, x.T @ (y - factor * expected))
        longest = float(np.abs(step).max())
        scale = 1.0
        while True:
            trial = beta + scale * step
            new, means = _value(y, x, size, group, shape, trial)
            if new >= value - 1e-12 * abs(value) or scale < 1e-4:
                break
            scale /= 2
        beta, expected, gain, value = trial, means, new - value, new
        if abs(gain) < 1e-10 * (abs(value) + 1) and longest < 1e-6:
            break
    return beta, expected


def _value(
    y: np.ndarray, x: np.ndarray, size: np.ndarray, group: np.ndarray, shape: float, beta: np.ndarray
) -> tuple[float, np.ndarray]:
    # Beyond this the rate has no meaning; it keeps a level without events finite.
    expected = size * np.exp(np.clip(x @ beta, -30, 30))
    return _log_likelihood(y, expected, group, shape), expected


def _factor(y: np.ndarray, expected: np.ndarray, group: np.ndarray, shape: float) -> np.ndarray:
    return (shape + np.bincount(group, weights=y)) / (shape + np.bincount(group, weights=expected))


def _information(x: np.ndarray, expected: np.ndarray, group: np.ndarray, shape: float) -> np.ndarray:
    weighted = x * expected[:, None]
    whole: np.ndarray = x.T @ weighted
    if np.isinf(shape):
        return whole
    sums = np.add.reduceat(weighted, np.flatnonzero(np.diff(group, prepend=-1)))
    return whole - sums.T @ (sums / (shape + np.bincount(group, weights=expected))[:, None])


def _log_likelihood(y: np.ndarray, expected: np.ndarray, group: np.ndarray, shape: float) -> float:
    cells = (special.xlogy(y, expected) - special.gammaln(y + 1)).sum()
    if np.isinf(shape):
        return float(cells - expected.sum())
    count = np.bincount(group, weights=y)
    mean = np.bincount(group, weights=expected)
    clusters = special.gammaln(shape + count) - special.gammaln(shape) - count * np.log(shape + mean)
    return float(cells + (clusters - shape * np.log1p(mean / shape)).sum())


def _shape(y: np.ndarray, x: np.ndarray, size: np.ndarray, group: np.ndarray, start: np.ndarray) -> float:
    from scipy import optimize

    beta = start

    def loss(log_variance: float) -> float:
        nonlocal beta
        shape = float(np.exp(-log_variance))
        beta, expected = _fit(y, x, size, group, shape, beta)
        return -_log_likelihood(y, expected, group, shape)

    best = optimize.minimize_scalar(loss, bounds=(-12, 5), method="bounded", options={"xatol": 1e-7})
    return float(np.exp(-best.x))
