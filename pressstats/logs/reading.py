"""Read a logs folder: the one way from files to the tables that the analysis takes."""

from __future__ import annotations

import copy
import datetime as dt
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..plant import Plant, PlantError, read_plant
from ..tables import INPUTS
from .assembling import assembled
from .crosschecks import check_between_tables
from .cutting import EXEMPT, default_as_of, in_cut, isolated, reopen, times_of_rows
from .database import open_source
from .files import File, open_folder
from .problems import LogsError, Problems
from .raw import RawTable, stack
from .repeated import drop_repeated
from .rowchecks import check_each_row
from .rows import Rows, convert, number_identifiers, to_material_units

if TYPE_CHECKING:
    from .result import Logs

__all__ = ["read_logs"]

_NAT = np.datetime64("NaT", "us")


def _parsed_as_of(as_of: str | dt.date | None) -> np.datetime64 | None:
    if as_of is None:
        return None
    if isinstance(as_of, str):
        try:
            as_of = dt.date.fromisoformat(as_of.strip())
        except ValueError:
            raise LogsError(f"as-of {as_of!r} is not a date like 2025-03-31") from None
    return np.datetime64(pd.Timestamp(as_of).date(), "D")


def _opened(folder: Path, plant: Plant) -> tuple[dict[str, RawTable], list[File]]:
    """Return the tables as read, and the files that are no table."""
    by_table: dict[str, list[File]] = {}
    strangers = []
    for file in (*open_folder(folder, plant), *open_source(folder, plant)):
        if file.table:
            by_table.setdefault(file.table, []).append(file)
        else:
            strangers.append(file)
    tables = {}
    for name, table in INPUTS.items():
        if name in by_table:
            tables[name] = stack(table, by_table[name], plant)
        elif table.required:
            other = f"a sheet {name}" if plant.source is None else f"a view {name} of [source]"
            raise LogsError(f"{folder}: there is no table {name} ({name}.csv, {name}.parquet or {other})")
    return tables, strangers


def _usable(tables: dict[str, RawTable]) -> dict[str, RawTable]:
    """Return the tables whose headers allow to use them."""
    usable, blocked = {}, []
    for name, raw in tables.items():
        blocking = [note for note in raw.notes if note[4]]
        if blocking and raw.table.required:
            blocked.append(_blocked(name, blocking))
        # A table without rows is like one that is absent.
        if not blocking and (len(raw) or raw.table.required):
            usable[name] = raw
    if blocked:
        raise LogsError("\n".join(blocked))
    return usable


def _blocked(name: str, notes: list[tuple[str, int, str, str, bool | None]]) -> str:
    """Return why a table cannot be used: a line for each column, by file, then what its header has, and the remedy."""
    out = [f"{name} cannot be used"]
    headers: dict[str, str] = {}
    for file, line, column, rule, _ in notes:
        general, _, header = rule.partition("; the header has ")
        headers[f"{file}:{line}"] = header
        out.append(f"  {file}:{line} {column}: {general}" if column else f"  {file}:{line}: {general}")
    for place, header in headers.items():
        if header:
            out.append(f"  {place} has: {header}")
    if any(headers.values()):
        out.append(
            f'  Say in plant.toml which of these it is, [columns.{name}] "their name" = "ours", '
            f"or that it never changes, [constants.{name}]."
        )
    return "\n".join(out)


def _set_aside_isolated(rows: Rows) -> None:
    """Set aside recorded dates that lie years away from all the others of their column."""
    for column in rows.raw.table.columns:
        if column.recorded and rows.raw.table.name not in EXEMPT:
            alone = isolated(np.where(rows.live, rows[column.name], _NAT))
            rows.reject(alone, column.name, "years away from all the other dates")


