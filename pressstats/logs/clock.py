"""Wall time across a change of the clocks: which hours do not exist, which exist twice, and UTC."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

__all__ = ["exists_twice", "missing", "to_utc"]

_DAY = pd.Timedelta(days=1)


def missing(zone: ZoneInfo, times: np.ndarray) -> np.ndarray:
    """Return a mask of wall times in an hour that the clocks leapt over."""
    first = np.ones(len(times), dtype=bool)
    local = pd.DatetimeIndex(times).tz_localize(zone, ambiguous=first, nonexistent="NaT")
    return np.asarray(local.isna() & ~np.isnat(times))


def exists_twice(zone: ZoneInfo, times: np.ndarray) -> np.ndarray:
    """Return a mask of wall times in an hour that the clocks went through twice."""
    local = pd.DatetimeIndex(times).tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
    return np.asarray(local.isna() & ~np.isnat(times))


def to_utc(zone: ZoneInfo, times: np.ndarray, second: bool = False) -> np.ndarray:
    """Convert wall time to UTC, an hour that exists twice as its first or `second` occurrence.

    An hour that does not exist is read with the offset before the change, as PEP 495 does.
    """
    first = np.full(len(times), not second)
    wall = pd.DatetimeIndex(times)
    utc = wall.tz_localize(zone, ambiguous=first, nonexistent="NaT").tz_convert(None)
    # The day before has the offset from before the change.
    before = (wall - _DAY).tz_localize(zone, ambiguous=first, nonexistent="shift_forward").tz_convert(None)
    return utc.where(utc.notna(), before + _DAY).to_numpy(dtype="datetime64[us]")
