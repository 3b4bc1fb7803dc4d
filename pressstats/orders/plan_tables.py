"""What is ordered, how often a material runs out all the same, and what the plan costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..prices import agreed_price
from .leadtimes import serves_from
from .needs import level_needed
from .planned import ORDERS, Planned
from .rates import expedite_price
from .risk import out_before
from .rushing import next_look, rush_serves_from, worth_rushing

if TYPE_CHECKING:
    from ..logs import Logs
    from ..plant import Policy
    from .milp import Orders
    from .scenarios import Scenarios
    from .shortages import ShortageRates

__all__ = [
    "BEFORE_ANY_ORDER",
    "SERVICE",
    "SOON",
    "WORTH_A_RUSH",
    "break_groups",
    "expediting",
    "holding",
    "lines",
    "priced",
    "service_held",
    "stock_ahead",
]

_LINES = ["supplier", "material", "order_on", "due_on", "quantity", "pack", "load", "stock_before"]
#: Columns of ``OrderPlan.service``.
SERVICE = [
    "material",
    "weeks_short",
    "weeks_saved",
    "weeks_rushed",
    "allowed",
    "short_on",
    "chance",
    "on_order",
    "cause",
    "expedite",
    "at_once",
]
#: Why the level cannot be held: the first order comes too late, what is needed has no room or falls below the order
#: minimum, or neither and yet it is missed.
BEFORE_ANY_ORDER, NO_ROOM, NOT_QUITE = "before any order", "no room", "not quite"
#: Why something is brought by other means although the level holds: nights that would be lost cost more.
WORTH_A_RUSH = "worth a rush"
#: Causes of which the stock-out risk before the next order can arrive is told.
SOON = (BEFORE_ANY_ORDER, WORTH_A_RUSH)


def lines(
    planned: Sequence[Planned], orders: Orders, days: pd.DatetimeIndex, fresh: Scenarios
) -> pd.DataFrame:
    """Return what is ordered of each material at each review, as :func:`pressstats.orders.loading.into_loads` takes it.

    The stock-out risk before arrival is the share of `fresh` scenarios in which the material runs out after its order
    before has come, or from as-of on, and before this one has, late as they may be.
    """
    rows = []
    last = max(int(arrives[:, :ORDERS].max()) for arrives in fresh.arrives)
    short = fresh.run_out(fresh.stocks(orders.quantity, min(last, fresh.use.shape[2])))
    for one, out in zip(planned, short, strict=True):
        ordered, since = 0.0, None
        made = [
            (int(source.due[order]), row, int(order), source)
            for row, source in enumerate(one.sources, one.first_row)
            for order in np.flatnonzero(orders.quantity[row])
        ]
        for due, row, order, source in sorted(made, key=lambda line: line[:3]):
            quantity = orders.quantity[row, order]
            arrives = fresh.arrives[row][:, order]
            chance = out_before(out, since, arrives)
            since = arrives
            load = max(float(source.terms["load_quantity"]) or quantity, source.pack)
            placed = days[one.reviews[order]]
            # Promised is the day that it comes, before it rests and an issue is printed from it.
            promised = days[due - serves_from(0, source.rest)]
            head = (source.supplier, one.name, placed, promised, quantity, source.pack, load)
            rows.append((*head, max(one.mean[due] + ordered, 0.0), chance))
            ordered += quantity
    return pd.DataFrame(rows, columns=[*_LINES, "stockout_probability"])


def priced(logs: Logs, plan: pd.DataFrame) -> pd.DataFrame:
    """Add unit_price and cost to lines on loads: the price of their size and day, and their part of the freight.

    By the plant's policy price breaks are held against a line on a truck, what is ordered of a material of a supplier
    on a day, or all that is ordered of it.
    """
    policy = logs.plant.policy
    sizes = plan["quantity"].groupby(break_groups(logs, plan)).transform("sum")
    freight = policy.freight_per_load * plan["loads"] / plan.groupby("order")["loads"].transform("sum")
    prices = [
        agreed_price(logs, row.material, row.order_on, size, row.supplier or None)
        for row, size in zip(plan.itertuples(), sizes, strict=True)
    ]
    priced = plan.assign(unit_price=np.array(prices, dtype=float))
    return priced.assign(cost=freight + priced["quantity"] * priced["unit_price"])


def break_groups(logs: Logs, plan: pd.DataFrame) -> list[pd.Series]:
    """Return by what lines of a plan are summed for their price breaks, as the plant's policy says."""
    by = logs.plant.policy.price_breaks_by
    if by == "row":
        return [plan["order"], plan["material"]]
    if by == "material":
        return [plan["supplier"], plan["material"], plan["order_on"]]
    return [plan["supplier"], logs.of_material(plan["material"], "unit").fillna(""), plan["order_on"]]


