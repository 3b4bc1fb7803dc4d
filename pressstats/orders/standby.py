"""Standby supplies: how many hours each holds against tonight's booked work, and which test is due."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..logs import Logs

__all__ = ["standby_hours", "tonights_hours"]

_RECENT = pd.Timedelta(weeks=13)


def tonights_hours(logs: Logs) -> tuple[pd.Timestamp, float]:
    """Return the next booked publication day and how long its printing takes.

    Parameters
    ----------
    logs : Logs
        Logs; without ``plan`` nothing is booked.

    Returns
    -------
    day : Timestamp
        Next day with booked copies; not a time where there is none.
    hours : float
        From the first start to the last end [h]: copies booked times what a copy of the title lately took on
        the presses, times the share of press hours that a night takes from end to end; blank where a title has not been
        printed in the last 13 weeks.
    """
    if not logs.has("plan"):
        return pd.NaT, np.nan
    plan = logs["plan"]
    ahead = plan[(plan["date"] > logs.as_of) & (plan["copies_planned"] > 0)]
    if ahead.empty:
        return pd.NaT, np.nan
    day = ahead["date"].min()
    booked = ahead[ahead["date"] == day].sort_values("made_on", na_position="first", kind="stable")
    booked = booked.drop_duplicates("title", keep="last").set_index("title")["copies_planned"]
    runs = logs["runs"]
    runs = runs[runs["date"] > logs.as_of - _RECENT]
    hours = (runs["finished_at"] - runs["started_at"]) / pd.Timedelta(hours=1)
    per_copy = hours.groupby(runs["title"]).sum() / runs.groupby("title")["copies_ordered"].sum()
    night = runs.groupby("date").agg(first=("started_at", "min"), last=("finished_at", "max"))
    span = (night["last"] - night["first"]) / pd.Timedelta(hours=1)
    share = (span / hours.groupby(runs["date"]).sum()).median()
    return day, float((booked * per_copy.reindex(booked.index)).sum(skipna=False) * share)


def standby_hours(logs: Logs) -> pd.DataFrame:
    """Return the standby supplies with what they hold and when they are tested.

    Parameters
    ----------
    logs : Logs
        Logs with ``standby``.

    Returns
    -------
    DataFrame, shape (supplies, 9), the shortest first
        supply, kind, holds_hours, tonight_hours [h], lasts (yes, no, or empty where tonight's work is not known),
        tested_on, test_due_on, days_late (0 where the test is not due; blank where no test is known), contact.
    """
    columns = [
        "supply",
        "kind",
        "holds_hours",
        "tonight_hours",
        "lasts",
        "tested_on",
        "test_due_on",
        "days_late",
        "contact",
    ]
    if not logs.has("standby"):
        return pd.DataFrame(columns=columns)
    table = logs["standby"].copy()
    # A test that is made after as-of is not known yet.
    table["tested_on"] = table["tested_on"].where(table["tested_on"] <= logs.as_of)
    table["test_due_on"] = table["tested_on"] + pd.to_timedelta(table["test_every_days"], unit="D")
    late = (logs.as_of - table["test_due_on"]).dt.days.astype("float64")
    table["days_late"] = late.clip(lower=0)
    _, hours = tonights_hours(logs)
    table["tonight_hours"] = hours
    told = np.isfinite(hours) & table["holds_hours"].notna()
    table["lasts"] = np.where(told, np.where(table["holds_hours"] >= hours, "yes", "no"), "")
    return table.sort_values("holds_hours", kind="stable", ignore_index=True)[columns]
