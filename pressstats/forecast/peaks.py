"""Which narrow peaks and dips come back by date? Those of Christmas, which harmonics are too smooth for.

What level, trend and smooth season leave at the same dates of all years known, one or more, is expected again
as far as it is larger than chance (an empirical Bayes mean: Efron & Morris 1973, *Journal of the American
Statistical Association* 68:117). How large peaks of a date are is judged from all series that are known
together, so that one odd value of one series is no season; how large this series' own is, by kriging between
dates, which fall on other days of the week each year (Rasmussen & Williams 2006, *Gaussian Processes for
Machine Learning*, section 2.2).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from .preparing import median_of_known

__all__ = ["peaks"]

#: Mean square that is put down to chance, in units of what chance makes: the largest of all dates strikes. Without
#: peaks MASE +6.3 %, MSIS +13 %.
_CAUTION = 2.0
#: Departures count up to this many standard deviations in judging a date, so that one slip makes no peak. At half MSIS
#: +1.6 %.
_SLIP = 4.0
#: Distance in the year at which peaks are still rather alike [steps]. At half MASE +.2 % (-.2 to +.7), sums -6.9 %,
#: double +.5, -.6 %.
_ALIKE = 0.5
#: Mean absolute value of a standard normal variable.
_MEAN_SIZE = np.sqrt(2.0 / np.pi)


def peaks(
    rest: np.ndarray, seen: np.ndarray, period: float, horizon: int, groups: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what comes back by date."""
    times = rest.shape[1]
    apart = _apart(times, horizon, period)
    near = np.maximum(1.0 - apart[:times], 0.0)
    number = seen.astype(float) @ near
    mean = np.where(seen, rest, 0.0) @ near / np.maximum(number, 0.5)
    noise = _spread(rest, seen)[:, None]
    known = (number > 0.5) & (noise > 0)
    number = np.maximum(number, 1.0)
    size = np.abs(mean) * np.sqrt(number) / np.where(noise > 0, noise, 1.0)
    size = _neighbours(np.where(known, np.minimum(size, _SLIP), 0.0), period)
    dates_known = _neighbours(known.astype(float), period)
    codes = pd.factorize(groups)[0]
    sums, counts = (np.zeros((codes.max(initial=0) + 1, times + horizon)) for _ in range(2))
    np.add.at(sums, codes, size)
    np.add.at(counts, codes, dates_known)
    strength = (sums / np.maximum(counts, 1e-9) / _MEAN_SIZE)[codes] ** 2
    power = np.where(known, np.maximum(strength - _CAUTION, 0.0) / number, 0.0)
    alike = np.exp(-0.5 * (apart / _ALIKE) ** 2)
    terms = _expected(np.where(seen, rest, 0.0), seen, np.sqrt(power), alike)
    spent = np.where(seen, (power / (1.0 + number * power))[:, :times], 0.0).sum(axis=1)
    return terms, np.maximum(strength, 1.0), spent


def _expected(rest: np.ndarray, seen: np.ndarray, size: np.ndarray, alike: np.ndarray) -> np.ndarray:
    """Return the expected peaks given what is left, shape as `size`.

    Peaks are normal variables of the given size in units of the noise, alike as dates are near (kriging).
    """
    times = rest.shape[1]
    result = np.zeros_like(size)
    some = np.asarray((size > 0).any(axis=0))
    past = np.flatnonzero(some[:times])
    if not len(past):
        return result
    ahead = np.flatnonzero(some)
    scale = size[:, past] * seen[:, past]
    covariance = scale[:, :, None] * alike[np.ix_(past, past)] * scale[:, None, :]
    covariance[:, np.arange(len(past)), np.arange(len(past))] += 1.0
    weights = np.linalg.solve(covariance, rest[:, past, None])[:, :, 0]
    result[:, ahead] = size[:, ahead] * ((scale * weights) @ alike[np.ix_(past, ahead)])
    return result


def _apart(times: int, horizon: int, period: float) -> np.ndarray:
    """Return how far steps lie apart in the year, shape (times + horizon, times + horizon)."""
    steps = np.arange(times + horizon)
    away = (steps[:, None] - steps[None, :] + period / 2.0) % period
    return np.asarray(np.abs(away - period / 2.0))


def _neighbours(values: np.ndarray, period: float) -> np.ndarray:
    """Return sums over a date and half of those a week to both sides, shape as `values`."""
    reach = max(1, round(period / 52))
    padded = np.pad(values, ((0, 0), (reach, reach)))
    times = values.shape[1]
    return padded[:, reach : reach + times] + 0.5 * (padded[:, :times] + padded[:, 2 * reach :])


def _spread(rest: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Return the robust standard deviation of what is left, shape (series,)."""
    size = np.where(seen, np.abs(rest), np.nan)
    size[~seen.any(axis=1)] = 0.0
    return 1.4826 * median_of_known(size)
