"""The ledger of each ink: level, deliveries and use from dip to dip, beside what was printed between them.

A dip labels the end of its interval. Two tanks of one ink are one ink: an interval lasts from one occasion
at which all its tanks were dipped to the next, so a missed dip makes a longer interval, not a gap.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..logs import Logs

__all__ = ["ink_exposure", "ink_intervals"]

#: Dips of several tanks of one ink within this time are one occasion.
_OCCASION = pd.Timedelta(hours=3)

_COLUMNS = ["ink", "since", "read_at", "used_kg", "solid_m2", "starts", "days", "why"]


def ink_exposure(logs: Logs) -> pd.DataFrame:
    """Return what each run printed of each ink.

    Parameters
    ----------
    logs : Logs
        Logs with ``coverage``.

    Returns
    -------
    DataFrame, shape (runs x inks, 6)
        run_id, ink, week, finished_at, solid_m2 (area of solid over the gross copies) [m2],
        starts (1 where the ink prints). `solid_m2` is blank where the run has no coverage at all
        or lost a row of it; a run with coverage of other inks only does not print this one.
    """
    runs = logs["runs"]
    coverage = logs["coverage"]
    inks = sorted(
        set(coverage["ink"]) | set(logs["tank_readings"]["ink"] if logs.has("tank_readings") else ())
    )
    grid = runs[["run_id", "date", "finished_at"]].merge(pd.DataFrame({"ink": inks}), how="cross")
    page_m2 = runs["page_width_mm"] * runs["page_height_mm"] / 1e6
    gross_page_m2 = pd.Series((runs["copies_gross"] * page_m2).to_numpy(), index=runs["run_id"])
    grid = grid.merge(coverage[["run_id", "ink", "solid_pages"]], on=["run_id", "ink"], how="left")
    aside = logs.set_aside
    lost = aside.loc[aside["table"] == "coverage", "run_id"]
    known = grid["run_id"].isin(coverage["run_id"]) & ~grid["run_id"].isin(lost)
    solid = grid["solid_pages"].fillna(0.0) * grid["run_id"].map(gross_page_m2)
    grid["solid_m2"] = solid.where(known)
    grid["starts"] = (grid["solid_m2"] > 0).astype("float64").where(known)
    grid["week"] = logs.plant.week_of(grid["date"])
    return grid[["run_id", "ink", "week", "finished_at", "solid_m2", "starts"]]


def ink_intervals(logs: Logs, exposure: pd.DataFrame) -> pd.DataFrame:
    """Return use and exposure of each ink between dips.

    Parameters
    ----------
    logs : Logs
        Logs with ``tank_readings``.
    exposure : DataFrame
        Result of :func:`ink_exposure`.

    Returns
    -------
    DataFrame, shape (intervals, 8)
        ink, since, read_at (end of the interval, plant-local wall time), used_kg [kg],
        solid_m2 [m2], starts, days [day], why (empty, or why the interval says nothing of the
        model). Dips on a day with a delivery of unknown hour are left out, since nobody can say
        which came first.
    """
    readings = logs["tank_readings"]
    parts = []
    for ink, dips in readings.groupby("ink", sort=True):
        levels = _occasions(dips)
        filled = _deliveries(logs, str(ink), dips)
        unknown_hour = filled.loc[filled["at"].isna(), "delivered_on"]
        levels = levels[~levels["read_at"].dt.normalize().isin(unknown_hour)].reset_index(drop=True)
        if len(levels) < 2:
            continue
        mine = exposure[exposure["ink"] == ink]
        parts.append(_intervals(str(ink), levels, filled, mine))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=_COLUMNS)


def _occasions(dips: pd.DataFrame) -> pd.DataFrame:
    """Return total level at the times when every tank of the ink was dipped."""
    dips = dips.sort_values("read_at", ignore_index=True)
    tanks = dips["tank"].nunique()
    occasion = (dips["read_at"].diff() > _OCCASION).cumsum()
    # Of two dips of one tank on one occasion the later one stands.
    last = dips.assign(occasion=occasion).drop_duplicates(["occasion", "tank"], keep="last")
    grouped = last.groupby("occasion")
    levels = grouped.agg(read_at=("read_at", "max"), level_kg=("level_kg", "sum"), dipped=("tank", "nunique"))
    return levels.loc[levels["dipped"] == tanks, ["read_at", "level_kg"]].reset_index(drop=True)


def _deliveries(logs: Logs, ink: str, dips: pd.DataFrame) -> pd.DataFrame:
    """Return deliveries into the tanks of `ink`: quantity_kg, delivered_on and, where known, at."""
    empty = pd.DataFrame({"quantity": [], "delivered_on": pd.to_datetime([]), "at": pd.to_datetime([])})
    if not logs.has("deliveries"):
        return empty
    deliveries = logs["deliveries"]
    into = deliveries["tank"].isin(dips["tank"].unique())
    if logs.has("materials"):
        materials = logs["materials"]
        own = materials.loc[materials["ink"] == ink, "material"]
        into |= deliveries["material"].isin(own) & deliveries["tank"].isna()
    mine = deliveries[into & deliveries["delivered_on"].notna()]
    return mine[["quantity", "delivered_on"]].assign(at=mine["delivered_at"])


def _intervals(ink: str, levels: pd.DataFrame, filled: pd.DataFrame, exposure: pd.DataFrame) -> pd.DataFrame:
    ends = levels["read_at"].to_numpy()
    # A delivery without an hour lies strictly between days without a dip: noon puts it there.
    at = filled["at"].fillna(filled["delivered_on"] + pd.Timedelta(hours=12)).to_numpy()
    delivered = _sum_between(at, filled["quantity"].to_numpy(), ends)
    finished = exposure["finished_at"].to_numpy()
    solid = _sum_between(finished, exposure["solid_m2"].fillna(0.0).to_numpy(), ends)
    starts = _sum_between(finished, exposure["starts"].fillna(0.0).to_numpy(), ends)
    unknown = _sum_between(finished, exposure["solid_m2"].isna().to_numpy(dtype=float), ends)
    level = levels["level_kg"].to_numpy()
    days = (ends[1:] - ends[:-1]) / np.timedelta64(1, "D")
    return pd.DataFrame(
        {
            "ink": ink,
            "since": ends[:-1],
            "read_at": ends[1:],
            "used_kg": level[:-1] + delivered - level[1:],
            "solid_m2": np.where(unknown > 0, np.nan, solid),
            "starts": np.where(unknown > 0, np.nan, starts),
            "days": days,
            "why": np.where(unknown > 0, "a run without coverage", ""),
        }
    )


def _sum_between(times: np.ndarray, values: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return sums of `values` whose time lies in (ends[i], ends[i + 1]]."""
    interval = np.searchsorted(ends, times, side="left") - 1
    inside = (interval >= 0) & (interval < len(ends) - 1)
    return np.bincount(interval[inside], weights=values[inside], minlength=len(ends) - 1)
