"""Wall time across a change of the clocks: which hours do not exist, which exist twice, and UTC."""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

__all__ = ["changes", "exists_twice", "missing", "to_utc"]

#: A change of the clocks: moment in UTC, offset before, offset after.
Change = tuple[np.datetime64, np.timedelta64, np.timedelta64]


def _offset(zone: ZoneInfo, moment: dt.datetime) -> dt.timedelta:
    return moment.replace(tzinfo=dt.UTC).astimezone(zone).utcoffset() or dt.timedelta(0)


def _change_between(zone: ZoneInfo, early: dt.datetime, late: dt.datetime) -> dt.datetime:
    """Return the first second with the later offset."""
    after = _offset(zone, late)
    while late - early > dt.timedelta(seconds=1):
        middle = early + dt.timedelta(seconds=int((late - early).total_seconds()) // 2)
        early, late = (early, middle) if _offset(zone, middle) == after else (middle, late)
    return late


@lru_cache(maxsize=8)
def changes(zone: ZoneInfo, first_year: int, last_year: int) -> tuple[Change, ...]:
    """Return the changes of the clocks from a year to another, both included.

    Looked for in steps of a week, so two changes within one week that undo each other are not seen.
    """
    out: list[Change] = []
    moment, end = dt.datetime(first_year, 1, 1), dt.datetime(last_year + 1, 1, 1)
    before = _offset(zone, moment)
    while moment < end:
        later = moment + dt.timedelta(days=7)
        after = _offset(zone, later)
        if after != before:
            change = _change_between(zone, moment, later)
            out.append(
                (np.datetime64(change, "us"), np.timedelta64(before, "us"), np.timedelta64(after, "us"))
            )
        moment, before = later, after
    return tuple(out)


def _changes_around(zone: ZoneInfo, times: np.ndarray) -> tuple[Change, ...]:
    known = times[~np.isnat(times)]
    if not len(known):
        return ()
    first, last = (int(str(day.astype("datetime64[Y]"))) for day in (known.min(), known.max()))
    return changes(zone, first, last)


def _within(times: np.ndarray, spans: list[tuple[np.datetime64, np.datetime64]]) -> np.ndarray:
    if not spans:
        return np.zeros(len(times), dtype=bool)
    starts, ends = (np.array(side) for side in zip(*spans, strict=True))
    at = np.searchsorted(starts, times, side="right") - 1
    inside: np.ndarray = (at >= 0) & (times < ends[np.maximum(at, 0)])
    return inside


def missing(zone: ZoneInfo, times: np.ndarray) -> np.ndarray:
    """Return a mask of wall times in an hour that the clocks leapt over."""
    spans = [(when + old, when + new) for when, old, new in _changes_around(zone, times) if new > old]
    return _within(times, spans)


def exists_twice(zone: ZoneInfo, times: np.ndarray) -> np.ndarray:
    """Return a mask of wall times in an hour that the clocks went through twice."""
    spans = [(when + new, when + old) for when, old, new in _changes_around(zone, times) if new < old]
    return _within(times, spans)


def to_utc(zone: ZoneInfo, times: np.ndarray, second: bool = False) -> np.ndarray:
    """Convert wall time to UTC, an hour that exists twice as its first or `second` occurrence.

    An hour that does not exist is read with the offset before the change, as PEP 495 does.
    """
    around = _changes_around(zone, times)
    known = times[~np.isnat(times)]
    if not len(known):
        return times
    if not around:
        return times - np.timedelta64(_offset(zone, known.min().astype(dt.datetime)), "us")
    pick = min if second else max
    switches = np.array([when + pick(old, new) for when, old, new in around])
    offsets = np.array([around[0][1], *(new for _, _, new in around)])
    utc: np.ndarray = times - offsets[np.searchsorted(switches, times, side="right")]
    return utc
