"""Which part of a change of price is another mix of papers or of suppliers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..prices import receipts

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["mix_changes", "supplier_changes"]

#: Days of receipts that say what a supplier's material costs.
_YEAR = pd.Timedelta(days=365)


def supplier_changes(logs: Logs, before: pd.DataFrame, now: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    """Return how much the mix of suppliers moved the price of each material [currency / unit].

    `before` and `now` are rows of use with material, supplier and quantity. A supplier's price is that of its receipts
    of the year to `day`; where one of them has none, nothing is told: the change stands with the price.
    """
    came = receipts(logs).dropna(subset="unit_price")
    came = came[(came["day"] <= day) & (came["day"] > day - _YEAR)]
    worth = came.assign(cost=came["quantity"] * came["unit_price"]).groupby(["material", "supplier"])
    price = worth["cost"].sum() / worth["quantity"].sum()
    shares = []
    for rows in (before, now):
        known = rows[rows["supplier"] != ""]
        kg = known.groupby(["material", "supplier"])["quantity"].sum()
        shares.append(kg / kg.groupby(level=0).transform("sum"))
    first, last = shares
    # A material used in one of the two alone has no change of its mix.
    both = first.index.unique(0).intersection(last.index.unique(0))
    change = last.sub(first, fill_value=0.0)
    change = change[change.index.get_level_values(0).isin(both) & (change != 0)]
    moved = change * price.reindex(change.index)
    return moved.groupby(level=0).sum(skipna=False)


def mix_changes(
    before: pd.DataFrame, now: pd.DataFrame, cell: list[str], suppliers: pd.Series
) -> pd.DataFrame:
    """Return how much the mix of papers and of suppliers moved the price of each cell.

    Parameters
    ----------
    before, now : DataFrame
        Rows of use with the columns of `cell`, material, quantity and cost.
    cell : list of str
        What tells cells apart.
    suppliers : Series
        Result of :func:`supplier_changes`.

    Returns
    -------
    DataFrame, shape (cells, 2)
        papers and suppliers [currency / unit], 0 where only one of the two has the cell. A change of shares counts at
        the mean of both prices, a change of prices at the mean of both shares.
    """
    sides = []
    for rows in (before, now):
        sums = rows.assign(paper=rows["material"]).groupby([*cell, "paper"])[["quantity", "cost"]].sum()
        whole = sums["quantity"].groupby(level=list(range(len(cell)))).transform("sum")
        sides.append(
            pd.DataFrame({"share": sums["quantity"] / whole, "price": sums["cost"] / sums["quantity"]})
        )
    table = sides[0].add_suffix("_before").join(sides[1].add_suffix("_now"), how="outer")
    share = table[["share_before", "share_now"]].fillna(0.0)
    price = table["price_before"].fillna(table["price_now"]), table["price_now"].fillna(table["price_before"])
    paid_effect = table.index.get_level_values("paper").map(suppliers.to_dict()).to_numpy(dtype=float)
    result = pd.DataFrame(
        {
            "papers": (share["share_now"] - share["share_before"]) * (price[0] + price[1]) / 2,
            "suppliers": share.mean(axis=1) * np.nan_to_num(paid_effect),
        }
    )
    levels = list(range(len(cell)))
    sums = result.groupby(level=levels).sum()
    there = [side["share"].groupby(level=levels).sum().reindex(sums.index).notna() for side in sides]
    return sums.where(there[0] & there[1], 0.0)
