"""What is expected of a run by the runs before its week, and between which limits such runs lay."""

from __future__ import annotations

import numpy as np
from scipy import stats

__all__ = ["LEVEL", "expected_ratio", "past_limits", "poisson_limits"]

#: Share of runs that lie inside the limits.
LEVEL = 0.8
_WEEKS, _LEAST_WEEKS = 52, 13
#: Runs of the press that a title's own are drawn to it by; predictions that limits are taken from.
_DRAWN, _LEAST = 5.0, 40


def _window(values: np.ndarray, weeks: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return the sum of values over the 52 weeks before each run's, of its group; blank values count as nothing."""
    sums = np.zeros((int(weeks.max()) + 1, int(group.max()) + 1))
    np.add.at(sums, (weeks, group), np.nan_to_num(values))
    total = np.vstack([np.zeros(sums.shape[1]), np.cumsum(sums, axis=0)])
    return np.asarray(total[weeks, group] - total[np.maximum(weeks - _WEEKS, 0), group])


def expected_ratio(
    value: np.ndarray, size: np.ndarray, weeks: np.ndarray, group: np.ndarray, whole: np.ndarray
) -> np.ndarray:
    """Return the ratio of value to size that is expected of each run, by its group, drawn to the whole by few runs.

    Parameters
    ----------
    value, size : ndarray, shape (runs,)
        What is expected, and what it is in proportion to.
    weeks : ndarray of int, shape (runs,)
        Number of the week of each run.
    group, whole : ndarray of int, shape (runs,)
        Group of each run, and the larger one that it belongs to.

    Returns
    -------
    ndarray, shape (runs,)
        Blank in the first thirteen weeks, and where nothing of the larger group is known.
    """
    known = np.isfinite(value) & np.isfinite(size)
    value, size = np.where(known, value, 0.0), np.where(known, size, 0.0)
    own_sums, all_of_it = ((_window(value, weeks, key), _window(size, weeks, key)) for key in (group, whole))
    runs = _window(known.astype(float), weeks, whole)
    with np.errstate(divide="ignore", invalid="ignore"):
        usual = all_of_it[0] / all_of_it[1]
        drawn = _DRAWN * all_of_it[1] / runs
        ratio = (own_sums[0] + drawn * usual) / (own_sums[1] + drawn)
    return np.where((weeks >= _LEAST_WEEKS) & np.isfinite(ratio), ratio, np.nan)


def past_limits(
    value: np.ndarray, expected: np.ndarray, weeks: np.ndarray, group: np.ndarray, whole: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the limits of value over expected between which 80 of 100 runs of the year before lay.

    A run is held against those of its own group, since titles scatter differently (a long run takes a second set of
    plates, a short one never), and against its whole press where its group has fewer than forty.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(expected > 0, value / expected, np.nan)
    own, others = _ranks(ratio, weeks, group), _ranks(ratio, weeks, whole)
    low, high = np.where(np.isfinite(own), own, others)
    return low, high


def _ranks(ratio: np.ndarray, weeks: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return the limits by the 52 weeks before each run's, of its group, shape (2, runs); blank by fewer than forty."""
    limits = np.full((2, len(ratio)), np.nan)
    for one in np.unique(group):
        own = np.flatnonzero((group == one) & np.isfinite(ratio))
        order = own[np.argsort(weeks[own], kind="stable")]
        when = weeks[order]
        for week in np.unique(weeks[group == one]):
            first, last = np.searchsorted(when, [week - _WEEKS, week])
            count = last - first
            if count < _LEAST:
                continue
            past = np.sort(ratio[order[first:last]])
            # Of n past runs and a new one the new one is as likely to be of any rank.
            ends = np.clip((count + 1) * np.array([(1 - LEVEL) / 2, (1 + LEVEL) / 2]) - 1, 0, count - 1)
            limits[:, (group == one) & (weeks == week)] = np.interp(ends, np.arange(count), past)[:, None]
    return limits


def poisson_limits(expected: np.ndarray) -> np.ndarray:
    """Return the count that is exceeded in one of ten runs at most, by chance (Poisson)."""
    known = np.isfinite(expected)
    return np.where(
        known, stats.poisson.ppf((1 + LEVEL) / 2, np.where(known, np.maximum(expected, 0.0), 0.0)), np.nan
    )
