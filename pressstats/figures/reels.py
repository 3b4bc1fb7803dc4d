"""Figures about reels: funnels of rates, running length, what is left on cores, costs of a target."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from ..markup import labels
from ..palette import COLOURS, SERIES, tint
from .common import DASHES, SYMBOLS, add_band, add_line, add_mark, layout

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["cost_curves", "funnel", "running_lengths", "splice_times", "spreads"]


def funnel(table: pd.DataFrame, limits: pd.DataFrame, *, rate: float) -> go.Figure:
    """Draw rates per 100 reels against the number of reels, between the limits of chance (95 and 99.8 %).

    `table` has level, kind (what the level is one of), reels, per_100_reels, named (whether it lies outside).
    """
    figure = go.Figure()
    for low, high, dash, words in (
        ("low95", "high95", "dash", "95 % limits"),
        ("low998", "high998", "dot", "99.8 % limits"),
    ):
        for column in (low, high):
            quiet: dict[str, Any] = {"showlegend": column == high, "hoverinfo": "skip"}
            add_line(figure, limits["reels"], limits[column], words, "muted", 1, dash, **quiet)
    for number, (kind, rows) in enumerate(table.groupby("kind", sort=False)):
        names = labels(rows["level"])
        # A cloud of stands would write their names over each other: those within the limits go without.
        named = rows["named"] if len(rows) > 6 else rows["named"] | True
        figure.add_scatter(
            x=rows["reels"],
            y=rows["per_100_reels"],
            mode="markers+text",
            text=[names[str(name)] if out else "" for name, out in zip(rows["level"], named, strict=True)],
            hovertext=[names[str(name)] for name in rows["level"]],
            textposition="top center",
            textfont={"size": 11},
            name=str(kind),
            marker={
                "color": SERIES[number % len(SERIES)],
                "symbol": SYMBOLS[number % len(SYMBOLS)],
                "size": 9,
            },
        )
    figure.add_hline(y=rate, line={"color": COLOURS["muted"], "width": 1})
    figure.update_yaxes(rangemode="tozero")
    return layout(figure, height=460, x="reels mounted", y="web breaks per 100 reels")


def running_lengths(table: pd.DataFrame) -> go.Figure:
    """Draw how many reels have broken by the kilometres run: a rising step for each group with its 95 % band."""
    figure = go.Figure()
    names = labels(table["group"].unique())
    for number, (group, rows) in enumerate(table.groupby("group", sort=True)):
        colour = f"series{number % len(SERIES) + 1}"
        broken = {name: 100 * (1 - rows[name]) for name in ("survival", "ci_low", "ci_high")}
        limits, km = (broken["ci_low"], broken["ci_high"]), rows["length"]
        add_band(figure, km, limits, None, tint(colour, 0.15), shape="hv", showlegend=False)
        dash = DASHES[number % len(DASHES)]
        add_line(figure, km, broken["survival"], names[str(group)], colour, 1.8, dash, shape="hv")
    figure.update_yaxes(rangemode="tozero")
    return layout(figure, height=380, x="web run from the reel [km]", y="reels broken by then [%]")


def spreads(table: pd.DataFrame, *, target: float, named: list[str]) -> go.Figure:
    """Draw how what is left on cores [m] is spread at each reelstand, from the tenth to the ninetieth of a hundred."""
    names = labels(table["level"])
    rows = [names[str(level)] for level in table["level"]]
    figure = go.Figure()
    figure.add_bar(
        x=table["q90"] - table["q10"],
        y=rows,
        base=table["q10"],
        orientation="h",
        width=0.35,
        marker_color=tint("series1", 0.3),
        name="8 of 10 splices",
    )
    middle = {"symbol": "line-ns", "size": 12, "line": {"color": COLOURS["series1"], "width": 2}}
    figure.add_scatter(x=table["q50"], y=rows, mode="markers", marker=middle, name="half leave less")
    for out, words, symbol, colour in (
        (False, "mean, adjusted for small numbers", "circle", "series1"),
        (True, "mean of a stand that stands out", "triangle-right", "act"),
    ):
        stands = table[table["level"].isin(named) == out]
        if len(stands):
            figure.add_scatter(
                x=stands["pooled"],
                y=[names[str(level)] for level in stands["level"]],
                mode="markers",
                marker={"symbol": symbol, "size": 10, "color": COLOURS[colour]},
                name=words,
            )
    add_mark(figure, target, "target", yanchor="top")
    figure.update_yaxes(autorange="reversed", type="category", categoryorder="array", categoryarray=rows)
    figure.update_xaxes(rangemode="tozero")
    return layout(figure, height=170 + 28 * len(table), x="paper left on the core at a splice [m]")


def cost_curves(costs: pd.DataFrame, *, currency: str, current: float, best: float) -> go.Figure:
    """Draw what a splice of one material costs [currency] against the metres left on purpose.

    `costs` has metres, paper, failures, total; `current` and `best` are metres, not drawn where blank.
    """
    figure = go.Figure()
    for number, (column, words) in enumerate(
        (("total", "both together"), ("paper", "paper left"), ("failures", "failed splices"))
    ):
        if costs[column].notna().any():
            width, colour = 2.4 if column == "total" else 1.6, f"series{number + 1}"
            add_line(figure, costs["metres"], costs[column], words, colour, width, DASHES[number])
    for metres, words, side in ((current, "now", "right"), (best, "least cost", "left")):
        if np.isfinite(metres):
            add_mark(figure, metres, words, side, yanchor="top")
    figure.update_layout(margin={"t": 26})
    top = 3 * float(costs["total"].min()) if costs["total"].notna().any() else float(costs["paper"].max())
    figure.update_yaxes(range=[0, top])
    return layout(figure, height=360, x="paper left on the core [m]", y=f"cost of a splice [{currency}]")


def splice_times(table: pd.DataFrame) -> go.Figure:
    """Draw the splices (row, at, early, late, together) of a night, a row a web; two at once as open diamonds."""
    names = labels(table["row"].unique())
    figure = go.Figure()
    for alone, words, role, symbol in (
        (True, "splice", "series1", "circle"),
        (False, "two at once", "act", "diamond-open"),
    ):
        rows = table[(table["together"] == "") == alone]
        if rows.empty:
            continue
        # Half a minute at least, or a short interval could not be seen.
        figure.add_scatter(
            x=[f"{at:%Y-%m-%d %H:%M}" for at in rows["at"]],
            y=[names[str(row)] for row in rows["row"]],
            mode="markers",
            name=words,
            marker={"color": COLOURS[role], "size": 10, "symbol": symbol, "line": {"width": 2}},
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [late.total_seconds() * 1000 for late in rows["late"] - rows["at"]],
                "arrayminus": [early.total_seconds() * 1000 for early in rows["at"] - rows["early"]],
                "color": COLOURS[role],
                "thickness": 2,
            },
        )
    figure.update_yaxes(
        autorange="reversed", type="category", categoryorder="array", categoryarray=list(names.values())
    )
    # the day stands below the first hour of each
    figure.update_xaxes(tickformat="%H:%M\n%a %-d %b")
    return layout(figure, height=120 + 30 * len(names), x="expected time")
