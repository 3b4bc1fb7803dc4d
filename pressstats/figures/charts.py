"""Bars, lines, dots and grids."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from ..markup import label, labels
from ..palette import COLOURS, SERIES, tint
from .common import DASHES, add_line, add_mark, dates, layout

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["interval_dots", "lines_by", "presence", "streams"]


def streams(table: pd.DataFrame) -> go.Figure:
    """Draw the streams (words, tonnes [t], share [%]) that mounted paper went to, in the order of the rows."""
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
    return layout(figure, height=80 + 34 * len(table), x="paper [t]")


def lines_by(  # noqa: PLR0913 -- a column of the table each
    table: pd.DataFrame,
    *,
    x: str,
    y: str,
    by: str,
    unit: str,
    target: float | None = None,
    colours: dict[str, str] | None = None,
    marks: Sequence[tuple[pd.Timestamp, str]] = (),
    height: int = 360,
) -> go.Figure:
    """Draw a line of `y` over the dates `x` for each group of `by`, with a target; a blank `y` is a gap in the line.

    `colours` are roles of groups that have one of their own (an ink), `marks` days on which something changed.
    """
    figure = go.Figure()
    names = labels(table[by].unique())
    for number, (name, rows) in enumerate(table.groupby(by, sort=True)):
        colour = (colours or {}).get(str(name), f"series{number % len(SERIES) + 1}")
        dash = DASHES[number % len(DASHES)]
        add_line(figure, dates(rows[x]), rows[y], names[str(name)], colour, 1.8, dash)
    if target is not None:
        figure.add_hline(y=target, line={"color": COLOURS["muted"], "dash": "longdash", "width": 1})
        # Beside the plot, where no line runs over it.
        figure.add_annotation(x=1, xref="paper", y=target, text="target", showarrow=False, xanchor="left")
        figure.update_layout(margin={"r": 44})
    for number, (day, words) in enumerate(marks):
        add_mark(figure, f"{day:%Y-%m-%d}", label(words), "left" if number % 2 == 0 else "right")
    return layout(figure, height=height, x="week", y=unit)


def interval_dots(  # noqa: PLR0913 -- a column of the table each
    table: pd.DataFrame,
    *,
    name: str,
    value: str,
    low: str,
    high: str,
    unit: str,
    reference: float | None = None,
    reference_words: str = "",
    drawn: str = "",
) -> go.Figure:
    """Draw estimates with their intervals, one below the other, and a vertical line at the reference.

    `drawn` is the column of estimates drawn to their common mean, shown as open diamonds; none where it is empty.
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
    if drawn:
        diamond = {"symbol": "diamond-open", "size": 11, "color": COLOURS["series2"], "line": {"width": 2}}
        figure.add_scatter(
            x=table[drawn], y=rows, mode="markers", name="adjusted for small numbers", marker=diamond
        )
    if reference is not None:
        add_mark(figure, reference, reference_words)
        figure.update_layout(margin={"t": 26})
    figure.update_yaxes(autorange="reversed", type="category")
    figure = layout(figure, height=130 + 30 * len(table), x=unit)
    if drawn and reference is not None:
        # The legend stands above the word at the reference line.
        figure.update_layout(legend_y=1 + 22 / (30 + 30 * len(table)))
    return figure


def presence(table: pd.DataFrame, *, tables: Sequence[str]) -> go.Figure:
    """Draw which table has rows in which week: empty weeks are light and stand out in a filled row."""
    rows = table[list(tables)]
    usual = rows.median().replace(0, 1.0)
    figure = go.Figure(
        go.Heatmap(
            x=dates(table.index),
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
    return layout(figure, height=110 + 26 * len(tables), x="week")
