"""What is to come: forecasts with their bands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from ..markup import labels
from ..palette import COLOURS, tint
from .common import SYMBOLS, add_band, add_line, dates, layout, panel_axis, panel_grid

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["fan", "season_panels", "stock_panels"]


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


def season_panels(table: pd.DataFrame, titles: dict[str, str]) -> go.Figure:
    """Draw the next twelve months of each material, a panel each, beside last year and the budget.

    Rows are those of ``demand_season`` in the unit of their panel; panels come in the order of `titles`.
    """
    figure = go.Figure()
    seen: set[str] = set()
    for number, name in enumerate(titles):
        rows = table[table["material"] == name]
        axis = panel_axis(number)
        where: dict[str, Any] = {"x": dates(rows["month"]), "xaxis": f"x{axis}", "yaxis": f"y{axis}"}
        error = None
        if rows["q95"].notna().any():
            error = {
                "type": "data",
                "symmetric": False,
                "array": rows["q95"] - rows["mean"],
                "arrayminus": rows["mean"] - rows["q05"],
                "color": COLOURS["text"],
                "thickness": 1,
                "width": 2,
            }
        words = "expected, 9 in 10"
        figure.add_bar(
            y=rows["mean"],
            name=words,
            legendgroup=words,
            showlegend=words not in seen,
            marker_color=tint("series1", 0.75),
            error_y=error,
            **where,
        )
        seen.add(words)
        for place, (column, what) in enumerate((("last_year", "last year"), ("budget_quantity", "budget"))):
            if rows[column].notna().any():
                mark = {"symbol": SYMBOLS[1 + place], "size": 6, "color": COLOURS[f"series{2 + place}"]}
                more = {"legendgroup": what, "showlegend": what not in seen, **where}
                figure.add_scatter(y=rows[column], mode="markers", name=what, marker=mark, **more)
                seen.add(what)
    safe = labels(titles.values())
    panel_grid(figure, [safe[title] for title in titles.values()], columns=2, row_height=150)
    figure.update_xaxes(type="date", tickformat="%b", dtick="M2")
    return figure


def stock_panels(
    ahead: pd.DataFrame, limits: pd.DataFrame, marks: pd.DataFrame, titles: dict[str, str]
) -> go.Figure:
    """Draw how stock of several materials goes on, a panel each, with what is ordered and received on which day.

    `ahead` has material, day, q05, q50, q95; `limits` material, least, most, of which a blank one is not drawn; `marks`
    material, day, what. Panels come in the order of `titles`, each in the unit of its own.
    """
    figure = go.Figure()
    seen: set[str] = set()

    def once(words: str, axis: str) -> dict[str, Any]:
        new = words not in seen
        seen.add(words)
        return {"legendgroup": words, "showlegend": new, "xaxis": f"x{axis}", "yaxis": f"y{axis}"}

    for number, name in enumerate(titles):
        rows = ahead[ahead["material"] == name].set_index("day")
        axis = panel_axis(number)
        days = dates(rows.index)
        band = "9 cases in 10"
        add_band(figure, days, (rows["q95"], rows["q05"]), band, tint("series2", 0.25), **once(band, axis))
        add_line(figure, days, rows["q50"], "median", "series2", **once("middle case", axis))
        own = limits[limits["material"] == name]
        for column, words, dash in (
            ("least", "least stock wanted", "dash"),
            ("most", "storage limit", "dot"),
        ):
            level = float(own[column].iloc[0]) if len(own) else float("nan")
            # Room far above all stock would press the lines to the floor.
            if level == level and (column == "least" or level < 1.5 * rows["q95"].max()):
                ends: dict[str, Any] = {"x": [days[0], days[-1]], "y": [level, level]}
                add_line(figure, name=words, colour="text", width=1, dash=dash, **ends, **once(words, axis))
        for what, (symbol, colour) in _MARKS.items():
            on = marks[(marks["material"] == name) & (marks["what"] == what)]["day"]
            if len(on):
                # What is ordered stands on the floor, what comes where it lifts the stock.
                height = [0.0] * len(on) if symbol == "circle" else rows["q50"].reindex(on).to_numpy()
                mark = {"symbol": symbol, "size": 7, "color": COLOURS[colour]}
                figure.add_scatter(
                    x=dates(on),
                    y=height,
                    mode="markers",
                    name=what,
                    marker=mark,
                    cliponaxis=False,
                    **once(what, axis),
                )
    safe = labels(titles.values())
    panel_grid(figure, [safe[title] for title in titles.values()], columns=2, row_height=140)
    figure.update_xaxes(type="date", tickformat="%-d %b", nticks=5)
    return figure


#: How the days of a time line are marked: symbol and colour.
_MARKS = {
    "order to place": ("circle", "accent"),
    "open order promised": ("diamond", "series3"),
    "delivery of the plan": ("triangle-down", "series4"),
}
