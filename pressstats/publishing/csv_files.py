"""Published tables as CSV: the same bytes for the same numbers, and no cell that a spreadsheet would run."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import cast

import pandas as pd

from ..tables import OUTPUTS

__all__ = ["csv_text", "harmless", "write_csv"]

#: A cell that starts with one of these may be read as a formula by spreadsheets.
_FORMULA_STARTS = tuple("=+-@\t\r")
_FORMATS = {"date": "%Y-%m-%d", "month": "%Y-%m", "time": "%Y-%m-%dT%H:%M:%S"}


def harmless(text: str) -> str:
    """Return `text` with an apostrophe before it if a spreadsheet would take it for a formula."""
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


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


def _writer(column: pd.Series, kind: str) -> Callable[[object], str]:
    if pd.api.types.is_bool_dtype(column):
        return lambda value: "" if pd.isna(value) else str(bool(value)).lower()
    if pd.api.types.is_numeric_dtype(column):
        return lambda value: "" if value is None or pd.isna(value) else _number(float(cast("float", value)))
    if pd.api.types.is_datetime64_any_dtype(column):
        known = column.dropna()
        whole_days = bool((known == known.dt.normalize()).all())
        pattern = _FORMATS.get(kind) or _FORMATS["date" if whole_days else "time"]
        return lambda value: "" if pd.isna(value) else pd.Timestamp(value).strftime(pattern)
    return lambda value: "" if value is None or value is pd.NA or value != value else harmless(str(value))


def csv_text(frame: pd.DataFrame, name: str = "") -> str:
    """Return a frame as CSV, dates as the declaration of `name` and ISO 8601 have them."""
    kinds = {column.name: column.kind for column in OUTPUTS[name].columns} if name in OUTPUTS else {}
    columns = []
    for head in frame.columns:
        column = frame[head]
        write = _writer(column, kinds.get(str(head), ""))
        dates = pd.api.types.is_datetime64_any_dtype(column)
        values: Iterable[object] = column if dates else column.astype(object).to_numpy()
        columns.append([_quoted(write(value)) for value in values])
    lines = [[_quoted(harmless(str(head))) for head in frame.columns], *zip(*columns, strict=True)]
    return "".join(",".join(line) + "\n" for line in lines)


def write_csv(frame: pd.DataFrame, path: Path, name: str = "") -> None:
    """Write a frame to `path` as :func:`csv_text` puts it, in UTF-8."""
    path.write_text(csv_text(frame, name), encoding="utf-8", newline="")
