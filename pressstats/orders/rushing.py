"""What is worth bringing by other means: where a stock-out is seen coming, and costs more than the rush."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from .leadtimes import serves_from
from .needs import stock_paths
from .planned import ORDERS
from .rates import expedite_price
from .scenarios import NOTHING

if TYPE_CHECKING:
    from ..plant import Policy
    from .planned import Planned
    from .scenarios import Scenarios

__all__ = ["EXPEDITE_DAYS", "foreseen", "next_look", "rush_serves_from", "worth_rushing"]

#: Days within which what is brought by other means is there: common practice, no source.
EXPEDITE_DAYS = 3
#: What a night that cannot be printed whole weighs when other means are, as times its cost: how often the rarest of
#: needs come is known from few errors of forecasts only.
_CAUTION = 1.5
#: Quantities tried of what might be rushed.
_TRIED = 40
#: Scenarios from which on those whose trucks are as overdue are told from one another alone.
_ENOUGH = 50
#: Days after which an order that has not come is overdue for long.
_LONG = 3


def rush_serves_from(receives: np.ndarray, placed: int) -> int:
    """Return the day whose issue what is rushed on a day is the first to serve: what is rushed does not rest."""
    return int(serves_from(receives[min(placed + EXPEDITE_DAYS, len(receives) - 1)]))


def next_look(policy: Policy, receives: np.ndarray, review: int) -> int:
    """Return the day on which it is asked again what to rush: the next review, or a day before it that receives."""
    return min(int(receives[1]), review) if policy.looked_at == "daily" else review


def worth_rushing(scenarios: Scenarios, policy: Policy, again: int) -> np.ndarray:
    """Return the whole packs of each material that are worth bringing by other means now, with nights lost then.

    What runs out when the rush of the day on which it is asked `again` is there can wait; 0 where a rush costs more
    than the chance that it takes away.
    """
    soonest = rush_serves_from(scenarios.receives, 0)
    until = min(rush_serves_from(scenarios.receives, again), scenarios.use.shape[2])
    nothing = np.zeros((scenarios.planned[-1].rows.stop, ORDERS))
    use = scenarios.stood_in(nothing, until)
    found = np.zeros(len(scenarios.planned))
    day = np.arange(until)
    for place, one in enumerate(scenarios.planned):
        own, come = scenarios.use[place][:, :until], scenarios.come[place][:, :until]
        # Once something of the plan has come, what is rushed came too late.
        counts = (day >= soonest) & (day < scenarios.helped[place][:, None])
        if one.stand_in is not None:
            other = one.stand_in[0]
            rest = stock_paths(scenarios.planned[other].stock, use[other], scenarios.come[other][:, :until])
            counts &= rest < -NOTHING
        left = stock_paths(one.stock, own, come)
        rows = np.flatnonzero(((left < -NOTHING) & counts).any(axis=1))
        if not len(rows):
            continue
        pack = one.pack
        most = float(np.ceil(np.where(counts, np.maximum(-left, 0.0), 0.0).sum(axis=1).max() / pack))
        amounts = np.unique(np.ceil(np.linspace(0.0, most, _TRIED + 1))) * pack
        costs = []
        for amount in amounts:
            brought = come[rows].copy()
            brought[:, soonest] += amount
            still = (stock_paths(one.stock, own[rows], brought) < -NOTHING) & counts[rows]
            nights = float(still.sum()) / len(own)
            rush = policy.freight_per_load + expedite_price(one.row, policy) * amount if amount > 0 else 0.0
            costs.append(rush + _CAUTION * policy.stockout_cost * nights)
        found[place] = amounts[int(np.argmin(costs))]
    return found


def foreseen(
    scenarios: Scenarios, place: int, quantity: np.ndarray, left: np.ndarray, policy: Policy
) -> tuple[np.ndarray, np.ndarray]:
    """Say on which days a material would not run out, since somebody saw it coming, and on which a rush comes.

    `left` is its stock at each day's end with its orders. Those are days of which, at the last look that could help
    them, the chance of running out was worth a rush. What is seen is the lowest stock of the days that a look can help
    and the next cannot, by least squares from what is then on hand, on order, overdue, and overdue for long; what the
    scenarios depart from that is not seen. A rush comes for the first day that its look can help, whether or not the
    material would have run out: most of what is worth a rush would not have been needed.
    """
    one = scenarios.planned[place]
    days = left.shape[1]
    seen, rushed = np.zeros((2, *left.shape), dtype=bool)
    if not (left < -NOTHING).any():
        return seen, rushed
    # From that chance on a pack is worth its rush.
    worth = (policy.freight_per_load + expedite_price(one.row, policy) * one.pack) / max(
        _CAUTION * policy.stockout_cost, 1e-9
    )
    ordered = [np.cumsum(each, axis=1) for each in scenarios.ordered_of_each(place, quantity)]
    came = np.cumsum(scenarios.receipts(place, quantity, days), axis=1)
    promised = np.cumsum(one.expected[:days])
    last = min(days + 7, len(scenarios.receives))
    looks = (
        np.arange(int(one.reviews[one.reviews > 0][0]), last, 7)
        if (one.reviews > 0).any()
        else np.zeros(0, int)
    )
    if policy.looked_at == "daily":
        looks = np.flatnonzero(scenarios.receives[:last] == np.arange(last))
    for known, again in pairwise(looks):
        helps = slice(
            rush_serves_from(scenarios.receives, known), rush_serves_from(scenarios.receives, again)
        )
        if helps.start >= days:
            break
        if not known or helps.stop <= helps.start:
            continue
        lowest = left[:, helps].min(axis=1)
        placed = int(np.count_nonzero(one.reviews[:ORDERS] < known))
        if not placed or not (lowest < -NOTHING).any():
            continue
        on_hand = np.maximum(left[:, known - 1], 0.0) + came[:, known] - came[:, known - 1]
        on_order = promised[-1] + sum(each[:, placed - 1] for each in ordered) - came[:, known]
        backlog = [
            _promised_by(one, promised, ordered, placed, day) - came[:, day]
            for day in range(max(int(known) - _LONG, 0), int(known) + 1)
        ]
        # What has been waited for some days comes later than what is overdue since yesterday.
        overdue = [np.maximum(late, 0.0) for late in (backlog[-1], np.min(backlog, axis=0))]
        state = np.column_stack([np.ones(len(left)), on_hand, on_order, *overdue])
        alike = np.zeros(len(state), dtype=int)
        seen[:, helps] = (_chance_below(state, lowest, alike) > worth)[:, None]
        # How trucks come that are long overdue is known from few: orders lean on what all scenarios tell, but how
        # often somebody will rush is told from those in which they are.
        like = np.sum([late > NOTHING for late in overdue], axis=0)
        rushed[:, helps.start] = _chance_below(state, lowest, like) > worth
    return seen, rushed


def _chance_below(state: np.ndarray, lowest: np.ndarray, like: np.ndarray) -> np.ndarray:
    """Return how likely the lowest stock is below nothing, as far as the state of each scenario tells it.

    What is told by least squares errs otherwise where trucks are overdue: of scenarios that are `like` it, where they
    are enough, each is told from its own.
    """
    chance = np.empty(len(state))
    for kind in np.unique(like):
        rows = like == kind
        known = rows if rows.sum() >= _ENOUGH else np.ones(len(state), dtype=bool)
        predicted = state @ np.linalg.lstsq(state[known], lowest[known], rcond=None)[0]
        missed = np.sort((lowest - predicted)[known])
        chance[rows] = np.searchsorted(missed, -predicted[rows], side="left") / len(missed)
    return chance


def _promised_by(
    one: Planned, promised: np.ndarray, ordered: list[np.ndarray], placed: int, day: int
) -> np.ndarray | float:
    """Return what should have come by a day, of open orders and of those that were placed, shape (scenarios,)."""
    due = promised[day]
    for source, each in zip(one.sources, ordered, strict=True):
        passed = np.count_nonzero(source.due[:placed] <= day)
        due = due + (each[:, passed - 1] if passed else 0.0)
    return due
