"""The published table ``budget_year``: what the months of the year that are over cost against their budget, and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import OUTPUTS, as_published
from .year import ALL_MATERIALS

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["budget_year"]

_EFFECTS = {"by_price": "price_variance", "by_volume": "volume_variance"}


def budget_year(logs: Logs, close: pd.DataFrame, year: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``budget_year``.

    Parameters
    ----------
    logs : Logs
        The logs.
    close, year : DataFrame
        The published tables ``month_close`` and ``year_end``.

    Returns
    -------
    DataFrame, shape (kinds and all of them, 10)
        The published columns; spent less budget is by_price + by_volume + by_rest. A sum over something unknown is
        blank, and so are effects where a month, or a kind, has no budget.
    """
    over = (close["month"].dt.year == logs.as_of.year) & (
        close["through"] == close["month"] + pd.offsets.MonthEnd(1)
    )
    months = close[over]
    if months.empty:
        return OUTPUTS["budget_year"].empty()
    kinds = [kind for kind in dict.fromkeys(months["kind"]) if kind]
    rows = [
        _sums(months[months["kind"] == kind], year[year["kind"] == kind]) | {"kind": kind} for kind in kinds
    ]
    rows.append(_sums(months, year[year["material"] == ALL_MATERIALS]) | {"kind": "all"})
    return as_published(pd.DataFrame(rows).assign(through=months["through"].max()), "budget_year")


def _sums(months: pd.DataFrame, year: pd.DataFrame) -> dict[str, float]:
    """Return the sums of a kind of material, or of all."""
    spent = _whole(months["used_value"])
    # A month without any budget leaves the year to date without one; a material that is in none adds nothing to it.
    by_month = months.groupby("month")["budget_cost"].sum(min_count=1)
    budget = _whole(by_month)
    row = {"spent": spent, "budget": budget}
    row |= {
        name: months[column].sum(min_count=1) if np.isfinite(budget) else np.nan
        for name, column in _EFFECTS.items()
    }
    row["by_rest"] = spent - budget - row["by_price"] - row["by_volume"]
    row["year_expected"] = _whole(year["expected_cost"])
    one = year.iloc[0] if len(year) == 1 else None
    row["year_q05"], row["year_q95"] = (
        (np.nan, np.nan) if one is None else (float(one["cost_q05"]), float(one["cost_q95"]))
    )
    row["year_budget"] = year["budget_cost"].sum(min_count=1)
    return row


def _whole(values: pd.Series) -> float:
    """Return a sum; blank where a part of it is."""
    return float(values.sum(skipna=False)) if len(values) else np.nan
