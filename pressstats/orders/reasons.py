"""Why an order is placed: what would run out without it, or why it is bought ahead."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..prices import agreed_price, price_breaks
from .leadtimes import serves_from
from .planned import ORDERS, Planned, Source

if TYPE_CHECKING:
    from ..logs import Logs
    from .cases import Cases
    from .programme import Orders

__all__ = ["MUST_ORDER", "reasons"]

#: Chance of running out from which it is the reason for an order.
_TOLD = 0.005
#: Cases that a chance in a sentence is counted in.
_CASES = 1000
#: Stock-out risk from which it is told as what will happen.
MUST_ORDER = 0.5


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
            one = planned[place]
            turn = int(np.searchsorted(one.reviews, (line.order_on - days[0]).days))
            number = next(n for n, source in enumerate(one.sources) if source.supplier == line.supplier)
            chance = _without(place, number, turn, line.kept, orders, few, days)
            cover = _lasts(line.stock_before, use[place], int(one.sources[number].due[turn]))
            scored.append((chance, turn, line, number, cover))
        # The line that it is dearest to do without; of several that nobody would miss, the one shortest of cover.
        scored.sort(
            key=lambda item: (
                -item[0] if item[0] >= _TOLD else 0.0,
                item[4],
            )
        )
        chance, turn, line, number, cover = scored[0]
        place = by_name[line.material]
        one = planned[place]
        source, ordered = one.sources[number], float(orders.quantity[one.first_row + number, turn])
        why = _why(logs, chance, turn, line, one, source, cover, ordered, days)
        most = logs.plant.policy.cover_days_maximum
        after = _lasts(line.stock_after, use[place], int(source.due[turn]))
        if np.isfinite(after) and after > most:
            dearer = _dearer_later(logs, one, line, ordered, days)
            why += (
                f", and {after:.0f} days with it, more than the {most:g} wanted, "
                f"{dearer or 'because freight is per truck'}"
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
    place: int, number: int, turn: int, kept: float, orders: Orders, fresh: Cases, days: pd.DatetimeIndex
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


def _why(
    logs: Logs,
    chance: float,
    turn: int,
    line: Any,
    one: Planned,
    source: Source,
    cover: float,
    ordered: float,
    days: pd.DatetimeIndex,
) -> str:
    policy = logs.plant.policy
    if chance >= _TOLD:
        must = "must order: " if chance >= MUST_ORDER else ""
        return (
            f"{must}without it the risk is {100 * chance:.0f} % that {line.material} runs out by the week after the "
            f"next order is due; {_left(cover)} when this comes"
        )
    following = days[source.due[turn + 1] - serves_from(0, source.rest)]
    left = cover - (source.due[turn + 1] - source.due[turn])
    if left < policy.cover_days_minimum:
        return (
            f"without it {line.material} falls below {policy.cover_days_minimum:g} days of stock before the next order "
            f"is due on {following:%Y-%m-%d}"
        )
    dearer = _dearer_later(logs, one, line, ordered, days)
    if dearer:
        return f"{line.material} is bought ahead, {dearer}: {_left(cover)} when this comes"
    breaks = price_breaks(logs, line.material, line.order_on, line.supplier or None)
    reached = [least for (least, price), (_, above) in zip(breaks[1:], breaks, strict=False) if price < above]
    reached = [least for least in reached if least <= ordered]
    if reached:
        unit = {"each": "pieces"}.get(str(one.row["unit"]), str(one.row["unit"]))
        return f"{line.material} is bought ahead: from {reached[-1]:,.0f} {unit} on its price is lower"
    return f"{line.material} is bought ahead, because freight is per truck: {_left(cover)} when this comes"


def _left(cover: float) -> str:
    """Return how many days of stock are left, as a clause."""
    days = round(cover)
    return "1 day of stock is left" if days == 1 else f"{days} days of stock are left"


def _dearer_later(logs: Logs, one: Planned, line: Any, ordered: float, days: pd.DatetimeIndex) -> str:
    """Say when the price of so large an order rises within the reviews of the plan; nothing where it does not."""
    supplier = line.supplier or None
    paid = agreed_price(logs, one.name, line.order_on, ordered, supplier)
    for review in one.reviews[:ORDERS]:
        if days[review] <= line.order_on:
            continue
        then = agreed_price(logs, one.name, days[review], ordered, supplier)
        if then > paid:
            return (
                f"because its price rises from {paid:.4g} to {then:.4g} {logs.plant.currency} for orders from "
                f"{days[review]:%Y-%m-%d} on"
            )
    return ""


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
