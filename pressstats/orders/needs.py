"""How much must have come, and by when, so that the service level holds: from joint paths of use and lateness.

An order protects from its own arrival until the next one's. So what was ordered before must last until the
next order has come, late as it may be, in all but so many weeks of so many. What will be known when a later order is
placed is no risk to it: it will be larger or smaller by that.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["known_by", "level_needed", "level_worth", "needs_by_order", "stock_paths", "unhelped_stock"]


def level_needed(wanted: np.ndarray, service: float) -> float:
    """Return the level that demand exceeds at most that rarely.

    Parameters
    ----------
    wanted : ndarray, shape (paths,)
        Equally likely demands.
    service : float
        Least share of paths that must be covered: of a newsvendor the critical ratio, of a base stock
        the share of periods without a stock-out.

    Returns
    -------
    float
        The smallest drawn demand that covers the share.
    """
    ranked = np.sort(wanted)
    place = int(np.ceil(service * len(ranked) - 1e-9)) - 1
    return float(ranked[min(max(place, 0), len(ranked) - 1)])


def level_worth(
    wanted: np.ndarray,
    service: float,
    held: float,
    short: float,
    started: float = 0.0,
    most: float = np.inf,
    sure: float = 0.0,
) -> float:
    """Return the level that costs least in holding and shortage, and not less than the service level asks.

    Parameters
    ----------
    wanted : ndarray, shape (paths,)
        Equally likely demands.
    service : float
        Least share of paths that must be covered.
    held : float
        Cost of a unit that is left when the next order comes [currency / unit].
    short, started : float
        Cost of a unit that is short, and of being short at all [currency / unit, currency].
    most : float
        Most that a shortage costs, however large [currency].
    sure : float
        Standard errors by which the paths must tell the cost of a lower level from the least: of levels that they
        cannot tell apart the lowest is taken. A few paths in which a truck is very late would else decide on it.

    Returns
    -------
    float
        One of the drawn demands: beyond them the paths know nothing. With service 0, nothing for `started` and no
        `most` it is the newsvendor's level, the quantile short / (short + held).
    """
    ranked = np.sort(wanted)
    count = len(ranked)
    least = min(max(int(np.ceil(service * count - 1e-9)) - 1, 0), count - 1)
    levels = ranked[least:]
    missing = ranked[None, :] - levels[:, None]
    cost = np.where(missing > 0, np.minimum(started + short * missing, most), held * -missing)
    best = int(np.argmin(cost.mean(axis=1)))
    dearer = cost[: best + 1] - cost[best]
    told = dearer.mean(axis=1) > sure * dearer.std(axis=1) / np.sqrt(count) + 1e-12
    return float(levels[int(np.argmin(told))])


def stock_paths(stock: float, use: np.ndarray, come: np.ndarray) -> np.ndarray:
    """Return stock by day where what could not be printed is not owed later.

    Parameters
    ----------
    stock : float
        Stock before the first day.
    use, come : ndarray, shape (paths, days)
        Use of each day, and what is received before it.

    Returns
    -------
    ndarray, shape (paths, days)
        Stock at each day's end; a shortage is negative on its day, and the next day starts from nothing.
    """
    change = np.cumsum(come - use, axis=1) + stock
    # What was short so far has been given up: it is added back from then on.
    lost = np.maximum.accumulate(np.maximum(-change, 0.0), axis=1)
    before = np.concatenate([np.zeros((len(change), 1)), lost[:, :-1]], axis=1)
    return change + before


def unhelped_stock(stock: float, use: np.ndarray, come: np.ndarray, helped: np.ndarray | int) -> np.ndarray:
    """Return what would be on hand before each day's use if no order of the plan came.

    Parameters
    ----------
    stock : float
        Stock before the first day.
    use, come : ndarray, shape (..., days)
        Use of each day, and what is received before it.
    helped : ndarray of int, shape (...), or int
        Day from which on orders of the plan help: what runs out before is not printed, and not owed to later days;
        from then on it is below nothing by what they must have brought.

    Returns
    -------
    ndarray, shape (..., days)
        Stock before each day's use.
    """
    left = stock + np.cumsum(come - use, axis=-1)
    alone = np.arange(use.shape[-1]) < np.asarray(helped)[..., None]
    lost = np.maximum.accumulate(np.where(alone, np.maximum(-left, 0.0), 0.0), axis=-1)
    level = left + use
    level[..., 1:] += lost[..., :-1]
    return np.asarray(level)


def known_by(
    stock: float,
    use: np.ndarray,
    come: np.ndarray,
    expected: np.ndarray,
    helped: np.ndarray,
    when: np.ndarray,
) -> np.ndarray:
    """Return by how much more will be on hand and on order than now expected, as far as it is known by some days.

    Parameters
    ----------
    stock : float
        Stock before the first day.
    use, come : ndarray, shape (paths, days)
        Use of each day, and receipts of open orders before it.
    expected : ndarray, shape (days,)
        Receipts as they are promised: an order that is late by then is still on order.
    helped : ndarray of int, shape (paths,)
        As in :func:`unhelped_stock`.
    when : ndarray of int, shape (orders,)
        Days, of which the use before them is known.

    Returns
    -------
    ndarray, shape (paths, orders)
        Departures from the mean over paths.
    """
    days = int(np.max(when)) + 1
    use, come = use[:, :days], come[:, :days]
    overdue = np.cumsum(expected[:days] - come, axis=1)[:, when]
    known = unhelped_stock(stock, use, come, helped)[:, when] + overdue
    return np.asarray(known - known.mean(axis=0))


def needs_by_order(
    stock: float,
    use: np.ndarray,
    come: np.ndarray,
    arrives: np.ndarray,
    service: float,
    worth: Callable[[np.ndarray, float], float] = level_needed,
    known: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Return how much must have been ordered before each order, in all, so that it lasts until that one comes.

    Parameters
    ----------
    stock : float
        Stock before the first day.
    use, come : ndarray, shape (paths, days)
        Use of each day, and receipts of open orders before it.
    arrives : ndarray of int, shape (paths, orders)
        Day on which each order would come, the last being one beyond the plan.
    service : float
        Least share of paths without a stock-out between two orders.
    worth : callable
        What tells the level from equally likely demands and `service`; by default the service level decides alone.
    known : ndarray, shape (paths, orders - 1), optional
        Result of :func:`known_by` for the day on which each order is placed: by so much less will be ordered then, so
        that only what may happen from there on must be provided for. Without it nothing is learned on the way.

    Returns
    -------
    needs : ndarray, shape (orders - 1,)
        Quantity that the first n orders must add up to, for n from 1; with `known`, in the mean.
    before : ndarray, shape (paths,)
        How much was short in all before the first order can have come: no order of the plan can help that.
    """
    days = use.shape[1]
    reach = np.clip(arrives, 0, days)
    level = stock_paths(stock, use, come)
    first = reach[:, 0]
    paths = np.arange(len(use))
    day = np.arange(days)
    shortage = np.where(day < first[:, None], np.maximum(-level, 0.0), 0.0)
    before = shortage.sum(axis=1)
    # From the first arrival on: what is left then, less what is used, plus what still comes.
    start = np.where(first > 0, np.maximum(level[paths, np.maximum(first - 1, 0)], 0.0), stock)
    net = np.cumsum(use - come, axis=1)
    since = net - np.where(first > 0, net[paths, np.maximum(first - 1, 0)], 0.0)[:, None]
    gap = since - start[:, None]
    needs = np.empty(arrives.shape[1] - 1)
    for order in range(1, arrives.shape[1]):
        begins = reach[:, order - 1, None]
        ends = np.maximum(reach[:, order], reach[:, order - 1] + 1)[:, None]
        part = slice(int(begins.min()), int(ends.max()))
        window = (day[part] >= begins) & (day[part] < ends)
        wanted = np.where(window, gap[:, part], -np.inf).max(axis=1, initial=-np.inf)
        learned = wanted if known is None else wanted + known[:, order - 1]
        needs[order - 1] = worth(np.where(np.isfinite(wanted), learned, 0.0), service)
    return np.maximum.accumulate(np.maximum(needs, 0.0)), before
