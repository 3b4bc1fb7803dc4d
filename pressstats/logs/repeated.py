"""Overlapping exports: a row that is there twice counts once, rows that contradict each other not at all."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .keys import as_mask

if TYPE_CHECKING:
    from .rows import Rows

__all__ = ["drop_repeated", "sorted_rows"]


def sorted_rows(rows: Rows) -> np.ndarray:
    """Return the positions of the live rows in the order of the key."""
    return rows.order[rows.live[rows.order]]


def _same(values: np.ndarray | pa.Array, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return whether the values at the positions `one` and `other` are equal; blank equals blank."""
    if isinstance(values, pa.Array):
        first, second = values.take(pa.array(one)), values.take(pa.array(other))
        both_blank = as_mask(pc.and_(pc.is_null(first), pc.is_null(second)))
        return both_blank | as_mask(pc.equal(first, second))
    left, right = values[one], values[other]
    return (left == right) | ((left != left) & (right != right))


def drop_repeated(rows: Rows, newest_file: bool = False) -> None:
    """Find live rows of the same key: repetitions are dropped, contradictions set aside.

    Equal means equal as typed, so a number written ``7`` and ``7,0`` is the same. An order that one export shows open
    and another received is one order at two times, not a contradiction: the later state stands. So does a
    cancellation.
    """
    order = sorted_rows(rows)
    codes = rows.key[order]
    again = np.flatnonzero(np.diff(codes) == 0)
    if not len(again):
        return
    starts = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1])
    ends = np.append(starts[1:], len(codes))
    # Only groups of several rows are looked at, and they are few: repetitions first, all at once.
    group = np.repeat(np.arange(len(starts)), ends - starts)
    first = order[starts[group]]
    others = [name for name in rows.raw.table.names if name not in rows.raw.table.key]
    twice = np.flatnonzero((ends - starts)[group] > 1)
    row, head = order[twice], first[twice]
    equal = np.ones(len(row), dtype=bool)
    for name in others:
        equal &= _same(rows[name], row, head)
    contradicted = np.zeros(len(starts), dtype=bool)
    contradicted[group[twice[~equal]]] = True
    repeats = row[equal & (row != head) & ~contradicted[group[twice]]]
    rows.live[repeats] = False
    rows.duplicate[repeats] = True
    ages = _ages(rows) if newest_file and contradicted.any() else None
    for number in np.flatnonzero(contradicted):
        _contradiction(rows, order[starts[number] : ends[number]], others, ages)


def _ages(rows: Rows) -> np.ndarray:
    """Return the rank of each file by age: the newest reaches furthest, then comes last by name.

    Neither is changed by copying a folder, as the time that a file system keeps would be.
    """
    times = [rows[column.name] for column in rows.raw.table.columns if column.recorded]
    reach = []
    for number, file in enumerate(rows.raw.files):
        mine = rows.raw.file == number
        last = [
            int(np.nanmax(values[mine].astype("datetime64[s]").astype("int64")))
            for values in times
            if mine.any()
        ]
        spelled = tuple((part.isdigit(), part.zfill(12)) for part in re.split(r"(\d+)", Path(file.name).stem))
        reach.append((max(last, default=0), spelled, number))
    ages = np.zeros(len(reach), dtype=np.int64)
    ages[[number for *_, number in sorted(reach)]] = np.arange(len(reach))
    return ages


def _contradiction(rows: Rows, members: np.ndarray, others: list[str], ages: np.ndarray | None) -> None:
    """Settle one group of rows of the same key that are not all equal; by `ages` of files, where they decide."""
    distinct: list[int] = []
    same_as: dict[int, int] = {}
    for row in members.tolist():
        for known in distinct:
            if all(_same_cell(rows[name], row, known) for name in others):
                same_as[row] = known
                break
        else:
            distinct.append(row)
    repeated = np.array(sorted(same_as), dtype=np.int64)
    rows.live[repeated] = False
    rows.duplicate[repeated] = True
    latest = _latest_state(rows, distinct) if rows.raw.table.name == "deliveries" else None
    corrects = False
    if latest is None and ages is not None:
        latest, corrects = _of_the_newest(rows, members, same_as, ages), True
    if latest is not None:
        older = np.array([row for row in distinct if row != latest], dtype=np.int64)
        rows.live[older] = False
        rows.duplicate[older] = True
        if corrects:
            places = ", ".join(f"{file}:{line}" for file, line in map(rows.raw.place, older.tolist()))
            rows.problems.add([latest], rows.raw.table.key, f"corrects an older file; {places}", rejects=None)
        return
    rules = []
    for row in distinct:
        other = next(known for known in distinct if known != row)
        differs = [name for name in others if not _same_cell(rows[name], row, other)]
        file, line = rows.raw.place(other)
        key = ", ".join(rows.raw.table.key)
        rules.append(
            f"the same {key} as another row, which differs; {file}:{line} has another {', '.join(differs)}"
        )
    rows.reject(distinct, rows.raw.table.key, rules)


def _of_the_newest(rows: Rows, members: np.ndarray, same_as: dict[int, int], ages: np.ndarray) -> int | None:
    """Return the row that stands in the newest file, None where that contradicts itself."""
    age = ages[rows.raw.file[members]]
    newest = {same_as.get(row, row) for row in members[age == age.max()].tolist()}
    return newest.pop() if len(newest) == 1 else None


def _same_cell(values: np.ndarray | pa.Array, one: int, other: int) -> bool:
    return bool(_same(values, np.array([one]), np.array([other]))[0])


def _latest_state(rows: Rows, distinct: list[int]) -> int | None:
    """Return the row that tells the latest state of an order, None where they contradict each other."""
    for name in ("material", "ordered_on"):
        values = rows[name]
        if not all(_same_cell(values, row, distinct[0]) for row in distinct):
            return None
    received = ~np.isnat(rows["delivered_on"])
    cancelled = ~np.isnat(rows["cancelled_on"])
    reopened = np.array([bool(rows.raw.value(row, "delivered_on")) for row in distinct]) & ~received[distinct]
    # An order as it was exported while open is told better than one turned back from its receipt.
    rank = 4 * received[distinct] + 2 * cancelled[distinct] + ~reopened
    best = np.flatnonzero(rank == rank.max())
    return distinct[int(best[0])] if len(best) == 1 else None
