"""Why use and cost of a month differ from its budget: volume, mix of materials, waste and price."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .lmdi import lmdi_effects

__all__ = ["budget_bridge"]

_OF = {"newsprint": ("newsprint", "kg"), "ink": ("ink", "kg"), "plate": ("plates", "each")}


def budget_bridge(close: pd.DataFrame) -> pd.DataFrame:
    """Return the bridge of the last whole month with a budget to that budget.

    Parameters
    ----------
    close : DataFrame
        Published table ``month_close``.

    Returns
    -------
    DataFrame, shape (effects, 13)
        Columns of the published table ``bridge``, between ``budget``; without rows where no whole month has one. A
        budget knows materials alone: volume is what the output takes at standard against the budget of all of them,
        mix how it is shared among them, waste what was used beyond the standard.
    """
    whole = close[close["through"] == close["month"] + pd.offsets.MonthEnd(1)]
    whole = whole[whole["budget_quantity"].notna() & whole["used"].notna() & whole["used_value"].notna()]
    if whole.empty:
        return pd.DataFrame()
    month = whole["month"].max()
    parts = []
    for kind, (name, unit) in _OF.items():
        # What has use and no budget would be no difference of anything.
        rows = whole[(whole["month"] == month) & (whole["kind"] == kind) & (whole["unit"] == unit)]
        if len(rows):
            parts.append(_of_kind(rows).assign(of=name, unit=unit))
    if not parts:
        return pd.DataFrame()
    last = month + pd.offsets.MonthEnd(1)
    days = {"first_day": month, "last_day": last, "before_first_day": month, "before_last_day": last}
    return pd.concat(parts, ignore_index=True).assign(between="budget", **days)


def _of_kind(rows: pd.DataFrame) -> pd.DataFrame:
    budget, used = rows["budget_quantity"].to_numpy(dtype=float), rows["used"].to_numpy(dtype=float)
    price = (
        (rows["budget_cost"] / rows["budget_quantity"])
        .where(rows["budget_quantity"] > 0)
        .to_numpy(dtype=float)
    )
    spent = rows["used_value"].to_numpy(dtype=float)
    wasted = np.divide(
        rows["waste_variance"].fillna(0.0).to_numpy(), price, out=np.zeros(len(rows)), where=price > 0
    )
    standard = np.where(used - wasted > 0, used - wasted, used)
    sides = []
    for at_standard, quantity, cost in ((budget, budget, rows["budget_cost"]), (standard, used, spent)):
        total = at_standard.sum()
        share = at_standard / total if total > 0 else np.zeros(len(rows))
        waste = np.divide(quantity, at_standard, out=np.full(len(rows), np.nan), where=at_standard > 0)
        unit = np.divide(cost, quantity, out=np.full(len(rows), np.nan), where=quantity > 0)
        sides.append(np.column_stack([np.full(len(rows), total), share, waste, unit]))
    kg = lmdi_effects(sides[0][:, :3], sides[1][:, :3]).sum(axis=0)
    money = lmdi_effects(*sides).sum(axis=0)
    table = pd.DataFrame(
        {
            "effect": ["volume", "mix of materials", "waste", "price"],
            "quantity": [*kg, 0.0],
            "cost": money,
        }
    )
    return table.assign(
        quantity_before=budget.sum(),
        quantity_now=used.sum(),
        cost_before=rows["budget_cost"].sum(),
        cost_now=spent.sum(),
    )
