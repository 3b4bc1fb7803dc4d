"""Figures: each function draws one kind of picture from a frame and does nothing else.

Colours are roles of the palette, so a page can turn them dark; names from the logs go through
``labels``, so that plotly shows them as they are. Marks differ in shape or dash as well as in colour.
"""

from ..markup import labels
from .ahead import fan, season_panels, stock_panels
from .charts import interval_dots, lines_by, presence, streams
from .money import waterfall
from .panels import control_chart, within_errors
from .reels import cost_curves, funnel, running_lengths, splice_times, spreads

__all__ = [
    "control_chart",
    "cost_curves",
    "fan",
    "funnel",
    "interval_dots",
    "labels",
    "lines_by",
    "presence",
    "running_lengths",
    "season_panels",
    "splice_times",
    "spreads",
    "stock_panels",
    "streams",
    "waterfall",
    "within_errors",
]
