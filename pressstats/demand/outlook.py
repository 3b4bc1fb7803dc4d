"""What will be needed: by week for a quarter, by month for a year, and what was said before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..forecast.simple import (
    CHOICE,
    METHODS,
    Backtest,
    backtest,
    errors_at,
    errors_of_blocks,
    forecast_weeks,
)
from ..logs import Logs
from ..tables import QUANTILES, as_published

__all__ = ["Outlook", "choice_table", "demand_forecast", "demand_outlook", "demand_season", "forecast_record"]

_LEVELS = np.array(list(QUANTILES.values()))
#: Weekly origins whose forecast is made again for the record.
_REMADE = 26


@dataclass(frozen=True)
class Outlook:
    """Forecast of every material from the end of the logs.

    Attributes
    ----------
    history : DataFrame, shape (weeks, materials)
        Weekly use [unit of the material].
    test : Backtest
        Forecasts from all past origins.
    errors : ndarray, shape (methods, materials, origins, horizon)
        Their scaled errors.
    chosen : ndarray of int, shape (materials,)
        Index of the published method.
    weeks : DatetimeIndex, shape (horizon,)
        First days of the weeks ahead.
    mean : ndarray, shape (materials, horizon)
        Expected use [unit of the material].
    """

    history: pd.DataFrame
    test: Backtest
    errors: np.ndarray
    chosen: np.ndarray
    weeks: pd.DatetimeIndex
    mean: np.ndarray


def demand_outlook(history: pd.DataFrame) -> Outlook:
    """Choose a method for each material by its rolling origin and forecast from the end.

    Parameters
    ----------
    history : DataFrame, shape (weeks, materials)
        Result of :func:`pressstats.demand.weekly_use`.

    Returns
    -------
    Outlook
        Point forecasts, corrected for the mean error that the method had at each horizon.
    """
    test = backtest(history)
    errors = test.errors()
    now = len(history)
    chosen = test.chosen(errors, now)
    point = forecast_weeks(test, chosen)
    horizon = point.shape[1]
    bias = errors_at(errors, chosen, test, now, _LEVELS, horizon)[:, :, 0]
    # The mean error of distant weeks rests on few origins: the last well-known one stands for them.
    bias[:, CHOICE:] = bias[:, CHOICE - 1 : CHOICE]
    mean = np.maximum(point + np.nan_to_num(bias * test.scale[:, -1:]), 0.0)
    weeks = pd.date_range(history.index[-1] + pd.Timedelta(days=7), periods=horizon, freq="7D", unit="us")
    return Outlook(history, test, errors, chosen, weeks, mean)


def demand_forecast(outlook: Outlook, first_week: pd.Timestamp, weeks: int = CHOICE) -> pd.DataFrame:
    """Return the published table ``demand_forecast``.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`demand_outlook`.
    first_week : Timestamp
        First day of the first whole week after as-of; a broken week before it is left out.
    weeks : int
        How many weeks.

    Returns
    -------
    DataFrame, shape (materials x weeks, 10)
        Published columns [unit of the material].
    """
    broken = int(outlook.weeks.searchsorted(first_week))
    last = broken + weeks
    spread = errors_at(outlook.errors, outlook.chosen, outlook.test, len(outlook.history), _LEVELS, last)
    mean = outlook.mean[:, broken:last]
    unit = outlook.test.scale[:, -1][:, None, None]
    around = spread[:, broken:, 1:] - spread[:, broken:, :1]
    quantiles = np.maximum(mean[:, :, None] + unit * around, 0.0)
    table = pd.DataFrame(
        {
            "material": np.repeat(outlook.test.names, weeks),
            "week": np.tile(outlook.weeks[broken:last].to_numpy(), len(outlook.test.names)),
            "mean": mean.reshape(-1),
        }
    )
    for level, name in enumerate(QUANTILES):
        table[name] = quantiles[:, :, level].reshape(-1)
    return as_published(table, "demand_forecast")


def demand_season(outlook: Outlook, logs: Logs) -> pd.DataFrame:
    """Return the published table ``demand_season`` for the twelve months after as-of.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`demand_outlook`.
    logs : Logs
        Logs, for ``budget`` and as-of.

    Returns
    -------
    DataFrame, shape (materials x 12, 13)
        Published columns. Weeks are shared among months by their days; intervals are those of
        totals of four weeks at that distance.
    """
    months = pd.date_range(
        (logs.as_of + pd.offsets.MonthBegin(1)).normalize(), periods=12, freq="MS", unit="us"
    )
    month_of_day = _month_of_days(outlook.weeks)
    daily = np.repeat(outlook.mean / 7, 7, axis=1)
    blocks = errors_of_blocks(outlook.errors, outlook.chosen, _LEVELS)
    parts = []
    past = _monthly(outlook.history)
    for month in months:
        inside = month_of_day == month
        mean = daily[:, inside].sum(axis=1)
        ahead = np.flatnonzero(inside).mean() / 7
        block = blocks[min(int(ahead // 4), len(blocks) - 1)]
        part = pd.DataFrame({"material": outlook.test.names, "month": month, "mean": mean})
        unit = outlook.test.scale[:, -1] * inside.sum() / 7
        for level, name in enumerate(QUANTILES, start=1):
            # The mean is corrected for bias already, so the spread is taken about the mean error.
            part[name] = np.maximum(mean + unit * (block[level] - block[0]), 0.0)
        part["last_year"] = part["material"].map(
            past.get(month - pd.DateOffset(years=1), pd.Series(dtype=float))
        )
        parts.append(part)
    season = pd.concat(parts, ignore_index=True)
    season = season.astype({"last_year": "float64"})
    if logs.has("budget"):
        budget = logs["budget"].rename(columns={"quantity": "budget_quantity", "cost": "budget_cost"})
        season = season.merge(budget, on=["material", "month"], how="left")
    else:
        season = season.assign(budget_quantity=np.nan, budget_cost=np.nan)
    return as_published(season, "demand_season")


def forecast_record(outlook: Outlook, published: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``forecast_record``: what was said and what came.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`demand_outlook`.
    published : DataFrame
        Forecasts of past publications: material, made_on, week, mean, q05, q95; may be empty.

    Returns
    -------
    DataFrame, shape (rows, 8)
        Published columns. Where no publication was made in a week, its forecast is made again
        from what was known then, with the choice and the errors known then, and labelled so.
    """
    parts = []
    n = len(outlook.history)
    origins = [o for o in outlook.test.origins if n - _REMADE <= o < n]
    first_days = outlook.history.index
    said = set(published["made_on"] + pd.Timedelta(days=7)) if len(published) else set()
    for origin in origins:
        if any(first_days[origin] <= day < first_days[origin] + pd.Timedelta(days=7) for day in said):
            continue
        parts.append(_remade(outlook, int(origin)))
    parts.append(published.assign(source="published").astype({"source": "str"}))
    record = pd.concat(parts, ignore_index=True)
    came = outlook.history.stack().rename("actual").rename_axis(["week", "material"]).reset_index()
    record = record.merge(came, on=["material", "week"], how="left")
    return as_published(record, "forecast_record")


