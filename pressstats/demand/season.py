"""The year ahead by month: each material, sums of several, and what they will cost."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..logs import Logs
from ..tables import QUANTILES, as_published
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

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    logs : Logs
        Logs, for ``budget`` and as-of.

    Returns
    -------
    DataFrame, shape (materials x 12, 13)
        Published columns. Months are sums of the days that the weeks are shared among; quantiles are
        those of the months' sums over joint paths.
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
    season["last_year"] = _last_year(outlook, months).reshape(-1)
    if logs.has("budget"):
        budget = logs["budget"].rename(columns={"quantity": "budget_quantity", "cost": "budget_cost"})
        season = season.merge(budget, on=["material", "month"], how="left")
    else:
        season = season.assign(budget_quantity=np.nan, budget_cost=np.nan)
    return as_published(season, "demand_season")


def season_of(outlook: Outlook, names: Sequence[str], as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the months ahead of several materials together.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    names : sequence of str
        Materials of one unit.
    as_of : Timestamp
        Last day of the logs.

    Returns
    -------
    DataFrame, shape (12, 4)
        month, mean, q05, q95 of the sum [unit of the materials]: they move together as past errors did.
    """
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
    """Return what the next 52 weeks need of each material, for contract talks.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    as_of : Timestamp
        Last day of the logs.

    Returns
    -------
    DataFrame, shape (materials, 4)
        material, low (undercut once in twenty), expected, high (exceeded once in twenty) [unit of the material], from
        the day after as-of.
    """
    days = pd.date_range(as_of + pd.Timedelta(days=1), periods=364, freq="D", unit="us")
    paths, mean = outlook.day_paths(_PATHS, days)
    low, high = np.quantile(paths.sum(axis=2), [0.05, 0.95], axis=1)
    return pd.DataFrame({"material": outlook.names, "low": low, "expected": mean.sum(axis=1), "high": high})


def _last_year(outlook: Outlook, months: pd.DatetimeIndex) -> np.ndarray:
    """Return the use of the same months a year earlier; blank where a week is unknown.

    Weeks are shared among their days as the year ahead uses them: of a title that is printed on Sundays the whole week
    belongs to the Sunday's month.
    """
    weeks = pd.DatetimeIndex(outlook.history.index)
    days = pd.date_range(weeks[0], periods=7 * len(weeks), freq="D", unit="us")
    share = _weekday_shares(outlook)
    daily = (outlook.history.to_numpy()[:, None, :] * share.T[None, :, :]).reshape(len(days), -1)
    found = np.full((len(outlook.names), len(months)), np.nan)
    for place, month in enumerate(months - pd.DateOffset(years=1)):
        inside = (days >= month) & (days < month + pd.offsets.MonthBegin(1))
        if inside.sum() == month.days_in_month:
            found[:, place] = daily[inside].sum(axis=0)
    return found


def _weekday_shares(outlook: Outlook) -> np.ndarray:
    """Return the share of each day of the week in the year ahead, shape (materials, 7); even where nothing is known."""
    ahead = pd.date_range(outlook.weeks[0], periods=364, freq="D", unit="us")
    mean = outlook.day_paths(1, ahead)[1].reshape(len(outlook.names), -1, 7).sum(axis=1)
    total = mean.sum(axis=1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = mean / total
    return np.where(np.isfinite(share) & (total > 0), share, 1 / 7)
