"""Pages of a booked issue, weighed: what bookings of that kind came to, and how many its title usually has that day.

Where sixteen pages are printed every day, a booking of 24 mostly means 16; before Christmas, when 24 are often printed,
it means what it says. Bayes' rule tells how much.
"""

from __future__ import annotations

import numpy as np

__all__ = ["on_levels", "weighed_pages"]

#: Share of issues that may have any number of pages, whatever is usual (`bench_demand.py december`).
_ANY = 0.005
#: Bookings of issues with as many pages that weigh as much as all of a title's.
_KERNEL_WEIGHT = 8.0
#: Bookings that are added to those off by any number of steps: what was not seen yet is not impossible.
_UNSEEN = 0.25


def on_levels(pages: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Return draws moved to the pages that a title can have, the mean of each row kept, shape of `pages`.

    A draw between two levels falls on the upper one as often as it is near to it: 17 of steps of eight is 24 pages
    one time in eight.

    Parameters
    ----------
    pages : ndarray, shape (issues, draws)
        Equally likely numbers of pages.
    levels : ndarray, shape (levels,)
        Numbers of pages that a title can have, rising.
    """
    if len(levels) < 2:
        return np.full_like(pages, levels[0]) if len(levels) else pages
    inside = np.clip(pages, levels[0], levels[-1])
    below = np.clip(np.searchsorted(levels, inside, side="right") - 1, 0, len(levels) - 2)
    part = (inside - levels[below]) / (levels[below + 1] - levels[below])
    # Of draws in a row one in so many goes up as their parts add up to.
    sums = np.floor(np.cumsum(part, axis=1) + 0.5)
    up = np.diff(sums, axis=1, prepend=0.0) > 0
    return np.asarray(np.where(up, levels[below + 1], levels[below]))


def weighed_pages(
    usual: np.ndarray, booked: np.ndarray, came: np.ndarray, came_booked: np.ndarray, levels: np.ndarray
) -> np.ndarray:
    """Return equally likely numbers of pages of booked issues, shape (issues, draws).

    Parameters
    ----------
    usual : ndarray, shape (issues, draws)
        Equally likely pages of those issues for one who knows of no booking.
    booked : ndarray, shape (issues,)
        Pages booked.
    came, came_booked : ndarray, shape (past,)
        Pages that past issues came to, and that were booked of them as long before.
    levels : ndarray, shape (levels,)
        Numbers of pages that the title has had, rising.
    """
    step = float(np.diff(levels).min()) if len(levels) > 1 else 1.0
    may = np.unique(np.concatenate([levels, booked]))
    off = _off(came, came_booked, may, booked, step)
    draws = usual.shape[1]
    usual = on_levels(usual, levels)
    prior = (usual[:, :, None] == may).mean(axis=1) * (1 - _ANY) + _ANY / len(may)
    weight = prior * off
    weight /= weight.sum(axis=1, keepdims=True)
    ends = np.cumsum(weight, axis=1)
    middle = (np.arange(draws) + 0.5) / draws
    column = (ends[:, None, :] < middle[:, None]).sum(axis=2)
    return np.asarray(may[np.minimum(column, len(may) - 1)])


def _off(
    came: np.ndarray, came_booked: np.ndarray, may: np.ndarray, booked: np.ndarray, step: float
) -> np.ndarray:
    """Return how likely each booking is of an issue of so many pages, shape (issues, pages that it may have).

    By the steps that bookings of issues with as many pages were off; of few of them by those of all, which miss by a
    step more as often as by one less: the least that a title can have hides half of them.
    """
    missed = np.round((came_booked - came) / step).astype(int)
    now = np.round((booked[:, None] - may) / step).astype(int)
    most = int(max(np.abs(missed).max(), np.abs(now).max()))
    count = np.bincount(missed + most, minlength=2 * most + 1).astype(float)
    every = (count + count[::-1]) / 2 + _UNSEEN
    every /= every.sum()
    likely = np.empty((len(may), 2 * most + 1))
    for row, pages in enumerate(may):
        own = np.bincount(missed[came == pages] + most, minlength=2 * most + 1)
        likely[row] = (own + _KERNEL_WEIGHT * every) / (own.sum() + _KERNEL_WEIGHT)
    return np.asarray(likely[np.arange(len(may)), now + most])
