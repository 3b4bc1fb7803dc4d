"""Whether the day beside a clock time is the calendar's, the evening's on which the night begins, or the issue's."""

from __future__ import annotations

import contextlib
import datetime as dt
from statistics import median
from typing import TYPE_CHECKING

from ..logs.values import parse_time

if TYPE_CHECKING:
    from .found import Recognised, Style

__all__ = ["nights_dated_by"]

_NOON = 12


def nights_dated_by(tables: list[Recognised], style: Style) -> tuple[str, str]:
    """Return what a night is dated by, and by what that is told; both empty where days and clocks are not apart."""
    runs = next((one for one in tables if one.table == "runs"), None)
    if runs is None or not {"date", "started_at"} <= runs.columns.keys():
        return "", ""
    start = runs.columns["started_at"]
    cells = {column.name: column.cells for column in runs.found.columns}
    if len(start.names) != 2:
        return "", ""
    ahead: dict[str, list[int]] = {"before": [], "after": []}
    for issue, day, clock in zip(
        cells[runs.columns["date"].names[0]], cells[start.names[0]], cells[start.names[1]], strict=True
    ):
        with contextlib.suppress(ValueError, TypeError):
            hour = _hour(clock or "")
            apart = (_day(issue, style) - _day(day, style)).days
            ahead["before" if hour >= _NOON else "after"].append(apart)
    end = runs.columns.get("finished_at")
    return _told(ahead["before"], ahead["after"], end is not None and end.names[0] == start.names[0])


def _told(before: list[int], after: list[int], one_day: bool) -> tuple[str, str]:
    """Return what is told by the days from the day beside a clock to the issue, before midnight and after it."""
    if not before:
        return "", ""
    if median(before) == 0:
        return "issue", "the day of the issue stands beside clock times of the evening before"
    if after and median(after) != 0:
        return "evening", "the evening's day stands beside clock times after midnight"
    # Where nothing begins after midnight, whether what ends then has the day of its beginning tells.
    return (
        ("evening", "one day stands beside beginning and end") if one_day and not after else ("calendar", "")
    )


def _hour(clock: str) -> int:
    hour = int("".join(sign for sign in clock.strip()[:2] if sign.isdigit()))
    late = clock.lower().replace(".", "").rstrip().endswith("pm")
    early = clock.lower().replace(".", "").rstrip().endswith("am")
    return hour % 12 + 12 * late if late or early else hour


def _day(cell: str | None, style: Style) -> dt.date:
    if not cell:
        raise ValueError("blank")
    return parse_time(cell, style.dates, serials=True).date()
