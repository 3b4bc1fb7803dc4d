"""What the year ahead and its months cost: the need that is forecast, at the prices agreed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..demand import Outlook, year_ahead
from ..prices import agreed_price

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["season_spend", "total_spend", "year_spend"]

_WEEKS = 52


def year_spend(logs: Logs, outlook: Outlook, plan: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return what the next 52 weeks need of each material, and what that costs at the prices of as-of.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed.
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    plan : DataFrame, optional
        Published table ``order_plan``, which tells how large orders are.

    Returns
    -------
    DataFrame, shape (materials, 9)
        material; low, expected, high (:func:`pressstats.demand.year_ahead`) [unit of the material]; order_size, what
        is ordered at a time (the mean of the plan's orders, each by its weight; without any a mean week's need, and
        never less than the order minimum) [unit of the material]; price of such an order [currency / unit of the
        material], blank where the material is not listed; spend_low, spend_expected, spend_high [currency]. Need
        varies in them, the price does not. Lows of several materials do not add up to the low of all, nor do highs:
        only the expected does.
    """
    table = year_ahead(outlook, logs.as_of)
    days = pd.Series(logs.as_of, table.index)
    table["order_size"] = _order_sizes(logs, table.set_index("material")["expected"] / _WEEKS, plan)
    table["price"] = _prices(logs, table["material"], days, table["order_size"])
    return table.assign(
        **{f"spend_{name}": table[name] * table["price"] for name in ("low", "expected", "high")}
    )


def season_spend(logs: Logs, season: pd.DataFrame, year: pd.DataFrame) -> pd.DataFrame:
    """Return the months ahead with what they cost at the price that holds on the first day of each.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed.
    season : DataFrame
        Published table ``demand_season``.
    year : DataFrame
        Result of :func:`year_spend`: the size of orders, hence the quantity break, is taken from it.

    Returns
    -------
    DataFrame
        `season` with price [currency / unit of the material], spend_low (at q05), spend_expected (at the mean) and
        spend_high (at q95) [currency].
    """
    # a map of no rows keeps the type of the names
    size = season["material"].map(year.set_index("material")["order_size"]).astype("float64")
    price = _prices(logs, season["material"], season["month"], size)
    return season.assign(
        price=price,
        spend_low=season["q05"] * price,
        spend_expected=season["mean"] * price,
        spend_high=season["q95"] * price,
    )


def total_spend(year: pd.DataFrame) -> tuple[float, str]:
    """Return the expected spend of the year, and how many materials it holds where that is not all.

    Parameters
    ----------
    year : DataFrame
        Result of :func:`year_spend`.

    Returns
    -------
    spend : float
        Sum over the materials whose expected spend is known [currency]; blank if none is.
    of : str
        Empty if all are known, else which part in words: a sum that lacks some must say so.
    """
    known = year["spend_expected"].notna()
    of = "" if known.all() else f"{known.sum()} of {len(year)} materials, the others unknown"
    return float(year["spend_expected"].sum(min_count=1)), of


def _order_sizes(logs: Logs, weekly: pd.Series, plan: pd.DataFrame | None) -> np.ndarray:
    """Return what is ordered at a time of each material of `weekly`, a mean week's need by material."""
    size = weekly
    if plan is not None and len(plan):
        ordered = plan.groupby(["material", "order_on"])["quantity"].sum()
        # A kilogram is bought at the price of the order that it is part of: large orders count by their weight.
        by_weight = (ordered**2).groupby("material").sum() / ordered.groupby("material").sum()
        size = by_weight.reindex(weekly.index).fillna(weekly)
    if logs.has("materials"):
        least = logs["materials"].set_index("material")["order_minimum"].reindex(weekly.index).fillna(0.0)
        size = size.clip(lower=least.astype("float64"))
    return size.to_numpy(dtype=float)


def _prices(logs: Logs, names: pd.Series, days: pd.Series, quantities: pd.Series) -> np.ndarray:
    """Return the price of each order; where its size is not known, that of the smallest."""
    rows = zip(names, days, quantities.fillna(0.0), strict=True)
    return np.array([agreed_price(logs, name, day, size) for name, day, size in rows], dtype=float)
