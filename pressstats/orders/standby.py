"""Standby supplies: how long each carries the plant against what is wanted and a night's work; which test is due."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["NIGHT_HOURS", "standby_hours"]

#: Hours of a night, from the first plate to the last bundle: common practice, no source.
NIGHT_HOURS = (6.0, 8.0)


def standby_hours(logs: Logs) -> pd.DataFrame:
    """Return the standby supplies with how long they carry the work and when they are tested.

    Parameters
    ----------
    logs : Logs
        Logs with ``standby``; `standby_hours` of the plant's policy is what is wanted.

    Returns
    -------
    DataFrame, shape (supplies, 9), the shortest first
        supply, kind, lasts_hours, wanted_hours [h], lasts (in words: of the hours wanted, and of a night's six to eight
        hours where it does not last several; empty where nobody knows), tested_on, test_due_on, days_late (0 where the
        test is not due; blank where no test is known), contact.
    """
    columns = [
        "supply",
        "kind",
        "lasts_hours",
        "wanted_hours",
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
    wanted = float(logs.plant.policy.standby_hours)
    table["wanted_hours"] = wanted
    table["lasts"] = [_lasts(hours, wanted) for hours in table["lasts_hours"]]
    return table.sort_values("lasts_hours", kind="stable", ignore_index=True)[columns]


def _lasts(hours: float, wanted: float) -> str:
    """Say how long a supply lasts against the hours wanted, and against a night where it may not outlast one."""
    if not np.isfinite(hours):
        return ""
    short, long = NIGHT_HOURS
    night = f"a night ({short:g} to {long:g} h)"
    of_night = f", not {night}" if hours < short else f", perhaps {night}" if hours < long else ""
    if hours >= wanted:
        return f"the {wanted:g} h wanted{of_night}"
    return f"{hours:g} h of the {wanted:g} wanted{of_night}"
