"""Film weight in the units that the trade uses."""

from __future__ import annotations

import math

__all__ = ["kg_per_million_pages", "m2_per_kg", "mileage_in2_per_lb"]

# Exact by definition of the units.
_G_PER_LB = 453.59237
_M2_PER_IN2 = 0.0254**2


def m2_per_kg(film_g_m2: float) -> float:
    """Return how many square metres [m2/kg] of solid a kilogram covers at `film_g_m2` [g/m2]."""
    return 1000 / film_g_m2 if film_g_m2 > 0 else math.nan


def mileage_in2_per_lb(film_g_m2: float) -> float:
    """Return how many square inches [in2/lb] of solid a pound covers at `film_g_m2` [g/m2]."""
    return _G_PER_LB / film_g_m2 / _M2_PER_IN2 if film_g_m2 > 0 else math.nan


def kg_per_million_pages(film_g_m2: float, page_m2: float, coverage: float) -> float:
    """Return ink [kg] of a million pages of `page_m2` [m2] at a mean `coverage`, without start-up and standing."""
    return film_g_m2 * page_m2 * coverage * 1e6 / 1000
