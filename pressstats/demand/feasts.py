"""Days about Christmas and Easter as regressors: weeks of advertising before them, days of little after them.

They are dates, not weeks of the year: Christmas wanders over the weekdays, Easter over five weeks. Each term is one
on a day and falls to nothing towards its neighbours, so that what one or two years tell of a title is drawn as a line
through a few points. Nothing is assumed of their sign: where a feast is not kept, they come out as nothing.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
from dateutil.easter import easter

__all__ = ["TERMS", "feast_terms"]

#: Days from Christmas Day at which terms before and after it have their peaks; each falls to nothing at the next, the
#: outermost at `_CHRISTMAS_ENDS`. What is before says nothing of what is after.
_BEFORE, _AFTER = np.array([-36, -24, -17, -11, -6, -1]), np.array([0, 6, 12])
_CHRISTMAS_ENDS = (-48, 16)
#: Days from Easter Sunday between which a term is one.
_EASTER = ((-10, -4), (-3, 0), (1, 7))
TERMS = len(_BEFORE) + len(_AFTER) + len(_EASTER)


def feast_terms(days: np.ndarray) -> np.ndarray:
    """Return the terms of Christmas and Easter, shape (days, TERMS), from 0 to 1."""
    if not len(days):
        return np.zeros((0, TERMS))
    years = range(int(str(days.min())[:4]) - 1, int(str(days.max())[:4]) + 2)
    to_christmas = _nearest(days, [dt.date(year, 12, 25) for year in years])
    to_easter = _nearest(days, [easter(year) for year in years])
    first, last = _CHRISTMAS_ENDS
    before = [_tent(to_christmas, knot, _BEFORE, first, 0) for knot in range(len(_BEFORE))]
    after = [_tent(to_christmas, knot, _AFTER, -1, last) for knot in range(len(_AFTER))]
    about = [(to_easter >= since) & (to_easter <= until) for since, until in _EASTER]
    return np.column_stack([*before, *after, *about]).astype(float)


def _nearest(days: np.ndarray, feasts: list[dt.date]) -> np.ndarray:
    """Return days since the nearest feast; negative before it."""
    away = (days[:, None] - np.array(feasts, dtype="datetime64[D]")).astype(int)
    return np.asarray(away[np.arange(len(days)), np.abs(away).argmin(axis=1)])


def _tent(to: np.ndarray, peak: int, knots: np.ndarray, first: int, last: int) -> np.ndarray:
    """Return 1 at a knot, falling to 0 at those beside it."""
    points = np.array([first, *knots, last], dtype=float)
    heights = np.zeros(len(points))
    heights[peak + 1] = 1.0
    return np.asarray(np.interp(to, points, heights))
