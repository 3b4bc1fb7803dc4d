"""What will be needed: by week for a quarter, by month for a year, by day for who orders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..forecast import Forecast
from ..tables import QUANTILES, as_published
from .backtest import CHOICE, HORIZON, METHODS, MethodBacktest, backtest_methods
from .materials import driver_days

if TYPE_CHECKING:
    from .recipe import Recipe
    from .whatif import WhatIf

__all__ = [
    "Outlook",
    "choice_table",
    "demand_forecast",
    "demand_outlook",
    "levers",
    "promise_table",
]

_LEVELS = np.array(list(QUANTILES.values()))
_SEED = 20240229
#: Weekly origins over which promises are looked at again.
JUDGED = 26


@dataclass(frozen=True)
class Outlook:
    """Forecast of every material from the end of the logs."""

    history: pd.DataFrame  # (weeks, materials): weekly use [unit of the material]
    recipe: Recipe  # what turns issues into materials
    backtest: MethodBacktest  # forecasts of every method from all past origins
    chosen: np.ndarray  # (materials,): index of the published method
    weeks: pd.DatetimeIndex  # (HORIZON,): first days of the weeks ahead
    forecast: Forecast  # point forecasts with calibrated quantiles and joint paths, by week
    shares: np.ndarray  # (materials, HORIZON, 7): how each week's use is shared among its days

    @property
    def names(self) -> list[str]:
        """Materials."""
        return self.backtest.names

    @cached_property
    def mean(self) -> np.ndarray:
        """Expected use by week, shape (materials, HORIZON) [unit of the material]."""
        return np.asarray(self.forecast.mean.to_numpy().T)

    @cached_property
    def promises(self) -> pd.DataFrame:
        """How the published choice did, computed once (:func:`promise_table`)."""
        return promise_table(self)

    def day_paths(
        self, draws: int, days: pd.DatetimeIndex, seed: int = _SEED
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return joint paths and means of use by day."""
        day = np.asarray((days - self.weeks[0]).days)
        week = np.clip(day // 7, 0, HORIZON - 1)
        share = self.shares[:, week, day % 7]
        paths = self.forecast.paths(draws, seed).transpose(2, 0, 1)
        return paths[:, :, week] * share[:, None, :], self.mean[:, week] * share


def demand_outlook(recipe: Recipe) -> Outlook:
    """Choose a method for each material by its rolling origin; forecast from the end, with intervals."""
    history = recipe.history
    kinds = recipe.kinds["kind"]
    newsprint = [name for name in history.columns if kinds.get(name) == "newsprint"]
    backtest = backtest_methods(recipe, newsprint)
    now = len(history)
    chosen = backtest.chosen(now)
    weeks = pd.date_range(history.index[-1] + pd.Timedelta(days=7), periods=HORIZON, freq="7D", unit="us")
    judged = backtest.judged(now, chosen)
    return Outlook(
        history,
        recipe,
        backtest,
        chosen,
        weeks,
        Forecast(weeks, history.columns, judged, 0.0),
        _shares(recipe, weeks),
    )


def _shares(recipe: Recipe, weeks: pd.DatetimeIndex) -> np.ndarray:
    """Return how the drivers share each week among its days; evenly where they say nothing."""
    days = pd.date_range(weeks[0], periods=7 * len(weeks), freq="D", unit="us")
    known = max(weeks[0] - pd.Timedelta(days=1), pd.Timestamp(recipe.drivers.last))
    daily = driver_days(recipe, known, days).to_numpy().reshape(len(weeks), 7, -1).transpose(2, 0, 1)
    total = daily.sum(axis=2, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = daily / total
    return np.where(np.isfinite(shares) & (total > 0), shares, 1 / 7)


def demand_forecast(outlook: Outlook, first_week: pd.Timestamp, weeks: int = CHOICE) -> pd.DataFrame:
    """Return the published table ``demand_forecast`` from the first whole week after as-of on."""
    broken = int(outlook.weeks.searchsorted(first_week))
    part = slice(broken, broken + weeks)
    quantiles = outlook.forecast.quantiles(_LEVELS)[:, part]
    table = pd.DataFrame(
        {
            "material": np.repeat(outlook.names, weeks),
            "week": np.tile(outlook.weeks[part].to_numpy(), len(outlook.names)),
            "mean": outlook.mean[:, part].reshape(-1),
        }
    )
    for level, name in enumerate(QUANTILES):
        table[name] = quantiles[level].T.reshape(-1)
    return as_published(table, "demand_forecast")


def choice_table(outlook: Outlook) -> pd.DataFrame:
    """Return the mean absolute scaled error of each method, by material: the evidence for the choice.

    Over 13 weeks ahead, in units of the series' year-on-year difference; with the weeks known in the history.
    """
    losses = outlook.backtest.losses(len(outlook.history))
    table = pd.DataFrame({"material": outlook.names})
    table["weeks"] = outlook.history.notna().sum().to_numpy().astype(float)
    for number, method in enumerate(METHODS):
        table[method] = losses[number]
    table["chosen"] = [METHODS[number] for number in outlook.chosen]
    return table


def promise_table(outlook: Outlook) -> pd.DataFrame:
    """Return how the published choice did at the last origins of which all 13 weeks have come.

    By material, all together last (material empty): mean absolute scaled error of each method and of what was
    published, shares of weeks held by its intervals. Choice and intervals are those that each origin could make
    of what it knew; made_first, made_last: the days on which the first and the last of them would have been made.
    """
    backtest = outlook.backtest
    n = len(outlook.history)
    origins = [int(o) for o in backtest.origins if n - CHOICE - JUDGED < o <= n - CHOICE]
    levels = np.array([0.1, 0.05, 0.025, 0.9, 0.95, 0.975])
    errors, held = [], []
    for origin in origins:
        row = origin - int(backtest.origins[0])
        chosen = backtest.chosen(origin)
        judgement = backtest.judged(origin, chosen)
        said = Forecast(outlook.weeks, outlook.history.columns, judgement, 0.0)
        came = backtest.actual[:, origin : origin + CHOICE]
        each = [
            backtest.forecasts[chosen, row, np.arange(len(chosen)), :CHOICE],
            *backtest.forecasts[:, row, :, :CHOICE],
        ]
        with np.errstate(divide="ignore", invalid="ignore"):
            errors.append([np.abs(came - one) / backtest.naive[row][:, None] for one in each])
        band = said.quantiles(levels)[:, :CHOICE].transpose(0, 2, 1)
        inside = (came >= band[:3]) & (came <= band[3:])
        held.append(np.where(np.isfinite(came) & np.isfinite(band[:3]), inside, np.nan))
    columns = ["published", *METHODS, "held_80", "held_90", "held_95"]
    if not origins:
        return pd.DataFrame(columns=["material", "origins", "made_first", "made_last", *columns])
    both = np.concatenate([np.array(errors), np.array(held)], axis=1)
    table = pd.DataFrame(_mean(both, (0, 3)).T, columns=columns)
    table.loc[len(table)] = _mean(both, (0, 2, 3))
    table.insert(0, "material", [*outlook.names, ""])
    table.insert(1, "origins", float(len(origins)))
    table.insert(2, "made_first", outlook.history.index[origins[0]] - pd.Timedelta(days=1))
    table.insert(3, "made_last", outlook.history.index[origins[-1]] - pd.Timedelta(days=1))
    return table


def _mean(values: np.ndarray, axes: tuple[int, ...]) -> np.ndarray:
    """Return means of what is known over those axes."""
    known = np.isfinite(values)
    count = known.sum(axis=axes)
    total = np.where(known, values, 0.0).sum(axis=axes)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def levers(outlook: Outlook, assumptions: Mapping[str, WhatIf]) -> pd.DataFrame:
    """Return what other assumptions do to the needs of the next 13 weeks, by the drivers.

    Columns what_if, material, expected (without it) and assumed [unit of the material]; materials that issues do not
    explain are left out. A title that is not expected is a ValueError.
    """
    days = pd.date_range(outlook.weeks[0], periods=7 * CHOICE, freq="D", unit="us")
    known = max(outlook.weeks[0] - pd.Timedelta(days=1), pd.Timestamp(outlook.recipe.drivers.last))
    issues = outlook.recipe.drivers.expected(known, days)
    base = driver_days(outlook.recipe, known, days, expected=issues).sum(skipna=False)
    parts = []
    for name, assumed in assumptions.items():
        other = driver_days(outlook.recipe, known, days, assumed, expected=issues).sum(skipna=False)
        part = pd.DataFrame(
            {"material": base.index, "expected": base.to_numpy(), "assumed": other.to_numpy()}
        )
        parts.append(part.dropna().assign(what_if=name))
    columns = ["what_if", "material", "expected", "assumed"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
