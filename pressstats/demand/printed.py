"""What the issues to come print, where nobody knows what paper weighs: copies, and area by material."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .backtest import CHOICE
from .configuration import web_configuration
from .drivers import drivers_of

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["printed_ahead"]

_LATELY = pd.Timedelta(days=182)


def printed_ahead(logs: Logs) -> tuple[float, pd.Series]:
    """Return gross copies, and their area by material [m2], of the next 13 weeks, from ``runs`` and ``run_webs`` alone.

    Strip, reel ends and breaks are not in it: only reel records tell them.
    """
    first = logs.plant.first_forecast_week(logs.as_of)
    days = pd.date_range(first, periods=7 * CHOICE, freq="D", unit="us")
    expected = drivers_of(logs).expected(logs.as_of, days)
    issues = expected.issues
    if issues.empty:
        return 0.0, pd.Series(dtype="float64")
    runs = logs["runs"]
    lately = runs[runs["date"] > logs.as_of - _LATELY]
    over = lately["copies_gross"].sum() / lately["copies_ordered"].sum()
    gross = issues["copies"].to_numpy(dtype=float) * (over if np.isfinite(over) else 1.0)
    configuration, now = web_configuration(logs), np.datetime64(logs.as_of, "D")
    area = np.zeros(len(configuration.materials))
    for title, rows in issues.groupby("title").indices.items():
        copy_m2 = configuration.per_copy(str(title), expected.pages[rows], now).mean(axis=1)
        area += np.nansum(copy_m2 * gross[rows, None], axis=0)
    return float(gross.sum()), pd.Series(area, configuration.materials)
