"""Which weeks the figures of the week are of: the last whole one, the one before, the last 13, those of last year."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["LAST_YEAR", "Period", "last_week", "of_period", "weeks_logged"]

#: Weeks back to the same week of last year.
LAST_YEAR = 52


@dataclass(frozen=True)
class Period:
    """Some whole weeks before the end of as-of."""

    weeks: int = 1
    back: int = 0  # weeks between their end and the last whole week's


def last_week(logs: Logs) -> pd.Timestamp:
    """Return the first day of the last whole week at the end of as-of."""
    return logs.plant.week_start(logs.as_of + pd.Timedelta(days=1)) - pd.Timedelta(weeks=1)


def weeks_logged(logs: Logs, most: int) -> int:
    """Return over how many of the last `most` whole weeks there are logs at all: one at least."""
    first = logs.plant.week_start(logs["runs"]["date"].min())
    return max(1, min(most, (last_week(logs) - first).days // 7 + 1))


def of_period(logs: Logs, frame: pd.DataFrame, period: Period, column: str = "week") -> pd.DataFrame:
    """Return the rows of `frame` whose day or time, in `column`, lies in the period."""
    end = last_week(logs) + pd.Timedelta(weeks=1 - period.back)
    return frame[(frame[column] >= end - pd.Timedelta(weeks=period.weeks)) & (frame[column] < end)]
