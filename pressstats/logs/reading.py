"""Read a logs folder: the one way from files to the tables that the analysis takes."""

from __future__ import annotations

import copy
import datetime as dt
import hashlib
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from .. import __version__
from ..plant import Plant, PlantError, read_plant
from ..tables import INPUTS
from .crosschecks import check_between_tables
from .cutting import EXEMPT, OF_A_RUN, default_as_of, in_cut, isolated, reopen, told_times
from .files import File, open_folder
from .problems import Findings, LogsError, problem_frame
from .raw import RawTable, stack
from .repeated import drop_repeated, sorted_rows
from .rowchecks import check_each_row
from .rows import Rows, convert

__all__ = ["Logs", "Source", "read_logs"]

_NAT = np.datetime64("NaT", "us")


@dataclass(frozen=True)
class Source:
    """Where rows of a table came from.

    Parameters
    ----------
    file : str
        File name; a sheet adds its own: ``logs.xlsx[runs]``.
    table : str
        Table.
    digest : str
        SHA-256 of the file.
    rows : int
        Rows within the cut: used, duplicates and rejected together.
    used, duplicates, rejected : int
        Rows that count, that repeat another row, that were set aside.
    first, last : Timestamp or None
        First and last day that the used rows tell.
    """

    file: str
    table: str
    digest: str
    rows: int
    used: int
    duplicates: int
    rejected: int
    first: pd.Timestamp | None
    last: pd.Timestamp | None


@dataclass(frozen=True)
class Logs:
    """The logs of a plant up to a day, checked.

    Parameters
    ----------
    plant : Plant
        Description of the plant.
    tables : dict of DataFrame
        Every table that is there, cut at `as_of`, typed, with every declared column (an absent
        optional one is all blank), sorted by key with a fresh index.
    as_of : Timestamp
        Midnight of the last day included.
    rejected : DataFrame
        Rows set aside: table, file, line, column, value, rule.
    warnings : DataFrame
        Doubtful rows that are used all the same; the same columns.
    set_aside : DataFrame
        Columns table, run_id: runs that lost a row of run_webs, reel_mounts or coverage to
        `rejected`, so that a sum over that table would be low.
    sources : tuple of Source
        One per file and table.
    digest : str
        SHA-256 of all input files, ``plant.toml``, `as_of` and the version of the package.
    """

    plant: Plant
    tables: dict[str, pd.DataFrame]
    as_of: pd.Timestamp
    rejected: pd.DataFrame
    warnings: pd.DataFrame
    set_aside: pd.DataFrame
    sources: tuple[Source, ...]
    digest: str

    def has(self, table: str) -> bool:
        """Return whether the table is there."""
        return table in self.tables

    def __getitem__(self, table: str) -> pd.DataFrame:
        """Return a table; raise ``KeyError`` if it is not there."""
        return self.tables[table]


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
    for file in open_folder(folder, plant):
        if file.table:
            by_table.setdefault(file.table, []).append(file)
        else:
            strangers.append(file)
    tables = {}
    for name, table in INPUTS.items():
        if name in by_table:
            raw = stack(table, by_table[name], plant)
            if raw is not None:
                tables[name] = raw
        elif table.required:
            raise LogsError(
                f"{folder}: there is no table {name} ({name}.csv, {name}.parquet or a sheet {name})"
            )
    return tables, strangers


def _usable(tables: dict[str, RawTable]) -> dict[str, RawTable]:
    """Return the tables whose headers allow to use them."""
    usable = {}
    for name, raw in tables.items():
        blocking = [note for note in raw.notes if note[4]]
        if blocking and raw.table.required:
            lines = "; ".join(f"{file}:{line} {column}: {rule}" for file, line, column, rule, _ in blocking)
            raise LogsError(f"{name} cannot be used: {lines}")
        if not blocking:
            usable[name] = raw
    return usable


def _set_aside_isolated(rows: Rows) -> None:
    """Set aside recorded dates that lie years away from all the others of their column."""
    for column in rows.raw.table.columns:
        if column.recorded and rows.raw.table.name not in EXEMPT:
            times = np.where(rows.live, rows[column.name], _NAT)
            alone = isolated(times)
            if alone.any():
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
    with ThreadPoolExecutor() as pool:  # nearly all of it is done outside of Python
        usable = _usable(opened)
        tables = dict(
            zip(usable, pool.map(lambda raw: _typed(raw, plant, last), usable.values()), strict=True)
        )
    default = _default(tables["runs"])
    day = default if wanted is None else wanted
    if day > max(last, default):
        raise LogsError(f"as-of {day} lies after today")
    listed, told = _cut(tables, plant, day, newest=bool(day >= default))
    if wanted is None:
        listed["runs"] |= _unusable_later(tables["runs"], day)
    for rows in tables.values():
        drop_repeated(rows)
        _set_aside_isolated(rows)
    check_between_tables(tables, plant)
    return _assembled(folder, plant, day, opened, strangers, tables, listed, told)


