"""From checked rows to the result: tables, problems, sources and their digests."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from .. import __version__
from .cutting import OF_A_RUN
from .problems import problem_frame
from .repeated import sorted_rows
from .result import Logs, Source

if TYPE_CHECKING:
    from ..plant import Plant
    from .files import File
    from .raw import RawTable
    from .rows import Rows

__all__ = ["assembled"]


def _records(
    opened: dict[str, RawTable],
    strangers: list[File],
    tables: dict[str, Rows],
    rejects: bool | None,
) -> list[tuple[str, str, int, str, str, str]]:
    records = [
        ("", file.name, 1, "", "", file.trouble or "belongs to no table")
        for file in strangers
        if rejects is False
    ]
    for name, raw in opened.items():
        records += [
            (name, file, line, column, "", rule)
            for file, line, column, rule, bad in raw.notes
            if bad is rejects
        ]
    for name, rows in tables.items():
        raw = rows.raw
        shown = rows.listed if rejects else rows.listed & ~rows.problems.rejected(len(rows))
        for row, problems in rows.problems.lines(shown, rejects).items():
            file, line = raw.place(row)
            for columns, rule in problems:
                value = ", ".join(raw.value(row, column) for column in columns)
                records.append((name, file, line, ", ".join(columns), value, rule))
    return records


def _lost_runs(tables: dict[str, Rows]) -> pd.DataFrame:
    """Return the runs within the cut that lost a row to `rejected`, by table."""
    runs = tables["runs"]
    known = runs["run_id"].filter(pa.array(runs.live))
    runs_lost: set[tuple[str, str]] = set()
    for name in OF_A_RUN:
        if name in tables:
            rows = tables[name]
            lost = _lost(rows)
            if lost.any():
                run_ids = rows["run_id"].filter(pa.array(lost))
                kept = run_ids.filter(pc.is_in(run_ids, known, skip_nulls=True))
                runs_lost |= {(name, run_id) for run_id in kept.to_pylist()}
                runs_lost |= {(name, run_id) for run_id in _named_in_broken_lines(rows, known)}
    return pd.DataFrame(sorted(runs_lost), columns=["table", "run_id"]).astype("str")


def _lost_mounts(tables: dict[str, Rows]) -> pd.DataFrame:
    """Return the reels that rows of ``reel_mounts`` speak of that were set aside and stand in no other export."""
    columns = ["supplier", "reel_id", "date"]
    if "reel_mounts" not in tables:
        return pd.DataFrame(columns=columns).astype({"supplier": "str", "reel_id": "str"})
    rows = tables["reel_mounts"]
    lost = _lost(rows)
    names = {name: rows[name].filter(pa.array(lost)).to_pylist() for name in columns[:2]}
    reels = pd.DataFrame(names, dtype="str").assign(date=rows.times[lost])
    return reels.dropna(subset=columns[:2]).sort_values(columns, ignore_index=True)


def _lost_nights(runs: Rows) -> pd.DatetimeIndex:
    """Return the days of the runs that were set aside and stand in no other export."""
    days = np.unique(runs.times[_lost(runs) & ~np.isnat(runs.times)].astype("datetime64[D]"))
    return pd.DatetimeIndex(days.astype("datetime64[us]"))


def _lost_orders(tables: dict[str, Rows]) -> float:
    """Return how many rows of orders without a receipt or cancellation were set aside and stand in no other export."""
    if "deliveries" not in tables:
        return 0.0
    rows = tables["deliveries"]
    lost = _lost(rows)
    lost[list(rows.raw.broken)] = False  # nobody can say what such a line was
    return float(np.count_nonzero(lost & rows.blank("delivered_on") & rows.blank("cancelled_on")))


def _named_in_broken_lines(rows: Rows, known: pa.Array) -> set[str]:
    """Return the runs that a line which is no row speaks of: some field of it is the name of a run."""
    lines = [text for row, (text, _) in rows.raw.broken.items() if rows.listed[row]]
    if not lines:
        return set()
    fields = {field.strip(' "') for text in lines for field in re.split("[,;\t|]", text)}
    return fields & set(known.to_pylist())


def _lost(rows: Rows) -> np.ndarray:
    """Return which listed rows were set aside and have no accepted row of the same key, in another export."""
    lost = rows.problems.rejected(len(rows)) & rows.listed
    if lost.any():
        same = rows.live & np.isin(rows.key, rows.key[lost])
        lost[lost] = ~np.isin(rows.key[lost], rows.key[same])
    return lost


def _sources(tables: dict[str, Rows]) -> list[Source]:
    out = []
    for name, rows in tables.items():
        raw = rows.raw
        rejected = rows.problems.rejected(len(rows)) & rows.listed
        used, repeated, lost = (
            np.bincount(raw.file[mask], minlength=len(raw.files)).tolist()
            for mask in (rows.live, rows.duplicate & ~rejected, rejected)
        )
        days = _days_by_file(rows)
        for number, file in enumerate(raw.files):
            counts = used[number], repeated[number], lost[number]
            out.append(Source(file.name, name, file.digest, sum(counts), *counts, *days[number]))
    return out


def _days_by_file(rows: Rows) -> list[tuple[pd.Timestamp | None, pd.Timestamp | None]]:
    """Return the first and last day that the used rows of each file tell."""
    days: list[tuple[pd.Timestamp | None, pd.Timestamp | None]] = [(None, None)] * len(rows.raw.files)
    chosen = np.flatnonzero(rows.live & ~np.isnat(rows.times))
    files = rows.raw.file[chosen]  # one file after the other
    starts = np.flatnonzero(np.diff(files, prepend=-1))
    if len(files):
        times = rows.times[chosen].astype("datetime64[D]").astype(np.int64)
        ends = zip(np.minimum.reduceat(times, starts), np.maximum.reduceat(times, starts), strict=True)
        for file, (first, last) in zip(files[starts].tolist(), ends, strict=True):
            days[file] = pd.Timestamp(first, unit="D"), pd.Timestamp(last, unit="D")
    return days


def _ledger(opened: dict[str, RawTable], tables: dict[str, Rows]) -> pd.DataFrame:
    """Count the rows of each table by what became of them.

    What was read is counted before anything is done to it, the others apart from one another, so that they add up to
    it only if no row is lost. Of a table that cannot be used every row is set aside.
    """
    records = []
    for name, raw in opened.items():
        if name not in tables:
            records.append((name, raw.read, 0, raw.read, 0, 0))
            continue
        rows = tables[name]
        aside = rows.problems.rejected(len(rows)) & rows.listed
        repeated = rows.duplicate & ~aside & ~rows.live & rows.listed
        later = ~rows.listed & ~rows.live
        used, set_aside, again, after = (
            int(np.count_nonzero(mask)) for mask in (rows.live, aside & ~rows.live, repeated, later)
        )
        records.append((name, raw.read, used, set_aside, again, after))
    frame = pd.DataFrame(records, columns=["table", "read", "used", "set_aside", "repeated", "later"])
    return frame.astype({"table": "str"} | dict.fromkeys(frame.columns[1:], "float64"))


def _framed(rows: Rows) -> pd.DataFrame:
    """Return the live rows in the order of the key."""
    order = sorted_rows(rows)
    whole = len(order) == len(rows) and bool((np.diff(order) == 1).all())
    return rows.frame(None if whole else order)


def assembled(
    folder: Path,
    plant: Plant,
    day: np.datetime64,
    opened: dict[str, RawTable],
    strangers: list[File],
    tables: dict[str, Rows],
) -> Logs:
    """Put together what reading leaves.

    `opened` holds every table as read, those that cannot be used among them, `strangers` files that are no table,
    `tables` those checked and cut to `day` (the last one included).
    """
    sources = _sources(tables)
    plant_bytes = (folder / "plant.toml").read_bytes()
    digest = hashlib.sha256(f"{__version__} {day}\n".encode())
    digest.update(hashlib.sha256(plant_bytes).digest())
    for raw in opened.values():
        for file in raw.files:
            digest.update(f"{file.name} {file.digest}\n".encode())
    # A table of which nothing can ever be used is like one that is not there.
    frames = {
        name: _framed(rows)
        for name, rows in tables.items()
        if rows.live.any() or not rows.listed.all() or rows.raw.table.required
    }
    return Logs(
        plant=plant,
        tables=frames,
        as_of=pd.Timestamp(day.astype("datetime64[us]")),
        rejected=problem_frame(_records(opened, strangers, tables, rejects=True)),
        warnings=problem_frame(_records(opened, strangers, tables, rejects=False)),
        notes=problem_frame(_records(opened, strangers, tables, rejects=None)),
        set_aside=_lost_runs(tables),
        lost_mounts=_lost_mounts(tables),
        lost_nights=_lost_nights(tables["runs"]),
        lost_orders=_lost_orders(tables),
        sources=tuple(sources),
        ledger=_ledger(opened, tables),
        digest=digest.hexdigest(),
    )
