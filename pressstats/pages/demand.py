"""What the demand page shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .. import figures
from ..demand import METHODS, Outlook, choice_table
from ..exhibits import Block, Shown, exhibit, logged, note, quantity, sheet
from ..exhibits import headline as headline_block
from ..results import Results
from .common import last_weeks, per_cent, tonnes

__all__ = ["choice", "fans", "headline", "kept", "key_figures", "record_table", "weeks_ahead"]


def newsprint(results: Results) -> list[str]:
    """Return the newsprint materials, the most used first."""
    if not results.logs.has("materials") or results.outlook is None:
        return []
    materials = results.logs["materials"]
    kinds = materials.set_index("material")["kind"]
    used = results.outlook.history.tail(52).mean().sort_values(ascending=False)
    return [name for name in used.index if kinds.get(name) == "newsprint"]


def unit_of(results: Results, material: str) -> str:
    """Return the unit a material is counted in, empty for pieces."""
    units = results.logs["materials"].set_index("material")["unit"]
    unit = str(units.get(material, ""))
    return "" if unit == "each" else unit


def _short(results: Results) -> Block:
    return note(
        "The logs are too short or hold no materials table, so there is no forecast: at least a few whole weeks "
        "and the table materials are needed."
    )


def headline(results: Results) -> Block:
    """Return the newsprint needed in the next 13 weeks against the same weeks last year."""
    if results.outlook is None:
        return _short(results)
    paper = newsprint(results)
    ahead = results["demand_forecast"]
    total = ahead.loc[ahead["material"].isin(paper), "mean"].sum()
    history = results.outlook.history[paper].sum(axis=1, skipna=False)
    year_ago = history.reindex(pd.DatetimeIndex(sorted(ahead["week"].unique())) - pd.Timedelta(weeks=52))
    change = 100 * (total / year_ago.sum(skipna=False) - 1)
    words = f", {change:+.1f} % against the same weeks last year" if np.isfinite(change) else ""
    beaten = [METHODS[number] for number in results.outlook.chosen]
    return headline_block(
        f"The next 13 weeks need {tonnes(total, 0)} of newsprint{words}.",
        f"Last year's same week is the published forecast of {beaten.count(METHODS[0])} of {len(beaten)} materials; "
        f"for {len(beaten) - beaten.count(METHODS[0])} a damped trend did better in the past.",
    )


def fans(results: Results, material: str | None = None) -> Block:
    """Return the forecast of one material; of the most used newsprint if none is named."""
    if results.outlook is None:
        return _short(results)
    names = results.outlook.names
    chosen = material or (newsprint(results) or names)[0]
    if chosen not in names:
        return note(f"Nothing is known of the use of {logged(chosen)}.")
    ahead = results["demand_forecast"]
    ahead = ahead[ahead["material"] == chosen]
    history = results.outlook.history[chosen].tail(78)
    unit = unit_of(results, chosen) or "each"
    first = ahead.iloc[0]
    span = (
        f"between {quantity(first['q05'], unit, 0)} and {quantity(first['q95'], unit, 0)} in nine cases of ten"
        if np.isfinite(first["q05"])
        else "too few past errors for an interval"
    )
    return exhibit(
        figures.fan(history, ahead, unit=f"use of {unit_axis(chosen)} [{unit} a week]"),
        name=f"fan-{names.index(chosen)}",
        finding=f"{logged(chosen)}: {quantity(first['mean'], unit, 0)} expected in the week of "
        f"{first['week']:%Y-%m-%d}, {span}.",
        table=ahead,
        columns=[
            Shown("week", kind="date"),
            Shown("mean", "expected", unit, 0),
            Shown("q05", "1 in 20 below", unit, 0),
            Shown("q25", "1 in 4 below", unit, 0),
            Shown("q50", "middle", unit, 0),
            Shown("q75", "1 in 4 above", unit, 0),
            Shown("q95", "1 in 20 above", unit, 0),
        ],
        file="demand_forecast",
    )


def unit_axis(name: str) -> str:
    """Return a material's name as an axis title may carry it."""
    return figures.labels([name])[name]


def weeks_ahead(results: Results) -> Block:
    """Return the expected use of every material in the next weeks."""
    if results.outlook is None:
        return _short(results)
    ahead = results["demand_forecast"]
    total = ahead.groupby("material").agg(first=("mean", "first"), thirteen=("mean", "sum"))
    history = results.outlook.history
    table = total.assign(
        lately=history.tail(13).mean().reindex(total.index),
        unit=[unit_of(results, name) or "each" for name in total.index],
    ).reset_index()
    return sheet(
        table,
        name="weeks-ahead",
        caption="Expected use of every material",
        columns=[
            Shown("material"),
            Shown("unit"),
            Shown("lately", "mean week, last 13", digits=0),
            Shown("first", "next whole week", digits=0),
            Shown("thirteen", "next 13 weeks", digits=0),
        ],
        file="demand_forecast",
    )


def choice(results: Results) -> Block:
    """Return the evidence for the method of each material."""
    if results.outlook is None:
        return _short(results)
    table = choice_table(results.outlook)
    return sheet(
        table,
        name="choice",
        caption="Mean absolute error of each method over 13 weeks ahead, in units of the usual change from year "
        "to year, and what is published",
        columns=[
            Shown("material"),
            Shown("weeks", "weeks known", digits=0),
            *(Shown(method, digits=2) for method in METHODS),
            Shown("chosen", "published"),
        ],
    )


def kept(results: Results) -> Block:
    """Return how often past intervals held what came, and the bias of the forecasts."""
    record = results["forecast_record"].dropna(subset=["actual", "q05", "q95"])
    if record.empty:
        return note("No past forecast has both an interval and an outcome yet.")
    inside = record["actual"].between(record["q05"], record["q95"])
    table = record.assign(inside=100.0 * inside, error=100 * (record["actual"] / record["mean"] - 1))
    grouped = table.groupby(["material", "source"])
    shown = grouped.agg(
        forecasts=("inside", "size"), inside=("inside", "mean"), error=("error", "median")
    ).reset_index()
    return sheet(
        shown,
        name="kept",
        caption=f"Nine in ten was promised; {per_cent(100 * inside.mean(), 0)} of {len(record)} past forecasts held "
        "what came (forecasts of one material lean on each other, so this swings)",
        columns=[
            Shown("material"),
            Shown("source"),
            Shown("forecasts", digits=0),
            Shown("inside", "held by the interval", "%", 0),
            Shown("error", "middle error, came against said", "%", 1),
        ],
        file="forecast_record",
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
        caption="What was said up to four weeks before, and what came",
        columns=[
            Shown("material"),
            Shown("made_on", "said on", kind="date"),
            Shown("week", kind="date"),
            Shown("source"),
            Shown("mean", "expected", digits=0),
            Shown("q05", "1 in 20 below", digits=0),
            Shown("q95", "1 in 20 above", digits=0),
            Shown("actual", "came", digits=0),
        ],
        limit=40,
        file="forecast_record",
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    outlook: Outlook | None = results.outlook
    if outlook is not None:
        print(f"{len(outlook.names)} materials, {len(outlook.history)} weeks")
        total = results["demand_forecast"]
        paper = total.loc[total["material"].isin(newsprint(results)), "mean"].sum()
        print(f"newsprint {paper / 1000:.0f} t in 13 weeks")
