"""Figures of several panels below each other: one per press or ink."""

from __future__ import annotations

from typing import TYPE_CHECKING

import plotly.graph_objects as go

from ..markup import labels
from ..palette import COLOURS, tint
from .common import dates, layout

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["control_chart", "within_errors"]


def within_errors(table: pd.DataFrame) -> go.Figure:
    """Draw the unexplained paper of each press and week beside two standard deviations of what errors can explain."""
    presses = sorted(table["press"].unique())
    names = labels(presses)
    figure = go.Figure()
    for number, press in enumerate(presses):
        rows = table[table["press"] == press]
        axis = "" if number == 0 else str(number + 1)
        where = {"xaxis": "x", "yaxis": f"y{axis}"}
        weeks = dates(rows["week"])
        low, high = rows["threading_kg"] - 2 * rows["error_kg"], rows["threading_kg"] + 2 * rows["error_kg"]
        band = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", **where}
        figure.add_scatter(x=weeks, y=high, showlegend=False, **band)
        figure.add_scatter(
            x=weeks,
            y=low,
            fill="tonexty",
            fillcolor=tint("series1", 0.25),
            name="threaded paper ± 2 standard deviations",
            showlegend=number == 0,
            **band,
        )
        figure.add_scatter(
            x=weeks,
            y=rows["unexplained_kg"],
            mode="markers",
            name="unexplained",
            marker={"color": COLOURS["text"], "size": 5},
            showlegend=number == 0,
            **where,
        )
        share = 1 / max(len(presses), 1)
        top = 1 - number * share
        figure.layout[f"yaxis{axis}"] = {
            "domain": [top - share + 0.06, top],
            "title": {"text": f"{names[press]} [kg]"},
        }
    figure = layout(figure, height=180 + 170 * len(presses))
    for number, press in enumerate(presses):
        figure.layout[f"yaxis{'' if number == 0 else number + 1}"].title.text = f"{names[press]} [kg]"
    figure.update_xaxes(title_text="week")
    figure.layout.xaxis.anchor = f"y{len(presses)}" if len(presses) > 1 else "y"
    return figure


def control_chart(table: pd.DataFrame, *, x: str, by: str, roles: dict[str, str] | None = None) -> go.Figure:
    """Draw averages of standardised residuals with the limits of the chart, one panel per group.

    Rows have `x` (dates), `by`, average, limit and signal, which is marked by a triangle as well as by colour.
    """
    groups = sorted(table[by].unique())
    names = labels(groups)
    figure = go.Figure()
    share = 1 / max(len(groups), 1)
    for number, group in enumerate(groups):
        rows = table[table[by] == group]
        axis = "" if number == 0 else str(number + 1)
        days = dates(rows[x])
        colour = COLOURS[(roles or {}).get(str(group), "series1")]
        for sign in (1, -1):
            figure.add_scatter(
                x=days,
                y=sign * rows["limit"],
                mode="lines",
                line={"color": COLOURS["muted"], "width": 1, "dash": "dash"},
                name="limit",
                showlegend=number == 0 and sign == 1,
                hoverinfo="skip",
                yaxis=f"y{axis}",
            )
        figure.add_scatter(
            x=days,
            y=rows["average"],
            mode="lines",
            line={"color": colour, "width": 1.6},
            name="average of standardised residuals",
            showlegend=number == 0,
            yaxis=f"y{axis}",
        )
        out = rows[rows["signal"].isin(["high", "low"])]
        figure.add_scatter(
            x=dates(out[x]),
            y=out["average"],
            mode="markers",
            marker={
                "color": COLOURS["act"],
                "size": 7,
                "symbol": ["triangle-up" if s == "high" else "triangle-down" for s in out["signal"]],
            },
            name="outside the limits",
            showlegend=number == 0,
            yaxis=f"y{axis}",
        )
        top = 1 - number * share
        figure.layout[f"yaxis{axis}"] = {"domain": [max(top - share + 0.25 * share, 0), top]}
    figure = layout(figure, height=140 + 120 * len(groups), x="")
    for number, group in enumerate(groups):
        figure.layout[f"yaxis{'' if number == 0 else number + 1}"].title.text = names[str(group)]
    if len(groups) > 1:
        figure.layout.xaxis.anchor = f"y{len(groups)}"
    return figure
