"""All files of one table as one set of cells: columns found by name, each row knowing its file and line."""

from __future__ import annotations

import contextlib
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..tables import INPUTS
from .typed import as_text
from .values import blank_cells, parse_time, texts_of, times_of

if TYPE_CHECKING:
    from ..plant import Plant
    from ..tables import Table
    from .files import File

__all__ = ["RawTable", "match_columns", "stack"]

_LONGEST = 200  # characters of a value shown in a problem

_NOON = 12 * 3600
_CLOCK = r"(\d{1,2})(?: ?[:.hH] ?(\d\d)?)?(?:[:.](\d\d))?(?: ?([aApP])[mM])?"
_OF_THE_NIGHT = ("runs", "reel_mounts")


@dataclass
class RawTable:
    """Cells of one table, from all of its files: an array for each declared column that some file has.

    `file` says which of `files` each row stands in and `line` where; `broken` holds text and rule of lines that are
    no row (blank in every column), `notes` file, line, column, rule and rejects of problems of a header (None: it is no
    problem), `read` counts the data rows of the files, those of files that cannot be used included, `clocks` names
    times made of a day and a clock time in columns of their own.
    """

    table: Table
    columns: dict[str, pa.Array] = field(default_factory=dict)
    file: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    line: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    files: list[File] = field(default_factory=list)
    broken: dict[int, tuple[str, str]] = field(default_factory=dict)
    notes: list[tuple[str, int, str, str, bool | None]] = field(default_factory=list)
    decimal: str | None = None
    read: int = 0
    clocks: set[str] = field(default_factory=set)

    def __len__(self) -> int:
        return len(self.line)

    def place(self, row: int) -> tuple[str, int]:
        """Return file name and line of a row."""
        return self.files[self.file[row]].name, int(self.line[row])

    def value(self, row: int, column: str) -> str:
        """Return the cell as the file spells it, cut short if very long."""
        if row in self.broken:
            text = self.broken[row][0]
        else:
            text = ""
            if column in self.columns:
                text = as_text(self.columns[column].slice(row, 1), self.decimal)[0].as_py() or ""
        return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def match_columns(
    names: list[str], known: list[str], renamed: dict[str, tuple[str, ...]]
) -> tuple[dict[str, list[int]], list[str]]:
    """Return the places of each of our columns in a header, and the names that are none.

    A name counts if the plant `renamed` it, if it is ours, or either of these but for capitals and white space: places
    of the first kind that there is are returned.
    """
    loose: dict[str, tuple[str, ...]] = {name.casefold(): (name,) for name in known}
    loose |= {name.strip().casefold(): ours for name, ours in renamed.items()}
    found: dict[str, list[tuple[int, int]]] = {}
    extra = []
    for at, name in enumerate(names):
        if name in renamed:
            ours, rank = renamed[name], 0
        elif name in known:
            ours, rank = (name,), 1
        elif name.casefold() in loose:
            ours, rank = loose[name.casefold()], 2
        else:
            extra += [name] if name else []
            continue
        for one in ours:
            found.setdefault(one, []).append((rank, at))
    best = {ours: min(places)[0] for ours, places in found.items()}
    return {ours: [at for rank, at in found[ours] if rank == best[ours]] for ours in found}, extra


def _take_file(raw: RawTable, file: File, plant: Plant) -> dict[str, pa.Array] | None:
    """Note the header problems of a file; return its cells by column, None if they cannot be used."""
    cells, table = file.cells, raw.table
    if cells is None:
        raw.notes.append((file.name, 1, "", file.trouble, True))
        return None
    line = cells.header_line

    def note(column: str, rule: str, rejects: bool | None) -> None:
        raw.notes.append((file.name, line, column, rule, rejects))

    if file.doubt:
        raw.notes.append((file.name, file.doubted_line, "", file.doubt, file.doubts))
    if not cells.names:
        note("", "the file is empty: no line with column names", True)
        return None
    identifier, parts = plant.identifier_parts(table.name)
    known = list(dict.fromkeys([*table.names, *parts]))
    places, extra = match_columns(cells.names, known, plant.columns.get(table.name, {}))
    for name in extra:
        note(name, "no column of the table, so it was not read", None)
    for at, name in enumerate(cells.names):
        if not name and cells.columns[at].null_count < len(cells.columns[at]):
            note("", f"column {at + 1} has cells but no name, so it was not read", None)
    constants = plant.constants.get(table.name, {})
    for name in constants.keys() & places.keys():
        note(name, "a constant of plant.toml, but the file has the column, which was read", None)
    times = {column.name for column in table.columns if column.kind == "time"}
    clocks = {name for name, at in places.items() if len(at) == 2 and name in times}
    there = {*places, *constants}
    made = bool(parts) and there.issuperset(parts)
    there = there | {identifier} if made else there - {identifier if parts else ""}
    rules = {name: "two columns have this name" for name, at in places.items() if len(at) > 1}
    rules = {name: rule for name, rule in rules.items() if name not in clocks}
    for name in table.missing_from(there):
        rules[name] = "required column is missing, so the table is left out"
    found = ", ".join(name for name in cells.names if name)
    for name, rule in rules.items():
        note(
            name,
            f"{rule}; the header has {found if len(found) <= _LONGEST else found[:_LONGEST] + '…'}",
            True,
        )
    if rules:
        return None
    raw.clocks |= clocks
    decimal = plant.format.decimal
    columns = {
        name: _joined_times([as_text(cells.columns[at], decimal) for at in places[name]], plant, table.name)
        if name in clocks
        else cells.columns[places[name][0]]
        for name in places
    }
    columns |= {
        name: pa.repeat(pa.scalar(text), len(cells.lines))
        for name, text in constants.items()
        if name not in columns
    }
    if made:
        columns[identifier] = _identifier([(name, columns[name]) for name in parts], plant)
    return columns


