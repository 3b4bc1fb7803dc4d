"""What the demand page and the buying outlook show of how good past forecasts were."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..demand import CHOICE, METHODS
from ..exhibits import Block, logged, note, quantity, sheet
from .common import day_words, last_weeks, per_cent
from .demand import METHOD_HEADS, too_short

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["kept", "promises", "record_table"]

#: Materials told that were forecast worse than by last year's week.
_WORSE = 4
#: Share of their weeks of which a year before has to be known.
_KNOWN = 0.75


def promises(results: Results) -> Block:
    """Return how the published choice did at the last half year of origins, knowing only what was known."""
    if results.outlook is None:
        return too_short()
    table = results.outlook.promises
    if table.empty or table["published"].isna().all():
        return note("No forecast made in this way has 13 weeks of outcomes yet.")
    last = table.iloc[-1]
    shares = {f"share_{level}": 100 * table[f"held_{level}"] for level in (80, 90, 95)}
    table = table.assign(material=table["material"].replace("", "all together"), **shares)
    return sheet(
        table,
        name="promises",
        caption=f"Tried at {last['origins']:.0f} past weeks, {_span(last['made_first'], last['made_last'])}, each "
        f"{CHOICE} weeks ahead, with what was known then: published forecasts missed by {last['published']:.2f} of the "
        f"usual change from year to year (last year's same week: {last[METHODS[0]]:.2f}), and 80 % intervals held "
        f"{per_cent(100 * last['held_80'], 0)}. Forecast against actual below is another record: of later weeks, with "
        "median errors",
        columns=f"material; published .2; {METHOD_HEADS}; "
        + "; ".join(f"share_{level}: held by {level} % [%] .0" for level in (80, 90, 95)),
    )


def kept(results: Results) -> Block:
    """Return how often past intervals held what came, and how near the forecasts were, beside last year's same week."""
    record = results["forecast_record"].dropna(subset=["actual", "q05", "q95"])
    if record.empty or results.outlook is None:
        return note("No past forecast has both an interval and an outcome yet.")
    history: Any = results.outlook.history
    past = history.stack().rename("naive").rename_axis(["week", "material"]).reset_index()
    past["week"] += pd.Timedelta(weeks=52)
    table = record.merge(past, on=["week", "material"], how="left")
    # Of nothing used no share can be off: weeks without use are told apart.
    used = table["actual"].where(table["actual"] > 0)
    table = table.assign(
        inside=100.0 * table["actual"].between(table["q05"], table["q95"]),
        off=100 * (table["mean"] / used - 1).abs(),
        off_naive=100 * (table["naive"] / used - 1).abs(),
    )
    table["off_both"] = table["off"].where(table["off_naive"].notna())
    grouped = table.groupby(["material", "source"])
    shown = grouped.agg(
        forecasts=("inside", "size"),
        inside=("inside", "mean"),
        off=("off", "median"),
        off_naive=("off_naive", "median"),
        both=("off_both", "count"),
        one=("off", "count"),
    ).reset_index()
    weeks: Any = table.drop_duplicates(["material", "source", "week"]).groupby(["material", "source"])[
        "actual"
    ]
    idle = weeks.agg(["size", lambda actual: (actual <= 0).sum()]).to_numpy()
    shown["remarks"] = [f"nothing used in {none} of {of} weeks" if none else "" for of, none in idle]
    # Real past publications before those made again.
    shown = shown.sort_values(["source", "material"], kind="stable")
    against = table["off_naive"].median()
    other = f" (last year's week: {per_cent(against, 0)})" if np.isfinite(against) else ""
    near = table["off_both" if other else "off"].median()
    half = (
        f"Half the forecasts were within {per_cent(near, 0)} of what was used{other}. " if near >= 0 else ""
    )
    made = _span(record["made_on"].min(), record["made_on"].max())
    weeks_ahead = (record["week"] - record["made_on"]).dt.days.max() // 7 + 1
    return sheet(
        shown,
        name="kept",
        caption=f"{half}{_worse(shown)}90 % intervals held {per_cent(table['inside'].mean(), 0)} of "
        f"{quantity(len(record), '', 0)} past forecasts, made {made}, for up to {weeks_ahead} weeks ahead as far as "
        f"they have come, {_reconstructed(record)}",
        columns=(
            "material; source; forecasts .0; inside: held by the interval [%] .0; "
            "off?: half within [%] .0; off_naive?: last year's week, half within [%] .0; remarks?: remarks"
        ),
        file="forecast_record",
    )


def _worse(shown: pd.DataFrame) -> str:
    """Name the materials whose forecasts did worse than last year's week, the worst first, both numbers beside each."""
    further = shown["off"].round() - shown["off_naive"].round()
    # Where of many weeks no year before is known, other weeks stand beside each other.
    known = shown["both"] >= _KNOWN * shown["one"]
    worse = shown.assign(further=further)[known & (further > 0)]
    worse = worse.sort_values("further", ascending=False, kind="stable")
    if worse.empty:
        return ""
    clauses = [
        f"{logged(material)}, {per_cent(own, 0)} against {per_cent(last_year, 0)}"
        for material, own, last_year in worse[["material", "off", "off_naive"]].head(_WORSE).to_numpy()
    ]
    more = f" and {len(worse) - _WORSE} more" if len(worse) > _WORSE else ""
    return f"Worse than last year's week: {'; '.join(clauses)}{more}. "


def _span(first: pd.Timestamp, last: pd.Timestamp) -> str:
    """Return the days between which forecasts were made, in words."""
    year = f" {first.year}" if first.year != last.year else ""
    return f"{day_words(first)}{year} to {day_words(last)} {last.year}"


def _reconstructed(record: pd.DataFrame) -> str:
    """Say how many of the past forecasts were published, and how many reconstructed."""
    made_again = int((record["source"] == "reconstructed").sum())
    if not made_again:
        return "all as published"
    if made_again == len(record):
        return "each made again from what was known then, none published"
    return (
        f"{quantity(made_again, '', 0)} of {quantity(len(record), '', 0)} made again from what was known then"
    )


def record_table(results: Results) -> Block:
    """Return what was said and what came in the last weeks, one to four weeks ahead."""
    record = results["forecast_record"].dropna(subset="actual")
    table = last_weeks(results, 4, record)
    ahead = (table["week"] - table["made_on"]).dt.days
    table = table[ahead <= 28].sort_values(["week", "material", "made_on"], ascending=[False, True, False])
    return sheet(
        table,
        name="record",
        caption=f"Forecast against actual, up to four weeks before, {_reconstructed(table)}",
        columns=(
            "material; made_on: made on <date>; week <date>; source; mean: expected .0; "
            "q05: 1 in 20 below .0; q95: 1 in 20 above .0; actual .0"
        ),
        limit=40,
        file="forecast_record",
    )
