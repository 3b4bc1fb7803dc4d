"""Rows of the sheets of a workbook, and which of them cannot be used; a workbook that would not end is refused."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property, partial
from typing import Any

from .limits import TEXT_BYTES, TooMuchError

__all__ = ["Sheet", "sheets_of"]

_SHEET_ROWS = 1_048_576
_CELLS = 1_500_000  # all sheets together, empty ones before the last of a row included
_PARTS, _BYTES = 2_000, 150_000_000  # of the archive that a workbook is
#: Bytes of a part that is read whole: texts that cells share, or styles and the like.
_SHARED_BYTES, _PART_BYTES = 50_000_000, 5_000_000
#: Marks of XML in all sheets, four to a cell, and in one row: a sheet has at most 16,384 columns.
_MARKS, _MARKS_OF_ROW = 4 * _CELLS, 16_384 * 8
_ROW = re.compile(rb"<(?:\w+:)?row(?:\s+r=\"(\d{1,7})\")?[\s/>]")
#: A formula that no value follows: whoever wrote the file has not calculated it.
_NO_VALUE = re.compile(
    rb"<(?:\w+:)?f\b[^<>]*(?:/>|>[^<]*</(?:\w+:)?f>)\s*(?:</(?:\w+:)?c>|<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*<)"
)
_UNCALCULATED = "a formula that was never calculated; open the file in a spreadsheet, and save it"


@dataclass
class Sheet:
    """One sheet: its rows of typed cells, read as they are asked for, or the `trouble` why it has none."""

    title: str
    rows: Iterator[tuple[Any, ...]] = field(default_factory=lambda: iter(()))
    trouble: str = ""
    xml: Callable[[], bytes] = bytes

    @cached_property
    def unusable(self) -> dict[int, tuple[str, str]]:
        """Text and rule of rows that cannot be used, by line."""
        return _uncalculated(self.xml())


def sheets_of(data: bytes) -> list[Sheet]:
    """Return the sheets of a workbook in their order.

    Raises TooMuchError where it holds more than an export does, and errors of many kinds where it is damaged.
    """
    from openpyxl.reader.excel import ExcelReader  # imported here: it takes longer than to read a year of CSV

    archive = zipfile.ZipFile(io.BytesIO(data))
    _check_parts(archive)
    _check_marks(archive)
    reader = ExcelReader(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    reader.read()
    pages, budget, there = iter(reader.wb.worksheets), _Budget(), set(archive.namelist())
    sheets = []
    for sheet, part in reader.parser.find_sheets():
        if part.target not in there:
            trouble = "the part of the workbook that holds this sheet is missing"
            sheets.append(Sheet(sheet.name, trouble=trouble))
        elif "chartsheet" not in part.Type:
            page = next(pages)
            page.reset_dimensions()
            rows = budget.spent_by(page.iter_rows(values_only=True))
            sheets.append(Sheet(sheet.name, rows, xml=partial(archive.read, part.target)))
    return sheets


def _check_parts(archive: zipfile.ZipFile) -> None:
    parts = archive.infolist()
    if len(parts) > _PARTS or sum(part.file_size for part in parts) > _BYTES:
        raise TooMuchError(f"more than {_PARTS:,} parts or {_BYTES:,} bytes once it is unpacked")
    for part in parts:
        most = _SHARED_BYTES if part.filename.endswith("sharedStrings.xml") else _PART_BYTES
        read_whole = "worksheets/" not in part.filename and part.filename.endswith((".xml", ".rels"))
        if read_whole and part.file_size > most:
            raise TooMuchError(f"{part.filename} has more than {most:,} bytes once it is unpacked")


def _check_marks(archive: zipfile.ZipFile) -> None:
    """Count what stands in the sheets before anything parses them."""
    marks = 0
    for part in archive.infolist():
        if "worksheets/" in part.filename and part.filename.endswith(".xml"):
            xml = archive.read(part)
            marks += xml.count(b"<")
            if marks > _MARKS:
                raise TooMuchError(f"more than {_CELLS:,} cells; export it in parts, or as text")
            _check_rows(xml)


def _check_rows(xml: bytes) -> None:
    """Refuse rows beyond those of a sheet or against its order, and a row held whole before its cells are counted."""
    start, above = 0, 0
    for number, match in enumerate(_ROW.finditer(xml + b"<row>")):
        if match.start() - start > _MARKS_OF_ROW and xml.count(b"<", start, match.start()) > _MARKS_OF_ROW:
            raise TooMuchError("a row of more cells than a sheet has columns")
        if number > _SHEET_ROWS:
            raise TooMuchError(f"more than {_SHEET_ROWS:,} rows of a sheet")
        if match[1] and int(match[1]) <= above:
            raise TooMuchError(f"rows that do not stand in their order: {int(match[1])} below {above}")
        start, above = match.start(), int(match[1] or above)


@dataclass
class _Budget:
    """What the rows that were read have taken of the cells and the text that a workbook may hold."""

    cells: int = 0
    text: int = 0

    def spent_by(self, rows: Iterator[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
        for number, row in enumerate(rows, start=1):
            self.cells += len(row)
            self.text += sum(len(value) for value in row if isinstance(value, str))
            if number > _SHEET_ROWS:
                raise TooMuchError(f"more than {_SHEET_ROWS:,} rows of a sheet")
            if self.cells > _CELLS or self.text > TEXT_BYTES:
                raise TooMuchError(
                    f"more than {_CELLS:,} cells or {TEXT_BYTES:,} characters; export it in parts"
                )
            yield row


def _uncalculated(xml: bytes) -> dict[int, tuple[str, str]]:
    """Return the rows in which a formula has no value, by line."""
    if not _NO_VALUE.search(xml):
        return {}
    from defusedxml.ElementTree import iterparse

    found: dict[int, tuple[str, str]] = {}
    line = 0
    for event, element in iterparse(io.BytesIO(xml), ("start", "end")):
        name = element.tag.rpartition("}")[2]
        if name == "row" and event == "start":
            line = int(element.get("r") or line + 1)
        elif name == "row":
            element.clear()
        elif (
            name == "c" and event == "end" and element.get("t") != "str"
        ):  # a text may be calculated to be empty
            parts = {part.tag.rpartition("}")[2]: part.text for part in element}
            if "f" in parts and not parts.get("v"):
                found.setdefault(line, (f"{element.get('r', '')} ={parts['f'] or ''}", _UNCALCULATED))
    return found