# --- how well it holds, and what it costs ------------------------------------------------------


def service_held(
    planned: Sequence[Planned],
    short: ShortageRates,
    fresh: Scenarios,
    orders: Orders,
    policy: Policy,
    days: pd.DatetimeIndex,
    risk: pd.Series,
) -> pd.DataFrame:
    """Return how often each material runs out, and what must come by other means where that is too often: `SERVICE`."""
    rows = []
    means, missed, rushed = short.mean, short.mean_missed, short.mean_rushed
    allowed, scenarios = 1 - policy.service_level, fresh.use.shape[1]
    review = int(planned[0].reviews[0]) or int(planned[0].reviews[1])
    before = fresh.short_before(rush_serves_from(fresh.receives, 0))
    at_once = worth_rushing(fresh, policy, next_look(policy, fresh.receives, review))
    for place, one in enumerate(planned):
        share, early, after = short.share[place], short.early[place], short.after[place]
        weeks = np.flatnonzero(early > allowed)
        # By chance alone a share that holds may come out so much higher.
        noise = 2 * np.sqrt(allowed / (scenarios * max(int(after.sum()), 1)))
        unmet = float(orders.lacking[place].max(initial=0.0))
        # What no order can bring must come by other means, however early that is seen.
        late = bool((means[place] if unmet > 0 else missed[place]) > allowed + noise)
        cause, week, chance = "", -1, np.nan
        if len(weeks):
            week = int(weeks[0])
            cause, chance = BEFORE_ANY_ORDER, float(risk[one.name])
        elif at_once[place] > 0:
            week = int(np.argmax(early))
            cause, chance = WORTH_A_RUSH, float(risk[one.name])
        elif late:
            week = int(np.argmax(np.where(after, share, 0.0)))
            cause, chance = (NO_ROOM if unmet > 0 else NOT_QUITE), float(share[week])
        lacking = max(level_needed(before[place], 1 - allowed) + unmet, 0.0)
        rush = float(np.ceil(lacking / one.pack - 1e-9) * one.pack) + 0.0 if cause else 0.0
        rows.append(
            (
                one.name,
                float(missed[place]),
                float(means[place] - missed[place]),
                float(rushed[place]),
                allowed,
                days[7 * week] if cause else pd.NaT,
                chance,
                # What is counted on in any scenario until the next order has come.
                float(one.expected[: int(fresh.arrives[one.first_row][:, 0].max())].sum()),
                cause,
                max(rush, at_once[place]),
                at_once[place],
            )
        )
    return pd.DataFrame(rows, columns=SERVICE)


def stock_ahead(
    planned: Sequence[Planned], orders: Orders, fresh: Scenarios, days: pd.DatetimeIndex
) -> pd.DataFrame:
    """Return stock at each day's end with the plan's orders: material, day, q05, q50, q95 [unit of the material]."""
    parts = []
    # Up to what the last order brings: what comes after it is not planned yet.
    until = min(int(min(one.due[ORDERS - 1] for one in planned)), len(days) - 1)
    for one, left in zip(planned, fresh.at_day_end(orders.quantity, until), strict=True):
        q05, q50, q95 = np.quantile(left, [0.05, 0.5, 0.95], axis=0)
        parts.append(
            pd.DataFrame({"material": one.name, "day": days[:until], "q05": q05, "q50": q50, "q95": q95})
        )
    return pd.concat(parts, ignore_index=True).astype({"material": "str"})


def holding(logs: Logs, planned: Sequence[Planned], orders: Orders) -> float:
    """Return what holding the expected stock costs over the weeks of the plan [currency]."""
    rate, total = logs.plant.policy.holding_cost_rate, 0.0
    end = max(int(one.due[ORDERS]) for one in planned)
    for one in planned:
        come = np.zeros(end)
        for source, quantity in zip(one.sources, orders.quantity[one.rows], strict=True):
            inside = source.due[:ORDERS] < end
            np.add.at(come, source.due[:ORDERS][inside], quantity[inside])
        level = np.maximum(one.mean[:end] + np.cumsum(come), 0.0)
        total += float(level.sum()) * rate / 365.25 * float(one.row["unit_price"])
    return total


def expediting(logs: Logs, planned: Sequence[Planned], service: pd.DataFrame) -> float:
    """Return what bringing the quantities of `service` by other means costs, without its freight [currency]."""
    each = [expedite_price(one.row, logs.plant.policy) for one in planned]
    return float((np.array(each) * service["expedite"].to_numpy(dtype=float)).sum())
