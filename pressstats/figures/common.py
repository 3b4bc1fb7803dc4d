"""What all figures share: how they are laid out and how days are written."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["DASHES", "SYMBOLS", "dates", "layout"]

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
