"""Times whose day and whose clock time stand in columns of their own, as nights of production are logged."""

from __future__ import annotations

import contextlib
import re
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .values import parse_time

if TYPE_CHECKING:
    from ..plant import Plant

__all__ = ["joined_times", "rolled_over"]

_NOON = 12 * 3600
_CLOCK = r"(\d{1,2})(?: ?[:.hH] ?(\d\d)?)?(?:[:.](\d\d))?(?: ?([aApP])[mM])?"
_OF_THE_NIGHT = ("runs", "reel_mounts")


def _seconds(text: str) -> int | None:
    """Return the seconds after midnight of 22:10, 22.10, 22h10, 2210, 10:10 pm or a part of a day, else None."""
    if found := re.fullmatch(r"0?[.,](\d+)", text):
        return round(float(f"0.{found[1]}") * 86400)
    if found := re.fullmatch(r"(\d{1,2})(\d\d)(\d\d)?", text):
        hour, minute, second = found.groups()
    elif found := re.fullmatch(_CLOCK, text):
        hour, minute, second, half = found.groups()
        if half:
            hour = int(hour) % 12 + (12 if half in "pP" else 0)
    else:
        return None
    seconds = int(hour) * 3600 + int(minute or 0) * 60 + int(second or 0)
    return seconds if seconds <= 86400 and int(minute or 0) < 60 else None


def _days_of(cells: pa.Array, plant: Plant) -> dict[str, np.datetime64]:
    """Return the day that each spelling in a column stands for, of those that are one."""
    days: dict[str, np.datetime64] = {}
    for text in pc.unique(cells).drop_null().to_pylist():
        with contextlib.suppress(ValueError):
            moment = parse_time(text, plant.format.dates, plant.zone, serials=True)
            days[text] = np.datetime64(moment.date(), "s")
    return days


def joined_times(columns: list[pa.Array], plant: Plant, table: str) -> pa.Array:
    """Put a column of days and one of clock times together, as ISO; what cannot be read stays as spelled.

    The night goes by ``nights_dated_by``: what is dated by its issue began the day before, what is dated by the evening
    goes on after midnight on the day after.
    """
    dated = plant.exports.nights_dated_by if table in _OF_THE_NIGHT else "calendar"
    (days, known), (clocks, others) = ((column, _days_of(column, plant)) for column in columns)
    if len(others) > len(known):
        days, clocks, known = clocks, days, others
    seconds = {text: _seconds(text.strip()) for text in pc.unique(clocks).drop_null().to_pylist()}
    out: list[str | None] = []
    for day, clock in zip(days.to_pylist(), clocks.to_pylist(), strict=True):
        start, after = known.get(day), seconds.get(clock)
        if start is None or after is None:
            out.append(" ".join(text for text in (day, clock) if text) or None)
            continue
        shift = (dated == "evening" and after < _NOON) - (dated == "issue" and after >= _NOON)
        moment = start + np.timedelta64(after + 86400 * int(shift), "s")
        out.append(str(moment).replace("T", " "))
    return pa.array(out, pa.string())


def rolled_over(starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return the ends, a day later where a clock time alone put them before the start, less than a day."""
    early = starts - ends
    over = (early > np.timedelta64(0, "s")) & (early < np.timedelta64(1, "D"))
    return np.where(over, ends + np.timedelta64(1, "D"), ends)
