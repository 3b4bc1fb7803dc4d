"""What was used in a month of the past, by day of publication: a figure that no forecast moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..paper import mount_weights, web_use
from ..paper.runs import lost_runs

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["LACKING_MOST", "used_by_month"]

#: A month of whose copies times pages more than this has no record is blank: the rest would be guessed.
LACKING_MOST = 0.25


def used_by_month(
    logs: Logs, history: pd.DataFrame, months: pd.DatetimeIndex, ink_of: pd.Series | None = None
) -> pd.DataFrame:
    """Return the use of each material in some months of the past, shape (months, materials) [unit of the material].

    Newsprint and plates are added up over the runs; runs without a record, and nights set aside, count as the
    others of that month, by copies times pages. What is known by weeks alone is shared among their days by what
    was printed on them, and an unknown week counts as the known ones do. Blank where the month is not over,
    began before the logs, or lacks more than `LACKING_MOST`.
    """
    used = pd.DataFrame(np.nan, months, history.columns)
    if not len(history):
        return used
    runs = logs["runs"]
    weight = (runs["copies_gross"] * runs["pages"]).to_numpy(dtype=float)
    inside = [_inside(logs, history, month) for month in months]
    by_run = {name: values for name, values in _by_run(logs).items() if name in used}
    for name in used:
        if name in by_run:
            used[name] = _from_runs(logs, by_run[name], weight, months, inside)
        else:
            ink = None if ink_of is None else ink_of.get(str(name))
            used[name] = _from_weeks(logs, history[name], _basis(logs, weight, ink), months, inside)
    return used


def _inside(logs: Logs, history: pd.DataFrame, month: pd.Timestamp) -> bool:
    return bool(month >= history.index[0] and month + pd.offsets.MonthEnd(1) <= logs.as_of)


def _by_run(logs: Logs) -> dict[str, np.ndarray]:
    """Return use by run of what is weighed or counted run by run: blank for a run without a record."""
    used: dict[str, np.ndarray] = {}
    runs, size = logs["runs"], len(logs["runs"])
    if logs.has("materials"):
        plates = logs["materials"].query("kind == 'plate'")["material"]
        if len(plates) == 1:
            used[str(plates.iloc[0])] = runs["plates"].to_numpy(dtype=float)
    if not logs.has("reel_mounts"):
        return used
    webs = web_use(logs)
    mounts = mount_weights(logs, webs)
    mounted = np.zeros(len(webs), dtype=bool)
    mounted[mounts["web_row"][mounts["web_row"] >= 0]] = True
    run = webs["run"].to_numpy()
    known = np.bincount(run, minlength=size) > 0
    known &= np.bincount(run[~mounted], minlength=size) == 0
    known &= ~lost_runs(logs, "reel_mounts", "run_webs")
    at, kg = mounts["run"].to_numpy(), mounts["mounted_kg"].to_numpy(dtype=float)
    known &= np.bincount(at[(at >= 0) & ~np.isfinite(kg)], minlength=size) == 0
    for material, rows in mounts.groupby("material").indices.items():
        rows = rows[at[rows] >= 0]
        taken = np.bincount(at[rows], np.nan_to_num(kg[rows]), size)
        used[str(material)] = np.where(known, taken, np.nan)
    return used


def _from_runs(
    logs: Logs, taken: np.ndarray, weight: np.ndarray, months: pd.DatetimeIndex, inside: list[bool]
) -> np.ndarray:
    date = logs["runs"]["date"].to_numpy()
    by_month = np.full(len(months), np.nan)
    for number in np.flatnonzero(inside):
        first, last = months[number], months[number] + pd.offsets.MonthEnd(1)
        of_month = (date >= first.to_datetime64()) & (date <= last.to_datetime64())
        known = of_month & np.isfinite(taken)
        every, recorded = _with_lost(logs, weight[of_month], first, last), weight[known].sum()
        if every == 0:
            by_month[number] = 0.0
        elif recorded >= (1 - LACKING_MOST) * every:
            by_month[number] = taken[known].sum() * every / recorded
    return by_month


def _with_lost(logs: Logs, weight: np.ndarray, first: pd.Timestamp, last: pd.Timestamp) -> float:
    """Return copies times pages of a month, each night set aside being as the mean run."""
    lost = int(((logs.lost_nights >= first) & (logs.lost_nights <= last)).sum())
    return float(weight.sum() * (1 + lost / max(len(weight), 1)))


def _basis(logs: Logs, weight: np.ndarray, ink: object) -> pd.Series:
    """Return what was printed by day: solid area of an ink where its coverage is logged, else copies times pages."""
    runs = logs["runs"]
    if isinstance(ink, str) and logs.has("coverage"):
        coverage = logs["coverage"]
        pages = coverage.loc[coverage["ink"] == ink].set_index("run_id")["solid_pages"]
        solid = runs["run_id"].map(pages).fillna(0.0) * runs["copies_gross"]
        if solid.sum() > 0:
            return solid.groupby(runs["date"]).sum()
    return pd.Series(weight).groupby(runs["date"].to_numpy()).sum()


def _from_weeks(
    logs: Logs, weekly: pd.Series, basis: pd.Series, months: pd.DatetimeIndex, inside: list[bool]
) -> np.ndarray:
    days = pd.date_range(weekly.index[0], logs.as_of, freq="D", unit="us")
    printed = basis.reindex(days, fill_value=0.0).to_numpy(dtype=float)
    week = np.arange(len(days)) // 7
    total = np.bincount(week, printed)
    values = np.append(weekly.to_numpy(dtype=float), np.full(len(total), np.nan))[: len(total)]
    known = np.isfinite(values)
    usual = values[known & (total > 0)].sum() / max(total[known].sum(), 1e-300)
    share = np.where(total[week] > 0, printed / np.maximum(total[week], 1e-300), 1 / 7)
    daily = np.where(known[week], values[week] * share, usual * printed)
    by_month = np.full(len(months), np.nan)
    for number in np.flatnonzero(inside):
        of_month = (days >= months[number]) & (days <= months[number] + pd.offsets.MonthEnd(1))
        weight = printed[of_month].sum()
        recorded = (
            printed[of_month & known[week]].sum() if weight > 0 else float(known[week][of_month].mean())
        )
        if recorded >= (1 - LACKING_MOST) * (weight if weight > 0 else 1.0):
            by_month[number] = daily[of_month].sum()
    return by_month
