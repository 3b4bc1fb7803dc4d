"""A spreadsheet of tables: real numbers and real dates, text that can never become a formula."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name

from .. import __version__
from ..markup import unit_text

__all__ = ["Line", "Worksheet", "Worksheets", "write_spreadsheet"]

_LONGEST_TEXT = 32_767  # characters a cell can hold
_PAPER_A4 = 9
_FORMATS: dict[str, dict[str, Any]] = {
    "head": {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"},
    "bold": {"bold": True, "valign": "top"},
    "prose": {"text_wrap": True, "valign": "top"},
    "sum": {"bold": True, "num_format": "#,##0.00"},
    "date": {"num_format": "yyyy-mm-dd", "align": "left"},
    "month": {"num_format": "yyyy-mm", "align": "left"},
    "time": {"num_format": "yyyy-mm-dd hh:mm", "align": "left"},
    "whole": {"num_format": "#,##0"},
    "fine": {"num_format": "#,##0.00"},
    "finer": {"num_format": "0.0000"},
    "price": {"num_format": "#,##0.0000"},
}
_PROSE_WIDTH = 60  # characters of a column of sentences


@dataclass(frozen=True)
class Worksheet:
    """A table on a sheet of its own."""

    frame: pd.DataFrame  # (rows, any): its rows; heads are names of columns with blanks for underscores
    about: str = ""  # what it shows, for the first sheet
    units: Mapping[str, str] = field(default_factory=dict)
    # ``month`` (a date), ``price`` (a number of four decimals) or ``prose`` (sentences) of columns that are not
    # shown as what their values are
    forms: Mapping[str, str] = field(default_factory=dict)
    frozen: int = 1  # first columns that stay when the others are scrolled
    # Columns reckoned from others of their row by a formula, such as ``{quantity}*{price}``; the frame holds what it
    # comes to
    formulas: Mapping[str, str] = field(default_factory=dict)
    choices: Mapping[str, Sequence[str]] = field(
        default_factory=dict
    )  # words that a column is filled in with
    # Cells of a row of sums set apart below the rows, by column: words, or what the rows that are shown add up to;
    # empty for none
    total: Mapping[str, str | float] = field(default_factory=dict)
    above: Sequence[str] = ()  # sentences above the heads, a row each: what has to be known to read the table


#: Worksheets by name.
Worksheets = Mapping[str, Worksheet]
#: A heading and a sentence of the first sheet.
Line = tuple[str, str | dt.date]


def write_spreadsheet(
    path: Path,
    sheets: Worksheets,
    *,
    title: str,
    as_of: dt.date,
    about: Sequence[Line] = (),
    subject: str = "Buying outlook",
) -> None:
    """Write a workbook: a sheet per table, then one that says what it is, with headings and sentences of `about`.

    `as_of` is also the creation date in the file's properties, so that the same numbers make the same bytes. `subject`
    is what the file is called in them.
    """
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties(
            {
                "title": subject,
                "comments": f"pressstats {__version__}, as of {as_of.isoformat()}",
                "created": dt.datetime(as_of.year, as_of.month, as_of.day),
            }
        )
        formats = {name: book.add_format(properties) for name, properties in _FORMATS.items()}
        lines: list[Line] = [("Plant", title), ("As of", as_of), *about]
        lines += [(name, f"{sheet.about} {_rows(sheet)}".strip()) for name, sheet in sheets.items()]
        for name, sheet in sheets.items():
            _sheet(book.add_worksheet(name), sheet, formats)
        _about(book.add_worksheet("About"), lines, formats)


def _rows(sheet: Worksheet) -> str:
    return "" if len(sheet.frame) else "It has no rows as of this day."


def _text(sheet: Any, row: int, column: int, text: object, form: Any = None) -> None:
    sheet.write_string(row, column, str(text)[:_LONGEST_TEXT], form)


def _date(sheet: Any, row: int, column: int, day: dt.date, form: Any) -> None:
    sheet.write_datetime(row, column, day, form)


def _number(sheet: Any, row: int, column: int, number: float, form: Any) -> None:
    if math.isfinite(number):
        # ten digits, as in the tables: the same bytes though a last bit may differ
        sheet.write_number(row, column, float(f"{number:.10g}"), form)


def _on_paper(sheet: Any) -> None:
    """Set a sheet up for printing: across the paper, no wider than one page."""
    sheet.set_landscape()
    sheet.set_paper(_PAPER_A4)
    sheet.fit_to_pages(1, 0)
    sheet.set_footer("&L&A&R&P / &N")


def _about(sheet: Any, lines: Sequence[Line], formats: dict[str, Any]) -> None:
    _on_paper(sheet)
    sheet.set_column(0, 0, 14)
    sheet.set_column(1, 1, 110)
    for row, (head, text) in enumerate(lines):
        _text(sheet, row, 0, head, formats["bold"])
        if isinstance(text, dt.date):
            _date(sheet, row, 1, text, formats["date"])
        else:
            _text(sheet, row, 1, text, formats["prose"])


def _sheet(page: Any, sheet: Worksheet, formats: dict[str, Any]) -> None:
    _on_paper(page)
    top, frame = len(sheet.above), sheet.frame
    for row, sentence in enumerate(sheet.above):
        _text(page, row, 0, sentence)
    page.repeat_rows(0, top)
    page.freeze_panes(top + 1, sheet.frozen)
    below = top + len(frame) + 2  # an empty row keeps the sums out of what is sorted and filtered
    for number, head in enumerate(map(str, frame.columns)):
        unit = unit_text(sheet.units.get(head, ""))
        name = head.replace("_", " ")
        _text(page, top, number, f"{name} [{unit}]" if unit else name, formats["head"])
        width = _column(page, (top + 1, number), frame[head], sheet.forms.get(head, ""), formats)
        page.set_column(number, number, min(max(width, len(name) // 2 + 4, 10), _PROSE_WIDTH))
        if head in sheet.formulas:
            _formulas(page, number, sheet, formats)
        total, letter = sheet.total.get(head), xl_col_to_name(number)
        if isinstance(total, str):
            _text(page, below, number, total, formats["bold"])
        elif total is not None and math.isfinite(total):
            # Rows that a filter hides are not in it: 109 is the sum of those that are shown.
            formula = f"=SUBTOTAL(109,{letter}{top + 2}:{letter}{top + len(frame) + 1})"
            page.write_formula(below, number, formula, formats["sum"], float(f"{total:.10g}"))
        if head in sheet.choices and len(frame):
            allowed = {"validate": "list", "source": list(sheet.choices[head])}
            page.data_validation(top + 1, number, top + len(frame), number, allowed)
    if len(frame):
        page.autofilter(top, 0, top + len(frame), len(frame.columns) - 1)


def _formulas(page: Any, at: int, sheet: Worksheet, formats: dict[str, Any]) -> None:
    """Put the formula of a column over its numbers, which stay as what the formula comes to."""
    head = str(sheet.frame.columns[at])
    places = {str(name): xl_col_to_name(number) for number, name in enumerate(sheet.frame.columns)}
    for row, number in enumerate(sheet.frame[head], start=len(sheet.above) + 2):
        if math.isfinite(number):
            cells = {name: f"{letter}{row}" for name, letter in places.items()}
            formula = f"={sheet.formulas[head].format(**cells)}"
            page.write_formula(row - 1, at, formula, formats["fine"], float(f"{number:.10g}"))


def _number_format(values: list[float]) -> str:
    if all(value.is_integer() for value in values):
        return "whole"
    largest = max(map(abs, values), default=0.0)
    return "whole" if largest >= 1000 else "fine" if largest >= 1 else "finer"


def _column(sheet: Any, start: tuple[int, int], column: pd.Series, form: str, formats: dict[str, Any]) -> int:
    """Write a column below its head, from row and column `start` on; return the width it asks for [characters]."""
    first, at = start
    if pd.api.types.is_datetime64_any_dtype(column):
        known = column.dropna()
        kind = form or ("date" if (known == known.dt.normalize()).all() else "time")
        for row, value in enumerate(column, start=first):
            if not pd.isna(value):
                _date(sheet, row, at, value.to_pydatetime(), formats[kind])
        return 17 if kind == "time" else 11
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        numbers = column.to_numpy(dtype=float, na_value=math.nan).tolist()
        kind = form or _number_format([number for number in numbers if math.isfinite(number)])
        for row, number in enumerate(numbers, start=first):
            _number(sheet, row, at, number, formats[kind])
        return 12
    longest = 0
    for row, value in enumerate(column, start=first):
        if not pd.isna(value):
            _text(sheet, row, at, value, formats[form] if form else None)
            longest = max(longest, len(str(value)))
    return _PROSE_WIDTH if form == "prose" else min(longest + 2, 44)
