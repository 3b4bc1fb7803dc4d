"""Days of the calendar that several parts of the plant ask for."""

from __future__ import annotations

import datetime as dt

__all__ = ["DAY", "WEEK", "workday"]

DAY = dt.timedelta(days=1)
WEEK = dt.timedelta(days=7)


def workday(day: dt.date) -> dt.date:
    """Return `day`, or the Monday after it when it falls on a weekend."""
    return day + (7 - day.weekday()) * DAY if day.weekday() >= 5 else day