def _default(runs: Rows) -> np.datetime64:
    """Return the latest publication date of a usable run."""
    trial = copy.copy(runs)
    trial.findings, trial.live, trial.duplicate = Findings(), runs.live.copy(), runs.duplicate.copy()
    drop_repeated(trial)
    found = default_as_of(trial)
    if found is None:
        rules = runs.findings.lines(np.ones(len(runs), dtype=bool), rejects=True)
        first = next(iter(rules.items()), None)
        detail = ""
        if first:
            file, line = runs.raw.place(first[0])
            columns, rule = first[1][0]
            detail = f"; the first problem: {file}:{line} {', '.join(columns)}: {rule}"
        raise LogsError(f"runs has no usable row{detail}")
    return found.astype("datetime64[D]")


def _typed(raw: RawTable, plant: Plant, today: np.datetime64) -> Rows:
    """Type the rows of one table and check each by itself; orders are checked once they are cut."""
    with np.errstate(all="ignore"):
        rows = convert(raw, plant, today)
        if raw.table.name != "deliveries":
            check_each_row(raw.table.name, rows, plant)
        rows.key  # noqa: B018 -- found once, here where tables are worked on side by side
        return rows


def _unusable_later(runs: Rows, day: np.datetime64) -> np.ndarray:
    """Return the runs that would have moved the default as-of, had they been usable.

    Whoever asks for the newest must be told of them; under an explicit as-of they are just later.
    """
    later = runs["date"] >= day + np.timedelta64(1, "D")
    rejected = runs.findings.rejected(len(runs))
    trial = copy.copy(runs)
    trial.live = later & ~rejected
    drop_repeated(trial)  # contradictions among later runs are added to the findings
    alone = isolated(np.where(rejected, _NAT, runs["date"]))
    runs.findings.add(trial.live & alone, "date", "years away from all the other dates")
    runs.findings.add(trial.live & ~alone, "run_id", "the same run_id as an earlier run")
    return runs.findings.rejected(len(runs)) & (later | np.isnat(runs["date"]))


