"""Counts against the book: each count against the one before, plus receipts, less use."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["count_differences", "miscounts"]

#: Robust standard deviations from which a difference is told, and how nearly two must cancel to be one miscount.
_TOLD, _CANCELS = 4.0, 0.25
#: Part of what was counted below which no difference is told, however well counts agree else.
_SMALL = 0.002
#: Differences of a material from which its spread is taken.
_LEAST = 8
_COLUMNS = {"material": "str", "counted_on": "datetime64[us]"}
_NUMBERS = ["counted", "expected", "difference", "used", "spread"]


def count_differences(logs: Logs, runs: pd.DataFrame) -> pd.DataFrame:
    """Compare every count of newsprint and plates with the count before.

    Parameters
    ----------
    logs : Logs
        The logs.
    runs : DataFrame
        Result of :func:`pressstats.paper.run_balance`.

    Returns
    -------
    DataFrame, shape (counts that follow another, 7)
        material, counted_on, counted, expected (the count before, plus receipts, less what was used), difference
        (counted less expected), used, spread (robust standard deviation of the material's differences, larger
        where more lies there) [unit of the material]. Expected is blank where a run between lacks its reel or
        plate records, and without ``deliveries``, since what came is unknown then. What has no counter is
        not compared: its use is told by the counts themselves.
    """
    parts = []
    if logs.has("materials") and logs.has("stock_counts"):
        for row in logs["materials"].itertuples():
            if row.kind == "plate" or (row.kind == "newsprint" and row.unit == "kg"):
                used = _used_by_run(logs, str(row.material), str(row.kind), runs)
                parts.append(_against_book(logs, str(row.material), used))
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=[*_COLUMNS, *_NUMBERS])
    return table.astype(_COLUMNS | dict.fromkeys(_NUMBERS, "float64"))


def miscounts(differences: pd.DataFrame) -> pd.DataFrame:
    """Return the counts that the book contradicts by more than the usual, and which of them the next one took back.

    Parameters
    ----------
    differences : DataFrame
        Result of :func:`count_differences`.

    Returns
    -------
    DataFrame, shape (miscounts, 4), the latest first
        material, counted_on, difference (counted less expected) [unit of the material], state: "taken back" where the
        next count differs by as much the other way, so that this one was wrong; "last count" where none follows, so
        that the stock now stands on it; "stays" where the next count confirms it: stock went or came unlogged.
    """
    rows = []
    for material, counts in differences.groupby("material", sort=False):
        counts = counts.sort_values("counted_on", ignore_index=True)
        size, spread = counts["difference"].to_numpy(), counts["spread"].to_numpy()
        taken_back = -1
        least = np.maximum(_TOLD * spread, _SMALL * counts["counted"].to_numpy())
        for count in np.flatnonzero(np.abs(size) > least):
            if count == taken_back:
                continue
            state = "last count" if count == len(size) - 1 else "stays"
            following = size[count + 1] if count + 1 < len(size) else np.nan
            if abs(size[count] + following) <= max(_CANCELS * abs(size[count]), 2 * spread[count]):
                state, taken_back = "taken back", int(count) + 1
            rows.append((material, counts["counted_on"][count], size[count], state))
    table = pd.DataFrame(rows, columns=["material", "counted_on", "difference", "state"])
    table = table.astype(_COLUMNS | {"difference": "float64", "state": "str"})
    return table.sort_values("counted_on", ascending=False, kind="stable", ignore_index=True)


def _used_by_run(logs: Logs, material: str, kind: str, runs: pd.DataFrame) -> pd.DataFrame:
    """Return date, finished_at and used of the runs that use a material; used is blank where it is not logged."""
    printed = logs["runs"][["run_id", "date", "finished_at", "plates"]]
    if kind == "plate":
        return printed.assign(used=printed["plates"])
    webs = logs["run_webs"]
    printed = printed[printed["run_id"].isin(webs.loc[webs["material"] == material, "run_id"])]
    if not logs.has("reel_mounts"):
        return printed.assign(used=np.nan)
    mounts = logs["reel_mounts"]
    mounts = mounts[mounts["material"] == material]
    kg = (mounts["start_kg"] - mounts["returned_kg"]).groupby(mounts["run_id"]).sum()
    complete = runs.set_index("run_id")["has_reels"].reindex(printed["run_id"]).to_numpy(dtype=bool)
    used = kg.reindex(printed["run_id"], fill_value=0.0).to_numpy(dtype=float)
    return printed.assign(used=np.where(complete, used, np.nan))


def _against_book(logs: Logs, material: str, used: pd.DataFrame) -> pd.DataFrame:
    counts = logs["stock_counts"]
    counts = counts[counts["material"] == material].sort_values("counted_on", ignore_index=True)
    taken = _between(counts, used["date"], used["finished_at"], used["used"])
    came = np.full(max(len(counts) - 1, 0), np.nan)
    if logs.has("deliveries"):
        rows = logs["deliveries"]
        rows = rows[(rows["material"] == material) & rows["delivered_on"].notna()]
        at = rows["delivered_at"].fillna(rows["delivered_on"])
        came = _between(counts, rows["delivered_on"], at, rows["quantity"])
    lost = np.sort(logs.lost_nights.to_numpy().astype("datetime64[us]"))
    unknown = np.diff(np.searchsorted(lost, counts["counted_on"].to_numpy(), side="right")) > 0
    use = np.where(unknown, np.nan, taken)
    counted = counts["quantity"].to_numpy(dtype=float)
    expected = counted[:-1] + came - use
    difference = counted[1:] - expected
    # Errors of counting grow with what lies there, or do not: the larger spread of the two is believed.
    lying = np.maximum(np.hypot(counted[1:], counted[:-1]), 1e-9)
    spread = np.fmax(_robust(difference), _robust(difference / lying) * lying)
    return pd.DataFrame(
        {
            "material": material,
            "counted_on": counts["counted_on"].to_numpy()[1:],
            "counted": counted[1:],
            "expected": expected,
            "difference": difference,
            "used": use,
            "spread": spread,
        }
    )


def _robust(values: np.ndarray) -> float:
    """Return the standard deviation of values by their median deviation, NaN of few."""
    known = values[np.isfinite(values)]
    return (
        1.4826 * float(np.median(np.abs(known - np.median(known)))) if len(known) >= _LEAST else float("nan")
    )


def _between(counts: pd.DataFrame, on: pd.Series, at: pd.Series, quantity: pd.Series) -> np.ndarray:
    """Return what was between each count and the next, shape (counts - 1,): by days, or by hours where counts have one.

    A count is of the day's end, or of its hour. What is blank leaves the sum blank.
    """
    by_hour = counts["counted_at"].notna().to_numpy()
    values = quantity.to_numpy(dtype=float)
    found = np.zeros((2, len(counts)))
    for hours, when, until in ((False, on, counts["counted_on"]), (True, at, counts["counted_at"])):
        times = when.to_numpy()
        order = np.argsort(times, kind="stable")
        until_row = np.searchsorted(times[order], until.to_numpy(), side="right")
        for number, what in enumerate((np.nan_to_num(values), np.isnan(values).astype(float))):
            total = np.append(0.0, np.cumsum(what[order]))[until_row]
            found[number] = np.where(by_hour == hours, total, found[number])
    known = np.diff(found[1]) == 0
    return np.where(known, np.diff(found[0]), np.nan)
