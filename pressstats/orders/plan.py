"""What to call off: a periodic review that orders up to a level, load by load.

At each review day a material whose stock would not last until the order after this one has come is
brought up to the level that covers a review period, the usual lateness and the minimum cover at the
95 % quantile of use. Materials of one supplier share loads. It weighs no costs.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from ..logs import Logs
from ..plant import WEEKDAYS
from ..tables import as_published
from .cover import Paths, arrivals, lateness

__all__ = ["order_plan", "price_of"]

#: Days planned: thirteen weeks.
_DAYS = 91


def price_of(logs: Logs, material: str, day: pd.Timestamp, quantity: float) -> float:
    """Return the price of an order: the agreed one valid that day for that quantity, else the list's.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed.
    material : str
        The material.
    day : Timestamp
        Day of the order.
    quantity : float
        Quantity of the order [unit of the material].

    Returns
    -------
    float
        Price [currency / unit of the material].
    """
    listed = logs["materials"].set_index("material")["unit_price"]
    if logs.has("prices"):
        prices = logs["prices"]
        agreed = prices[(prices["material"] == material) & (prices["valid_from"] <= day)]
        # The newest agreement that has a price for so little; a later one for large orders only leaves it.
        agreed = agreed[agreed["from_quantity"] <= quantity].sort_values(["valid_from", "from_quantity"])
        if len(agreed):
            return float(agreed["unit_price"].iloc[-1])
    return float(listed[material])


def order_plan(logs: Logs, stock: pd.DataFrame, orders: pd.DataFrame, paths: Paths) -> pd.DataFrame:
    """Return the published table ``order_plan`` for the next thirteen weeks.

    Parameters
    ----------
    logs : Logs
        The logs.
    stock : DataFrame
        Result of :func:`pressstats.orders.stock_on_hand`.
    orders : DataFrame
        Result of :func:`pressstats.orders.open_orders`.
    paths : Paths
        Result of :func:`pressstats.orders.demand_paths`.

    Returns
    -------
    DataFrame, shape (orders x materials, 10)
        Published columns; stock before and after are the expected ones on the day due, and the
        probability is that of having run out at any time from today to the eve of that day,
        over the drawn paths, earlier orders of the plan counted in on their due days. What could
        not be printed is not owed later: a path that has run out starts again from nothing.
    """
    lines = []
    if logs.has("materials"):
        materials = logs["materials"]
        levels = dict(zip(stock["material"], stock["quantity"], strict=True))
        for _, material in materials.iterrows():
            quantity = levels.get(material["material"], np.nan)
            known = material["material"] in paths.names and not np.isnan(quantity)
            if known and np.isfinite(paths.use[paths.names.index(material["material"])]).all():
                lines += _orders_of(logs, material, quantity, orders, paths)
    columns = ["supplier", "material", "order_on", "due_on", "quantity", "pack", "load"]
    columns += ["stock_before", "stock_after", "stockout_probability"]
    plan = _into_loads(pd.DataFrame(lines, columns=columns))
    # A load costs its freight whether it is full or not.
    freight = logs.plant.policy.load_cost * plan["loads"] / plan.groupby("order")["loads"].transform("sum")
    plan["cost"] = freight + [
        price_of(logs, row.material, row.order_on, row.quantity) * row.quantity for row in plan.itertuples()
    ]
    return as_published(plan, "order_plan")


def _orders_of(
    logs: Logs, material: pd.Series, quantity: float, orders: pd.DataFrame, paths: Paths
) -> list[tuple]:
    number = paths.names.index(material["material"])
    come = arrivals(logs, orders, paths, material["material"])
    left = quantity + np.cumsum(come - paths.use[number], axis=1)
    mean = quantity + np.cumsum(come.mean(axis=0) - paths.mean[number])
    used = np.cumsum(paths.use[number], axis=1)
    lead = int(material["lead_time_days"])
    late = max(int(np.ceil(np.quantile(lateness(logs, material["supplier"]), 0.95))), 0)
    minimum = int(logs.plant.policy.cover_days_minimum)
    lines = []
    for day in range(_DAYS):
        if paths.days[day].day_name().lower() != logs.plant.policy.review_day:
            continue
        due = _next_receipt(logs, paths.days, day + lead)
        reach = due + 7 + late + minimum
        if reach >= len(paths.days):
            break
        need = np.quantile(used[:, reach] - used[:, due], 0.95)
        on_hand = max(mean[due], 0.0)
        if on_hand >= need:
            continue
        # Open orders that come later need their room too.
        amount = _rounded(material, need - on_hand, max(mean[due : reach + 1].max(), 0.0))
        if amount <= 0:
            continue
        ran_out = float((left[:, :due] < 0).any(axis=1).mean())
        lines.append(
            (
                material["supplier"],
                material["material"],
                paths.days[day],
                paths.days[due],
                amount,
                material["pack_quantity"] or 1.0,
                material["load_quantity"] or amount,
                on_hand,
                on_hand + amount,
                ran_out,
            )
        )
        left[:, due:] += amount - np.minimum(left[:, due], 0.0)[:, None]
        mean[due:] += amount + on_hand - mean[due]
    return lines


def _rounded(material: pd.Series, wanted: float, on_hand: float) -> float:
    """Return `wanted` in whole packs, at least the order minimum; 0 where there is no room for that."""
    pack = material["pack_quantity"] or 1.0
    least = math.ceil(material["order_minimum"] / pack - 1e-9)
    room = math.floor((material["storage_maximum"] - on_hand) / pack + 1e-9)
    packs = min(max(math.ceil(wanted / pack - 1e-9), least), room)
    return packs * pack if packs >= max(least, 1) else 0.0


def _next_receipt(logs: Logs, days: pd.DatetimeIndex, day: int) -> int:
    """Return the first day from `day` on that receives."""
    closed = set(logs.plant.calendar.no_receipts)
    if len(closed) == len(WEEKDAYS):
        return day
    while day < len(days) and days[day].day_name().lower() in closed:
        day += 1
    return min(day, len(days) - 1)


def _into_loads(lines: pd.DataFrame) -> pd.DataFrame:
    """Put the lines of one supplier and day on loads, pack by pack: an order is one load on the road."""
    rows = []
    for (supplier, order_on), ordered in lines.groupby(["supplier", "order_on"], sort=True):
        number = 0
        for due_on, group in ordered.groupby("due_on", sort=True):
            number, room = number + 1, 1.0
            for line in group.sort_values("material").itertuples():
                left, stock = line.quantity, line.stock_before
                while left > 1e-9:
                    # A pack larger than a load has a load of its own.
                    packs = math.floor(room * line.load / line.pack + 1e-9) or int(room == 1.0)
                    if packs == 0:
                        number, room = number + 1, 1.0
                        continue
                    amount = min(left, packs * line.pack)
                    order = f"{pd.Timestamp(order_on):%Y-%m-%d} {supplier} {number}"
                    loads, after = min(amount / line.load, 1.0), stock + amount
                    head = (order, line.material, order_on, due_on, amount, loads)
                    rows.append((*head, stock, after, line.stockout_probability))
                    left, room, stock = left - amount, room - loads, after
    columns = ["order", "material", "order_on", "due_on", "quantity", "loads", "stock_before", "stock_after"]
    plan = pd.DataFrame(rows, columns=[*columns, "stockout_probability"])
    words, numbers = ["order", "material"], ["quantity", "loads", "stock_before", "stock_after"]
    kinds = dict.fromkeys(words, "str") | dict.fromkeys(["order_on", "due_on"], "datetime64[us]")
    return plan.astype(kinds | dict.fromkeys([*numbers, "stockout_probability"], "float64"))
