"""What each material has been used, week by week: the history that forecasts start from."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..ink import expected_use
from ..logs import Logs
from ..paper import mount_weights

__all__ = ["counted_use", "weekly_use"]


def weekly_use(
    logs: Logs, runs: pd.DataFrame, exposure: pd.DataFrame, intervals: pd.DataFrame, model: pd.DataFrame
) -> pd.DataFrame:
    """Return the use of each material in each whole week of the logs.

    Parameters
    ----------
    logs : Logs
        The logs; materials are those of ``materials``.
    runs : DataFrame
        Result of :func:`pressstats.paper.run_balance`.
    exposure, intervals, model : DataFrame
        Results of :func:`pressstats.ink.ink_exposure`, :func:`pressstats.ink.judge_intervals` and
        :func:`pressstats.ink.ink_model`.

    Returns
    -------
    DataFrame, shape (weeks, materials), index week, columns material
        Use [unit of the material]: mounted_kg of newsprint, what left the tanks of an ink, plates
        exposed, and what counts and deliveries say of the rest. Blank where it is not known; a
        material of which nothing is known has no column.
    """
    weeks = whole_weeks(logs)
    if not logs.has("materials") or len(weeks) == 0:
        return pd.DataFrame(index=weeks)
    materials = logs["materials"]
    columns: dict[str, pd.Series] = {}
    columns |= _newsprint(logs, runs, materials, weeks)
    columns |= _inks(exposure, intervals, model, materials, weeks)
    columns |= _plates(logs, materials, weeks)
    for material in materials.loc[materials["kind"] == "other", "material"]:
        columns[material] = counted_use(logs, material, weeks)
    history = pd.DataFrame(columns, index=weeks)
    return history.dropna(axis="columns", how="all").sort_index(axis="columns")


def whole_weeks(logs: Logs) -> pd.DatetimeIndex:
    """Return the first days of the whole weeks between the first run and as-of."""
    dates = logs["runs"]["date"]
    plant = logs.plant
    first = plant.week_start(dates.min())
    # A plant that prints nothing on the first day of the week still has a whole first week.
    if (dates.min() - first).days > 1:
        first += pd.Timedelta(days=7)
    last = plant.week_start(logs.as_of + pd.Timedelta(days=1)) - pd.Timedelta(days=7)
    return pd.date_range(first, last, freq="7D", unit="us")


def _newsprint(
    logs: Logs, runs: pd.DataFrame, materials: pd.DataFrame, weeks: pd.DatetimeIndex
) -> dict[str, pd.Series]:
    if not logs.has("reel_mounts"):
        return {}
    whole = runs.groupby("week")["has_reels"].all().reindex(weeks, fill_value=True)
    mounts = mount_weights(logs).merge(runs[["run_id", "week"]], on="run_id")
    used = mounts.groupby(["week", "material"])["mounted_kg"].sum().unstack()
    used = used.reindex(weeks).fillna(0.0)
    used[~whole.to_numpy()] = np.nan
    names = materials.loc[materials["kind"] == "newsprint", "material"]
    return {name: used[name] for name in names if name in used}


def _inks(
    exposure: pd.DataFrame,
    intervals: pd.DataFrame,
    model: pd.DataFrame,
    materials: pd.DataFrame,
    weeks: pd.DatetimeIndex,
) -> dict[str, pd.Series]:
    """Share the use between two dips among the weeks of its runs, as the model expects it."""
    inks = materials[(materials["kind"] == "ink") & materials["ink"].notna()]
    columns = {}
    for ink, mine in intervals.groupby("ink"):
        names = inks.loc[inks["ink"] == ink, "material"]
        if len(names) != 1:  # two materials of one ink share a tank: nobody logs which one was used
            continue
        columns[names.iloc[0]] = _ink_by_week(mine, exposure[exposure["ink"] == ink], model, weeks)
    return columns


def _ink_by_week(
    intervals: pd.DataFrame, exposure: pd.DataFrame, model: pd.DataFrame, weeks: pd.DatetimeIndex
) -> pd.Series:
    ends = intervals["read_at"].to_numpy()
    run = exposure.assign(
        days=0.0, interval=np.searchsorted(ends, exposure["finished_at"].to_numpy(), "left")
    )
    run = run[(run["interval"] < len(ends)) & (run["finished_at"] > intervals["since"].min())]
    run["weight"] = expected_use(run, model).fillna(0.0)
    # Use that the model sees no run for goes to the week of the dip.
    idle = pd.DataFrame(
        {
            "interval": np.arange(len(ends)),
            "week": _week_like(intervals["read_at"], weeks),
            "weight": 1e-6 + intervals["days"].to_numpy() * _standing(model, str(intervals["ink"].iloc[0])),
        }
    )
    shares = pd.concat([run[["interval", "week", "weight"]], idle], ignore_index=True)
    total = shares.groupby("interval")["weight"].transform("sum")
    used = np.where(intervals["why"] == "jump", np.nan, intervals["used_kg"])
    shares["kg"] = used[shares["interval"].to_numpy()] * shares["weight"] / total
    by_week = shares.groupby("week")["kg"].sum(skipna=False).reindex(weeks)
    # The weeks in which the dips begin or end are known only in part.
    begun = weeks < intervals["since"].min() - pd.Timedelta(days=1)
    ended = weeks + pd.Timedelta(days=6) > intervals["read_at"].max()
    by_week[begun | ended] = np.nan
    return by_week


def _standing(model: pd.DataFrame, ink: str) -> float:
    rows = model[(model["ink"] == ink) & (model["term"] == "standing_kg_per_day")]
    value = float(rows["estimate"].iloc[0]) if len(rows) else 0.0
    return max(value, 0.0) if np.isfinite(value) else 0.0


def _week_like(times: pd.Series, weeks: pd.DatetimeIndex) -> np.ndarray:
    position = weeks.searchsorted(times.dt.normalize(), side="right") - 1
    return weeks[np.clip(position, 0, len(weeks) - 1)].to_numpy()


def _plates(logs: Logs, materials: pd.DataFrame, weeks: pd.DatetimeIndex) -> dict[str, pd.Series]:
    names = materials.loc[materials["kind"] == "plate", "material"]
    runs = logs["runs"]
    if len(names) != 1 or runs["plates"].isna().all():
        return {}
    week = logs.plant.week_of(runs["date"])
    return {names.iloc[0]: runs["plates"].groupby(week).sum(skipna=False).reindex(weeks, fill_value=0.0)}


def counted_use(logs: Logs, material: str, weeks: pd.DatetimeIndex) -> pd.Series:
    """Return the weekly use of a material that has no counter, from counts and deliveries.

    Parameters
    ----------
    logs : Logs
        Logs with ``stock_counts``; deliveries count from the day after they came.
    material : str
        The material.
    weeks : DatetimeIndex, shape (weeks,)
        First days of the weeks.

    Returns
    -------
    Series, shape (weeks,)
        Use [unit of the material], spread evenly over the days between two counts; blank
        outside them.
    """
    blank = pd.Series(np.nan, weeks)
    if not logs.has("stock_counts"):
        return blank
    counts = logs["stock_counts"]
    counts = counts[counts["material"] == material].sort_values("counted_on")
    if len(counts) < 2:
        return blank
    days = pd.date_range(weeks[0], weeks[-1] + pd.Timedelta(days=6), freq="D", unit="us")
    ends = counts["counted_on"].to_numpy()
    received: np.ndarray = np.zeros(len(ends) - 1)
    if logs.has("deliveries"):
        came = logs["deliveries"]
        came = came[(came["material"] == material) & came["delivered_on"].notna()]
        slot = np.searchsorted(ends, came["delivered_on"].to_numpy(), side="left") - 1
        inside = (slot >= 0) & (slot < len(ends) - 1)
        received = np.bincount(slot[inside], came["quantity"].to_numpy()[inside], len(ends) - 1)
    level = counts["quantity"].to_numpy()
    span = (ends[1:] - ends[:-1]) / np.timedelta64(1, "D")
    per_day = (level[:-1] + received - level[1:]) / span
    slot = np.searchsorted(ends, days.to_numpy(), side="left") - 1
    inside = (slot >= 0) & (slot < len(per_day))
    daily = pd.Series(np.where(inside, per_day[np.clip(slot, 0, len(per_day) - 1)], np.nan), days)
    return daily.groupby(np.arange(len(days)) // 7).sum(skipna=False).set_axis(weeks)
