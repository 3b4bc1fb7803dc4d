"""When paper changed: from what single webs weighed more or less, changes by week and then their days."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from .shifts import date_shift, level_shifts

__all__ = ["Change", "changes_of"]

#: A row this many standard deviations off its neighbours is a slip of the log and dates nothing.
_SLIP, _NEIGHBOURS = 8.0, 15
#: Days either side of a change in which its day is looked for, and in which old and new paper may mix.
_DATING_DAYS, _MIXING_DAYS = 56, 28
#: Old paper is still about while three days lie this part of the change off their level.
_MIXED = 0.25


@dataclass(frozen=True)
class Change:
    """A lasting change: its first day, between which days (95 %) it began, and until when paper is mixed."""

    day: np.datetime64
    low: np.datetime64
    high: np.datetime64
    mixed_from: np.datetime64
    mixed_to: np.datetime64


def changes_of(date: np.ndarray, left: np.ndarray, area: np.ndarray, smallest: float) -> list[Change]:
    """Return the lasting changes in what a regression leaves over, in order of time.

    Each row has a `date`, what is `left` [kg] and an `area` [1000 m2]; a change below `smallest` [g/m2] is none.
    """
    sound = ~_slips(date, left / area)
    date, left, area = date[sound], left[sound], area[sound]
    week = (date.astype("datetime64[D]").astype(int) + 3) // 7
    weeks, week_of_row = np.unique(week, return_inverse=True)
    printed = np.bincount(week_of_row, area)
    level = np.bincount(week_of_row, left) / printed
    shifts = level_shifts(level, printed, weeks - weeks[0], smallest)
    places = _without_mixing(level, printed, weeks, [shift.place for shift in shifts])
    borders = [weeks[0], *weeks[places], weeks[-1] + 1]
    days = date.astype("datetime64[D]")
    dated = []
    for number in range(1, len(borders) - 1):
        begin = max((borders[number - 1] + 1) * 7 - 3, borders[number] * 7 - 3 - _DATING_DAYS)
        end = min(borders[number + 1] * 7 - 3, borders[number] * 7 - 3 + _DATING_DAYS)
        near = (days.astype(int) >= begin) & (days.astype(int) < end)
        dated.append(_dated(days[near], left[near], area[near]))
    return [change for change in dated if change is not None]


def _without_mixing(
    level: np.ndarray, printed: np.ndarray, weeks: np.ndarray, places: list[int]
) -> list[int]:
    """Return `places` without the lesser of two changes between which old and new paper ran side by side."""
    for number in range(len(places) - 1):
        first, second = places[number], places[number + 1]
        if weeks[second] - weeks[first] > _MIXING_DAYS // 7:
            continue
        edges = [0, *places, len(level)][number : number + 4]
        means = [np.average(level[a:b], weights=printed[a:b]) for a, b in pairwise(edges)]
        if (means[1] - means[0]) * (means[2] - means[1]) > 0:
            lesser = first if abs(means[1] - means[0]) < abs(means[2] - means[1]) else second
            rest = [week for week in places if week != lesser]
            return _without_mixing(level, printed, weeks, rest)
    return places


def _dated(day: np.ndarray, left: np.ndarray, area: np.ndarray) -> Change | None:
    """Return the one change of level within these days."""
    days, day_of_row = np.unique(day, return_inverse=True)
    if len(days) < 4:
        return None
    printed = np.bincount(day_of_row, area)
    level = np.bincount(day_of_row, left) / printed
    first, low, high = date_shift(level, printed)
    one_day = np.timedelta64(1, "D")
    before = np.average(level[:first], weights=printed[:first])
    after = np.average(level[first:], weights=printed[first:])
    last_mixed, first_mixed = max(high, first), min(low, first)
    off = (level - after) / (before - after)
    while last_mixed + 3 <= len(days) and days[last_mixed] < days[first] + _MIXING_DAYS * one_day:
        if off[last_mixed : last_mixed + 3].mean() < _MIXED:
            break
        last_mixed += 1
    while first_mixed >= 3 and days[first_mixed - 1] > days[first] - _MIXING_DAYS * one_day:
        if 1 - off[first_mixed - 3 : first_mixed].mean() < _MIXED:
            break
        first_mixed -= 1
    return Change(
        day=days[first],
        low=days[low - 1] + one_day,
        high=days[high],
        mixed_from=days[first_mixed - 1] + one_day,
        mixed_to=days[last_mixed] if last_mixed < len(days) else days[-1] + one_day,
    )


def _slips(date: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Say which rows lie far off their neighbours in time: a mount or a weight that was not logged."""
    order = np.argsort(date, kind="stable")
    ordered = pd.Series(level[order])
    earlier = ordered.rolling(_NEIGHBOURS, min_periods=3).median()
    # The same values backwards have the same median: that of a row and those after it stands at the last of them.
    later = earlier.shift(1 - _NEIGHBOURS)
    end = ordered[::-1][: _NEIGHBOURS - 1].rolling(_NEIGHBOURS, min_periods=3).median()
    later[end.index] = end
    # Beside a change a sound row is near its neighbours of one side alone.
    apart = pd.concat([ordered - earlier, ordered - later], axis=1).abs().min(axis=1)
    scatter = 1.4826 * apart.median()
    slips = np.zeros(len(level), dtype=bool)
    slips[order] = (apart > _SLIP * scatter).to_numpy() if scatter > 0 else False
    return slips
