"""Find the files of a logs folder and open each as cells of text.

CSV, Parquet, job files and sheets of a workbook all become the same thing: cells spelled as the plant spells
them in its exports, so that one set of rules reads them all. A typed cell of a workbook or of a
Parquet file is taken as it is: a whole number keeps no ``.0``, a time with a zone becomes wall time.
"""

from __future__ import annotations

import fnmatch
import hashlib
import os
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from ..tables import INPUTS
from .delimited import TITLE_LINES, Cells, header_among, known_in, read_delimited
from .limits import TooMuchError, check_sizes, leads_out, no_file
from .problems import LogsError
from .typed import read_parquet, spelled
from .workbook import sheets_of
from .xjdf import read_xjdf

if TYPE_CHECKING:
    from ..plant import Plant

__all__ = ["File", "open_folder", "sheet_cells", "table_of"]

_TEXTS = (".csv", ".txt", ".tsv")
_SUFFIXES = (*_TEXTS, ".parquet", ".xlsx", ".xjdf")
_NOT_LOGS = {"plant.toml", "readme.md", "readme.txt"}


@dataclass(frozen=True)
class File:
    """One file, or one sheet of a workbook (``logs.xlsx[runs]``); of no table, or not read, with its trouble.

    `doubt` is what to know of a file that is read all the same, at its `doubted_line`; `doubts` is None where that is
    no problem.
    """

    name: str
    table: str
    digest: str
    cells: Cells | None = None
    trouble: str = ""
    doubt: str = ""
    doubted_line: int = 1
    doubts: bool | None = False


def table_of(stem: str) -> str:
    """Return the table that a file or sheet called `stem` belongs to, empty if none.

    The name is that of the table, or continues after ``_`` or ``-``: ``runs_2025-W05`` is of ``runs``.
    """
    stem = stem.strip().casefold()
    for table in INPUTS:
        if stem == table or stem.startswith((table + "_", table + "-")):
            return table
    return ""


def sheet_cells(rows: Iterable[tuple[Any, ...]], decimal: str, known: set[str]) -> Cells:
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
    columns = [pa.array([spelled(row[at], decimal) for row in kept], pa.string()) for at in range(len(names))]
    return Cells(names, columns, np.array(lines, dtype=np.int64), header_line)


def _read_parquet(data: bytes, plant: Plant) -> Cells:
    names, columns, spoilt = read_parquet(data, plant)
    rows = len(columns[0]) if columns else 0
    return Cells(names, columns, np.arange(2, rows + 2)).without(spoilt)


def _read_workbook(
    path: Path, data: bytes, digest: str, plant: Plant, claims: list[tuple[str, str]]
) -> Iterator[File]:
    """Yield the sheets; where `claims` name none the first is meant, unless sheets are called after tables."""
    decimal = plant.format.decimal or "."
    try:
        sheets = sheets_of(data)
        declared = any(table in plant.files for table, _ in claims)
        if not declared and any(table_of(sheet.title) for sheet in sheets):
            claims = []
        for number, sheet in enumerate(sheets):
            name, own = f"{_name(path)}[{sheet.title}]", table_of(sheet.title)
            meant = [t for t, named in claims if (_is_called(sheet.title, named) if named else not number)]
            rows = list(sheet.rows)
            for table in meant or [own if own not in plant.files else ""]:
                cells = sheet_cells(rows, decimal, _known(plant, table)).without(sheet.unusable)
                if sheet.trouble:
                    yield File(name, table, digest, trouble=sheet.trouble)
                elif table or cells.names:
                    yield File(name, table, digest, cells)
    except Exception as error:  # noqa: BLE001 -- a damaged workbook fails in a dozen libraries' ways
        raise LogsError(f"{_name(path)}: cannot be read as a workbook ({_why(error)})") from None


def _why(error: Exception) -> str:
    """Return why a workbook cannot be read, the parser's word where the library only says that it failed."""
    cause = error.__cause__ if isinstance(error.__cause__, Exception) else error
    if type(cause).__module__.startswith("defusedxml"):
        return "it defines XML entities, which no export does"
    return _first_line(cause)


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
    if what := no_file(path):
        # A folder of a table's name without an ending may be an archive: it is named, and nothing is refused for it.
        yield File(
            _name(path), table if suffix in _SUFFIXES else "", "", trouble=f"{what}, so it cannot be read"
        )
        return
    if suffix not in _SUFFIXES or (not table and suffix not in (".xlsx", ".xjdf")):
        yield File(_name(path), "", "", trouble="belongs to no table, so it was not read")
        return
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogsError(f"{_name(path)}: cannot be opened ({error.strerror})") from None
    digest = hashlib.sha256(data).hexdigest()
    if suffix == ".xjdf":
        for table, cells in read_xjdf(data, plant).items():
            yield File(_name(path), table, digest, cells)
        return
    if suffix == ".xlsx":
        yield from _read_workbook(path, data, digest, plant, claims)
        return
    for table, _ in claims:
        if suffix in _TEXTS:
            try:
                yield File(_name(path), table, digest, read_delimited(data, _known(plant, table)))
            except TooMuchError as error:
                yield File(_name(path), table, digest, trouble=f"{error}, so it was not read")
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
    database = plant.source.files if plant.source is not None else ()
    logs = [
        path
        for path in paths
        if not path.name.startswith((".", "~$"))
        and path.name.casefold() not in _NOT_LOGS
        and path.name not in database
        and (not no_file(path) or table_of(path.stem) or path.suffix.lower() in _SUFFIXES)
    ]
    try:
        check_sizes([path for path in logs if path.suffix.lower() in _SUFFIXES and not no_file(path)])
    except TooMuchError as error:
        raise LogsError(str(error)) from None
    # Much of it is done by arrow, which leaves Python's lock: two files are read beside each other.
    with ThreadPoolExecutor(max_workers=2) as pool:
        opened = pool.map(lambda path: [_doubted(path, file) for file in _open(path, plant)], logs)
        files = [file for of_path in opened for file in of_path]
    ended = [file.cells.ended for file in files if file.cells is not None and file.cells.ended is not None]
    there = {file.table for file in files}
    return [_cut_short(file) if 2 * sum(ended) > len(ended) else file for file in files] + [
        File(", ".join(patterns), table, "", trouble="no file or sheet is called so ([files] of plant.toml)")
        for table, patterns in plant.files.items()
        if table not in there
    ]


def _doubted(path: Path, file: File) -> File:
    """Say of a file that it stands elsewhere."""
    out = file.cells is not None and leads_out(path)
    return replace(file, doubt="a link to a file in another folder", doubts=None) if out else file


def _cut_short(file: File) -> File:
    """Doubt a file whose last line has no end, where those of most others have one."""
    if file.cells is None or file.cells.ended is not False or not len(file.cells.lines):
        return file
    last = int(file.cells.lines.max())
    if any(line > last for line, *_ in file.cells.broken):  # what is not whole is set aside already
        return file
    rule = "its last line has no end, as those of other files have: it may be cut short within its last cell"
    return replace(file, doubt=rule, doubted_line=last)
