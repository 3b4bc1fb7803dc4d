"""What the year ahead and its months cost: the need that is forecast, at the prices agreed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..demand import Outlook, year_ahead
from ..logs import Logs
from .prices import price_of

__all__ = ["season_spend", "total_spend", "year_spend"]

_WEEKS = 52


def year_spend(logs: Logs, outlook: Outlook) -> pd.DataFrame:
    """Return what the next 52 weeks need of each material, and what that costs at the prices of as-of.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed.
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.

    Returns
    -------
    DataFrame, shape (materials, 8)
        material; low, expected, high (:func:`pressstats.demand.year_ahead`) [unit of the material]; price of an
        order of a mean week's need [currency / unit of the material], blank where the material is not listed;
        spend_low, spend_expected, spend_high [currency]. Need varies in them, the price does not. Lows of several
        materials do not add up to the low of all, nor do highs: only the expected does.
    """
    table = year_ahead(outlook, logs.as_of)
    days = pd.Series(logs.as_of, table.index)
    table["price"] = _prices(logs, table["material"], days, table["expected"] / _WEEKS)
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
        Result of :func:`year_spend`: the size of orders, hence the quantity break, is the same in both.

    Returns
    -------
    DataFrame
        `season` with price [currency / unit of the material], spend_low (at q05), spend_expected (at the mean) and
        spend_high (at q95) [currency].
    """
    # a map of no rows keeps the type of the names
    weekly = season["material"].map(year.set_index("material")["expected"]).astype("float64") / _WEEKS
    price = _prices(logs, season["material"], season["month"], weekly)
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


def _prices(logs: Logs, names: pd.Series, days: pd.Series, quantities: pd.Series) -> np.ndarray:
    """Return the price of each order; where its size is not known, that of the smallest."""
    listed = set(logs["materials"]["material"]) if logs.has("materials") else set()
    rows = zip(names, days, quantities.fillna(0.0), strict=True)
    prices = [price_of(logs, name, day, size) if name in listed else np.nan for name, day, size in rows]
    return np.array(prices, dtype=float)
