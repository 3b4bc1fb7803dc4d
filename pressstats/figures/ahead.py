"""What is to come: forecasts with their bands."""

from __future__ import annotations

from typing import Any

import pandas as pd
import plotly.graph_objects as go

from ..markup import labels
from ..palette import COLOURS, tint
from .common import SYMBOLS, add_band, add_line, dates, layout, name_panels, panel_axis

__all__ = ["fan", "season_bars", "stock_panels"]


def fan(history: pd.Series, ahead: pd.DataFrame, *, unit: str) -> go.Figure:
    """Draw the past weeks of a series and its forecast (rows of ``demand_forecast``) with 50 and 90 % bands."""
    figure = go.Figure()
    weeks = dates(ahead["week"])
    for low, high, opacity, name in (("q05", "q95", 0.18, "9 in 10"), ("q25", "q75", 0.34, "1 in 2")):
        if ahead[low].isna().all():
            continue
        add_band(figure, weeks, (ahead[high], ahead[low]), name, tint("series2", opacity))
    add_line(figure, dates(history.index), history, "used", "text")
    add_line(figure, weeks, ahead["mean"], "expected", "series2", 2, "dash")
    figure.update_yaxes(rangemode="tozero")
    return layout(figure, height=320, x="week", y=unit)


def season_bars(table: pd.DataFrame, *, unit: str) -> go.Figure:
    """Draw a material's next twelve months (rows of ``demand_season``), beside last year and the budget."""
    months = [f"{pd.Timestamp(month):%Y-%m}" for month in table["month"]]
    figure = go.Figure()
    error = None
    if table["q95"].notna().any():
        error = {
            "type": "data",
            "symmetric": False,
            "array": table["q95"] - table["mean"],
            "arrayminus": table["mean"] - table["q05"],
            "color": COLOURS["text"],
            "thickness": 1.2,
        }
    figure.add_bar(
        x=months, y=table["mean"], name="expected, 9 in 10", marker_color=COLOURS["series1"], error_y=error
    )
    for number, (column, words) in enumerate((("last_year", "last year"), ("budget_quantity", "budget"))):
        if table[column].notna().any():
            figure.add_scatter(
                x=months,
                y=table[column],
                mode="markers",
                name=words,
                marker={"symbol": SYMBOLS[1 + number], "size": 9, "color": COLOURS[f"series{2 + number}"]},
            )
    figure.update_xaxes(type="category")
    return layout(figure, height=340, x="month", y=unit)


def stock_panels(ahead: pd.DataFrame, limits: pd.DataFrame, *, unit: str) -> go.Figure:
    """Draw how stock of several materials goes on, a panel each, with the least cover and the room there is.

    `ahead` has material, day, q05, q50, q95; `limits` material, least, most, of which a blank one is not drawn.
    """
    names = [str(name) for name in ahead["material"].unique()]
    titles = labels(names)
    figure = go.Figure()
    share = 1 / max(len(names), 1)
    for number, name in enumerate(names):
        rows = ahead[ahead["material"] == name]
        axis = panel_axis(number)
        where: dict[str, Any] = {"xaxis": "x", "yaxis": f"y{axis}"}
        first: dict[str, Any] = {"showlegend": number == 0, **where}
        days = dates(rows["day"])
        add_band(figure, days, (rows["q95"], rows["q05"]), "9 cases in 10", tint("series2", 0.25), **first)
        add_line(figure, days, rows["q50"], "middle case", "series2", **first)
        own = limits[limits["material"] == name]
        for column, words, dash in (("least", "minimum cover", "dash"), ("most", "storage limit", "dot")):
            level = float(own[column].iloc[0]) if len(own) else float("nan")
            # Room far above all stock would press the lines to the floor.
            if level == level and (column == "least" or level < 1.5 * rows["q95"].max()):
                new = not any(trace.name == words for trace in figure.data)
                ends: dict[str, Any] = {"x": [days[0], days[-1]], "y": [level, level], "legendgroup": words}
                add_line(
                    figure, name=words, colour="text", width=1, dash=dash, showlegend=new, **ends, **where
                )
        top = 1 - number * share
        figure.layout[f"yaxis{axis}"] = {
            "domain": [max(top - 0.84 * share, 0.0), top - 0.06 * share],
            "rangemode": "tozero",
        }
    layout(figure, height=60 + 150 * max(len(names), 1), x="day")
    name_panels(figure, [f"{titles[name]} [{unit}]" for name in names])
    figure.update_xaxes(anchor=f"y{panel_axis(len(names) - 1)}")
    return figure
