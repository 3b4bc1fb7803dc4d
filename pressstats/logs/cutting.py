"""Cut every table at as-of, so that any past day can be looked at as it was then.

Which time decides is said in `TIME_COLUMNS`: webs, mounts and coverage follow their run, everything else
goes by its own time, and what a plant keeps as one current list (`EXEMPT`) is not cut. A row that
tells no time takes that of the row above it in its file, because exports are written in the order of
time; where a whole file tells none, its rows count at the newest as-of only. A line that cannot be used and tells no
time is known, at an earlier as-of, when the row below it is too: it may have been written with either.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from .keys import found_at, positions_in

if TYPE_CHECKING:
    from .rows import Rows

__all__ = [
    "EXEMPT",
    "OF_A_RUN",
    "default_as_of",
    "in_cut",
    "isolated",
    "reopen",
    "times_of_rows",
]

#: Tables that are not cut.
EXEMPT = frozenset({"materials", "titles", "standby", "budget"})
#: Agreements: one that does not say when it was made is known at once, whatever stands above it.
AGREED = ("prices", "terms")
#: Tables whose rows follow their run.
OF_A_RUN = ("run_webs", "reel_mounts", "coverage")
#: Columns whose first one that is there tells the time of a row.
TIME_COLUMNS: dict[str, tuple[str, ...]] = {
    "runs": ("date", "finished_at", "started_at"),
    "run_webs": (),
    "reel_mounts": ("mounted_at",),
    "coverage": (),
    "reels": ("received_on",),
    "tank_readings": ("read_at",),
    "deliveries": ("ordered_on",),
    "stock_counts": ("counted_on", "counted_at"),
    "prices": ("agreed_on",),
    "terms": ("agreed_on",),
    "plan": ("made_on",),
    "waste_sold": ("sold_on",),
}
#: What becomes known of a delivery when it arrives.
LATER_KNOWN = frozenset({"delivered_on", "delivered_at", "load", "tank", "unit_price", "quantity"})

_NAT = np.datetime64("NaT", "us")
_DAY = np.timedelta64(1, "D")
#: Days from the nearest other date beyond which a few rows are taken for slips of the pen.
_APART_DAYS = 400
_HANDFUL = 5


def isolated(times: np.ndarray) -> np.ndarray:
    """Return a mask of dates (NaT never) that lie years away from all the others.

    They stand in a group of at most a handful of dates, more than 400 days from any other, when another group is more
    than five times as large.
    """
    mask = np.zeros(len(times), dtype=bool)
    known = np.flatnonzero(~np.isnat(times))
    if not len(known) or times[known].max() - times[known].min() <= _APART_DAYS * _DAY:
        return mask
    day = (times[known] - times[known].min()) // _DAY
    present = np.flatnonzero(np.bincount(day))
    begins = present[1:][np.diff(present) > _APART_DAYS]
    if not len(begins):
        return mask
    group = np.searchsorted(begins, day, side="right")
    sizes = np.bincount(group)
    few = (sizes <= _HANDFUL) & (sizes * 5 < sizes.max())
    mask[known[few[group]]] = True
    return mask


def default_as_of(runs: Rows) -> np.datetime64 | None:
    """Return the latest publication date of a usable run, None if there is none."""
    dates = np.where(runs.live, runs["date"], _NAT)
    dates = dates[~np.isnat(dates) & ~isolated(dates)]
    return dates.max() if len(dates) else None


def _coalesced(rows: Rows, columns: tuple[str, ...]) -> np.ndarray:
    out = np.full(len(rows), _NAT)
    for column in columns:
        values = rows[column]
        out = np.where(np.isnat(out), values, out) if np.isnat(out).any() else out
    return out


def _run_times(runs: Rows) -> np.ndarray:
    """Return the time each run tells; of a rejected one the latest of all it tells."""
    row_times = _coalesced(runs, TIME_COLUMNS["runs"])
    for column in TIME_COLUMNS["runs"]:
        row_times = np.where(~runs.live & (runs[column] > row_times), runs[column], row_times)
    return row_times


def _filled(rows: Rows, row_times: np.ndarray) -> np.ndarray:
    """Give rows that tell no time that of the row above in their file, or else of the row below."""
    if not np.isnat(row_times).any():
        return row_times
    order = np.lexsort((rows.raw.line, rows.raw.file))
    times, files = pd.Series(row_times[order]), rows.raw.file[order]
    filled = row_times.copy()
    filled[order] = times.groupby(files).ffill().groupby(files).bfill()
    return filled


def _with_row_below(rows: Rows, row_times: np.ndarray, filled: np.ndarray) -> np.ndarray:
    """Give rows that cannot be used and tell no time that of the row below in their file, if that is later."""
    lost = np.isnat(row_times) & ~rows.live & ~rows.duplicate
    if not lost.any():
        return filled
    order = np.lexsort((rows.raw.line, rows.raw.file))
    out = filled.copy()
    for at, below in zip(order[-2::-1], order[:0:-1], strict=True):
        if lost[at] and rows.raw.file[at] == rows.raw.file[below] and out[below] > out[at]:
            out[at] = out[below]
    return out


def times_of_rows(tables: dict[str, Rows], newest: bool = True) -> dict[str, np.ndarray]:
    """Return the time by which each row is in or out, itself or by the rows around it, for each table that is cut."""
    row_times: dict[str, np.ndarray] = {}
    runs = tables["runs"]
    out = {"runs": _filled(runs, _run_times(runs))}
    order = np.argsort(out["runs"], kind="stable")  # the earliest of a repeated run decides
    known = runs.codes("run_id")[order]
    for name in OF_A_RUN:
        if name in tables:
            at = found_at(tables[name].codes("run_id"), known, order)
            row_times[name] = np.where(at >= 0, out["runs"][at], _coalesced(tables[name], TIME_COLUMNS[name]))
    for name, columns in TIME_COLUMNS.items():
        if name in tables and name not in row_times and name != "runs":
            row_times[name] = _coalesced(tables[name], columns)
    if "plan" in row_times:
        # A day that has come is known, whenever its row was made.
        undated = np.isnat(row_times["plan"])
        row_times["plan"] = np.where(
            undated & ~np.isnat(tables["plan"]["date"]), tables["plan"]["date"], row_times["plan"]
        )
    if "deliveries" in row_times:
        # What does not say when it was ordered stands among the orders of its time, and had been by its receipt.
        rows = tables["deliveries"]
        came = _coalesced(rows, ("delivered_on", "delivered_at"))
        near = _filled(rows, row_times["deliveries"])
        known = np.where(np.isnat(near) | (came < near), came, near)
        row_times["deliveries"] = np.where(np.isnat(row_times["deliveries"]), known, row_times["deliveries"])
    if "reels" in row_times:
        row_times["reels"] = _reel_times(tables, row_times)
    for name, times in row_times.items():
        out[name] = times if name in AGREED else _filled(tables[name], times)
        if not newest:
            out[name] = _with_row_below(tables[name], times, out[name])
    return out


def _reel_times(tables: dict[str, Rows], row_times: dict[str, np.ndarray]) -> np.ndarray:
    """Return when each reel came: as logged, or with its delivery, or before it was first mounted."""
    reels, times = tables["reels"], row_times["reels"]
    if "deliveries" in tables and np.isnat(times).any():
        deliveries = tables["deliveries"]
        at = positions_in(reels["delivery_id"], deliveries["delivery_id"])
        came = deliveries["delivered_on"]
        times = np.where(np.isnat(times) & (at >= 0), came[at] if len(came) else _NAT, times)
    if "reel_mounts" in tables and np.isnat(times).any():
        mounts = tables["reel_mounts"]
        order = np.argsort(row_times["reel_mounts"], kind="stable")
        names = [
            pc.binary_join_element_wise(table["supplier"], table["reel_id"], "\x1f")
            for table in (reels, mounts)
        ]
        at = positions_in(names[0], names[1].take(order), order)
        times = np.where(
            np.isnat(times) & (at >= 0), row_times["reel_mounts"][at] if len(mounts) else _NAT, times
        )
    return times


def in_cut(name: str, rows: Rows, row_times: np.ndarray, as_of: np.datetime64, newest: bool) -> np.ndarray:
    """Return a mask of the rows of table `name` that count, or whose problems are listed, up to the day `as_of`.

    `row_times` is what :func:`times_of_rows` returns, NaT where a whole file tells no time: such a row counts where
    `as_of` is the `newest` (not before the default one).
    """
    within = row_times < as_of + _DAY
    if newest or name in AGREED:
        within |= np.isnat(row_times)
        if name == "plan":
            within |= np.isnat(rows["made_on"]) & ~np.isnat(rows["date"])
    return within


def reopen(deliveries: Rows, as_of: np.datetime64) -> None:
    """Turn deliveries that arrived after `as_of` back into the open orders they were; likewise cancellations.

    What becomes known only on arrival is blank again, `quantity` is what was ordered where that is
    given, and problems that rest on those columns alone are dropped.
    """
    end = as_of + _DAY
    values = deliveries.values
    later = (values["delivered_on"] >= end) | (
        np.isnat(values["delivered_on"]) & (values["delivered_at"] >= end)
    )
    if later.any():
        deliveries.problems = deliveries.problems.without(later, LATER_KNOWN)
        mask = pa.array(later)
        for column in ("delivered_on", "delivered_at"):
            values[column] = np.where(later, _NAT, values[column])
        for column in ("load", "tank"):
            values[column] = pc.if_else(mask, pa.scalar(None, pa.string()), values[column])
        values["unit_price"] = np.where(later, np.nan, values["unit_price"])
        ordered = values["quantity_ordered"]
        values["quantity"] = np.where(later & ~np.isnan(ordered), ordered, values["quantity"])
        deliveries.live = ~deliveries.problems.rejected(len(deliveries))
    cancelled = values["cancelled_on"] >= end
    if cancelled.any():
        values["cancelled_on"] = np.where(cancelled, _NAT, values["cancelled_on"])
