"""Means of groups drawn together: a mixed model that lets groups differ, as far as the readings say so.

A group with nine readings has a mean too, but little to say: it is drawn towards the others by as
much as its own readings are uncertain. A group is named only where the others do not lead one to
expect its like.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

__all__ = ["PooledMeans", "pooled_means"]

_GRID = 120


class PooledMeans:
    """Groups' means, each alone and drawn together.

    `table`, the highest pooled mean first, has level, count, mean, std_error, pooled, pooled_low, pooled_high (95 %),
    p_value (one-sided: how often a further group like the others would have so high a mean), spread (standard
    deviation of readings). `centre` and `between` are mean and standard deviation of the groups' true means.
    """

    def __init__(self, table: pd.DataFrame, centre: float, between: float) -> None:
        self.table, self.centre, self.between = table, centre, between

    def named(self, chance: float, above: float = -np.inf) -> pd.DataFrame:
        """Return the rows of groups that stand out.

        `chance` is how often groups that are all alike may have one named; the lower limit of the pooled mean must
        lie `above` something: what is certain may still not matter.
        """
        high = self.table["p_value"] <= chance / max(len(self.table), 1)
        return self.table[high & (self.table["pooled_low"] > above)]


def pooled_means(
    values: np.ndarray, groups: pd.Series | np.ndarray, *, equal_spread: bool = False, judged: bool = True
) -> PooledMeans:
    """Return means of groups from a mixed model with a random effect of the group; blank readings are left out.

    Each group has a spread of readings of its own, drawn towards the common one as far as readings allow, unless it
    is an `equal_spread`. Where p-values are `judged` each group is compared with all others, which takes long for
    thousands.

    Given variances of the groups' means, the spread between groups is found by restricted maximum likelihood; pooled
    means and their limits are averaged over the spreads that the likelihood allows, so that few groups are not taken
    for alike because they happen to be. The p-value of a group compares its mean with what all other groups lead one
    to expect of a further one, averaged over those spreads too. Spreads of groups are drawn together as in Smyth
    (2004), Statistical Applications in Genetics and Molecular Biology 3:3 (from memory). Linear in the readings.
    """
    reading = np.asarray(values, dtype=float)
    code, names = pd.factorize(pd.Series(groups), sort=True)
    known = np.isfinite(reading) & (code >= 0)
    code, reading = code[known], reading[known]
    count = np.bincount(code, minlength=len(names)).astype(float)
    mean = np.bincount(code, weights=reading, minlength=len(names)) / np.maximum(count, 1)
    squares = np.bincount(code, weights=(reading - mean[code]) ** 2, minlength=len(names))
    present = count > 0
    names, count, mean, squares = names[present], count[present], mean[present], squares[present]
    table = pd.DataFrame({"level": names, "count": count, "mean": mean})
    if not len(table):
        empty = ["std_error", "pooled", "pooled_low", "pooled_high", "p_value", "spread"]
        return PooledMeans(table.assign(**dict.fromkeys(empty, np.nan)), np.nan, np.nan)
    variance = _variances(squares, count - 1, equal_spread)
    # Readings that are all the same (entered by habit, not weighed) still have some error.
    variance = np.maximum(variance, (1e-6 * max(float(np.abs(mean).max()), 1e-6)) ** 2)
    error = variance / count
    between, centre, pooled, deviation = _draw_together(mean, error)
    table["std_error"] = np.sqrt(error)
    table["pooled"] = pooled
    table["pooled_low"] = pooled + special.ndtri(0.025) * deviation
    table["pooled_high"] = pooled + special.ndtri(0.975) * deviation
    table["p_value"] = [
        _like_the_others(group, mean, error) if judged else np.nan for group in range(len(mean))
    ]
    table["spread"] = np.sqrt(variance)
    table = table.sort_values("pooled", ascending=False, kind="stable", ignore_index=True)
    return PooledMeans(table, centre, between)


def _variances(squares: np.ndarray, degrees: np.ndarray, equal: bool) -> np.ndarray:
    """Return the variance of a reading in each group."""
    total = degrees.sum()
    common = squares.sum() / total if total else np.nan
    enough = (degrees >= 2) & (squares > 0)
    if equal or enough.sum() < 3:
        return np.full(len(squares), common)
    # The logarithm of a sample variance has a known mean and variance about that of the true one.
    half = degrees[enough] / 2
    log = np.log(squares[enough] / degrees[enough]) - special.digamma(half) + np.log(half)
    excess = log.var(ddof=1) - special.polygamma(1, half).mean()
    if excess <= 1e-4:
        return np.full(len(squares), common)
    weight = 2 * _inverse_trigamma(float(excess))
    usual = np.exp(log.mean() + special.digamma(weight / 2) - np.log(weight / 2))
    drawn: np.ndarray = (weight * usual + squares) / (weight + degrees)
    return drawn


def _inverse_trigamma(value: float) -> float:
    """Return x with trigamma(x) = `value`, by Newton's method on the reciprocal."""
    x = 0.5 + 1 / value
    for _ in range(50):
        trigamma = float(special.polygamma(1, x))
        step = trigamma * (1 - trigamma / value) / float(special.polygamma(2, x))
        x += step
        if abs(step) < 1e-10 * x:
            break
    return x


