"""What the manager reads on a screen only, below the sheets: use ink by ink, and the standby supplies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..exhibits import Block, folded, logged, note, sheet
from ..orders import standby_hours
from ..watch import KINDS, worst
from .common import day_cell, day_cells, last_days, spoken, unbroken

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["inks", "standby"]


def inks(results: Results) -> Block:
    """Return use by the dips against expectation of each ink, of the week's dips and over four weeks."""
    watch = results["ink_watch"]
    use = results["week_figures"].set_index("figure").loc["ink use"]
    if not np.isfinite(use["value"]):
        return note(f"Ink use is unknown. {spoken(str(use['why']), results.logs.as_of)}.")
    raised = results["exceptions"]
    raised = raised[raised["kind"].isin([kind.name for kind in KINDS.values() if kind.figure == "ink use"])]
    rows = []
    for ink, intervals in watch.groupby("ink"):
        week = last_days(results, 7, intervals, "read_at")
        month = last_days(results, 28, intervals, "read_at")
        known = month[month["z"].notna()]
        flagged = month.loc[month["signal"] != "", "signal"]
        expected = known["expected_kg"].sum()
        of_chart = "unknown" if not expected > 0 else "watch" if len(flagged) else "in control"
        rows.append(
            {
                "ink": ink,
                "since": _since(intervals, week, results.logs.as_of),
                "week": week["used_kg"].sum(min_count=1),
                "expected": week["expected_kg"].sum(min_count=1),
                "month": 100 * known["used_kg"].sum() / expected if expected > 0 else np.nan,
                "state": worst([of_chart, *raised.loc[raised["subject"] == ink, "state"]]),
                "signal": flagged.iloc[-1] if len(flagged) else "",
            }
        )
    shown = sheet(
        pd.DataFrame(rows),
        name="inks",
        caption=_ink_words(results),
        columns=(
            "ink; since: since the dip of <text>; week: used by the dips [kg] .0; expected: expected [kg] .0; "
            "month: four weeks, used of expected [%] .0; state <state>; signal: last signal"
        ),
        file="ink_watch",
    )
    return folded("Ink by ink: used by the dips, their errors within, against expected", shown)


def _since(intervals: pd.DataFrame, week: pd.DataFrame, as_of: pd.Timestamp) -> str:
    """Return the day of the dip that the week's first interval begins with: where one was left out, before the week."""
    first = week["read_at"].min()
    before = intervals.loc[intervals["read_at"] < first, "read_at"]
    return day_cell(before.max(), as_of) if len(before) else ""


def _ink_words(results: Results) -> str:
    row = results["week_figures"].set_index("figure").loc["ink use"]
    if row["state"] == "in control":
        return f"All inks were used as expected in the last four weeks ({row['value'] - 100:+.1f} %)"
    why = logged(spoken(str(row["why"]), results.logs.as_of), 400)
    return (
        f"Ink use in the last four weeks: {why}"
        if row["why"]
        else "Ink use in the last four weeks is unknown"
    )


def standby(results: Results) -> Block:
    """Return the standby supplies: how long each lasts against what is wanted, and whether its test is overdue."""
    if not results.logs.has("standby"):
        return note(
            "Standby supplies are unknown. Log them in standby: what each lasts, and when it was tested."
        )
    table = standby_hours(results.logs)
    wanted = results.logs.plant.policy.standby_hours
    late = results["exceptions"].loc[results["exceptions"]["kind"] == "standby test", "subject"]
    short = table["lasts_hours"] < wanted
    table["state"] = np.where(
        table["supply"].isin(late),
        "act",
        np.where(short, "watch", np.where(table["tested_on"].isna(), "unknown", "in control")),
    )
    # What a supply lasts is a promise only as long as it is tested.
    untested = table["supply"].isin(late) | table["tested_on"].isna()
    table["contact"] = table["contact"].map(unbroken, na_action="ignore")
    for name in ("tested_on", "test_due_on"):
        table[name] = day_cells(table[name], results.logs.as_of)
    table["lasts"] += np.where(untested & (table["lasts"] != ""), ", if it works: no test in time", "")
    rows = sheet(
        table,
        name="standby",
        caption=f"Standby supplies: {len(late)} of {len(table)} tests overdue, {int(short.sum())} last less than the "
        f"{wanted:g} h wanted",
        columns=(
            "supply; state <state>; kind; lasts; tested_on: last test <text>; "
            "test_due_on: next test due <text>; contact"
        ),
    )
    return folded(f"Standby supplies: {len(late)} of {len(table)} tests overdue", rows)
