"""Figures: each function draws one kind of picture from a frame and does nothing else.

Colours are roles of the palette, so a page can turn them dark; names from the logs go through
``labels``, so that plotly shows them as they are. Marks differ in shape or dash as well as in colour.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from .markup import labels
from .palette import COLOURS, SERIES, tint

__all__ = [
    "bars_with_limits",
    "control_chart",
    "fan",
    "interval_dots",
    "lines_by",
    "presence",
    "season_bars",
    "streams",
    "within_errors",
]

_DASHES = ("solid", "dash", "dot", "dashdot")
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "x")


def _layout(figure: go.Figure, *, height: int, x: str = "", y: str = "") -> go.Figure:
    figure.update_layout(height=height, showlegend=len(figure.data) > 1)
    figure.update_layout(legend={"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0})
    figure.update_xaxes(title_text=x)
    figure.update_yaxes(title_text=y)
    return figure


def _dates(days: pd.Series | pd.Index) -> list[str]:
    return [f"{pd.Timestamp(day):%Y-%m-%d}" for day in days]


def streams(table: pd.DataFrame) -> go.Figure:
    """Draw the streams that mounted paper went to.

    Parameters
    ----------
    table : DataFrame, shape (streams, 3)
        stream (words), tonnes [t] and share [%], in the order to be shown.

    Returns
    -------
    Figure
        Horizontal bars with the share written at each.
    """
    figure = go.Figure(
        go.Bar(
            x=table["tonnes"],
            y=table["stream"],
            orientation="h",
            marker_color=COLOURS["series1"],
            text=[f"{share:.2f} %" for share in table["share"]],
            textposition="outside",
            cliponaxis=False,
        )
    )
    figure.update_yaxes(autorange="reversed")
    if len(table):
        # Room for the words at the end of the bars, on either side of nothing.
        figure.update_xaxes(range=[min(0, table["tonnes"].min() * 1.3), max(0, table["tonnes"].max() * 1.15)])
    return _layout(figure, height=80 + 34 * len(table), x="paper [t]")


def lines_by(
    table: pd.DataFrame,
    *,
    x: str,
    y: str,
    by: str,
    unit: str,
    target: float | None = None,
    colours: dict[str, str] | None = None,
) -> go.Figure:
    """Draw a line over time for each group, with a target.

    Parameters
    ----------
    table : DataFrame
        Rows with the columns `x` (dates), `y` and `by`; a blank `y` is a gap in the line.
    x, y, by : str
        Columns.
    unit : str
        Title of the y axis, with its unit.
    target : float, optional
        A horizontal line.
    colours : dict of str, optional
        Colour role of a group that has one of its own (an ink).

    Returns
    -------
    Figure
        Lines of different colour and dash.
    """
    figure = go.Figure()
    names = labels(table[by].unique())
    for number, (name, rows) in enumerate(table.groupby(by, sort=True)):
        figure.add_scatter(
            x=_dates(rows[x]),
            y=rows[y],
            name=names[str(name)],
            mode="lines",
            line={
                "color": COLOURS[(colours or {}).get(str(name), f"series{number % len(SERIES) + 1}")],
                "dash": _DASHES[number % len(_DASHES)],
                "width": 1.8,
            },
        )
    if target is not None:
        figure.add_hline(y=target, line={"color": COLOURS["muted"], "dash": "longdash", "width": 1})
        figure.add_annotation(
            x=1, xref="paper", y=target, text="target", showarrow=False, xanchor="right", yanchor="bottom"
        )
    return _layout(figure, height=360, x="week", y=unit)


def within_errors(table: pd.DataFrame) -> go.Figure:
    """Draw the unexplained paper of each press and week beside what errors can explain.

    Parameters
    ----------
    table : DataFrame
        Result of :func:`pressstats.paper.unexplained_limits`.

    Returns
    -------
    Figure
        Per press, dots of unexplained kg and a band of threaded paper plus or minus two
        standard deviations.
    """
    presses = sorted(table["press"].unique())
    names = labels(presses)
    figure = go.Figure()
    for number, press in enumerate(presses):
        rows = table[table["press"] == press]
        axis = "" if number == 0 else str(number + 1)
        where = {"xaxis": "x", "yaxis": f"y{axis}"}
        weeks = _dates(rows["week"])
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
    figure = _layout(figure, height=180 + 170 * len(presses))
    for number, press in enumerate(presses):
        figure.layout[f"yaxis{'' if number == 0 else number + 1}"].title.text = f"{names[press]} [kg]"
    figure.update_xaxes(title_text="week")
    figure.layout.xaxis.anchor = f"y{len(presses)}" if len(presses) > 1 else "y"
    return figure


def interval_dots(
    table: pd.DataFrame,
    *,
    name: str,
    value: str,
    low: str,
    high: str,
    unit: str,
    reference: float | None = None,
    reference_words: str = "",
) -> go.Figure:
    """Draw estimates with their intervals, one below the other.

    Parameters
    ----------
    table : DataFrame
        Rows with the columns `name`, `value`, `low` and `high`.
    name, value, low, high : str
        Columns.
    unit : str
        Title of the x axis, with its unit.
    reference : float, optional
        A vertical line, called `reference_words`.
    reference_words : str
        What the line is.

    Returns
    -------
    Figure
        Dots with error bars.
    """
    names = labels(table[name])
    rows = [names[str(text)] for text in table[name]]
    figure = go.Figure()
    figure.add_scatter(
        x=table[value],
        y=rows,
        mode="markers",
        name="estimate with 95 % interval",
        marker={"color": COLOURS["series1"], "size": 9},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": table[high] - table[value],
            "arrayminus": table[value] - table[low],
            "color": COLOURS["series1"],
            "thickness": 2,
        },
    )
    if reference is not None:
        figure.add_vline(x=reference, line={"color": COLOURS["muted"], "dash": "longdash", "width": 1})
        figure.add_annotation(
            x=reference, y=1, yref="paper", text=reference_words, showarrow=False, yanchor="bottom"
        )
        figure.update_layout(margin={"t": 26})
    figure.update_yaxes(autorange="reversed", type="category")
    return _layout(figure, height=130 + 30 * len(table), x=unit)


def control_chart(table: pd.DataFrame, *, x: str, by: str, roles: dict[str, str] | None = None) -> go.Figure:
    """Draw averages of standardised residuals with the limits of the chart.

    Parameters
    ----------
    table : DataFrame
        Rows with `x` (dates), `by`, average, limit and signal.
    x, by : str
        Columns.
    roles : dict of str, optional
        Colour role of each group (inks have their own).

    Returns
    -------
    Figure
        One panel per group; signals are marked by triangles as well as by colour.
    """
    groups = sorted(table[by].unique())
    names = labels(groups)
    figure = go.Figure()
    share = 1 / max(len(groups), 1)
    for number, group in enumerate(groups):
        rows = table[table[by] == group]
        axis = "" if number == 0 else str(number + 1)
        days = _dates(rows[x])
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
            x=_dates(out[x]),
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
    figure = _layout(figure, height=140 + 120 * len(groups), x="")
    for number, group in enumerate(groups):
        figure.layout[f"yaxis{'' if number == 0 else number + 1}"].title.text = names[str(group)]
    if len(groups) > 1:
        figure.layout.xaxis.anchor = f"y{len(groups)}"
    return figure


def fan(history: pd.Series, ahead: pd.DataFrame, *, unit: str) -> go.Figure:
    """Draw the past weeks of a series and its forecast with 50 and 90 % bands.

    Parameters
    ----------
    history : Series, index of weeks
        Past values.
    ahead : DataFrame
        Rows of the published table ``demand_forecast`` of one material.
    unit : str
        Title of the y axis, with its unit.

    Returns
    -------
    Figure
        A line with a fan at its end.
    """
    figure = go.Figure()
    weeks = _dates(ahead["week"])
    for low, high, opacity, name in (("q05", "q95", 0.18, "9 in 10"), ("q25", "q75", 0.34, "1 in 2")):
        if ahead[low].isna().all():
            continue
        invisible = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip"}
        figure.add_scatter(x=weeks, y=ahead[high], showlegend=False, **invisible)
        figure.add_scatter(
            x=weeks, y=ahead[low], fill="tonexty", fillcolor=tint("series2", opacity), name=name, **invisible
        )
    figure.add_scatter(
        x=_dates(history.index),
        y=history,
        mode="lines",
        name="used",
        line={"color": COLOURS["text"], "width": 1.6},
    )
    figure.add_scatter(
        x=weeks,
        y=ahead["mean"],
        mode="lines",
        name="expected",
        line={"color": COLOURS["series2"], "width": 2, "dash": "dash"},
    )
    figure.update_yaxes(rangemode="tozero")
    return _layout(figure, height=320, x="week", y=unit)


def bars_with_limits(
    table: pd.DataFrame, *, name: str, value: str, unit: str, low: float, high: float
) -> go.Figure:
    """Draw a bar for each row between a least and a most wanted value.

    Parameters
    ----------
    table : DataFrame
        Rows with the columns `name` and `value`.
    name, value : str
        Columns.
    unit : str
        Title of the x axis, with its unit.
    low, high : float
        Least and most wanted value.

    Returns
    -------
    Figure
        Horizontal bars; a bar outside the limits is hatched as well as coloured.
    """
    names = labels(table[name])
    inside = table[value].between(low, high)
    figure = go.Figure(
        go.Bar(
            x=table[value],
            y=[names[str(text)] for text in table[name]],
            orientation="h",
            marker={
                "color": [COLOURS["series1"] if ok else COLOURS["watch"] for ok in inside],
                "pattern": {"shape": ["" if ok else "/" for ok in inside]},
            },
            text=[f"{number:.0f}" if np.isfinite(number) else "" for number in table[value]],
            textposition="outside",
            cliponaxis=False,
        )
    )
    for limit, words, side in ((low, "least wanted", "right"), (high, "most wanted", "left")):
        figure.add_vline(x=limit, line={"color": COLOURS["muted"], "dash": "longdash", "width": 1})
        figure.add_annotation(
            x=limit, y=1, yref="paper", text=words, showarrow=False, yanchor="bottom", xanchor=side
        )
    figure.update_layout(margin={"t": 26})
    figure.update_yaxes(autorange="reversed", type="category")
    return _layout(figure, height=130 + 28 * len(table), x=unit)


def season_bars(table: pd.DataFrame, *, unit: str, band: str = "9 in 10") -> go.Figure:
    """Draw a material's next twelve months with intervals, beside last year and the budget.

    Parameters
    ----------
    table : DataFrame
        Rows of the published table ``demand_season`` of one material, or sums of them.
    unit : str
        Title of the y axis, with its unit.
    band : str
        What the intervals are.

    Returns
    -------
    Figure
        Bars with 5 and 95 % quantiles; last year and budget as marks of different shape.
    """
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
        x=months, y=table["mean"], name=f"expected, {band}", marker_color=COLOURS["series1"], error_y=error
    )
    for number, (column, words) in enumerate((("last_year", "last year"), ("budget_quantity", "budget"))):
        if table[column].notna().any():
            figure.add_scatter(
                x=months,
                y=table[column],
                mode="markers",
                name=words,
                marker={"symbol": _SYMBOLS[1 + number], "size": 9, "color": COLOURS[f"series{2 + number}"]},
            )
    figure.update_xaxes(type="category")
    return _layout(figure, height=340, x="month", y=unit)


def presence(table: pd.DataFrame, *, tables: Sequence[str]) -> go.Figure:
    """Draw which table has rows in which week.

    Parameters
    ----------
    table : DataFrame, shape (weeks, tables)
        Rows of each table in each week, index of weeks.
    tables : sequence of str
        Columns in their order.

    Returns
    -------
    Figure
        A grid: empty weeks are light and stand out in a filled row.
    """
    rows = table[list(tables)]
    usual = rows.median().replace(0, 1.0)
    figure = go.Figure(
        go.Heatmap(
            x=_dates(table.index),
            y=list(tables),
            z=np.minimum(rows / usual, 1.5).T.to_numpy(),
            customdata=rows.T.to_numpy(),
            hovertemplate="%{y}, week of %{x}: %{customdata} rows<extra></extra>",
            colorscale=[[0, COLOURS["ground"]], [0.02, tint("series1", 0.25)], [1, COLOURS["series1"]]],
            zmin=0,
            zmax=1.5,
            xgap=0,
            ygap=3,
            showscale=False,
        )
    )
    figure.update_yaxes(autorange="reversed")
    return _layout(figure, height=110 + 26 * len(tables), x="week")
