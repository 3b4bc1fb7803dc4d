"""The year ahead by month: each material, sums of several, and what they will cost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import QUANTILES, as_published
from .months import used_by_month

if TYPE_CHECKING:
    from ..logs import Logs
    from .outlook import Outlook

__all__ = ["demand_season", "season_of", "year_ahead"]

_LEVELS = np.array(list(QUANTILES.values()))
_PATHS = 1000


def _months(as_of: pd.Timestamp) -> pd.DatetimeIndex:
    """Return the twelve months after as-of."""
    return pd.date_range((as_of + pd.offsets.MonthBegin(1)).normalize(), periods=12, freq="MS", unit="us")


def _days(months: pd.DatetimeIndex) -> pd.DatetimeIndex:
    return pd.date_range(months[0], months[-1] + pd.offsets.MonthEnd(1), freq="D", unit="us")


def demand_season(outlook: Outlook, logs: Logs) -> pd.DataFrame:
    """Return the published table ``demand_season`` for the twelve months after as-of.

    Months are sums of the days that the weeks are shared among; quantiles are those of the months' sums over joint
    paths.
    """
    months = _months(logs.as_of)
    days = _days(months)
    paths, mean = outlook.day_paths(_PATHS, days)
    begins = np.flatnonzero(days.day == 1)
    quantiles = np.quantile(np.add.reduceat(paths, begins, axis=2), _LEVELS, axis=1)
    season = pd.DataFrame(
        {
            "material": np.repeat(outlook.names, len(months)),
            "month": np.tile(months.to_numpy(), len(outlook.names)),
            "mean": np.add.reduceat(mean, begins, axis=1).reshape(-1),
        }
    )
    for level, name in enumerate(QUANTILES):
        season[name] = quantiles[level].reshape(-1)
    before = used_by_month(
        logs, outlook.history, months - pd.DateOffset(years=1), outlook.recipe.kinds["ink"]
    )
    season["last_year"] = before[outlook.names].to_numpy().T.reshape(-1)
    if logs.has("budget"):
        budget = logs["budget"].rename(columns={"quantity": "budget_quantity", "cost": "budget_cost"})
        season = season.merge(budget, on=["material", "month"], how="left")
    else:
        season = season.assign(budget_quantity=np.nan, budget_cost=np.nan)
    return as_published(season, "demand_season")


def season_of(outlook: Outlook, names: Sequence[str], as_of: pd.Timestamp) -> pd.DataFrame:
    """Return month, mean, q05, q95 of the sum of several materials of one unit, which err together as in the past."""
    months = _months(as_of)
    days = _days(months)
    paths, mean = outlook.day_paths(_PATHS, days)
    rows = [outlook.names.index(name) for name in names]
    begins = np.flatnonzero(days.day == 1)
    sums = np.add.reduceat(paths[rows].sum(axis=0), begins, axis=1)
    low, high = np.quantile(sums, [0.05, 0.95], axis=0)
    expected = np.add.reduceat(mean[rows].sum(axis=0), begins)
    return pd.DataFrame({"month": months, "mean": expected, "q05": low, "q95": high})


def year_ahead(outlook: Outlook, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return what the 52 weeks after as-of need of each material, for contract talks.

    Columns material, low (undercut once in twenty), expected, high (exceeded once in twenty) [unit of the material].
    """
    days = pd.date_range(as_of + pd.Timedelta(days=1), periods=364, freq="D", unit="us")
    paths, mean = outlook.day_paths(_PATHS, days)
    low, high = np.quantile(paths.sum(axis=2), [0.05, 0.95], axis=1)
    return pd.DataFrame({"material": outlook.names, "low": low, "expected": mean.sum(axis=1), "high": high})