def read_logs(folder: str | Path, as_of: str | dt.date | None = None, today: dt.date | None = None) -> Logs:
    """Read, check and cut the logs of a plant.

    Parameters
    ----------
    folder : str or Path
        Folder with ``plant.toml`` and the tables.
    as_of : str or date, optional
        Last day included, ISO; by default the latest publication date of a usable run.
    today : date, optional
        Day after which nothing can have been recorded; by default the clock's in the plant's zone.

    Returns
    -------
    Logs
        Tables, problems and sources.

    Raises
    ------
    LogsError
        If nothing can be done: no ``plant.toml``, no usable `runs` or `run_webs`, a bad `as_of`.

    Examples
    --------
    >>> logs = read_logs("logs")
    >>> logs["runs"][["run_id", "press", "copies_good"]].head(1)
      run_id press  copies_good
    0   0001    P1      19000.0
    >>> logs.has("standby"), len(logs.rejected)
    (True, 0)
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise LogsError(f"{folder}: no such folder")
    try:
        plant = read_plant(folder / "plant.toml")
    except PlantError as error:
        raise LogsError(str(error)) from None
    with np.errstate(all="ignore"):  # rows of absurd values are set aside, not computed with
        return _read(folder, plant, _parsed_as_of(as_of), today or dt.datetime.now(plant.zone).date())


def _read(folder: Path, plant: Plant, wanted: np.datetime64 | None, today: dt.date) -> Logs:
    """Read, check and cut, where the plant is known."""
    last = np.datetime64(today, "D")
    opened, strangers = _opened(folder, plant)
    tables = {name: convert(raw, plant, last) for name, raw in _usable(opened).items()}
    number_identifiers(tables)
    to_material_units(tables, plant)
    for name, rows in tables.items():
        if name != "deliveries":  # orders are checked once they are cut
            check_each_row(name, rows, plant)
    newest_file = plant.exports.corrections == "newest_file"
    default = _default(tables["runs"], newest_file)
    day = default if wanted is None else wanted
    if day > max(last, default):
        raise LogsError(f"as-of {day} lies after today")
    _cut(tables, plant, day, newest=bool(day >= default))
    if wanted is None:
        tables["runs"].listed |= _unusable_later(tables["runs"], day, newest_file)
    for rows in tables.values():  # after the cut, since later rows must not show in it
        drop_repeated(rows, newest_file)
        _set_aside_isolated(rows)
    check_between_tables(tables, plant)
    # Rows that are all set aside are another matter: pages open with them, and the likely unit.
    if not len(tables["run_webs"]):
        raise LogsError(_none_usable(tables["run_webs"]))
    return assembled(folder, plant, day, opened, strangers, tables)


def _default(runs: Rows, newest_file: bool) -> np.datetime64:
    """Return the latest publication date of a usable run."""
    trial = copy.copy(runs)
    trial.problems, trial.live, trial.duplicate = Problems(), runs.live.copy(), runs.duplicate.copy()
    drop_repeated(trial, newest_file)
    latest = default_as_of(trial)
    if latest is None:
        raise LogsError(_none_usable(runs))
    return latest.astype("datetime64[D]")


def _none_usable(rows: Rows) -> str:
    """Return that a table has no usable row, and why most of its rows are not."""
    name = rows.raw.table.name
    if not len(rows):
        files = ", ".join(file.name for file in rows.raw.files)
        return f"{name} has no usable row: {files} has a header alone"
    rules = rows.problems.lines(np.ones(len(rows), dtype=bool), rejects=True)
    broken = [(columns, rule, row) for row, problems in rules.items() for columns, rule in problems]
    if not broken:
        return f"{name} has no usable row"
    # The problem of most rows, where it stands first.
    often = Counter((columns, rule.partition(";")[0]) for columns, rule, _ in broken)
    most = often.most_common(1)[0][0]
    columns, rule, row = next(one for one in broken if (one[0], one[1].partition(";")[0]) == most)
    file, line = rows.raw.place(row)
    value = ", ".join(rows.raw.value(row, column) for column in columns)
    return f"{name} has no usable row; most: {file}:{line} {', '.join(columns)} = {value}: {rule}"


def _unusable_later(runs: Rows, day: np.datetime64, newest_file: bool) -> np.ndarray:
    """Return the runs that would have moved the default as-of, had they been usable.

    Whoever asks for the newest must be told of them; under an explicit as-of they are just later.
    """
    later = runs["date"] >= day + np.timedelta64(1, "D")
    rejected = runs.problems.rejected(len(runs))
    trial = copy.copy(runs)
    trial.live = later & ~rejected
    drop_repeated(trial, newest_file)  # contradictions among later runs are added to the problems
    alone = isolated(np.where(rejected, _NAT, runs["date"]))
    runs.problems.add(trial.live & alone, "date", "years away from all the other dates")
    runs.problems.add(trial.live & ~alone, "run_id", "the same run_id as an earlier run")
    return runs.problems.rejected(len(runs)) & (later | np.isnat(runs["date"]))


def _cut(tables: dict[str, Rows], plant: Plant, day: np.datetime64, newest: bool) -> None:
    """Cut the tables: which rows may be listed as problems, and are in use."""
    times = times_of_rows(tables, newest)
    if "deliveries" in tables:  # checked only now, as they stood on that day
        reopen(tables["deliveries"], day)
        check_each_row("deliveries", tables["deliveries"], plant)
    for name, known in times.items():
        rows = tables[name]
        rows.times, rows.listed = known, in_cut(name, rows, known, day, newest)
        rows.live &= rows.listed
    if not tables["runs"].live.any():
        raise LogsError(f"there is no usable run up to {day}")
