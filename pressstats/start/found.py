"""What lies in a folder: tables of each file and sheet, how they are written, what kind of cells they hold.

A file as a table of ours (`Recognised`, of columns that are `Mapped`) is what the other modules make of it.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from statistics import mode
from typing import Any

import numpy as np

from ..logs.delimited import DELIMITERS, TITLE_LINES, Cells, decoded, read_delimited
from ..logs.files import sheet_cells
from ..logs.limits import FILE_BYTES, no_file
from ..logs.typed import as_text, read_parquet
from ..logs.values import parse_number, parse_time
from ..logs.workbook import sheets_of
from ..plant import Plant

__all__ = ["Found", "FoundColumn", "Mapped", "Recognised", "Style", "found_in", "style_of"]

_ENOUGH = 0.95  # share of the cells of a column that tell its kind
_LOOKED_AT = 400  # cells by which the kind is told
_NUMBER = re.compile(r"[+-]?[\d.,   ' ]*\d")
_CLOCK = re.compile(r"([01]?\d|2[0-4])([:hH.])([0-5]\d)?([:.][0-5]\d)?( ?[ap]m)?", re.IGNORECASE)
_DECIMALS = re.compile(r"([+-]?[\d.,   ' ]*?)([.,])(\d+)")
_WITH_CLOCK = re.compile(r"\d[:hH]\d\d|\d \d")
_SUFFIXES = (".csv", ".txt", ".tsv", ".xlsx", ".parquet")
#: Nothing is known of the plant yet: a time with an offset is looked at as it is in UTC.
_UNKNOWN = Plant(name="unknown", timezone="Etc/UTC", currency="EUR")
_MIDNIGHT = re.compile(r" 00:00:00(\.0+)?$")  # as a typed day is spelled
_DAY = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{2,4})\b")


@dataclass(frozen=True)
class Style:
    """How numbers and dates are written."""

    decimal: str | None
    dates: str


@dataclass
class FoundColumn:
    """One column of an export: its name and cells, blanks left out; `typed` where a spreadsheet knows their kind."""

    name: str
    cells: list[str | None]
    typed: bool = False
    kind: str = "text"  # number, count, date, time, clock or text; blank where there is no cell
    numbers: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @cached_property
    def filled(self) -> list[str]:
        """Cells that are not blank."""
        return [cell.strip() for cell in self.cells if cell and cell.strip()]

    @cached_property
    def distinct(self) -> Counter[str]:
        """How often each cell is there."""
        return Counter(self.filled)

    def look(self, style: Style) -> None:
        """Tell the kind of the cells."""
        # An even sample, so that the first month alone does not decide.
        cells = self.filled[:: max(1, len(self.filled) // _LOOKED_AT)]
        decimal = "." if self.typed else style.decimal
        if not cells:
            self.kind = "blank"
        elif _share(
            cells, lambda cell: bool(_CLOCK.fullmatch(cell)) and not (decimal == "." and "." in cell)
        ):
            self.kind = "clock"
        elif _share(cells, lambda cell: parse_number(cell, decimal)) and not _share(cells, _is_compact):
            self.numbers = np.array([_number(cell, decimal) for cell in self.filled])
            self.kind = "count" if (self.numbers == np.floor(self.numbers)).all() else "number"
        elif _share(cells, lambda cell: parse_time(cell, style.dates)):
            clocks = sum(bool(_WITH_CLOCK.search(cell)) and not _MIDNIGHT.search(cell) for cell in cells)
            self.kind = "time" if clocks > len(cells) / 2 else "date"


def _is_compact(cell: str) -> bool:
    return re.fullmatch(r"20\d\d(0[1-9]|1[0-2])([0-2]\d|3[01])", cell) is not None


def _share(cells: list[str], test: Callable[[str], Any]) -> bool:
    """Return whether nearly all cells pass a test, which may raise ValueError."""
    passed = 0
    for cell in cells:
        try:
            passed += test(cell) is not False
        except ValueError:
            continue
    return passed >= _ENOUGH * len(cells)


def _number(cell: str, decimal: str | None) -> float:
    try:
        return parse_number(cell, decimal)
    except ValueError:
        return np.nan


@dataclass
class Found:
    """The tables of files of one header: `patterns` as ``[files]`` names them."""

    patterns: list[str]
    columns: list[FoundColumn]

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.columns[0].cells) if self.columns else 0


@dataclass
class Mapped:
    """One of our columns as a file has it: its own names (a day and a clock time are two), unit, and what is unsure.

    A part of another table's identifier, which a table only carries for it, is one too.
    """

    ours: str
    names: tuple[str, ...]
    score: float
    sure: bool
    why: str = ""
    unit: str = ""
    unit_sure: bool = True
    column: FoundColumn = field(default_factory=lambda: FoundColumn("", []))
    of_kind: str = ""  # the kind of material that alone has this unit


@dataclass
class Recognised:
    """A table as it was found."""

    table: str
    found: Found
    score: float
    sure: bool
    columns: dict[str, Mapped] = field(default_factory=dict)
    #: What a column that is not used might be, by its name, the likeliest first: too little says so for a guess.
    perhaps: dict[str, list[str]] = field(default_factory=dict)

    @property
    def left(self) -> list[str]:
        """Names of the columns that are no part of the table as far as can be told."""
        used = {name for one in self.columns.values() for name in one.names}
        return [column.name for column in self.found.columns if column.name not in used]


def _header_of(rows: list[list[str]]) -> list[str]:
    """Return the row of names: the first as wide as most rows, nearly all of it words; empty if there is none."""
    filled = [row for row in rows if any(cell.strip() for cell in row)]
    width = mode([len(row) for row in filled]) if filled else 0
    for row in filled[:TITLE_LINES]:
        words = [cell for cell in row if cell.strip() and not _NUMBER.fullmatch(cell.strip())]
        if width >= 2 and len(row) >= width - 1 and len(words) >= max(2, 0.7 * width):
            return [cell.strip() for cell in row]
    return []


def _text_table(data: bytes) -> Cells | None:
    """Return the cells of a delimited text, by the separator that parts most of its first lines into equal rows."""
    head = decoded(data)[0][:200_000].decode(errors="replace")
    best: tuple[float, list[str]] = (0.0, [])
    for delimiter in DELIMITERS:
        rows = [
            row
            for row, _ in zip(csv.reader(io.StringIO(head), delimiter=delimiter), range(200), strict=False)
        ]
        widths = Counter(len(row) for row in rows if row)
        width, lines = max(widths.items(), key=lambda one: (one[1], one[0]), default=(0, 0))
        names = _header_of(rows)
        if width >= 2 and names:
            best = max(best, (lines / sum(widths.values()) + width / 1000, names))
    return read_delimited(data, best[1]) if best[1] else None


def _tables(path: Path) -> Iterable[tuple[str, Cells, bool]]:
    """Yield the pattern, cells and whether they are typed, of each table of a file."""
    suffix = path.suffix.lower()
    if suffix in (".csv", ".txt", ".tsv"):
        cells = _text_table(path.read_bytes())
        if cells is not None:
            yield path.name, cells, False
    elif suffix == ".xlsx":
        for sheet in sheets_of(path.read_bytes()):
            rows = list(sheet.rows)
            top = [["" if value is None else str(value) for value in row] for row in rows[:200]]
            width = max((sum(bool(cell.strip()) for cell in row) for row in top), default=0)
            names = _header_of([row[:width] for row in top])
            if names:
                known = {name.casefold() for name in names}
                yield f"{path.name}#{sheet.title}", sheet_cells(rows, ".", known), True
    elif suffix == ".parquet":
        names, columns, _ = read_parquet(path.read_bytes(), _UNKNOWN)
        yield path.name, Cells(names, columns, np.arange(len(columns[0]) if columns else 0)), True


def found_in(folder: Path) -> tuple[list[Found], list[str]]:
    """Return the tables that lie in a folder, those of one header together, and what was not read, with its reason."""
    by_header: dict[tuple[str, ...], Found] = {}
    unread = []
    for path in sorted(folder.iterdir()):
        if path.name.startswith((".", "~$")) or path.suffix.lower() == ".toml" or no_file(path):
            continue
        if path.suffix.lower() not in _SUFFIXES or path.stat().st_size > FILE_BYTES:
            unread.append(f"{path.name}: no CSV, .txt, .xlsx or Parquet of a size that can be looked at")
            continue
        try:
            tables = list(_tables(path))
        except Exception as error:  # noqa: BLE001 -- damaged files fail in a dozen libraries' ways
            unread.append(f"{path.name}: cannot be read ({(str(error).splitlines() or ['?'])[0][:100]})")
            continue
        if not tables:
            unread.append(f"{path.name}: no row of column names was found")
        for pattern, cells, typed in tables:
            columns = [
                FoundColumn(name, as_text(cells.columns[at], ".").to_pylist(), typed)
                for at, name in enumerate(cells.names)
                if name
            ]
            empty = Found([], [FoundColumn(column.name, [], typed) for column in columns])
            same = by_header.setdefault(tuple(cells.names), empty)
            same.patterns.append(pattern)
            for mine, more in zip(same.columns, columns, strict=True):
                mine.cells += more.cells
    found = list(by_header.values())
    return found, unread


def style_of(found: list[Found]) -> tuple[Style, list[str]]:
    """Return how the exports write numbers and dates, and what of it is a guess; then tell the kind of each column."""
    decimals: Counter[str] = Counter()
    orders: Counter[str] = Counter()
    for column in (column for one in found for column in one.columns if not column.typed):
        for cell in column.filled[:: max(1, len(column.filled) // _LOOKED_AT)]:
            if day := _DAY.match(cell):
                orders.update(_order_votes(day[1], day[2], day[3]))
            elif number := _DECIMALS.fullmatch(cell):
                decimals.update(_decimal_votes(number[1], number[2], number[3]))
    decimal = max(decimals, key=lambda mark: decimals[mark], default=None)
    order = max(orders, key=lambda one: orders[one], default="iso")
    guesses = ["decimal"] if decimal and decimals[decimal] < 0.98 * decimals.total() else []
    guesses += ["dates"] if orders and orders[order] < 0.9 * orders.total() else []
    style = Style(decimal, order)
    for one in found:
        for column in one.columns:
            column.look(style)
    return style, guesses


def _order_votes(first: str, mark: str, second: str) -> dict[str, int]:
    """Return for which order of dates a date speaks: 31.3. cannot be another, 3.1. is most likely none."""
    if len(first) == 4:
        return {"iso": 1}
    if int(first) > 12 or mark == ".":
        return {"day_first": 3 if int(first) > 12 else 1}
    return {"month_first": 3} if int(second) > 12 else {"day_first": 0, "month_first": 0}


def _decimal_votes(inside: str, mark: str, places: str) -> dict[str, int]:
    """Return for which decimal sign a number speaks: 1.234,5 and 0,75 for the comma, 1.234 for neither."""
    if len(places) != 3 or inside in ("0", "-0") or {".", ","} & set(inside) - {mark}:
        return {mark: 1}
    return {"." if mark == "," else ",": 1} if mark in inside else {}
