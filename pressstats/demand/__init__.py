"""Demand: what has been used, what will be needed, and what was said before."""

from .outlook import (
    Outlook,
    choice_table,
    demand_forecast,
    demand_outlook,
    demand_season,
    forecast_record,
)
from .use import counted_use, weekly_use, whole_weeks

__all__ = [
    "Outlook",
    "choice_table",
    "counted_use",
    "demand_forecast",
    "demand_outlook",
    "demand_season",
    "forecast_record",
    "weekly_use",
    "whole_weeks",
]
