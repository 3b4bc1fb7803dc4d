"""Days of the calendar that several parts of the plant ask for."""

from __future__ import annotations

import datetime as dt

__all__ = ["DAY", "WEEK"]

DAY = dt.timedelta(days=1)
WEEK = dt.timedelta(days=7)
