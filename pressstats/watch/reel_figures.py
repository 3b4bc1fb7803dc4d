"""Figures of the week: web breaks and butts, over 13 weeks since a week has too few."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from .figure import LAST_YEAR, Period, WeekFigure, WeekInputs, weeks_logged
from .states import ACT, IN_CONTROL, UNKNOWN, WATCH, breaks_state

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["breaks_per_100", "butts_share", "counted_breaks", "reel_figures"]

_WEEKS = 13


def reel_figures(week: WeekInputs) -> Iterator[WeekFigure]:
    """Yield web breaks and butts."""
    yield _breaks(week)
    yield _butts(week)


def _breaks(week: WeekInputs) -> WeekFigure:
    target = week.logs.plant.targets.breaks_per_100_reels
    unit, weeks = "per 100 reels", weeks_logged(week.logs, _WEEKS)
    if week.refused("paper"):
        return week.unknown("web breaks", unit, week.no_paper(_WEEKS), target)
    counted = counted_breaks(week, Period(_WEEKS))
    if not week.logs.has("reel_mounts"):
        if np.isnan(counted):
            return week.unknown(
                "web breaks", unit, week.no_paper(_WEEKS) or "no web break is counted", target
            )
        return WeekFigure(
            "web breaks", counted, f"in {weeks} weeks", last_week=counted_breaks(week, Period()),
            last_year=counted_breaks(week, Period(_WEEKS, LAST_YEAR)), weeks_13=counted, state=UNKNOWN,
            why="by the press counter; how many reels that is of is not known: log reel_mounts",
        )  # fmt: skip
    events, reels = _mounted(week, Period(_WEEKS))
    if reels == 0:
        why = week.no_paper(_WEEKS) or "no reel was mounted"
        return week.unknown("web breaks", unit, why, target)
    state, low, high = breaks_state(events, reels, target)
    why = f"{events} in {reels} reels, {weeks} weeks"
    if state == ACT:
        why = f"over the target, and more than chance would bring; {why}"
    elif state == WATCH:
        why = f"over the target, though chance may bring that; {why}"
    if np.isfinite(counted) and counted != events:
        failed = _failed_splices_counted(week, Period(_WEEKS))
        why += f"; the press counter says {counted:.0f}" + (
            f", {failed} of them failed splices" if failed else ""
        )
    return WeekFigure(
        "web breaks", 100 * events / reels, unit, low, high, breaks_per_100(week, Period()),
        breaks_per_100(week, Period(_WEEKS, LAST_YEAR)), 100 * events / reels, target, state, why,
    )  # fmt: skip


def _mounted(week: WeekInputs, period: Period) -> tuple[int, int]:
    """Return mounts that a web break ended, and distinct reels mounted."""
    mounts = week.logs["reel_mounts"]
    mounts = mounts[mounts["run_id"].isin(week.runs_of(period)["run_id"])]
    return int((mounts["ended_by"] == "web_break").sum()), len(
        mounts[["supplier", "reel_id"]].drop_duplicates()
    )


def _failed_splices_counted(week: WeekInputs, period: Period) -> int:
    """Return failed splices of the runs whose press counter tells as many breaks more than their mounts."""
    mounts = week.logs["reel_mounts"]
    ended = {
        how: mounts.loc[mounts["ended_by"] == how, "run_id"].value_counts()
        for how in ("web_break", "failed_splice")
    }
    runs = week.logs["runs"].set_index("run_id").loc[week.runs_of(period)["run_id"], "web_breaks"]
    breaks, failed = (ended[how].reindex(runs.index, fill_value=0) for how in ("web_break", "failed_splice"))
    return int(failed[runs == breaks + failed].sum())


def breaks_per_100(week: WeekInputs, period: Period) -> float:
    """Return web breaks per 100 distinct reels mounted in a period; blank where none was."""
    events, reels = _mounted(week, period)
    return 100 * events / reels if reels else np.nan


def counted_breaks(week: WeekInputs, period: Period) -> float:
    """Return the web breaks that the press counter tells; blank where a run has none logged, not even 0."""
    runs = week.logs["runs"]
    counted = runs.loc[runs["run_id"].isin(week.runs_of(period)["run_id"]), "web_breaks"]
    return float(counted.sum(skipna=False)) if len(counted) else np.nan


def _butts(week: WeekInputs) -> WeekFigure:
    why = week.no_paper(_WEEKS)
    if why:
        return week.unknown("butts", "%", why)
    shares = [butts_share(week.runs_of(one)) for one in (Period(_WEEKS), Period(), Period(_WEEKS, LAST_YEAR))]
    if np.isnan(shares[0]) or week.found.reels.reel_ends["butt_kg_mean"].isna().all():
        return week.unknown("butts", "%", "no butt is weighed: log butt_kg")
    year = week.found.reels.reel_ends["lost_cost_per_year"].sum(min_count=1)
    why = f"of mounted paper, {weeks_logged(week.logs, _WEEKS)} weeks"
    why += f"; {year:,.0f} {week.logs.plant.currency} a year" if year > 0 else ""
    return WeekFigure(
        "butts", shares[0], "%", last_week=shares[1], last_year=shares[2], weeks_13=shares[0],
        state=IN_CONTROL, why=why,
    )  # fmt: skip


def butts_share(runs: pd.DataFrame) -> float:
    """Return what butts are of the mounted paper [%], over the runs whose butts are known; blank where none is."""
    whole = runs[runs["has_reels"] & runs["reel_end_kg"].notna()]
    mounted = float(whole["mounted_kg"].sum())
    return 100 * float(whole["reel_end_kg"].sum()) / mounted if mounted > 0 else np.nan
