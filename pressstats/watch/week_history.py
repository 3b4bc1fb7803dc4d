"""The published table ``week_history``: the figures of the week as each of a year's weeks would have shown them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..paper import counter_waste
from ..tables import OUTPUTS, as_published
from .paper_figures import mounted_tonnes, waste_share, wasted_cost
from .periods import LAST_YEAR, Period, last_week, weeks_logged
from .reel_figures import breaks_per_100, butts_share, counted_breaks
from .supply_figures import ink_used

if TYPE_CHECKING:
    from collections.abc import Callable

    from .figure import WeekInputs

__all__ = ["week_history"]

#: Of runs: the weeks that a figure is of, and how it follows from their balance.
_OF_RUNS: dict[str, tuple[int, Callable[[pd.DataFrame], float]]] = {
    "waste": (1, waste_share),
    "counter waste": (1, counter_waste),
    "paper mounted": (1, mounted_tonnes),
    "wasted paper cost": (1, wasted_cost),
    "butts": (13, butts_share),
}


def week_history(week: WeekInputs) -> pd.DataFrame:
    """Return the published table ``week_history``, each figure by the rule of ``week_figures``.

    The first is the same week of last year. A figure of several weeks is of those that end with the week; the first
    weeks of the logs are of fewer. What is refused has no rows, and what is not known of a week is blank.
    """
    weeks = weeks_logged(week.logs, LAST_YEAR + 1)
    rows = []
    for back in reversed(range(weeks)):
        first = last_week(week.logs) - pd.Timedelta(weeks=back)
        rows += [(name, first, value) for name, value in _figures(week, back).items()]
    if not rows:
        return OUTPUTS["week_history"].empty()
    return as_published(pd.DataFrame(rows, columns=["figure", "week", "value"]), "week_history")


def _figures(week: WeekInputs, back: int) -> dict[str, float]:
    """Return the figures of the week that lies so many weeks before the last."""
    found: dict[str, float] = {}
    if not week.refused("paper"):
        found = {name: of(week.runs_of(Period(weeks, back))) for name, (weeks, of) in _OF_RUNS.items()}
        quarter = Period(13, back)
        # Where no mount is logged the press counter stands in, as in ``week_figures``.
        breaks = breaks_per_100 if week.logs.has("reel_mounts") else counted_breaks
        found["web breaks"] = breaks(week, quarter)
    if not week.refused("ink"):
        found["ink use"] = ink_used(week, Period(4, back)) if len(week.found.ink_watch) else np.nan
    return found
