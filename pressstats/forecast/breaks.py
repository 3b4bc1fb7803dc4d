"""Where the level of a series changed for good, and which values are slips.

A shift is a single step much larger than the series' usual ones whose new level lasts; a slip is a value far
from those before and after it, which agree. Slips are drawn back, and what came before a shift is moved to the
new level, so that trends and seasons are not learnt from them.
"""

from __future__ import annotations

import numpy as np

from .preparing import median_of_known

__all__ = ["level_shifts", "settled"]

#: Steps on both sides that a shift must last for. Half the least: MSIS +.2 %; else half or double tells nothing.
_SPAN = 8
_SPAN_LEAST = 4
#: A step counts as a shift beyond this many robust standard deviations of the usual ones, and as many times what all
#: but a tenth of them do not exceed. Without shifts MASE -.1 % (-.3 to +.1), MSIS -.7 % (-1.9 to 0): the sets hold
#: few; it is for lasting changes of a plant.
_SHIFT = 6.0
_SHIFT_LARGE = 3.0
#: Steps that must be known to tell which are usual. Half or double tells nothing.
_STEPS_LEAST = 24
#: Share of the step that the means on both sides must differ by. At half MSIS +.8 %.
_LASTS = 0.7
#: A value counts as a slip beyond this many robust standard deviations of usual departures. Without slips MASE +.3 %
#: (0 to +.5), MSIS -.6 %.
_SLIP = 5.0


def settled(values: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Return series without slips, their past moved to the level after the last shift."""
    calm = _without_slips(values, seen)
    jumps = level_shifts(calm, seen)
    later = jumps[:, ::-1].cumsum(axis=1)[:, ::-1]
    # What lies before a jump is moved by it: the sum of all jumps after the step.
    moved = np.concatenate([later[:, 1:], np.zeros((len(values), 1))], axis=1)
    return calm + moved


def level_shifts(values: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Return the size of a lasting shift at its first step, else 0, shape (series, times)."""
    count, times = values.shape
    result = np.zeros_like(values)
    if times < 2 * _SPAN_LEAST + 2:
        return result
    known = seen.astype(float)
    steps = np.diff(values, axis=1, prepend=values[:, :1])
    usual = _spread(steps[:, 1:], seen[:, 1:])
    large = _nine_tenths(np.where(seen[:, 1:], np.abs(steps[:, 1:]), np.nan))
    usual = np.where(seen.sum(axis=1) > _STEPS_LEAST, usual, 0.0)
    total = np.concatenate([np.zeros((count, 1)), (values * known).cumsum(axis=1)], axis=1)
    number = np.concatenate([np.zeros((count, 1)), known.cumsum(axis=1)], axis=1)
    places = np.arange(times)
    first, last = np.maximum(places - _SPAN, 0), np.minimum(places + _SPAN, times)
    before_n, after_n = number[:, places] - number[:, first], number[:, last] - number[:, places]
    before = (total[:, places] - total[:, first]) / np.maximum(before_n, 1)
    after = (total[:, last] - total[:, places]) / np.maximum(after_n, 1)
    lasting = (after - before) * np.sign(steps)
    shift = (np.abs(steps) > _SHIFT * usual[:, None]) & (usual[:, None] > 0)
    shift &= np.abs(steps) > _SHIFT_LARGE * large[:, None]
    shift &= (lasting > _LASTS * np.abs(steps)) & (before_n >= _SPAN_LEAST) & (after_n >= _SPAN_LEAST)
    return np.where(shift, after - before, 0.0)


def _without_slips(values: np.ndarray, seen: np.ndarray) -> np.ndarray:
    if values.shape[1] < 5:
        return values.copy()
    middle = (values[:, :-2] + values[:, 2:]) / 2
    away = values[:, 1:-1] - middle
    usual = _spread(away, seen[:, 1:-1])[:, None]
    apart = np.abs(values[:, 2:] - values[:, :-2])
    slip = (np.abs(away) > _SLIP * usual) & (apart < np.abs(away) / 2) & (usual > 0)
    result = values.copy()
    result[:, 1:-1] = np.where(slip, middle + np.sign(away) * 2.0 * usual, values[:, 1:-1])
    return result


def _spread(values: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Return the robust standard deviation of known values about their median, shape (series,)."""
    known = np.where(seen, values, np.nan)
    known[~seen.any(axis=1)] = 0.0
    middle = median_of_known(known)[:, None]
    return 1.4826 * median_of_known(np.abs(known - middle))


def _nine_tenths(values: np.ndarray) -> np.ndarray:
    """Return what nine tenths of the known values of each row do not exceed, shape (series,), as numpy.nanquantile."""
    ordered, last = np.sort(values, axis=1), np.isfinite(values).sum(axis=1) - 1
    rank = 0.9 * last
    below = np.maximum(np.floor(rank).astype(int), 0)
    share, rows = rank - below, np.arange(len(values))
    low, high = ordered[rows, below], ordered[rows, np.minimum(below + 1, np.maximum(last, 0))]
    apart = high - low
    return np.where(share < 0.5, low + apart * share, high - apart * (1 - share))
