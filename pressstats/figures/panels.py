"""Figures of several panels below each other: one per press or ink."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from ..markup import labels
from ..palette import COLOURS, tint
from .common import add_band, add_line, dates, layout, name_panels, panel_axis

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["control_chart", "within_errors"]


def within_errors(table: pd.DataFrame, *, x: str, by: str, value: str, words: tuple[str, str]) -> go.Figure:
    """Draw a value of each group over time beside what errors can explain, a panel a group.

    Rows have `x` (dates), `by`, `value` [kg] and its limits low and high; `words` name value and limits.
    """
    groups = sorted(table[by].unique())
    names = labels(groups)
    figure = go.Figure()
    for number, group in enumerate(groups):
        rows = table[table[by] == group]
        axis = panel_axis(number)
        where: dict[str, Any] = {"xaxis": "x", "yaxis": f"y{axis}", "showlegend": number == 0}
        weeks = dates(rows[x])
        add_band(figure, weeks, (rows["high"], rows["low"]), words[1], tint("series1", 0.25), **where)
        figure.add_scatter(
            x=weeks,
            y=rows[value],
            mode="markers",
            name=words[0],
            marker={"color": COLOURS["text"], "size": 5},
            **where,
        )
        share = 1 / max(len(groups), 1)
        top = 1 - number * share
        figure.layout[f"yaxis{axis}"] = {"domain": [top - share + 0.06, top]}
    figure = layout(figure, height=180 + 170 * len(groups), x=x)
    name_panels(figure, [f"{names[group]} [kg]" for group in groups])
    figure.update_xaxes(anchor=f"y{panel_axis(len(groups) - 1)}")
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
        axis, first = panel_axis(number), number == 0
        days = dates(rows[x])
        where: dict[str, Any] = {"yaxis": f"y{axis}"}
        colour = (roles or {}).get(str(group), "series1")
        for sign in (1, -1):
            quiet: dict[str, Any] = {"showlegend": first and sign == 1, "hoverinfo": "skip", **where}
            add_line(figure, days, sign * rows["limit"], "limit", "muted", 1, "dash", **quiet)
        words = "average of standardised residuals"
        add_line(figure, days, rows["average"], words, colour, showlegend=first, **where)
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
            showlegend=first,
            **where,
        )
        top = 1 - number * share
        figure.layout[f"yaxis{axis}"] = {"domain": [max(top - share + 0.25 * share, 0), top]}
    figure = layout(figure, height=140 + 120 * len(groups), x="")
    name_panels(figure, [names[str(group)] for group in groups])
    if len(groups) > 1:
        figure.layout.xaxis.anchor = f"y{len(groups)}"
    return figure
