"""Why an order is placed: what would run out without it, or why it is bought ahead."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from ..prices import agreed_price
from .leadtimes import serves_from
from .plan_tables import break_groups
from .planned import ORDERS, Planned, Source

if TYPE_CHECKING:
    from ..logs import Logs
    from .milp import Orders
    from .scenarios import Scenarios

__all__ = ["FULL", "MUST_ORDER", "REASONS", "reasons"]

#: Chance of running out from which it is the reason for an order.
_TOLD = 0.005
#: Scenarios that a chance in a sentence is counted in.
_CASES = 1000
#: Share of a truck from which it is full.
FULL = 0.9
#: Stock-out risk from which it is told as what will happen.
MUST_ORDER = 0.5
#: Columns of :func:`reasons`.
REASONS = {
    "order": "str",
    "material": "str",
    "kind": "str",
    "risk": "float64",
    "days_left": "float64",
    "days_after": "float64",
    "next_due_on": "datetime64[us]",
    "price": "float64",
    "price_then": "float64",
    "price_from": "datetime64[us]",
    "gain": "float64",
    "used": "float64",
    "supplier": "str",
    "chosen": "str",
    "costs": "float64",
    "others_cost": "float64",
}


class _Line(NamedTuple):
    """A line of a load with what speaks for it."""

    row: Any
    one: Planned
    source: Source
    turn: int
    ordered: float
    risk: float
    days_left: float


def reasons(
    logs: Logs,
    planned: Sequence[Planned],
    orders: Orders,
    plan: pd.DataFrame,
    fresh: Scenarios,
    days: pd.DatetimeIndex,
) -> pd.DataFrame:
    """Say of each load why it is ordered: the columns of `REASONS`.

    kind: `risk` (without it the material runs out by a week after `next_due_on`, when the next order is due, in the
    share of scenarios `risk`), `cover` (without it fewer days than wanted are left on `next_due_on`), `price`
    (no other order of the material is planned before its price rises from `price` to `price_then` on `price_from`),
    `break` (ordered with the other trucks of the day it costs less than apart: `price` and not `price_then`),
    `contract` (its contract or share asks for it), `freight` (it fills a shared truck), else `ahead`: nothing single
    asks for it. gain: what the dearer price, or ordering apart, would cost more [currency]. days_left, days_after: days
    of stock when it comes, without and with it (the second blank where no more than wanted); used: share of the truck;
    chosen: why its `supplier` is asked where others can be (empty where none can, or neither holds): `cost` (at the
    price of the order with what its paper costs beyond it, `costs`, it is the cheapest; of the others the cheapest
    `others_cost`, as if placed with their own order of the day), or `contract` (without the order it stays below what
    its contract or share asks for).
    """
    by_name = {one.name: place for place, one in enumerate(planned)}
    # What loads before bring of the same material on the same day.
    few = fresh.few(_CASES)
    use = [each.mean(axis=0) for each in few.use]
    group = ["material", "supplier", "order_on"]
    kept = plan["stock_before"] - plan.groupby(group)["stock_before"].transform("min")
    rows = []
    for order, load in plan.assign(kept=kept).groupby("order", sort=False):
        scored = []
        row: Any
        for row in load.itertuples():
            place = by_name[row.material]
            one = planned[place]
            turn = int(np.searchsorted(one.reviews, (row.order_on - days[0]).days))
            number = next(
                n
                for n, source in enumerate(one.sources)
                if source.supplier == row.supplier and source.orders[turn]
            )
            source = one.sources[number]
            risk = _without(place, number, turn, row.kept, orders, few, days)
            left = _lasts(row.stock_before, use[place], int(source.due[turn]))
            ordered = float(orders.quantity[one.first_row + number, turn])
            scored.append(_Line(row, one, source, turn, ordered, risk, left))
        # The line that it is dearest to do without; of several that nobody would miss, the one shortest of cover.
        scored.sort(key=lambda line: (-line.risk if line.risk >= _TOLD else 0.0, line.days_left))
        line = scored[0]
        used = min(float(load["loads"].sum()), 1.0)
        fills = len(scored) > 1 and used >= FULL
        why = _why(logs, line, plan, days) or _bought_ahead(logs, line, orders, plan, fills=fills)
        after = _lasts(line.row.stock_after, use[by_name[line.one.name]], int(line.source.due[line.turn]))
        if np.isfinite(after) and after > logs.plant.policy.cover_days_maximum:
            # Where it is bought ahead that is told already.
            dearer = _dearer_later(logs, line, plan, days) if why["kind"] in ("risk", "cover") else {}
            why |= {"days_after": after} | dearer
        rows.append(
            {"order": order, "material": line.one.name, "used": used}
            | {"risk": line.risk, "days_left": line.days_left}
            | why
            | _chosen(logs, line, orders, plan)
        )
    return pd.DataFrame(rows, columns=list(REASONS)).astype(REASONS)


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
    place: int, number: int, turn: int, kept: float, orders: Orders, fresh: Scenarios, days: pd.DatetimeIndex
) -> float:
    """Return the chance to run out from this load's day to the week after the next order is due, had it not come.

    Neither does a later load then. Where the load does not lower the chance it is no reason for it: 0.
    """
    one = fresh.planned[place]
    due = one.sources[number].due
    until = min(int(due[min(turn + 1, ORDERS)]) + 7, len(days))
    chances = []
    for last in (kept, float(orders.quantity[one.first_row + number, turn])):
        quantity = orders.quantity[one.rows].copy()
        quantity[:, turn + 1 :] = 0.0
        quantity[number, turn] = last
        out = fresh.stock(place, quantity, until)[:, int(due[turn]) :] < -1e-6
        chances.append(float(out.any(axis=1).mean()))
    return chances[0] if chances[0] > chances[1] else 0.0


def _why(logs: Logs, line: _Line, plan: pd.DataFrame, days: pd.DatetimeIndex) -> dict[str, Any]:
    """Return why a load is needed, or bought before it is dearer; empty where neither is so."""
    due, turn = line.source.due, line.turn
    following = days[due[turn + 1] - serves_from(0, line.source.rest)]
    if line.risk >= _TOLD:
        return {"kind": "risk", "next_due_on": following}
    if line.days_left - (due[turn + 1] - due[turn]) < logs.plant.policy.cover_days_minimum:
        return {"kind": "cover", "next_due_on": following}
    dearer = _dearer_later(logs, line, plan, days)
    return {"kind": "price"} | dearer if dearer else {}


def _bought_ahead(
    logs: Logs, line: _Line, orders: Orders, plan: pd.DataFrame, *, fills: bool
) -> dict[str, Any]:
    """Return what else speaks for a load that is not needed yet, and what it gains."""
    row = line.row
    of_day = plan[(plan["order_on"] == row.order_on) & (plan["supplier"] == row.supplier)]
    own = of_day["order"] == row.order
    apart = pd.concat([_prices(logs, of_day[own]), _prices(logs, of_day[~own])])
    gain = float(((apart - of_day["unit_price"]) * of_day["quantity"]).sum())
    if gain > 0:
        return {"kind": "break", "price": row.unit_price, "price_then": apart[row.Index], "gain": gain}
    if _agreed(line, orders):
        return {"kind": "contract"}
    return {"kind": "freight" if fills else "ahead"}


def _prices(logs: Logs, rows: pd.DataFrame) -> pd.Series:
    """Return the price of each line if these are all that is ordered."""
    lines = zip(rows["material"], rows["order_on"], _sizes(logs, rows), rows["supplier"], strict=True)
    found = [agreed_price(logs, name, day, size, supplier or None) for name, day, size, supplier in lines]
    return pd.Series(found, rows.index, dtype="float64")


def _sizes(logs: Logs, rows: pd.DataFrame) -> pd.Series:
    """Return what each line is a part of, as price breaks count it, if these are all that is ordered."""
    return rows["quantity"].groupby(break_groups(logs, rows)).transform("sum")


def _chosen(logs: Logs, line: _Line, orders: Orders, plan: pd.DataFrame) -> dict[str, Any]:
    """Say why this supplier is asked and no other: it is the cheapest, or its contract or share needs the order."""
    one, turn, supplier, row = line.one, line.turn, line.source.supplier, line.row
    costs = {}
    for source in one.sources:
        if source.orders[turn]:
            # Placed with the others' own order of the day, whose size lowers the price there.
            moved = plan["supplier"].where(~(plan.index == row.Index), source.supplier)
            of_day = plan.assign(supplier=moved)[
                (plan["order_on"] == row.order_on) & (moved == source.supplier)
            ]
            costs[source.supplier] = source.premium + float(_prices(logs, of_day)[row.Index])
    own = costs.pop(supplier)
    reason: dict[str, Any] = {"supplier": supplier, "chosen": ""}
    if not costs:
        return reason
    reason |= {"costs": own, "others_cost": min(costs.values())}
    if own <= min(costs.values()):
        return reason | {"chosen": "cost"}
    return reason | {"chosen": "contract" if _agreed(line, orders) else ""}


def _agreed(line: _Line, orders: Orders) -> bool:
    """Say whether a supplier's contract or share needs an order: without it, less is ordered than it asks for."""
    one, turn = line.one, line.turn
    quantity = orders.quantity[one.rows]
    of_supplier = np.array([source.supplier == line.source.supplier for source in one.sources])
    due = np.array([source.due[:ORDERS] for source in one.sources])
    agreed = one.sources[int(of_supplier.argmax())]
    needed = any(
        limit.orders[turn] and quantity[of_supplier][:, limit.orders].sum() - line.ordered < limit.least
        for limit in agreed.limits
    )
    for share in agreed.shares:
        inside = np.where((share.since <= due) & (due <= share.until), quantity, 0.0)
        if share.since <= line.source.due[turn] <= share.until:
            kept = share.bought + inside[of_supplier].sum() - line.ordered
            needed |= kept < share.least * (share.bought_of_all + inside.sum() - line.ordered)
    return bool(needed)


def _dearer_later(logs: Logs, line: _Line, plan: pd.DataFrame, days: pd.DatetimeIndex) -> dict[str, Any]:
    """Say when the price of a load rises within the reviews of the plan; nothing where it does not.

    Nor where the plan orders the material again before that: then this order could wait until then.
    """
    row = line.row
    same = plan[(plan["material"] == row.material) & (plan["order_on"] > row.order_on)]
    of_day = plan[(plan["order_on"] == row.order_on) & (plan["supplier"] == row.supplier)]
    size = float(_sizes(logs, of_day)[row.Index])
    for review in line.one.reviews[:ORDERS]:
        if days[review] <= row.order_on:
            continue
        if (same["order_on"] < days[review]).any():
            break
        then = agreed_price(logs, row.material, days[review], size, row.supplier or None)
        if then > row.unit_price:
            gain = (then - row.unit_price) * row.quantity
            return {"price": row.unit_price, "price_then": then, "price_from": days[review], "gain": gain}
    return {}