def _cut(
    tables: dict[str, Rows], plant: Plant, day: np.datetime64, newest: bool
) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Cut the tables; return which rows may be listed as problems, and the time each row tells."""
    listed: dict[str, np.ndarray] = {}
    told: dict[str, np.ndarray] = {}
    times = told_times(tables)
    if "deliveries" in tables:  # checked only now, as they stood on that day
        reopen(tables["deliveries"], day)
        check_each_row("deliveries", tables["deliveries"], plant)
    for name, rows in tables.items():
        if name in times:
            told[name] = times[name]
            listed[name] = in_cut(name, rows, told[name], day, newest)
            rows.live &= listed[name]
        else:
            listed[name] = np.ones(len(rows), dtype=bool)
    if not tables["runs"].live.any():
        raise LogsError(f"there is no usable run up to {day}")
    return listed, told


def _records(
    opened: dict[str, RawTable],
    strangers: list[File],
    tables: dict[str, Rows],
    listed: dict[str, np.ndarray],
    rejects: bool,
) -> list[tuple[str, str, int, str, str, str]]:
    records = (
        []
        if rejects
        else [("", file.name, 1, "", "", file.trouble or "belongs to no table") for file in strangers]
    )
    for name, raw in opened.items():
        records += [
            (name, file, line, column, "", rule)
            for file, line, column, rule, bad in raw.notes
            if bad == rejects
        ]
    for name, rows in tables.items():
        raw = rows.raw
        for row, problems in rows.findings.lines(listed[name], rejects).items():
            file, line = raw.place(row)
            for columns, rule in problems:
                value = ", ".join(raw.value(row, column) for column in columns)
                records.append((name, file, line, ", ".join(columns), value, rule))
    return records


def _lost_runs(tables: dict[str, Rows], listed: dict[str, np.ndarray]) -> pd.DataFrame:
    """Return the runs within the cut that lost a row to `rejected`, by table."""
    runs = tables["runs"]
    known = runs.text("run_id").filter(pa.array(runs.live))
    found: set[tuple[str, str]] = set()
    for name in OF_A_RUN:
        if name in tables:
            rows = tables[name]
            lost = rows.findings.rejected(len(rows)) & listed[name]
            lost &= ~_accepted_elsewhere(rows, lost)
            if lost.any():
                run_ids = rows.text("run_id").filter(pa.array(lost))
                kept = run_ids.filter(pc.is_in(run_ids, known, skip_nulls=True))
                found |= {(name, run_id) for run_id in kept.to_pylist()}
                found |= {(name, run_id) for run_id in _named_in_broken_lines(rows, listed[name], known)}
    return pd.DataFrame(sorted(found), columns=["table", "run_id"]).astype("str")


def _named_in_broken_lines(rows: Rows, listed: np.ndarray, known: pa.Array) -> set[str]:
    """Return the runs that a line which is no row speaks of: some field of it is the name of a run."""
    lines = [text for row, (text, _) in rows.raw.broken.items() if listed[row]]
    if not lines:
        return set()
    fields = {field.strip(' "') for text in lines for field in re.split("[,;\t]", text)}
    return fields & set(known.to_pylist())


def _accepted_elsewhere(rows: Rows, lost: np.ndarray) -> np.ndarray:
    """Return which lost rows have an accepted row of the same key, in another export."""
    out = np.zeros(len(rows), dtype=bool)
    if lost.any():
        same = rows.live & np.isin(rows.key, rows.key[lost])
        out[lost] = np.isin(rows.key[lost], rows.key[same])
    return out


def _sources(
    tables: dict[str, Rows], listed: dict[str, np.ndarray], told: dict[str, np.ndarray]
) -> list[Source]:
    out = []
    for name, rows in tables.items():
        raw = rows.raw
        rejected = rows.findings.rejected(len(rows)) & listed[name]
        used, repeated, lost = (
            np.bincount(raw.file[mask], minlength=len(raw.files)).tolist()
            for mask in (rows.live, rows.duplicate & ~rejected, rejected)
        )
        days = _days_by_file(rows, told.get(name))
        for number, file in enumerate(raw.files):
            counts = used[number], repeated[number], lost[number]
            out.append(Source(file.name, name, file.digest, sum(counts), *counts, *days[number]))
    return out


def _days_by_file(
    rows: Rows, told: np.ndarray | None
) -> list[tuple[pd.Timestamp | None, pd.Timestamp | None]]:
    """Return the first and last day that the used rows of each file tell."""
    days: list[tuple[pd.Timestamp | None, pd.Timestamp | None]] = [(None, None)] * len(rows.raw.files)
    if told is None:
        return days
    chosen = np.flatnonzero(rows.live & ~np.isnat(told))
    chosen = chosen[np.argsort(rows.raw.file[chosen], kind="stable")]
    files, starts = np.unique(rows.raw.file[chosen], return_index=True)
    if len(files):
        times = told[chosen].astype("datetime64[D]").astype(np.int64)
        ends = zip(np.minimum.reduceat(times, starts), np.maximum.reduceat(times, starts), strict=True)
        for file, (first, last) in zip(files.tolist(), ends, strict=True):
            days[file] = pd.Timestamp(first, unit="D"), pd.Timestamp(last, unit="D")
    return days


def _assembled(
    folder: Path,
    plant: Plant,
    day: np.datetime64,
    opened: dict[str, RawTable],
    strangers: list[File],
    tables: dict[str, Rows],
    listed: dict[str, np.ndarray],
    told: dict[str, np.ndarray],
) -> Logs:
    sources = _sources(tables, listed, told)
    plant_bytes = (folder / "plant.toml").read_bytes()
    digest = hashlib.sha256(f"{__version__} {day}\n".encode())
    digest.update(hashlib.sha256(plant_bytes).digest())
    for raw in opened.values():
        for file in raw.files:
            digest.update(f"{file.name} {file.digest}\n".encode())
    frames = {}
    for name, rows in tables.items():
        order = sorted_rows(rows)
        whole = len(order) == len(rows) and bool((np.diff(order) == 1).all())
        frames[name] = rows.frame(None if whole else order)
    return Logs(
        plant=plant,
        tables=frames,
        as_of=pd.Timestamp(day.astype("datetime64[us]")),
        rejected=problem_frame(_records(opened, strangers, tables, listed, rejects=True)),
        warnings=problem_frame(_records(opened, strangers, tables, listed, rejects=False)),
        set_aside=_lost_runs(tables, listed),
        sources=tuple(sources),
        digest=digest.hexdigest(),
    )