def _restricted(mean: np.ndarray, error: np.ndarray, between: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the restricted log-likelihood and the centre at each spread between groups."""
    weight = 1 / (between[:, None] ** 2 + error)
    total = weight.sum(axis=1)
    centre = (weight * mean).sum(axis=1) / total
    squares = (weight * (mean - centre[:, None]) ** 2).sum(axis=1)
    return 0.5 * (np.log(weight).sum(axis=1) - np.log(total) - squares), centre


def _spread(mean: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Return a grid of spreads between groups, its likelihood weights, the centres, and the best spread."""
    widest = max(4 * float(mean.std()), 4 * float(np.sqrt(error.max())), 1e-9)
    # Finer near nothing, where a small spread matters.
    grid = widest * (np.arange(_GRID) / (_GRID - 1)) ** 2
    value, centre = _restricted(mean, error, grid)
    best = int(value.argmax())
    fine = np.linspace(grid[max(best - 1, 0)], grid[min(best + 1, _GRID - 1)], 400)
    likely = float(fine[_restricted(mean, error, fine)[0].argmax()])
    # The prior is uniform in the spread itself: each point stands for the stretch about it.
    weight = np.exp(value - value.max()) * np.gradient(grid)
    return grid, weight / weight.sum(), centre, likely


def _draw_together(mean: np.ndarray, error: np.ndarray) -> tuple[float, float, np.ndarray, np.ndarray]:
    """Return the spread between groups, their centre, pooled means and their standard deviations."""
    if len(mean) < 3:
        # Two groups cannot tell how far groups differ: each keeps its own mean.
        alone = float((mean / error).sum() / (1 / error).sum())
        return np.nan, alone, mean.copy(), np.sqrt(error)
    grid, weight, centre, likely = _spread(mean, error)
    whole = grid[:, None] ** 2 + error
    own = grid[:, None] ** 2 / whole
    pooled = own * mean + (1 - own) * centre[:, None]
    variance = own * error + (1 - own) ** 2 / (1 / whole).sum(axis=1)[:, None]
    average = weight @ pooled
    spread = np.sqrt(weight @ (variance + pooled**2) - average**2)
    _, best_centre = _restricted(mean, error, np.array([likely]))
    return likely, float(best_centre[0]), average, spread


def _like_the_others(group: int, mean: np.ndarray, error: np.ndarray) -> float:
    """Return how often a further group like the others would have so high a mean (one-sided)."""
    others = np.arange(len(mean)) != group
    if others.sum() < 2:
        return np.nan
    rest, noise = mean[others], error[others]
    grid, weight, centre, _ = _spread(rest, noise)
    precision = 1 / (grid[:, None] ** 2 + noise)
    # A further group is drawn from among the others; its readings, and theirs, have errors of their own.
    variance = grid**2 + error[group] + 1 / precision.sum(axis=1)
    return float(weight @ special.ndtr(-(mean[group] - centre) / np.sqrt(variance)))
