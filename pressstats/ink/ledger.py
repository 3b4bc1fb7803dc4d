"""The ledger of each ink: level, deliveries and use from dip to dip, beside what was printed between them.

A dip labels the end of its interval. Two tanks of one ink are one ink: an interval lasts from one occasion
at which all its tanks were dipped to the next, so a missed dip makes a longer interval, not a gap. Tanks need
not be dipped at one hour: as long as no run that uses the ink finishes and no delivery comes between them, their
dips are one occasion, of the time of the last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..logs import once
from ..tables import INPUTS
from .refills import leave_out_refills

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["NO_COVERAGE", "ink_exposure", "ink_intervals", "no_ledger", "tank_deliveries", "tank_levels"]

#: Dips of several tanks of one ink within this time are one occasion, if nothing was printed or filled between.
_OCCASION = pd.Timedelta(hours=18)
#: Of two dips of one tank within this time the later one stands.
_REPEATED = pd.Timedelta(hours=3)

#: Why an interval says nothing of the model.
NO_COVERAGE = "a run without coverage"
_LOST_RUN = "a run that was set aside"
_UNKNOWN_DELIVERY = "a delivery of unknown ink or weight"

_COLUMNS = [
    "ink",
    "since",
    "read_at",
    "level_before_kg",
    "delivered_kg",
    "level_after_kg",
    "used_kg",
    "solid_m2",
    "solid_squared",
    "starts",
    "days",
    "why",
]


def ink_exposure(logs: Logs) -> pd.DataFrame:
    """Return what each run printed of each ink.

    Parameters
    ----------
    logs : Logs
        Logs with ``coverage`` or ``tank_readings``, where the inks are named.

    Returns
    -------
    DataFrame, shape (runs x inks, 6)
        run_id, ink, week, finished_at, solid_m2 (area of solid over the gross copies) [m2], starts (1 where the ink
        prints). `solid_m2` is blank where the run has no coverage at all or lost a row of it; a run with coverage of
        other inks only does not print this one.
    """
    runs = logs["runs"]
    coverage = logs["coverage"] if logs.has("coverage") else INPUTS["coverage"].empty()
    inks = sorted(
        set(coverage["ink"]) | set(logs["tank_readings"]["ink"] if logs.has("tank_readings") else ())
    )
    grid = runs[["run_id", "date", "finished_at"]].merge(pd.DataFrame({"ink": inks}), how="cross")
    page_m2 = runs["page_width_mm"] * runs["page_height_mm"] / 1e6
    gross_page_m2 = pd.Series((runs["copies_gross"] * page_m2).to_numpy(), index=runs["run_id"])
    grid = grid.merge(coverage[["run_id", "ink", "solid_pages"]], on=["run_id", "ink"], how="left")
    aside = logs.set_aside
    lost = aside.loc[aside["table"] == "coverage", "run_id"]
    known = grid["run_id"].isin(coverage["run_id"].unique()) & ~grid["run_id"].isin(lost)
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
    DataFrame, shape (intervals, 12)
        ink, since, read_at (end of the interval, plant-local wall time), level_before_kg, delivered_kg,
        level_after_kg, used_kg [kg], solid_m2 [m2], solid_squared (sum over its runs of solid_m2 squared) [m4],
        starts, days [day], why (empty, or why the interval says nothing of the model). `used_kg` is blank where a
        delivery cannot be put to an ink or is not in kg, and where a level rose of which no delivery tells
        (:mod:`pressstats.ink.refills`).
    """
    parts = []
    for ink in sorted(logs["tank_readings"]["ink"].unique()):
        levels, filled = tank_levels(logs, ink)
        if len(levels) >= 2:
            rows = _intervals(ink, levels, filled, exposure[exposure["ink"] == ink], logs.lost_nights)
            if filled.empty:
                tanks = logs["tank_readings"].loc[logs["tank_readings"]["ink"] == ink, "tank"].nunique()
                rows = leave_out_refills(rows, logs.plant.measurement.dip_kg * np.sqrt(tanks))
            parts.append(rows)
    return pd.concat(parts, ignore_index=True) if parts else no_ledger()[1]


