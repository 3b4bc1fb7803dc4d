"""All files of one table as one set of cells: columns found by name, each row knowing its file and line."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .files import File, as_text
from .problems import PROBLEM_COLUMNS
from .values import texts_of

if TYPE_CHECKING:
    from ..plant import Plant
    from ..tables import Table

__all__ = ["RawTable", "match_columns", "stack"]

_LONGEST = 200  # characters of a value shown in a problem

assert PROBLEM_COLUMNS[1:3] == ("file", "line")


@dataclass
class RawTable:
    """Cells of one table, from all of its files: an array for each declared column that some file has.

    `file` says which of `files` each row stands in and `line` where; `broken` holds text and rule of lines that are
    no row (blank in every column), `notes` file, line, column, rule and rejects of problems of a header, `read`
    counts the data rows of the files, those of files that cannot be used included.
    """

    table: Table
    columns: dict[str, pa.Array] = field(default_factory=dict)
    file: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    line: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    files: list[File] = field(default_factory=list)
    broken: dict[int, tuple[str, str]] = field(default_factory=dict)
    notes: list[tuple[str, int, str, str, bool]] = field(default_factory=list)
    decimal: str | None = None
    read: int = 0

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
    names: list[str], table: Table, renamed: dict[str, str]
) -> tuple[dict[str, int], list[str], list[str]]:
    """Return the place of each declared column in a header, the names that are none, and columns claimed twice.

    A name counts if the plant `renamed` it, if it is ours, or either of these but for capitals and white space, in
    this order.
    """
    loose = {
        name.strip().casefold(): ours for name, ours in {**{n: n for n in table.names}, **renamed}.items()
    }
    columns: dict[str, tuple[int, int]] = {}
    extra, twice = [], []
    for at, name in enumerate(names):
        if name in renamed:
            ours, rank = renamed[name], 0
        elif name in table.by_name:
            ours, rank = name, 1
        elif (plain := name.casefold()) in loose:
            ours, rank = loose[plain], 2
        else:
            if name:
                extra.append(name)
            continue
        if ours in columns and columns[ours][0] == rank:
            twice.append(ours)
        if ours not in columns or rank < columns[ours][0]:
            columns[ours] = (rank, at)
    return {ours: at for ours, (_, at) in columns.items()}, extra, twice


def _take_file(raw: RawTable, file: File, renamed: dict[str, str]) -> dict[str, pa.Array] | None:
    """Note the header problems of a file; return its cells by column, None if they cannot be used."""
    cells = file.cells
    if cells is None:
        raw.notes.append((file.name, 1, "", file.trouble, True))
        return None
    columns, extra, twice = match_columns(cells.names, raw.table, renamed)
    line = cells.header_line
    if not cells.names:
        raw.notes.append((file.name, line, "", "the file is empty: no line with column names", True))
        return None
    missing = raw.table.missing_from(columns)
    for name in extra:
        raw.notes.append((file.name, line, name, "no column of the table, so it was not read", False))
    for at, name in enumerate(cells.names):
        if not name and cells.columns[at].null_count < len(cells.columns[at]):
            rule = f"column {at + 1} has cells but no name, so it was not read"
            raw.notes.append((file.name, line, "", rule, False))
    for name in twice:
        raw.notes.append((file.name, line, name, "two columns have this name", True))
    for name in missing:
        raw.notes.append(
            (file.name, line, name, "required column is missing, so the table is left out", True)
        )
    return None if missing or twice else {name: cells.columns[at] for name, at in columns.items()}


def stack(table: Table, files: list[File], plant: Plant) -> RawTable | None:
    """Put the files of one table together; one that a problem of a header rejects has no rows."""
    renamed = plant.columns.get(table.name, {})
    files = [_without_blank_rows(file) for file in files]
    raw = RawTable(table, files=files, decimal=plant.format.decimal)
    raw.read = sum(len(file.cells.lines) + len(file.cells.broken) for file in files if file.cells is not None)
    taken = [_take_file(raw, file, renamed) for file in files]
    if any(rejects for *_, rejects in raw.notes):
        return raw
    if not raw.read:
        for file in files:
            rule = "column names, but no rows, so the table counts as absent"
            raw.notes.append(
                (file.name, 1 if file.cells is None else file.cells.header_line, "", rule, False)
            )
    parts: dict[str, list[pa.Array]] = {}
    file_of: list[np.ndarray] = []
    lines: list[np.ndarray] = []
    before = 0
    names = {name for columns in taken if columns for name in columns}
    for number, (file, columns) in enumerate(zip(files, taken, strict=True)):
        assert file.cells is not None
        assert columns is not None
        rows, broken = len(file.cells.lines), file.cells.broken
        for name in names:
            column = columns.get(name)
            parts.setdefault(name, []).append(pa.nulls(rows, pa.string()) if column is None else column)
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
        blank &= pc.is_null(texts_of(column) if pa.types.is_string(column.type) else column).to_numpy(
            zero_copy_only=False
        )
        if not blank.any():
            return file
    keep = np.flatnonzero(~blank)
    kept = replace(
        cells, columns=[column.take(pa.array(keep)) for column in cells.columns], lines=cells.lines[keep]
    )
    return replace(file, cells=kept)