def _identifier(parts: list[tuple[str, pa.Array]], plant: Plant) -> pa.Array:
    """Return one identifier made of several columns; a day is spelled the same whatever the table spells it like."""
    texts = []
    for name, column in parts:
        cells = as_text(column, plant.format.decimal)
        if any(table.by_name[name].is_time for table in INPUTS.values() if name in table.by_name):
            days, bad = times_of(
                cells, "month" if name == "month" else "date", plant.format.dates, plant.zone
            )
            spelled = pa.array([None if day != day else str(day) for day in days.astype("datetime64[D]")])
            cells = pc.coalesce(spelled.cast(pa.string()), cells) if bad else spelled.cast(pa.string())
        texts.append(texts_of(cells))
    return pc.binary_join_element_wise(*texts, " ")


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


def _joined_times(columns: list[pa.Array], plant: Plant, table: str) -> pa.Array:
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


def stack(table: Table, files: list[File], plant: Plant) -> RawTable:
    """Put the files of one table together; one that a problem of a header rejects has no rows."""
    files = [_without_blank_rows(file) for file in files]
    raw = RawTable(table, files=files, decimal=plant.format.decimal)
    raw.read = sum(len(file.cells.lines) + len(file.cells.broken) for file in files if file.cells is not None)
    taken = [_take_file(raw, file, plant) for file in files]
    if any(rejects for *_, rejects in raw.notes):
        return raw
    parts: dict[str, list[pa.Array]] = {}
    file_of: list[np.ndarray] = []
    lines: list[np.ndarray] = []
    before = 0
    names = {name for columns in taken if columns for name in columns}
    for number, (file, columns) in enumerate(zip(files, taken, strict=True)):
        assert file.cells is not None
        assert columns is not None
        if not raw.read:
            rule = "column names, but no rows, so the table counts as absent"
            raw.notes.append((file.name, file.cells.header_line, "", rule, False))
        rows, broken = len(file.cells.lines), file.cells.broken
        absent = pa.nulls(rows, pa.string())
        for name in names:
            parts.setdefault(name, []).append(columns.get(name, absent))
            if broken:
                parts[name].append(pa.nulls(len(broken), pa.string()))
        file_of.append(np.full(rows + len(broken), number))
        raw.broken |= {before + rows + at: (text, rule) for at, (_, text, rule) in enumerate(broken)}
        before += rows + len(broken)
        lines.append(np.concatenate([file.cells.lines, np.array([b[0] for b in broken], dtype=np.int64)]))
    raw.columns = {
        name: parts[name][0] if len(parts[name]) == 1 else _joined(parts[name], raw.decimal)
        for name in table.names
        if name in names
    }
    raw.file, raw.line = np.concatenate(file_of), np.concatenate(lines).astype(np.int64)
    return raw


def _joined(parts: list[pa.Array], decimal: str | None) -> pa.Array:
    """Join the cells of several files, as text where their types differ."""
    if len({part.type for part in parts}) > 1:
        parts = [as_text(part, decimal) for part in parts]
    return pa.concat_arrays(parts)


def _without_blank_rows(file: File) -> File:
    """Drop the rows of a file that have no content in any column (a line of delimiters), which are no rows."""
    cells = file.cells
    if cells is None or not cells.columns or not len(cells.lines):
        return file
    blank = np.ones(len(cells.lines), dtype=bool)
    for column in cells.columns:
        if column.null_count == 0 and not pa.types.is_string(column.type):
            return file
        blank &= blank_cells(column)
        if not blank.any():
            return file
    keep = np.flatnonzero(~blank)
    kept = replace(
        cells, columns=[column.take(pa.array(keep)) for column in cells.columns], lines=cells.lines[keep]
    )
    return replace(file, cells=kept)
