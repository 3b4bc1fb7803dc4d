"""Periods to hold beside each other: the last half year of the logs and the one before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ..accounts import Span

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["halves"]

_HALF = pd.Timedelta(weeks=26)
_DAY = pd.Timedelta(days=1)


def halves(logs: Logs) -> tuple[Span, Span]:
    """Return the 26 weeks before the last 26 weeks up to as-of, and those.

    Weeks, not months: both have as many Sundays.
    """
    end = logs.as_of
    return Span(end - 2 * _HALF + _DAY, end - _HALF), Span(end - _HALF + _DAY, end)
