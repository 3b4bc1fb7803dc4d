"""Why an order is placed, how often a material runs out all the same, and what the plan costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from ..logs import Logs
from ..plant import Policy
from ..prices import agreed_price, price_breaks
from .cases import Cases, Short
from .needs import level_needed
from .planned import ORDERS, Planned
from .programme import Orders
from .rates import expedite_price
from .risk import out_before
from .rushing import next_look, serves_from, worth_rushing

__all__ = [
    "BEFORE_ANY_ORDER",
    "SERVICE",
    "SOON",
    "WORTH_A_RUSH",
    "expediting",
    "holding",
    "lines",
    "priced",
    "reasons",
    "service_held",
    "stock_ahead",
]

_LINES = ["supplier", "material", "order_on", "due_on", "quantity", "pack", "load", "stock_before"]
#: Columns of ``OrderPlan.service``.
SERVICE = [
    "material",
    "weeks_short",
    "weeks_saved",
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
#: Stock-out risk from which it is told as what will happen.
MUST_ORDER = 0.5
#: Causes of which the stock-out risk before the next order can arrive is told.
SOON = (BEFORE_ANY_ORDER, WORTH_A_RUSH)
#: Chance of running out from which it is the reason for an order.
_TOLD = 0.005
#: Cases that a chance in a sentence is counted in.
_CASES = 1000


def lines(planned: Sequence[Planned], orders: Orders, days: pd.DatetimeIndex, fresh: Cases) -> pd.DataFrame:
    """Return what is ordered of each material at each review.

    Parameters
    ----------
    planned : sequence of Planned
        The materials.
    orders : Orders
        Their orders.
    days : DatetimeIndex, shape (days,)
        Days from the one after as-of.
    fresh : Cases
        Cases that the plan was not made from.

    Returns
    -------
    DataFrame, shape (lines, 9)
        What :func:`pressstats.orders.loading.into_loads` takes: among it the expected stock before receipt and the
        stock-out risk before arrival: the share of scenarios in which the material runs out after its order before has
        come, or from as-of on, and before this one has, late as they may be.
    """
    rows = []
    last = max(int(arrives[:, :ORDERS].max()) for arrives in fresh.arrives)
    short = fresh.out(orders.quantity, min(last, fresh.use.shape[2]))
    for place, one in enumerate(planned):
        quantity, out = orders.quantity[place], short[place]
        if not quantity.any():
            continue
        ordered, since = 0.0, -1
        for order in np.flatnonzero(quantity):
            due = int(one.due[order])
            before = max(one.mean[due] + ordered, 0.0)
            chance = out_before(out, fresh.arrives[place], since, int(order))
            since = int(order)
            pack = float(one.row["pack_quantity"]) or 1.0
            load = max(float(one.row["load_quantity"]) or quantity[order], pack)
            placed, promised = days[one.reviews[order]], days[due - 1]
            head = (one.supplier, one.name, placed, promised, quantity[order], pack, load)
            rows.append((*head, before, chance))
            ordered += quantity[order]
    return pd.DataFrame(rows, columns=[*_LINES, "stockout_probability"])


def priced(logs: Logs, plan: pd.DataFrame) -> pd.DataFrame:
    """Add what each line costs: its price for all that is ordered of it that day, and its part of the freight.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed.
    plan : DataFrame
        Result of :func:`pressstats.orders.loading.into_loads`.

    Returns
    -------
    DataFrame
        `plan` with cost [currency].
    """
    ordered = plan.groupby(["material", "order_on"])["quantity"].transform("sum")
    freight = logs.plant.policy.load_cost * plan["loads"] / plan.groupby("order")["loads"].transform("sum")
    prices = [
        agreed_price(logs, row.material, row.order_on, whole)
        for row, whole in zip(plan.itertuples(), ordered, strict=True)
    ]
    return plan.assign(cost=freight + plan["quantity"] * np.array(prices, dtype=float))


# --- why ---------------------------------------------------------------------------------------


def reasons(
    logs: Logs,
    planned: Sequence[Planned],
    orders: Orders,
    plan: pd.DataFrame,
    fresh: Cases,
    days: pd.DatetimeIndex,
) -> pd.DataFrame:
    """Say of each load why it is ordered.

    Parameters
    ----------
    logs : Logs
        The logs.
    planned : sequence of Planned
        The materials.
    orders : Orders
        Their orders.
    plan : DataFrame
        Result of :func:`priced`.
    fresh : Cases
        Cases that the plan was not made from.
    days : DatetimeIndex, shape (days,)
        Days from the one after as-of.

    Returns
    -------
    DataFrame, shape (orders, 3)
        order (load), material that it is ordered for, and why, in a sentence without its first capital.
    """
    by_name = {one.name: place for place, one in enumerate(planned)}
    # What loads before bring of the same material on the same day.
    few = fresh.few(_CASES)
    use = [each.mean(axis=0) for each in few.use]
    kept = plan["stock_before"] - plan.groupby(["material", "order_on"])["stock_before"].transform("min")
    rows = []
    for order, load in plan.assign(kept=kept).groupby("order", sort=False):
        scored = []
        for line in load.itertuples():
            place = by_name[line.material]
            turn = int(np.searchsorted(planned[place].reviews, (line.order_on - days[0]).days))
            chance = _without(place, turn, line.kept, orders, few, days)
            cover = _lasts(line.stock_before, use[place], int(planned[place].due[turn]))
            scored.append((chance, turn, line, planned[place], cover))
        # The line that it is dearest to do without; of several that nobody would miss, the one shortest of cover.
        scored.sort(
            key=lambda item: (
                -item[0] if item[0] >= _TOLD else 0.0,
                item[4],
            )
        )
        chance, turn, line, one, cover = scored[0]
        place = by_name[one.name]
        why = _why(logs, chance, turn, line, one, cover, float(orders.quantity[place, turn]), days)
        most = logs.plant.policy.cover_days_maximum
        after = _lasts(line.stock_after, use[place], int(one.due[turn]))
        if np.isfinite(after) and after > most:
            why += (
                f", and {after:.0f} days with it, more than the {most:g} wanted, because freight is per truck"
            )
        others = [other.material for _, _, other, *_ in scored[1:]]
        if others:
            why += f"; {_listed(others)} {'shares' if len(others) == 1 else 'share'} the truck"
        used = f"{100 * min(load['loads'].sum(), 1.0):.0f} % of the truck is used."
        rows.append((order, line.material, f"{why}; {used}"))
    return pd.DataFrame(rows, columns=["order", "material", "why"]).astype("str")


def _lasts(stock: float, use: np.ndarray, first: int) -> float:
    """Return how many days a stock lasts from a day on by the use that is expected then; at the mean rate past it."""
    left = stock - np.cumsum(use[first:])
    over = np.flatnonzero(left < 0)
    if len(over):
        before = left[over[0]] + use[first + over[0]]
        return float(over[0] + before / use[first + over[0]])
    rate = float(use[first:].mean()) if first < len(use) else 0.0
    return float(len(left) + left[-1] / rate) if rate > 0 else np.inf


def _without(
    place: int, turn: int, kept: float, orders: Orders, fresh: Cases, days: pd.DatetimeIndex
) -> float:
    """Return the chance to run out from this load's day to the week after the next order is due, had it not come.

    Neither does a later load then. Where the load does not lower the chance it is no reason for it: 0.
    """
    one = fresh.planned[place]
    until = min(int(one.due[min(turn + 1, ORDERS)]) + 7, len(days))
    chances = []
    for last in (kept, float(orders.quantity[place][turn])):
        quantity = orders.quantity[place].copy()
        quantity[turn:] = 0.0
        quantity[turn] = last
        out = fresh.stock(place, quantity, until)[:, int(one.due[turn]) :] < -1e-6
        chances.append(float(out.any(axis=1).mean()))
    return chances[0] if chances[0] > chances[1] else 0.0


def _why(
    logs: Logs,
    chance: float,
    turn: int,
    line: Any,
    one: Planned,
    cover: float,
    ordered: float,
    days: pd.DatetimeIndex,
) -> str:
    policy = logs.plant.policy
    if chance >= _TOLD:
        must = "must order: " if chance >= MUST_ORDER else ""
        return (
            f"{must}without it the risk is {100 * chance:.0f} % that {line.material} runs out by the week after the "
            f"next order is due; {cover:.0f} days of stock are left when this comes"
        )
    following = days[one.due[turn + 1] - 1]
    left = cover - (one.due[turn + 1] - one.due[turn])
    if left < policy.cover_days_minimum:
        return (
            f"without it {line.material} falls below {policy.cover_days_minimum:g} days of stock before the next order "
            f"is due on {following:%Y-%m-%d}"
        )
    breaks = price_breaks(logs, line.material, line.order_on)
    reached = [least for (least, price), (_, above) in zip(breaks[1:], breaks, strict=False) if price < above]
    reached = [least for least in reached if least <= ordered]
    if reached:
        unit = {"each": "pieces"}.get(str(one.row["unit"]), str(one.row["unit"]))
        return f"{line.material} is bought ahead: from {reached[-1]:,.0f} {unit} on its price is lower"
    return (
        f"{line.material} is bought ahead, because freight is per truck: {cover:.0f} days of stock are left when this "
        "comes"
    )


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


# --- how well it holds, and what it costs ------------------------------------------------------


def service_held(
    planned: Sequence[Planned],
    short: Short,
    fresh: Cases,
    orders: Orders,
    policy: Policy,
    days: pd.DatetimeIndex,
    risk: pd.Series,
) -> pd.DataFrame:
    """Return how often each material runs out, and what must come by other means where that is too often.

    Parameters
    ----------
    planned : sequence of Planned
        The materials.
    short : Short
        How often they run out with the plan.
    fresh : Cases
        Cases that the plan was not made from.
    orders : Orders
        The plan.
    policy : Policy
        Service level, and the costs that other means are weighed by.
    days : DatetimeIndex, shape (days,)
        Days from the one after as-of.
    risk : Series
        Result of :func:`pressstats.orders.risk_before_arrival`.

    Returns
    -------
    DataFrame, shape (materials, 10)
        The columns of `SERVICE`: see ``OrderPlan.service``.
    """
    rows = []
    means, missed = short.mean, short.mean_missed
    allowed, cases = 1 - policy.service_level, fresh.use.shape[1]
    review = int(planned[0].reviews[0]) or int(planned[0].reviews[1])
    before = fresh.short_before(serves_from(fresh.receives, 0))
    at_once = worth_rushing(fresh, policy, next_look(policy, fresh.receives, review))
    for place, one in enumerate(planned):
        mine, early, after = short.share[place], short.early[place], short.after[place]
        weeks = np.flatnonzero(early > allowed)
        # By chance alone a share that holds may come out so much higher.
        noise = 2 * np.sqrt(allowed / (cases * max(int(after.sum()), 1)))
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
            week = int(np.argmax(np.where(after, mine, 0.0)))
            cause, chance = (NO_ROOM if unmet > 0 else NOT_QUITE), float(mine[week])
        lacking = max(level_needed(before[place], 1 - allowed) + unmet, 0.0)
        rush = float(np.ceil(lacking / one.pack - 1e-9) * one.pack) + 0.0 if cause else 0.0
        rows.append(
            (
                one.name,
                float(missed[place]),
                float(means[place] - missed[place]),
                allowed,
                days[7 * week] if cause else pd.NaT,
                chance,
                # What is counted on in any scenario until the next order has come.
                float(one.expected[: int(fresh.arrives[place][:, 0].max())].sum()),
                cause,
                max(rush, at_once[place]),
                at_once[place],
            )
        )
    return pd.DataFrame(rows, columns=SERVICE)


def stock_ahead(
    planned: Sequence[Planned], orders: Orders, fresh: Cases, days: pd.DatetimeIndex
) -> pd.DataFrame:
    """Return how stock goes on with the plan's orders.

    Parameters
    ----------
    planned : sequence of Planned
        The materials.
    orders : Orders
        The plan.
    fresh : Cases
        Cases that the plan was not made from.
    days : DatetimeIndex, shape (days,)
        Days from the one after as-of.

    Returns
    -------
    DataFrame, shape (materials x days of the plan, 5)
        material, day, q05, q50, q95 (on hand at the day's end) [unit of the material].
    """
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
    for place, one in enumerate(planned):
        come = np.zeros(end)
        inside = one.due[:ORDERS] < end
        np.add.at(come, one.due[:ORDERS][inside], orders.quantity[place][inside])
        level = np.maximum(one.mean[:end] + np.cumsum(come), 0.0)
        total += float(level.sum()) * rate / 365.25 * float(one.row["unit_price"])
    return total


def expediting(logs: Logs, planned: Sequence[Planned], service: pd.DataFrame) -> float:
    """Return what bringing the quantities of `service` by other means costs, without its freight [currency]."""
    each = [expedite_price(one.row, logs.plant.policy) for one in planned]
    return float((np.array(each) * service["expedite"].to_numpy(dtype=float)).sum())
