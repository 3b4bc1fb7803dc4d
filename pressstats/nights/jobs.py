"""The next booked night: what each title takes, when it starts and ends, and which plates are exposed for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import OUTPUTS, as_published
from .coming import booked_issues

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["night_jobs"]

_RECENT = pd.Timedelta(weeks=13)
#: Runs of a weekday from which its usual start is taken; with fewer, those of all weekdays.
_LEAST = 4
#: A page in one colour takes one plate, a coloured one three more.
_COLOURS = 3


def night_jobs(logs: Logs, webs: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``night_jobs``.

    Parameters
    ----------
    logs : Logs
        The logs; without ``plan`` nothing is booked.
    webs : DataFrame
        Result of :func:`pressstats.reels.planned.planned_webs`: the webs of the next booked night.

    Returns
    -------
    DataFrame, shape (titles, 11)
        The published columns, in the order of titles. A press prints one title after the other: none starts before the
        one before it is expected to end.
    """
    if webs.empty:
        return OUTPUTS["night_jobs"].empty()
    jobs = webs.drop_duplicates("title")[["date", "title", "like"]]
    plan = booked_issues(logs)
    jobs = jobs.merge(plan, on=["date", "title"], how="left")
    runs = logs["runs"]
    press = runs.set_index("run_id")["press"]
    recent = runs[runs["date"] > logs.as_of - _RECENT]
    rows = []
    for title, day, like, copies, pages, colour in zip(
        jobs["title"], jobs["date"], jobs["like"], jobs["copies_planned"], jobs["pages_planned"],
        jobs["colour_pages"], strict=True,
    ):  # fmt: skip
        of_title = recent[recent["title"] == title]
        on_press = of_title[of_title["press"] == press.get(like, "")]
        plates, high = _plates(of_title, pages, colour)
        start, hours = _usual(on_press, day, copies)
        rows.append(
            {
                "date": day, "title": title, "press": press.get(like, ""), "copies": copies, "pages": pages,
                "colour_pages": colour, "plates": plates, "plates_high": high, "starts_at": start, "hours": hours,
                "like": like,
            }
        )  # fmt: skip
    table = _in_turn(pd.DataFrame(rows))
    return as_published(table, "night_jobs")


def _plates(runs: pd.DataFrame, pages: float, colour: float) -> tuple[float, float]:
    """Return the plates to expose for a title, and how many one issue of ten exceeds."""
    sets = runs["plates"] / (runs["pages"] + _COLOURS * runs["colour_pages"])
    sets = sets.dropna()
    size = pages + _COLOURS * colour
    if sets.empty or not np.isfinite(size):
        return np.nan, np.nan
    return float(np.round(size * sets.median())), float(np.ceil(size * sets.quantile(0.9)))


def _usual(runs: pd.DataFrame, day: pd.Timestamp, copies: float) -> tuple[pd.Timestamp | None, float]:
    """Return when a title usually starts for the issue of a day, and how long it runs [h]."""
    hours = (runs["finished_at"] - runs["started_at"]).dt.total_seconds() / 3600
    speed = (runs["copies_ordered"] / hours)[hours > 0]
    if speed.empty:
        return None, np.nan
    weekday = runs[runs["date"].dt.day_of_week == day.day_of_week]
    like = weekday if len(weekday) >= _LEAST else runs
    start = day + pd.Timedelta((like["started_at"] - like["date"]).median())
    return start.round("min"), copies / float(speed.median())


def _in_turn(jobs: pd.DataFrame) -> pd.DataFrame:
    """Let each press print one title after the other, in the order of their usual starts."""
    jobs = jobs.astype({"starts_at": "datetime64[us]"}).sort_values("starts_at", kind="stable")
    free: dict[str, pd.Timestamp] = {}
    starts: list[pd.Timestamp | None] = []
    ends: list[pd.Timestamp | None] = []
    for press, start, hours in zip(jobs["press"], jobs["starts_at"], jobs["hours"], strict=True):
        if pd.isna(start) or not np.isfinite(hours):
            starts.append(None)
            ends.append(None)
            continue
        begin = max(start, free.get(press, start))
        free[press] = (begin + pd.Timedelta(hours=hours)).round("min")
        starts.append(begin)
        ends.append(free[press])
    jobs["starts_at"], jobs["ends_at"] = pd.Series(starts, jobs.index), pd.Series(ends, jobs.index)
    return jobs.astype({"starts_at": "datetime64[us]", "ends_at": "datetime64[us]"})
