"""Find the files of a logs folder and open each as cells of text.

CSV, Parquet and sheets of a workbook all become the same thing: cells spelled as the plant spells
them in its exports, so that one set of rules reads them all. A typed cell of a workbook or of a
Parquet file is taken as it is: a whole number keeps no ``.0``, a time with a zone becomes wall time.
"""

from __future__ import annotations

import datetime as dt
import fnmatch
import hashlib
import io
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..tables import INPUTS
from .delimited import TITLE_LINES, Cells, header_among, known_in, read_delimited
from .problems import LogsError

if TYPE_CHECKING:
    from ..plant import Plant

__all__ = ["File", "as_text", "open_folder", "table_of"]

_TEXTS = (".csv", ".txt", ".tsv")
_SUFFIXES = (*_TEXTS, ".parquet", ".xlsx")
_NOT_LOGS = {"plant.toml", "readme.md", "readme.txt"}


@dataclass(frozen=True)
class File:
    """One file, or one sheet of a workbook (``logs.xlsx[runs]``); of no table, or not read, with its trouble."""

    name: str
    table: str
    digest: str
    cells: Cells | None = None
    trouble: str = ""


def table_of(stem: str) -> str:
    """Return the table that a file or sheet called `stem` belongs to, empty if none.

    The name is that of the table, or continues after ``_`` or ``-``: ``runs_2025-W05`` is of ``runs``.
    """
    stem = stem.strip().casefold()
    for table in INPUTS:
        if stem == table or stem.startswith((table + "_", table + "-")):
            return table
    return ""


def _spelled(value: Any, decimal: str) -> str | None:  # noqa: PLR0911 -- one return a type
    """Spell one typed cell as the plant spells its exports."""
    if value is None or value == "":
        return None
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        if value != value:
            return None
        return (
            str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value).replace(".", decimal)
        )
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    return str(value)


def _sheet_cells(rows: Iterable[tuple[Any, ...]], decimal: str, known: set[str]) -> Cells:
    """Return the cells of a sheet below the row of names: its first that is not empty, unless titles stand above."""
    filled = [
        (number, list(row))
        for number, row in enumerate(rows, start=1)
        if any(value is not None and value != "" for value in row)
    ]
    if not filled:
        return Cells([], [], np.zeros(0, dtype=np.int64))
    tops = [["" if value is None else str(value).strip() for value in row] for _, row in filled[:TITLE_LINES]]
    at = header_among([known_in(names, known) for names in tops])
    header_line, names = filled[at][0], tops[at]
    lines, kept = [number for number, _ in filled[at + 1 :]], [row for _, row in filled[at + 1 :]]
    # Cells beyond the last name belong to columns without one.
    names += [""] * (max(map(len, kept), default=0) - len(names))
    kept = [[*row, *([None] * (len(names) - len(row)))] for row in kept]
    columns = [
        pa.array([_spelled(row[at], decimal) for row in kept], pa.string()) for at in range(len(names))
    ]
    return Cells(names, columns, np.array(lines, dtype=np.int64), header_line)


def _plain(column: pa.ChunkedArray, plant: Plant) -> pa.Array:
    """Return one column of a Parquet file as float64, int64, timestamp[us] or string."""
    cells = column.combine_chunks()
    if pa.types.is_dictionary(cells.type):
        cells = cells.dictionary_decode()
    kind = cells.type
    if pa.types.is_timestamp(kind):
        if kind.tz is not None:
            cells = pc.local_timestamp(pc.cast(cells, pa.timestamp("us", plant.timezone), safe=False))
        return pc.cast(cells, pa.timestamp("us"), safe=False)
    if pa.types.is_float64(kind):
        return pc.if_else(pc.is_nan(cells), pa.scalar(None, kind), cells)
    if pa.types.is_int64(kind):
        return cells
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind):
        text = pc.cast(cells, pa.string())
        return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)
    return as_text(cells, plant.format.decimal)


def as_text(cells: pa.Array, decimal: str | None) -> pa.Array:
    """Spell a column of typed cells as the plant spells its exports: a whole number has no decimal sign."""
    kind = cells.type
    if pa.types.is_string(kind):
        return cells
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        text = pc.replace_substring_regex(pc.cast(cells, pa.string()), r"\.0+$", "")
        text = pc.if_else(pc.equal(text, "nan"), pa.scalar(None, pa.string()), text)
        return pc.replace_substring(text, ".", decimal) if decimal else text
    if (
        pa.types.is_timestamp(kind)
        or pa.types.is_integer(kind)
        or pa.types.is_date(kind)
        or pa.types.is_boolean(kind)
    ):
        return pc.cast(cells, pa.string())
    return pa.array([_spelled(value, decimal or ".") for value in cells.to_pylist()], pa.string())


