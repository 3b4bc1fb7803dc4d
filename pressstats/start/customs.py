"""How a plant numbers its rows and dates its nights.

What makes an identifier of a number that begins anew each night, or of one that several rows have; whether the day
beside a clock time is the calendar's, the evening's on which the night begins, or the issue's.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from dataclasses import dataclass
from itertools import combinations
from statistics import median
from typing import TYPE_CHECKING

from ..exports import IDENTIFIERS
from ..logs.values import parse_time
from ..tables import INPUTS
from .found import Mapped

if TYPE_CHECKING:
    from .found import FoundColumn, Recognised, Style

__all__ = ["Made", "made_identifiers", "nights_dated_by"]

#: Columns that an identifier is made unique by, the likeliest first: common practice, no source.
_PARTS = {
    "runs": ("date", "press", "title"),
    "deliveries": ("material", "ordered_on"),
    "reels": ("delivery_id", "received_on", "material"),
}
#: An identifier repeats by custom, not by mistake, from the first share of rows on; it is made by columns with which no
#: more than the second repeat.
_REPEATS, _LEFT = 0.05, 0.01
_NOON = 12
_REFERS = 0.95  # share of the rows of another table that must refer to a row there is


@dataclass(frozen=True)
class Made:
    """Columns that make an identifier, the identifier's own first; none where nothing was found that makes it one."""

    parts: tuple[str, ...]
    why: str = ""


_Rows = list[tuple[str, ...] | None]


def _spelled(column: FoundColumn, is_time: bool, style: Style) -> list[str | None]:
    """Return the cells of a column, days spelled alike."""
    if not is_time:
        return [cell.strip() if cell else None for cell in column.cells]
    days: dict[str | None, str | None] = {}
    for cell in set(column.cells):
        with contextlib.suppress(ValueError):
            days[cell] = parse_time(cell, style.dates, serials=True).date().isoformat() if cell else None
    return [days.get(cell, cell) for cell in column.cells]


def _rows(columns: list[list[str | None]]) -> _Rows:
    """Return each row's cells, None where one of them is blank."""
    return [
        None if None in row else tuple(cell for cell in row if cell is not None)
        for row in zip(*columns, strict=True)
    ]


def made_identifiers(tables: list[Recognised], style: Style) -> dict[str, Made]:
    """Return by table what makes its identifier, where it is no identifier by itself.

    The columns by which other tables refer to it are added to theirs (``Recognised.columns``).
    """
    by_name = {one.table: one for one in tables}
    out = {}
    for owner, identifier in IDENTIFIERS.items():
        one = by_name.get(owner)
        if one is None or not set(INPUTS[owner].key) <= one.columns.keys():
            continue
        key = list(INPUTS[owner].key)
        if _repeats(one, key, style) <= _REPEATS:
            continue
        others = [other for other in tables if other is not one and identifier in other.columns]
        there = [name for name in _PARTS[owner] if name in one.columns]
        tried = (parts for count in (1, 2) for parts in combinations(there, count))
        out[owner] = next(
            (made for parts in tried if (made := _made(one, key, identifier, parts, others, style))),
            Made((), f"{identifier} repeats, and no column was found that makes it one"),
        )
    return out


def _cells(one: Recognised, name: str, style: Style) -> list[str | None]:
    mapped = one.columns[name]
    return _spelled(mapped.column, _is_time(name), style)


def _is_time(name: str) -> bool:
    return any(table.by_name[name].is_time for table in INPUTS.values() if name in table.by_name)


def _repeats(one: Recognised, names: list[str], style: Style) -> float:
    """Return the share of rows that have the identifier of another; rows alike in all that is read are one."""
    whole = _rows([[cell or "" for cell in mapped.column.cells] for mapped in one.columns.values()])
    keys = _rows([_cells(one, name, style) for name in names])
    apart = dict.fromkeys((row, key) for row, key in zip(whole, keys, strict=True) if key is not None)
    return 1 - len({key for _, key in apart}) / max(len(apart), 1)


def _made(
    one: Recognised,
    key: list[str],
    identifier: str,
    parts: tuple[str, ...],
    others: list[Recognised],
    style: Style,
) -> Made | None:
    """Return an identifier if these parts make it one that all other tables refer to."""
    if _repeats(one, [*key, *parts], style) > _LEFT:
        return None
    known = {row for row in _rows([_cells(one, name, style) for name in (identifier, *parts)]) if row}
    added: list[tuple[Recognised, Mapped]] = []
    unsure = []
    for other in others:
        columns = {identifier: _cells(other, identifier, style)}
        columns |= {name: _cells(other, name, style) for name in parts if name in other.columns}
        lacking = [name for name in parts if name not in other.columns]
        share, chosen = _refer(other, columns, lacking, (identifier, *parts), known, style)
        if share < _REFERS:
            return None
        unsure += [other.table] if share < 1 else []
        added += [(other, mapped) for mapped in chosen]
    for other, mapped in added:
        other.columns[mapped.ours] = mapped
    return Made((identifier, *parts), f"not all of {', '.join(unsure)} is found" if unsure else "")


def _refer(
    other: Recognised,
    columns: dict[str, list[str | None]],
    lacking: list[str],
    names: tuple[str, ...],
    known: set[tuple[str, ...]],
    style: Style,
) -> tuple[float, list[Mapped]]:
    """Return the share of rows that refer to a row there is, and the columns left over that stand for what lacks."""
    if not lacking:
        rows = [row for row in _rows([columns[name] for name in names]) if row]
        return (sum(row in known for row in rows) / len(rows) if rows else 1.0), []
    first, *later = lacking
    best: tuple[float, list[Mapped]] = (0.0, [])
    for column in other.found.columns:
        fits = column.kind in ("date", "count") if _is_time(first) else column.kind in ("text", "count")
        if column.name in other.left and fits:
            cells = _spelled(column, _is_time(first), style)
            share, chosen = _refer(other, columns | {first: cells}, later, names, known, style)
            mapped = Mapped(first, (column.name,), 1.0, True, column=column)
            best = max(best, (share, [mapped, *chosen]), key=lambda one: one[0])
    return best


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