@once
def tank_levels(logs: Logs, ink: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the level of all tanks of an ink together, and what was filled into them.

    Parameters
    ----------
    logs : Logs
        Logs with ``tank_readings``.
    ink : str
        The ink.

    Returns
    -------
    levels : DataFrame, shape (occasions, 2)
        read_at, level_kg [kg], of the occasions on which every tank was dipped. Left out are dips on a day with a
        delivery of unknown hour, since nobody can say what they saw of it.
    filled : DataFrame, shape (deliveries, 2)
        at (noon where the hour is not known), quantity_kg [kg]; blank where the delivery may be of this ink or not,
        or is not in kg.
    """
    readings = logs["tank_readings"]
    dips = readings[readings["ink"] == ink]
    filled = _deliveries(logs, ink, dips)
    levels = _occasions(dips, np.sort(np.concatenate([_finishes(logs, ink), filled["at"].to_numpy()])))
    unknown_hour = filled.loc[filled["delivered_at"].isna(), "delivered_on"]
    unclear = levels["first_at"].dt.normalize().isin(unknown_hour)
    unclear |= levels["read_at"].dt.normalize().isin(unknown_hour)
    levels = levels.loc[~unclear, ["read_at", "level_kg"]]
    return levels.reset_index(drop=True), filled[["at", "quantity_kg"]]


def no_ledger() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return exposure and intervals without rows, for logs without ``coverage`` or ``tank_readings``."""
    exposure = pd.DataFrame(columns=["run_id", "ink", "week", "finished_at", "solid_m2", "starts"])
    return _typed(exposure), _typed(pd.DataFrame(columns=_COLUMNS))


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    times = ("since", "read_at", "week", "finished_at", "delivered_on", "delivered_at", "at")
    words = ("run_id", "ink", "why")
    return frame.astype(
        {c: "datetime64[us]" if c in times else "str" if c in words else "float64" for c in frame.columns}
    )


def _finishes(logs: Logs, ink: str) -> np.ndarray:
    """Return when runs finished that print the ink, or of which nobody can say that they do not."""
    runs = logs["runs"]
    if logs.has("coverage"):
        coverage = logs["coverage"]
        lost = logs.set_aside.loc[logs.set_aside["table"] == "coverage", "run_id"]
        prints = coverage.loc[(coverage["ink"] == ink) & (coverage["solid_pages"] > 0), "run_id"]
        unknown = ~runs["run_id"].isin(coverage["run_id"].unique()) | runs["run_id"].isin(lost)
        runs = runs[runs["run_id"].isin(prints) | unknown]
    return runs["finished_at"].dropna().to_numpy()


def _occasions(dips: pd.DataFrame, events: np.ndarray) -> pd.DataFrame:
    """Return total level at the times when every tank of the ink was dipped; `events` part occasions."""
    dips = dips.sort_values("read_at", ignore_index=True)
    tanks = dips["tank"].nunique()
    # Of two dips of one tank on one occasion the later one stands.
    last = dips.assign(occasion=_occasion_numbers(dips, events)).drop_duplicates(
        ["occasion", "tank"], keep="last"
    )
    levels = last.groupby("occasion").agg(
        first_at=("read_at", "min"),
        read_at=("read_at", "max"),
        level_kg=("level_kg", "sum"),
        dipped=("tank", "nunique"),
    )
    return levels[levels["dipped"] == tanks].reset_index(drop=True)


def _occasion_numbers(dips: pd.DataFrame, events: np.ndarray) -> np.ndarray:
    """Return the occasion of each dip, in order of time.

    A dip opens another one when a run finished or a delivery came since the dip before, when it is too
    late after the first one, or when its tank was dipped in it already and not just now.
    """
    times, tanks = dips["read_at"].to_numpy(), dips["tank"].to_numpy()
    before = np.searchsorted(events, times, side="right")
    numbers = np.zeros(len(times), dtype=int)
    opened = 0
    first_of: dict[str, np.datetime64] = {}
    for row in range(len(times)):
        repeated = tanks[row] in first_of and times[row] - first_of[tanks[row]] > _REPEATED
        late = times[row] - times[opened] > _OCCASION
        if repeated or late or before[row] != before[opened]:
            opened, first_of = row, {}
            numbers[row] = 1
        first_of.setdefault(tanks[row], times[row])
    return np.cumsum(numbers)


def _deliveries(logs: Logs, ink: str, dips: pd.DataFrame) -> pd.DataFrame:
    """Return deliveries into the tanks of `ink`: delivered_on, delivered_at, at, quantity_kg, row of the table."""
    if not logs.has("deliveries"):
        return _typed(pd.DataFrame(columns=["delivered_on", "delivered_at", "at", "quantity_kg", "row"]))
    deliveries = logs["deliveries"]
    into = deliveries["tank"].isin(dips["tank"].unique())
    weighed = pd.Series(True, deliveries.index)
    if logs.has("materials"):
        into |= (logs.of_material(deliveries["material"], "ink") == ink) & deliveries["tank"].isna()
        weighed = logs.of_material(deliveries["material"], "unit") == "kg"
    elif deliveries["tank"].isna().all():
        # Neither table says what is ink: each delivery may be, and nobody knows how much.
        into = pd.Series(True, deliveries.index)
        weighed = ~into
    into &= deliveries["delivered_on"].notna()
    rows = deliveries.loc[into, ["delivered_on", "delivered_at"]]
    # A delivery without an hour lies strictly between days without a dip: noon puts it there.
    rows["at"] = rows["delivered_at"].fillna(rows["delivered_on"] + pd.Timedelta(hours=12))
    rows["quantity_kg"] = deliveries["quantity"].where(weighed)[into]
    rows["row"] = rows.index
    return rows.reset_index(drop=True)


def tank_deliveries(logs: Logs, ink: str, tank: str) -> pd.DataFrame:
    """Return deliveries into one tank of an ink, as :func:`tank_levels`; blank quantities may be another tank's."""
    dips = logs["tank_readings"]
    dips = dips[dips["ink"] == ink]
    came = _deliveries(logs, ink, dips)
    if came.empty:
        return came
    into = logs["deliveries"]["tank"].reindex(came["row"]).to_numpy()
    own = came[(into == tank) | pd.isna(into)].copy()
    if dips["tank"].nunique() > 1:
        own.loc[pd.isna(into[(into == tank) | pd.isna(into)]), "quantity_kg"] = np.nan
    return own


def _intervals(
    ink: str,
    levels: pd.DataFrame,
    filled: pd.DataFrame,
    exposure: pd.DataFrame,
    lost_nights: pd.DatetimeIndex,
) -> pd.DataFrame:
    ends = levels["read_at"].to_numpy()
    delivered = _sum_between(filled["at"].to_numpy(), filled["quantity_kg"].to_numpy(), ends)
    finished = exposure["finished_at"].to_numpy()
    solid = _sum_between(finished, exposure["solid_m2"].to_numpy(), ends)
    starts = _sum_between(finished, exposure["starts"].to_numpy(), ends)
    level = levels["level_kg"].to_numpy()
    # Of a run that was set aside only the day is sure: it printed between the evening before and that noon.
    half = np.timedelta64(12, "h")
    lost = lost_nights.to_numpy()[:, None]
    touched = ((ends[:-1] < lost + half) & (ends[1:] > lost - half)).any(axis=0)
    why = np.select(
        [np.isnan(solid), touched, np.isnan(delivered)], [NO_COVERAGE, _LOST_RUN, _UNKNOWN_DELIVERY], ""
    )
    return pd.DataFrame(
        {
            "ink": ink,
            "since": ends[:-1],
            "read_at": ends[1:],
            "level_before_kg": level[:-1],
            "delivered_kg": delivered,
            "level_after_kg": level[1:],
            "used_kg": level[:-1] + delivered - level[1:],
            "solid_m2": solid,
            "solid_squared": _sum_between(finished, exposure["solid_m2"].to_numpy() ** 2, ends),
            "starts": starts,
            "days": (ends[1:] - ends[:-1]) / np.timedelta64(1, "D"),
            "why": why,
        }
    ).astype({"ink": "str", "why": "str"})


def _sum_between(times: np.ndarray, values: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return sums of `values` whose time lies in (ends[i], ends[i + 1]]; blank with a blank one."""
    interval = np.searchsorted(ends, times, side="left") - 1
    inside = (interval >= 0) & (interval < len(ends) - 1)
    return np.bincount(interval[inside], weights=values[inside], minlength=len(ends) - 1)
