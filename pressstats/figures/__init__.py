"""Figures: each function draws one kind of picture from a frame and does nothing else.

Colours are roles of the palette, so a page can turn them dark; names from the logs go through
``labels``, so that plotly shows them as they are. Marks differ in shape or dash as well as in colour.
"""

from ..markup import labels
from .ahead import fan, season_bars
from .charts import bars_with_limits, interval_dots, lines_by, presence, streams
from .panels import control_chart, within_errors

__all__ = [
    "bars_with_limits",
    "control_chart",
    "fan",
    "interval_dots",
    "labels",
    "lines_by",
    "presence",
    "season_bars",
    "streams",
    "within_errors",
]
