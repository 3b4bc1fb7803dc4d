"""Lines of one supplier and day put on loads, pack by pack: an order is one load on the road."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

__all__ = ["into_loads", "truck_numbers"]

_WORDS = ["order", "material", "supplier"]
_NUMBERS = ["packs", "quantity", "loads", "stock_before", "stock_after", "stockout_probability"]


def truck_numbers(orders: pd.Series) -> pd.Series:
    """Return which truck of its supplier and day each order is, as its name ends: the number it has everywhere."""
    return orders.str.rsplit(" ", n=1).str[-1].astype("int64")


def into_loads(lines: pd.DataFrame) -> pd.DataFrame:
    """Put order lines of a supplier and day on loads: the columns of ``order_plan`` but the prices.

    Large packs go first, so that small ones fill the gaps; a pack larger than a load has a load of its own.
    """
    rows = []
    for (supplier, order_on), ordered in lines.groupby(["supplier", "order_on"], sort=True):
        number = 0
        for due_on, group in ordered.groupby("due_on", sort=True):
            open_loads: list[tuple[int, float]] = []
            group = group.assign(share=group["pack"] / group["load"])
            line: Any
            for line in group.sort_values(["share", "material"], ascending=[False, True]).itertuples():
                left, stock = line.quantity, line.stock_before
                taken: dict[int, float] = {}
                for position, (load, room) in enumerate(open_loads):
                    packs = min(math.floor(room / line.share + 1e-9), math.ceil(left / line.pack - 1e-9))
                    if packs > 0:
                        taken[load] = min(left, packs * line.pack)
                        left -= taken[load]
                        open_loads[position] = (load, room - taken[load] / line.load)
                while left > 1e-9:
                    number += 1
                    packs = math.floor(1 / line.share + 1e-9) or 1
                    amount = min(left, packs * line.pack)
                    taken[number] = amount
                    left -= amount
                    open_loads.append((number, max(1 - amount / line.load, 0.0)))
                for load, amount in sorted(taken.items()):
                    order = f"{pd.Timestamp(order_on):%Y-%m-%d} {supplier} {load}"
                    head = (order, line.material, supplier, order_on, due_on)
                    size = (math.ceil(amount / line.pack - 1e-9), amount, min(amount / line.load, 1.0))
                    rows.append((*head, *size, stock, stock + amount, line.stockout_probability))
                    stock += amount
    plan = pd.DataFrame(rows, columns=[*_WORDS, "order_on", "due_on", *_NUMBERS])
    kinds = dict.fromkeys(_WORDS, "str") | dict.fromkeys(["order_on", "due_on"], "datetime64[us]")
    return plan.astype(kinds | dict.fromkeys(_NUMBERS, "float64"))