def _read_parquet(data: bytes, plant: Plant) -> Cells:
    import pyarrow.parquet as parquet  # imported here: most plants export CSV

    table = parquet.ParquetFile(io.BytesIO(data)).read(use_threads=False)  # a few columns: threads cost more
    names = [name for name in table.column_names if not name.startswith("__index_level_")]
    columns = [_plain(table.column(table.column_names.index(name)), plant) for name in names]
    return Cells([name.strip() for name in names], columns, np.arange(2, table.num_rows + 2))


def _read_workbook(
    path: Path, data: bytes, digest: str, plant: Plant, claims: list[tuple[str, str]]
) -> Iterator[File]:
    """Yield the sheets; where `claims` name none the first is meant, unless sheets are called after tables."""
    import openpyxl  # imported here: it takes longer to import than a year of CSV to read

    decimal = plant.format.decimal or "."
    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        declared = any(table in plant.files for table, _ in claims)
        if not declared and any(table_of(sheet.title) for sheet in book.worksheets):
            claims = []
        for number, sheet in enumerate(book.worksheets):
            sheet.reset_dimensions()
            rows, name = list(sheet.iter_rows(values_only=True)), f"{_name(path)}[{sheet.title}]"
            meant = [t for t, named in claims if (_is_called(sheet.title, named) if named else not number)]
            own = table_of(sheet.title)
            for table in meant or [own if own not in plant.files else ""]:
                cells = _sheet_cells(rows, decimal, _known(plant, table))
                if table or cells.names:
                    yield File(name, table, digest, cells)
    except Exception as error:  # noqa: BLE001 -- a damaged workbook fails in a dozen libraries' ways
        raise LogsError(f"{_name(path)}: cannot be read as a workbook ({_first_line(error)})") from None


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [""])[0][:200] or type(error).__name__


def _name(path: Path) -> str:
    """Return the name of a file; bytes in it that are no text are spelt out."""
    return os.fsencode(path.name).decode("utf-8", "backslashreplace")


def _known(plant: Plant, table: str) -> set[str]:
    """Return the names of columns by which the header of a table is known, casefolded."""
    own = plant.columns.get(table, {})
    return {name.strip().casefold() for name in (*INPUTS[table].names, *own)} if table else set()


def _is_called(name: str, pattern: str) -> bool:
    return fnmatch.fnmatchcase(name.strip().casefold(), pattern.strip().casefold())


def _claims(path: Path, plant: Plant) -> list[tuple[str, str]]:
    """Return the tables that a file is of, each with its sheet: as `[files]` says, else by the name of the file."""
    declared = [
        (table, sheet)
        for table, patterns in plant.files.items()
        for pattern, _, sheet in (one.partition("#") for one in patterns)
        if _is_called(path.name, pattern)
    ]
    own = table_of(path.stem)
    return declared or ([(own, "")] if own and own not in plant.files else [])


def _open(path: Path, plant: Plant) -> Iterator[File]:
    suffix, claims = path.suffix.lower(), _claims(path, plant)
    table = claims[0][0] if claims else ""
    if not path.is_file():
        what = "a folder" if path.is_dir() else "a link that leads to no file"
        # A folder of a table's name without an ending may be an archive: it is named, and nothing is refused for it.
        yield File(
            _name(path), table if suffix in _SUFFIXES else "", "", trouble=f"{what}, so it cannot be read"
        )
        return
    if suffix not in _SUFFIXES or (not table and suffix != ".xlsx"):
        yield File(_name(path), "", "", trouble="belongs to no table, so it was not read")
        return
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogsError(f"{_name(path)}: cannot be opened ({error.strerror})") from None
    digest = hashlib.sha256(data).hexdigest()
    if suffix == ".xlsx":
        yield from _read_workbook(path, data, digest, plant, claims)
        return
    for table, _ in claims:
        if suffix in _TEXTS:
            yield File(_name(path), table, digest, read_delimited(data, _known(plant, table)))
            continue
        try:
            yield File(_name(path), table, digest, _read_parquet(data, plant))
        except Exception as error:  # noqa: BLE001 -- damaged bytes surface in many ways
            yield File(_name(path), table, digest, trouble=f"cannot be read as Parquet; {_first_line(error)}")


def open_folder(folder: Path, plant: Plant) -> list[File]:
    """Open every table in a logs folder, by name; what belongs to no table or cannot be read has its trouble.

    Subfolders, hidden files, ``plant.toml`` and the README are no logs. Raises LogsError if the folder cannot be
    listed, a file cannot be opened, or a workbook is damaged.
    """
    try:
        paths = sorted(folder.iterdir())
    except OSError as error:
        raise LogsError(f"{folder}: cannot be listed ({error.strerror})") from None
    logs = [
        path
        for path in paths
        if not path.name.startswith((".", "~$"))
        and path.name.casefold() not in _NOT_LOGS
        and (path.is_file() or table_of(path.stem) or path.suffix.lower() in _SUFFIXES)
    ]
    found = [file for path in logs for file in _open(path, plant)]
    there = {file.table for file in found}
    return found + [
        File(", ".join(patterns), table, "", trouble="no file or sheet is called so ([files] of plant.toml)")
        for table, patterns in plant.files.items()
        if table not in there
    ]