def choice_table(outlook: Outlook) -> pd.DataFrame:
    """Return the evidence for the choice: mean absolute scaled error of each method, by material.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`demand_outlook`.

    Returns
    -------
    DataFrame, shape (materials, 3 + methods)
        material, weeks (known in the history), one column per method with its mean absolute
        error over 13 weeks ahead in units of the series' year-on-year difference, and chosen.
    """
    errors = np.abs(outlook.errors[..., :CHOICE])
    table = pd.DataFrame({"material": outlook.test.names})
    table["weeks"] = outlook.history.notna().sum().to_numpy().astype(float)
    for number, method in enumerate(METHODS):
        known = np.isfinite(errors[number]).any(axis=(1, 2))
        mean = np.full(len(known), np.nan)
        mean[known] = np.nanmean(errors[number][known], axis=(1, 2))
        table[method] = mean
    table["chosen"] = [METHODS[number] for number in outlook.chosen]
    return table


def _remade(outlook: Outlook, origin: int) -> pd.DataFrame:
    test = outlook.test
    chosen = test.chosen(outlook.errors, origin)
    row = int(np.flatnonzero(test.origins == origin)[0])
    point = test.forecasts[chosen, np.arange(len(chosen)), row, :CHOICE]
    levels = np.array([0.05, 0.95])
    spread = errors_at(outlook.errors, chosen, test, origin, levels, CHOICE)
    unit = test.scale[:, row][:, None]
    week = outlook.history.index[0] + pd.to_timedelta(7 * (origin + np.arange(CHOICE)), unit="D")
    said = pd.DataFrame(
        {
            "material": np.repeat(test.names, CHOICE),
            "made_on": outlook.history.index[origin] - pd.Timedelta(days=1),
            "week": np.tile(week.to_numpy(), len(test.names)),
            "source": "remade",
            "mean": np.maximum(point + np.nan_to_num(unit * spread[:, :, 0]), 0.0).reshape(-1),
            "q05": np.maximum(point + unit * spread[:, :, 1], 0.0).reshape(-1),
            "q95": np.maximum(point + unit * spread[:, :, 2], 0.0).reshape(-1),
        }
    )
    return said.dropna(subset="mean", ignore_index=True)


def _month_of_days(weeks: pd.DatetimeIndex) -> np.ndarray:
    days = pd.date_range(weeks[0], periods=7 * len(weeks), freq="D", unit="us")
    return days.to_period("M").to_timestamp().as_unit("us").to_numpy()


def _monthly(history: pd.DataFrame) -> dict[pd.Timestamp, pd.Series]:
    """Return use by whole month, weeks shared by days; blank where a week of it is unknown."""
    month = _month_of_days(pd.DatetimeIndex(history.index))
    daily = pd.DataFrame(np.repeat(history.to_numpy() / 7, 7, axis=0), columns=history.columns)
    whole = pd.Series(month).value_counts()
    sums = daily.groupby(month).sum(skipna=False)
    return {
        pd.Timestamp(first): sums.loc[first]
        for first in sums.index
        if whole[first] == pd.Timestamp(first).days_in_month
    }
