"""The spreadsheet for suppliers: real numbers and real dates, text that can never become a formula."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from .. import __version__
from ..markup import unit_text
from ..tables import OUTPUTS

__all__ = ["OUTLOOK", "Sheets", "outlook_sheets", "write_spreadsheet"]

#: Sheets by name: rows, and the unit of each column that has one.
Sheets = Mapping[str, tuple[pd.DataFrame, Mapping[str, str]]]

#: Tables of the buying outlook, by the name of their sheet.
OUTLOOK: dict[str, str] = {
    "Orders": "order_plan",
    "Weeks": "demand_forecast",
    "Months": "demand_season",
    "Cover": "stock_cover",
    "Record": "forecast_record",
}

_LONGEST_TEXT = 32_767  # characters a cell can hold


def outlook_sheets(tables: Mapping[str, pd.DataFrame], currency: str) -> Sheets:
    """Return the sheets of the buying outlook from the published tables that are there.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Published tables by name.
    currency : str
        ISO 4217 code that stands for ``currency`` in units.
    """
    sheets = {}
    for sheet, table in OUTLOOK.items():
        if table in tables:
            units = {
                column.name: column.unit.replace("currency", currency)
                for column in OUTPUTS[table].columns
                if column.unit
            }
            sheets[sheet] = (tables[table], units)
    return sheets


def write_spreadsheet(path: Path, sheets: Sheets, *, title: str, as_of: dt.date) -> None:
    """Write a workbook: a sheet that says what it is, then one per table.

    Parameters
    ----------
    path : Path
        File to write.
    sheets : mapping of str to (DataFrame, mapping of str to str)
        Rows and units [by column] of each sheet.
    title : str
        Name of the plant.
    as_of : date
        Last day known to the numbers; also the creation date in the file's properties, so that the
        same numbers make the same bytes.
    """
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties(
            {
                "title": "Buying outlook",
                "comments": f"pressstats {__version__}, as of {as_of.isoformat()}",
                "created": dt.datetime(as_of.year, as_of.month, as_of.day),
            }
        )
        formats = {
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
            "bold": book.add_format({"bold": True}),
            "date": book.add_format({"num_format": "yyyy-mm-dd", "align": "left"}),
            "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm", "align": "left"}),
            "whole": book.add_format({"num_format": "#,##0"}),
            "fine": book.add_format({"num_format": "#,##0.00"}),
            "finer": book.add_format({"num_format": "0.0000"}),
        }
        _cover(book, sheets, formats, title, as_of)
        for name, (frame, units) in sheets.items():
            _sheet(book.add_worksheet(name), frame, units, formats)


def _text(sheet: Any, row: int, column: int, text: object, form: Any = None) -> None:
    sheet.write_string(row, column, str(text)[:_LONGEST_TEXT], form)


def _cover(book: Any, sheets: Sheets, formats: dict[str, Any], title: str, as_of: dt.date) -> None:
    sheet = book.add_worksheet("About")
    sheet.set_column(0, 0, 14)
    sheet.set_column(1, 1, 80)
    lines = [
        ("Plant", title),
        ("As of", as_of.isoformat()),
        ("", "What is not known is left blank. Quantiles: q05 is undercut once in twenty."),
        ("", "The units of a material are those it is bought in: kg of newsprint and ink, plates each."),
    ]
    tables = {sheet_name: OUTPUTS[table] for sheet_name, table in OUTLOOK.items()}
    lines += [
        (name, f"One row per {tables[name].row}." if name in tables else f"{len(frame)} rows.")
        for name, (frame, _) in sheets.items()
    ]
    for row, (head, text) in enumerate(lines):
        _text(sheet, row, 0, head, formats["bold"])
        _text(sheet, row, 1, text)


def _number_format(values: list[float]) -> str:
    if all(value.is_integer() for value in values):
        return "whole"
    largest = max(map(abs, values), default=0.0)
    return "whole" if largest >= 1000 else "fine" if largest >= 1 else "finer"


def _sheet(sheet: Any, frame: pd.DataFrame, units: Mapping[str, str], formats: dict[str, Any]) -> None:
    sheet.freeze_panes(1, 1)
    for place, head in enumerate(map(str, frame.columns)):
        unit = unit_text(units.get(head, ""))
        name = head.replace("_", " ")
        _text(sheet, 0, place, f"{name} [{unit}]" if unit else name, formats["head"])
        width = _column(sheet, place, frame[head], formats)
        sheet.set_column(place, place, min(max(width, len(name) // 2 + 4, 10), 44))
    if len(frame):
        sheet.autofilter(0, 0, len(frame), len(frame.columns) - 1)


def _column(sheet: Any, place: int, column: pd.Series, formats: dict[str, Any]) -> int:
    """Write a column below its head and return the width it asks for [characters]."""
    if pd.api.types.is_datetime64_any_dtype(column):
        known = column.dropna()
        kind = "date" if (known == known.dt.normalize()).all() else "time"
        for row, value in enumerate(column, start=1):
            if not pd.isna(value):
                sheet.write_datetime(row, place, value.to_pydatetime(), formats[kind])
        return 11 if kind == "date" else 17
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        numbers = column.to_numpy(dtype=float, na_value=math.nan).tolist()
        form = formats[_number_format([number for number in numbers if math.isfinite(number)])]
        for row, number in enumerate(numbers, start=1):
            if math.isfinite(number):
                # ten digits, as in the tables: the same bytes though a last bit may differ
                sheet.write_number(row, place, float(f"{number:.10g}"), form)
        return 12
    longest = 0
    for row, value in enumerate(column, start=1):
        if not pd.isna(value):
            _text(sheet, row, place, value)
            longest = max(longest, len(str(value)))
    return longest + 2
