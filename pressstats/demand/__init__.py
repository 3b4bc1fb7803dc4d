"""Demand: what was used, and what will be, from issues and from the materials' own past."""

from .backtest import CHOICE, HORIZON, METHODS, MethodBacktest, backtest_methods
from .drivers import Drivers, Expected, drivers_of
from .materials import driver_days
from .months import used_by_month
from .outlook import (
    Outlook,
    choice_table,
    demand_forecast,
    demand_outlook,
    levers,
    promise_table,
)
from .printed import printed_ahead
from .recipe import Recipe, recipe_of
from .reconciling import reconcile
from .record import forecast_record
from .season import demand_season, season_of, year_ahead
from .use import counted_use, weekly_use, whole_weeks
from .whatif import WhatIf

__all__ = [
    "CHOICE",
    "HORIZON",
    "METHODS",
    "Drivers",
    "Expected",
    "MethodBacktest",
    "Outlook",
    "Recipe",
    "WhatIf",
    "backtest_methods",
    "choice_table",
    "counted_use",
    "demand_forecast",
    "demand_outlook",
    "demand_season",
    "driver_days",
    "drivers_of",
    "forecast_record",
    "levers",
    "printed_ahead",
    "promise_table",
    "recipe_of",
    "reconcile",
    "season_of",
    "used_by_month",
    "weekly_use",
    "whole_weeks",
    "year_ahead",
]
