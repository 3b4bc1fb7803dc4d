"""Published tables as CSV: the same bytes for the same numbers, and no cell that a spreadsheet would run."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from ..tables import PUBLISHED

__all__ = ["csv_text", "harmless", "write_csv"]

#: Where a cell starts with one of these, spreadsheets may read a formula: also after what separates cells or rows to
#: one that splits at semicolons or tabs and sees no quotation marks within.
_FORMULA_START = re.compile(r"(^|[;\t\r\n])(?=[=+\-@\t\r])")
_FORMATS = {"date": "%Y-%m-%d", "month": "%Y-%m", "time": "%Y-%m-%dT%H:%M:%S"}


def harmless(text: str) -> str:
    """Return `text` with an apostrophe wherever a spreadsheet would take what follows for a formula."""
    return _FORMULA_START.sub(r"\1'", text)


def _quoted(cell: str) -> str:
    """Quote a cell where it must be, also for a bare carriage return, which begins a row to some readers."""
    return '"' + cell.replace('"', '""') + '"' if re.search('[",\r\n]', cell) else cell


def _number(value: float) -> str:
    """Ten significant digits: more than any scale weighs, and steady where a last bit differs."""
    if not math.isfinite(value):
        return ""
    if value == 0:
        return "0"
    return f"{value:.0f}" if abs(value) >= 1e10 else f"{value:.10g}"


def _cells(column: pd.Series, kind: str) -> list[str]:
    """Return the cells of a column; a date or a text that comes often is written once."""
    if pd.api.types.is_bool_dtype(column):
        return ["" if pd.isna(value) else str(bool(value)).lower() for value in column.astype(object)]
    if pd.api.types.is_numeric_dtype(column):
        return [_number(value) for value in column.to_numpy(dtype=float, na_value=math.nan).tolist()]
    if pd.api.types.is_datetime64_any_dtype(column):
        known = column.dropna()
        whole_days = bool((known == known.dt.normalize()).all())
        pattern = _FORMATS.get(kind) or _FORMATS["date" if whole_days else "time"]
        return _each_once(column, lambda value: pd.Timestamp(value).strftime(pattern))
    if isinstance(column.dtype, pd.StringDtype):
        return _each_once(column, _text)
    return [
        "" if value is None or value is pd.NA or value != value else _text(value)
        for value in column.astype(object)
    ]


def _each_once(column: pd.Series, write: Callable[[Any], str]) -> list[str]:
    codes, values = pd.factorize(column)
    written = [*map(write, values), ""]  # the last one for blanks, whose code is -1
    return [written[code] for code in codes]


def _text(value: object) -> str:
    return _quoted(harmless(str(value)))


def csv_text(frame: pd.DataFrame, name: str = "") -> str:
    """Return a frame as CSV, dates as the declaration of `name` and ISO 8601 have them."""
    kinds = {column.name: column.kind for column in PUBLISHED[name].columns} if name in PUBLISHED else {}
    columns = [_cells(frame[head], kinds.get(str(head), "")) for head in frame.columns]
    lines = [[_text(head) for head in frame.columns], *zip(*columns, strict=True)]
    return "".join(",".join(line) + "\n" for line in lines)


def write_csv(frame: pd.DataFrame, path: Path, name: str = "") -> None:
    """Write a frame to `path` as :func:`csv_text` puts it, in UTF-8."""
    path.write_text(csv_text(frame, name), encoding="utf-8", newline="")
