"""What all figures share: how they are laid out and how days are written."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from ..palette import COLOURS

if TYPE_CHECKING:
    from collections.abc import Sequence

    import plotly.graph_objects as go

__all__ = [
    "DASHES",
    "SYMBOLS",
    "add_band",
    "add_line",
    "add_mark",
    "dates",
    "layout",
    "name_panels",
    "panel_axis",
    "panel_grid",
]

#: Dashes of lines and marks of points, in their order: no series is told by its colour alone.
DASHES = ("solid", "dash", "dot", "dashdot")
SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "x")


def layout(figure: go.Figure, *, height: int, x: str = "", y: str = "") -> go.Figure:
    """Give `figure` its height, axis titles and, with more than one trace, a legend above."""
    figure.update_layout(height=height, showlegend=len(figure.data) > 1)
    figure.update_layout(legend={"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0})
    figure.update_xaxes(title_text=x)
    figure.update_yaxes(title_text=y)
    return figure


def dates(days: pd.Series | pd.Index) -> list[str]:
    """Return days as ISO text."""
    return [f"{pd.Timestamp(day):%Y-%m-%d}" for day in days]


def add_line(
    figure: go.Figure,
    x: Any,
    y: Any,
    name: str,
    colour: str,
    width: float = 1.6,
    dash: str | None = None,
    *,
    shape: str | None = None,
    **more: Any,
) -> None:
    """Draw a line in the colour of a role."""
    line = {"color": COLOURS[colour], "width": width, "dash": dash, "shape": shape}
    figure.add_scatter(x=x, y=y, mode="lines", name=name, line=line, **more)


def add_band(
    figure: go.Figure,
    x: Any,
    edges: tuple[Any, Any],
    name: str | None,
    fill: str,
    *,
    shape: str | None = None,
    showlegend: bool | None = None,
    **more: Any,
) -> None:
    """Fill between two edges, whose lines are not drawn; the legend shows it at the second."""
    unseen = {"mode": "lines", "line": {"width": 0, "shape": shape}, "hoverinfo": "skip", **more}
    figure.add_scatter(x=x, y=edges[0], showlegend=False, **unseen)
    figure.add_scatter(
        x=x, y=edges[1], fill="tonexty", fillcolor=fill, name=name, showlegend=showlegend, **unseen
    )


def add_mark(
    figure: go.Figure, x: float | str, words: str, side: str | None = None, yanchor: str = "bottom"
) -> None:
    """Draw an upright line with its words at the top of the plot, on one side of it."""
    figure.add_vline(x=x, line={"color": COLOURS["muted"], "dash": "longdash", "width": 1})
    figure.add_annotation(x=x, y=1, yref="paper", text=words, showarrow=False, yanchor=yanchor, xanchor=side)


def panel_axis(number: int) -> str:
    """Return what the axes of a panel are called after their letter: nothing, then 2, 3 and so on."""
    return "" if number == 0 else str(number + 1)


def name_panels(figure: go.Figure, words: Sequence[str]) -> None:
    """Write each panel's title at its axis."""
    for number, text in enumerate(words):
        figure.layout[f"yaxis{panel_axis(number)}"].title.text = text


def panel_grid(figure: go.Figure, titles: Sequence[str], *, columns: int, row_height: int) -> go.Figure:
    """Lay panels out in rows of `columns`, each with its title above; their days and months are one axis."""
    rows = -(-len(titles) // columns)
    height = 70 + row_height * rows
    for number, title in enumerate(titles):
        row, column, axis = number // columns, number % columns, panel_axis(number)
        left, top = column / columns, 1 - row / rows
        x = [left + 0.1 * (columns > 1) * (column > 0) / columns, left + 0.93 / columns]
        below = number + columns < len(titles)
        figure.layout[f"xaxis{axis}"] = {
            "domain": x,
            "anchor": f"y{axis}",
            "matches": None if number == 0 else "x",
            "showticklabels": not below,
        }
        figure.layout[f"yaxis{axis}"] = {
            "domain": [top - 0.74 / rows, top - 0.1 / rows],
            "anchor": f"x{axis}",
            "rangemode": "tozero",
            "nticks": 4,
        }
        figure.add_annotation(
            x=x[0], y=top - 0.09 / rows, xref="paper", yref="paper", text=title, showarrow=False,
            xanchor="left", yanchor="bottom", font={"size": 13},
        )  # fmt: skip
    figure.update_layout(height=height, showlegend=True)
    figure.update_layout(legend={"orientation": "h", "y": 1.01, "yanchor": "bottom", "x": 0})
    return figure
