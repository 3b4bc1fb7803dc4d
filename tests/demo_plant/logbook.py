"""Rows of the logs as text, and how they are written to files that are the same byte for byte."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pressstats.tables import INPUTS

__all__ = ["Logbook", "Sheet", "clock", "number", "write_csv", "write_parquet"]


def number(value: float | None, decimals: int = 0) -> str:
    """Return `value` with a fixed number of decimals; a zero is ``0`` and nothing is empty."""
    if value is None:
        return ""
    text = f"{value:.{decimals}f}"
    return "0" if float(text) == 0 else text


def clock(moment: dt.datetime) -> str:
    """Return a time as it stands in the logs, to the minute."""
    return f"{moment:%Y-%m-%d %H:%M}" if moment.year >= 1000 else moment.isoformat(" ")[:16]


@dataclass
class Sheet:
    """The rows of one table, in the order in which they are written."""

    table: str
    columns: tuple[str, ...]
    rows: list[list[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        unknown = set(self.columns) - set(INPUTS[self.table].names)
        if unknown:
            raise ValueError(f"{self.table} has no column {sorted(unknown)}")

    def column(self, name: str) -> int:
        """Return the place of a column in a row."""
        return self.columns.index(name)

    def values(self, name: str) -> list[str]:
        """Return one column."""
        place = self.column(name)
        return [row[place] for row in self.rows]

    def row(self, **cells: str) -> list[str]:
        """Return a row from cells by name; those not given are blank."""
        return [cells.pop(name, "") for name in self.columns]


class Logbook:
    """The tables of a plant while they are being written."""

    def __init__(self) -> None:
        left_out = {
            "runs": {"deadline"},
            "stock_counts": {"counted_at"},
            "reel_mounts": {"start_mm", "returned_mm", "used_m"},
            "waste_sold": {"moisture_pct"},
            "terms": {"unit_price"},
        }
        self.sheets = {
            name: Sheet(name, tuple(c for c in table.names if c not in left_out.get(name, set())))
            for name, table in INPUTS.items()
        }

    def __getitem__(self, table: str) -> Sheet:
        """Return the sheet of a table."""
        return self.sheets[table]

    def add(self, table: str, *cells: str) -> list[str]:
        """Append a row of a table, cells in the order of its columns, and return it."""
        row = list(cells)
        if len(row) != len(self.sheets[table].columns):
            raise ValueError(f"{table} has {len(self.sheets[table].columns)} columns, not {len(row)}")
        self.sheets[table].rows.append(row)
        return row


def write_csv(path: Path, columns: tuple[str, ...], rows: list[list[str]], delimiter: str = ",") -> None:
    """Write rows of text as CSV in UTF-8 with Unix line ends."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    path.write_bytes(text.getvalue().encode("utf-8"))


def write_parquet(path: Path, sheet: Sheet) -> None:
    """Write a sheet as Parquet with typed columns and no metadata of the program that wrote it."""
    arrays: list[pa.Array] = []
    for column in INPUTS[sheet.table].columns:
        if column.name not in sheet.columns:
            continue
        values = [value or None for value in sheet.values(column.name)]
        if column.is_number:
            arrays.append(pa.array([None if v is None else float(v) for v in values], pa.float64()))
        elif column.kind == "date":
            arrays.append(
                pa.array([None if v is None else dt.date.fromisoformat(v) for v in values], pa.date32())
            )
        else:
            arrays.append(pa.array(values, pa.string()))
    table = pa.Table.from_arrays(arrays, names=list(sheet.columns))
    pq.write_table(table, path, compression="zstd", store_schema=False)
