"""What the log check page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from .. import figures
from ..exhibits import Block, Tile, day_words, declared, exhibit, note, quantity, sheet
from ..exhibits import headline as headline_block
from ..exhibits import tiles as tiles_block
from ..logs.report import problem_groups
from ..logs.requirements import losses
from .common import counted

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["groups", "headline", "key_figures", "lost", "presence", "rejected", "sources", "tiles", "warned"]


def headline(results: Results) -> Block:
    """Return how much of the logs could be used."""
    logs = results.logs
    rows = sum(source.rows for source in logs.sources)
    used = sum(source.used for source in logs.sources)
    aside = len(logs.rejected)
    share = 100 * used / rows if rows else 0.0
    return headline_block(
        f"{counted(aside, 'row')} {'was' if aside == 1 else 'were'} set aside and {len(logs.warnings)} used with a "
        f"warning, of {quantity(rows, '', 0)} read.",
        f"{share:.2f} % of all rows are used; repeated rows of overlapping exports count once.",
    )


def tiles(results: Results) -> Block:
    """Return counts of rows, files, problems."""
    logs, state = results.logs, _aside_state(results)
    return tiles_block(
        [
            Tile("Files read", float(len(logs.sources)), digits=0),
            Tile("Rows used", float(sum(source.used for source in logs.sources)), digits=0),
            Tile("Repeated rows", float(sum(source.duplicates for source in logs.sources)), digits=0),
            Tile(
                "Set aside",
                float(len(logs.rejected)),
                state=state,
                digits=0,
                because="One table lost 1 % of its rows or more" if state == "watch" else "",
            ),
            Tile(
                "Warnings",
                float(len(logs.warnings)),
                state="in control" if logs.warnings.empty else "watch",
                digits=0,
                because="" if logs.warnings.empty else "Used, though each breaks a rule: listed below",
            ),
        ]
    )


def _aside_state(results: Results) -> str:
    """Return the state of the rows set aside, as the manager's page has it; of logs without one too."""
    figures_ = results["week_figures"].set_index("figure")
    return str(figures_.loc["logs", "state"]) if "logs" in figures_.index else ""


def groups(results: Results) -> Block:
    """Return the problems by table and rule."""
    table = problem_groups(results.logs)
    # A cell is one line: what the command puts below each other stands side by side here.
    table = table.assign(first_lines=table["first_lines"].str.replace("\n", "; "))
    return sheet(table, name="problems", caption="Problems by table and rule", limit=80)


def rejected(results: Results) -> Block:
    """Return the rows that were set aside, with where, what and why."""
    return sheet(
        results["rejected_rows"],
        name="rejected-rows",
        caption=f"{counted(len(results['rejected_rows']), 'row')} set aside: not used anywhere",
        columns=declared("rejected_rows"),
        limit=100,
        file="rejected_rows",
    )


def warned(results: Results) -> Block:
    """Return the rows that are used with a warning."""
    return sheet(
        results["warning_rows"],
        name="warning-rows",
        caption=f"{counted(len(results['warning_rows']), 'warning')}: the row is used all the same",
        columns=declared("warning_rows"),
        limit=60,
        file="warning_rows",
    )


def lost(results: Results) -> Block:
    """Return what each analysis loses by what is missing or set aside."""
    table = losses(results.logs)
    return sheet(table, name="losses", caption="What each analysis needs, and what it loses", limit=60)


def presence(results: Results) -> Block:
    """Return in which weeks each table has rows."""
    logs = results.logs
    runs = logs["runs"].set_index("run_id")
    week_of_run = pd.Series(logs.plant.week_of(runs["date"]), index=runs.index)
    weeks: dict[str, pd.Series] = {"runs": logs.plant.week_of(logs["runs"]["date"])}
    for name in ("run_webs", "reel_mounts", "coverage"):
        if logs.has(name):
            weeks[name] = logs[name]["run_id"].map(week_of_run)
    for name, column in (
        ("tank_readings", "read_at"),
        ("deliveries", "delivered_on"),
        ("stock_counts", "counted_on"),
    ):
        if logs.has(name):
            weeks[name] = logs.plant.week_of(logs[name][column].dropna())
    index = pd.date_range(weeks["runs"].min(), weeks["runs"].max(), freq="7D", unit="us")
    table = pd.DataFrame(
        {name: week.value_counts().reindex(index, fill_value=0) for name, week in weeks.items()}
    )
    empty = table.loc[
        table["runs"] > 0, [name for name in ("reel_mounts", "coverage", "tank_readings") if name in table]
    ]
    missing = {name: int((empty[name] == 0).sum()) for name in empty}
    words = ", ".join(f"{name} in {counted(count, 'week')}" for name, count in missing.items() if count)
    finding = (
        f"Printed weeks without any row: {words}." if words else "Every printed week has rows in every table."
    )
    shown = table.rename_axis("week").reset_index()
    return exhibit(
        figures.presence(table, tables=list(table.columns)),
        name="presence",
        finding=finding,
        table=shown.sort_values("week", ascending=False),
        columns="; ".join(["week <date>", *(f"{name} .0" for name in table)]),
        limit=60,
    )


def sources(results: Results) -> Block:
    """Say how the default as-of and the cut work."""
    return note(
        f"Everything is cut at {day_words(results.logs.as_of)} {results.logs.as_of.year}, that day included: rows that "
        "follow a later run, dip, delivery or count are left out, and an order delivered later is an open order."
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    print(f"{len(results.logs.rejected)} set aside, {len(results.logs.warnings)} warnings")
    print(f"{len(results.logs['runs'])} runs to {results.logs.as_of:%Y-%m-%d}")
