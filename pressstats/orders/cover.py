"""How long what is on hand lasts, and when it runs out with the open orders counted in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import as_published
from .leadtimes import LeadTimes, arrivals, receipt_days, rest_days

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs

__all__ = ["PATHS", "Paths", "demand_paths", "stock_cover"]

PATHS = 400
#: Days looked ahead.
_DAYS = 182
_SEED = 20240229


class Paths:
    """Joint draws of use by day, for every material.

    Attributes
    ----------
    days : DatetimeIndex, shape (days,)
        Days from the one after as-of.
    names : list of str
        Materials.
    use : ndarray, shape (materials, PATHS, days)
        Use of each day [unit of the material].
    mean : ndarray, shape (materials, days)
        Expected use of each day [unit of the material].
    """

    def __init__(self, days: pd.DatetimeIndex, names: list[str], use: np.ndarray, mean: np.ndarray) -> None:
        self.days = days
        self.names = names
        self.use = use
        self.mean = mean


def demand_paths(outlook: Outlook, as_of: pd.Timestamp) -> Paths:
    """Draw paths of use by day from the joint paths of the forecast.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    as_of : Timestamp
        Day after which the paths begin.

    Returns
    -------
    Paths
        Materials and weeks hang together as past errors did; weeks are shared among their days by the
        issues that come out on them. The seed is fixed.
    """
    days = pd.date_range(as_of + pd.Timedelta(days=1), periods=_DAYS, freq="D", unit="us")
    use, mean = outlook.day_paths(PATHS, days)
    return Paths(days, outlook.names, use, mean)


def stock_cover(logs: Logs, stock: pd.DataFrame, orders: pd.DataFrame, paths: Paths) -> pd.DataFrame:
    """Return the published table ``stock_cover``.

    Parameters
    ----------
    logs : Logs
        The logs.
    stock : DataFrame
        Result of :func:`pressstats.orders.stock_on_hand`.
    orders : DataFrame
        Result of :func:`pressstats.orders.open_orders`.
    paths : Paths
        Result of :func:`demand_paths`.

    Returns
    -------
    DataFrame, shape (materials, 6)
        Published columns. A run-out beyond half a year is blank, and so is one of a material whose
        use varies to an unknown extent.
    """
    table = stock.copy()
    times, receives = LeadTimes(logs), receipt_days(logs, paths.days)
    rng = np.random.default_rng(_SEED)
    names = table["material"].tolist()
    come = arrivals(times, orders, paths.days, receives, names, PATHS, rng, rest_days(logs))
    cover = np.full(len(table), np.nan)
    early = pd.Series(pd.NaT, table.index, dtype="datetime64[us]")
    middle = early.copy()
    for row, (material, quantity) in enumerate(zip(table["material"], table["quantity"], strict=True)):
        if material not in paths.names or np.isnan(quantity):
            continue
        number = paths.names.index(material)
        cover[row] = _days_that_last(quantity, paths.mean[number])
        if np.isnan(paths.use[number]).any():
            continue
        left = quantity + np.cumsum(come[row] - paths.use[number], axis=1)
        out = np.where((left < 0).any(axis=1), (left < 0).argmax(axis=1), len(paths.days)).astype(float)
        early[row] = _day_at(paths.days, np.quantile(out, 0.05, method="lower"))
        middle[row] = _day_at(paths.days, np.quantile(out, 0.5, method="lower"))
    table["days_cover"], table["runs_out_q05"], table["runs_out_q50"] = cover, early, middle
    return as_published(table, "stock_cover")


def _days_that_last(quantity: float, mean: np.ndarray) -> float:
    """Return days of expected use that `quantity` covers; past the look-ahead at its mean rate."""
    used = np.cumsum(mean)
    if not used[-1] > 0:
        return float("nan")
    if quantity >= used[-1]:
        return len(mean) + (quantity - used[-1]) / mean.mean()
    day = int(np.searchsorted(used, quantity, side="right"))
    before = used[day - 1] if day else 0.0
    return day + (quantity - before) / mean[day] if mean[day] > 0 else float(day)


def _day_at(days: pd.DatetimeIndex, position: float) -> pd.Timestamp:
    return days[int(position)] if position < len(days) else pd.NaT
