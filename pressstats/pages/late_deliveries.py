"""What the buying outlook says of trucks that come late: how late each may come, and what runs out first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..exhibits import Block, logged, note, quantity, sheet, together
from ..orders.late_trucks import LATE_DAYS, LATE_SCENARIOS
from .common import counted, day_cell, day_cells, day_words, number_words
from .material_words import material_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["come_until", "fewest_to_spare", "late_trucks", "spared_weeks"]


def late_trucks(results: Results) -> Block:
    """Return for what each supplier brings on a day until when it may come, and what runs out after that."""
    if results.plan is None:
        return note("How late a truck may come is unknown: there is no order plan.")
    words = material_words(results.logs)
    table = results["late_trucks"].sort_values(["promised_on", "supplier"], kind="stable")
    if table.empty:
        return note("Nothing is on order, and nothing is to be ordered.")
    rows = sheet(
        table.assign(
            state=table["state"].str.replace(" ", "\u00a0"),
            due=day_cells(table["promised_on"], results.logs.as_of),
            lacks=day_cells(table["issue"], results.logs.as_of),
            until=[_until(row, results.logs.as_of) for row in table.itertuples()],
            first=[words.get(name, name) for name in table["runs_out"]],
            week_late=100 * table["chance_week_late"],
        ),
        name="late-trucks",
        caption=_finding(results, table, words),
        columns=(
            "due <text>; supplier; state <text>; trucks .0; until: may come until <text>; "
            "first: then runs out first; lacks: issue that lacks it <text>; "
            "week_late: risk, a week late [%] .1"
        ),
        file="late_trucks",
    )
    return together(
        rows,
        note(
            "What a supplier brings on one day is taken to be late together, on however many trucks; a single one of "
            "them has as many days at least. Other orders come as late as their suppliers usually do, in "
            f"{quantity(LATE_SCENARIOS, '', 0)} scenarios; emergency orders are not counted in. A risk of 0.0: "
            f"in none of them; a dash: nothing lacks within {spared_weeks()}."
        ),
    )


def come_until(results: Results) -> pd.Series:
    """Return by supplier and promised day until when what is on order may come, in words for a cell."""
    table = results["late_trucks"]
    table = table[table["state"] == "on order"]
    days = [_until(row, results.logs.as_of) for row in table.itertuples()]
    return pd.Series(days, pd.MultiIndex.from_frame(table[["supplier", "promised_on"]]), dtype="str")


def fewest_to_spare(table: pd.DataFrame) -> Any:
    """Return the row of ``late_trucks`` with the fewest days to spare; None where none has a last day."""
    known = table.dropna(subset="days_late").sort_values(["days_late", "promised_on"], kind="stable")
    return None if known.empty else known.iloc[0]


def _finding(results: Results, table: pd.DataFrame, words: pd.Series) -> str:
    """Say what has the fewest days to spare, and what lacks if it takes longer."""
    as_of = results.logs.as_of
    never = table[table["latest_on"].isna() & (table["runs_out"] != "")]
    if len(never):
        row = never.sort_values("chance_promised", kind="stable").iloc[-1]
        return (
            f"{_truck(row, as_of)} comes too late already: {logged(words.get(row['runs_out'], row['runs_out']))} "
            f"runs out before it with a chance of {100 * row['chance_promised']:.0f} %."
        )
    row = fewest_to_spare(table)
    if row is None:
        lasting = (table["chance_promised"].notna()).sum()
        return (
            f"{counted(int(lasting), 'arrival')}, of which each may come {spared_weeks()} late."
            if lasting
            else ""
        )
    days = row["days_late"]
    may = (
        f"may come {counted(days, 'day')} late, until {day_words(row['latest_on'], as_of)}"
        if days > 0
        else f"must come by {day_words(row['latest_on'], as_of)}"
    )
    return (
        f"Fewest days to spare: {_truck(row, as_of)} {may}. Later than that "
        f"{logged(words.get(row['runs_out'], row['runs_out']))} is likeliest to run out, "
        f"in one scenario of 20 by the issue of {day_words(row['issue'], as_of)}."
    )


def _truck(row: Any, as_of: pd.Timestamp) -> str:
    """Name what comes by its supplier and day, and how many trucks it takes where that is known."""
    supplier = logged(row["supplier"]) if row["supplier"] else "no named supplier"
    due = "to be ordered for" if row["state"] == "to order" else "promised for"
    on = f" ({counted(row['trucks'], 'truck')})" if row["trucks"] > 1 else ""
    return f"what is {due} {day_words(row['promised_on'], as_of)} from {supplier}{on}"


def spared_weeks() -> str:
    """Return for how long a truck is looked at that nothing needs, in words."""
    return f"{number_words(LATE_DAYS // 7)} weeks"


def _until(row: Any, as_of: pd.Timestamp) -> str:
    """Return the last day of a truck and how late that is, or what holds where it has none."""
    if np.isfinite(row.days_late):
        late = f", {counted(row.days_late, 'day')} late" if row.days_late > 0 else ""
        return f"{day_cell(row.latest_on, as_of)}{late}"
    if row.runs_out:
        return "too late already"
    return f"can be spared {spared_weeks()}" if np.isfinite(row.chance_promised) else "not known"
