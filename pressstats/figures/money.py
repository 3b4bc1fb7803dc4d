"""Figures of money: how a sum came to differ, effect by effect."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from ..markup import labels, quantity
from ..palette import COLOURS
from .common import layout

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["waterfall"]


def waterfall(table: pd.DataFrame, *, name: str, value: str, unit: str) -> go.Figure:
    """Draw effects as bars, each from where the one above ended; more is hatched as well as coloured."""
    names = labels(table[name])
    change = table[value].to_numpy(dtype=float)
    ends = np.cumsum(change)
    figure = go.Figure(
        go.Bar(
            x=change,
            base=ends - change,
            y=[names[str(text)] for text in table[name]],
            orientation="h",
            marker={
                "color": [COLOURS["watch"] if more else COLOURS["series1"] for more in change > 0],
                "pattern": {"shape": ["/" if more else "" for more in change > 0]},
            },
            text=[("+" if number > 0 else "") + quantity(number, digits=0) for number in change],
            textposition="outside",
            cliponaxis=False,
        )
    )
    figure.update_yaxes(autorange="reversed", type="category")
    # Room beside the outermost bars for their numbers.
    low, high = min(0.0, *(ends - change), *ends), max(0.0, *(ends - change), *ends)
    room = 0.18 * max(high - low, 1e-9)
    figure.update_xaxes(range=[low - room, high + room])
    return layout(figure, height=110 + 28 * len(table), x=unit)
