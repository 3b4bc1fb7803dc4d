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
    """Return the smallest of equally likely demands that covers a share of them: a newsvendor's, or of a base stock."""
    ranked = np.sort(wanted)
    rank = int(np.ceil(service * len(ranked) - 1e-9)) - 1
    return float(ranked[min(max(rank, 0), len(ranked) - 1)])


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

    A unit `held` until the next order and one `short` cost [currency / unit]; being short at all costs `started`, and
    no shortage more than `most` [currency]. Of levels whose cost the paths cannot tell apart by `sure` standard errors
    the lowest is taken: a few paths in which a truck is very late would else decide on it.
    """
    ranked = np.sort(wanted)
    count = len(ranked)
    least = min(max(int(np.ceil(service * count - 1e-9)) - 1, 0), count - 1)
    levels = ranked[least:]
    missing = ranked[None, :] - levels[:, None]
    cost = np.where(missing > 0, np.minimum(started + short * missing, most), held * -missing)
    best = int(np.argmin(cost.mean(axis=1)))
    dearer = cost[: best + 1] - cost[best]
    worse = dearer.mean(axis=1) > sure * dearer.std(axis=1) / np.sqrt(count) + 1e-12
    return float(levels[int(np.argmin(worse))])


def stock_paths(stock: float, use: np.ndarray, come: np.ndarray) -> np.ndarray:
    """Return stock at each day's end, shape (paths, days), where what could not be printed is not owed later.

    `come` is received before the use of its day; a shortage is negative on its day, and the next starts from nothing.
    """
    change = np.cumsum(come - use, axis=1) + stock
    # What was short so far has been given up: it is added back from then on.
    lost = np.maximum.accumulate(np.maximum(-change, 0.0), axis=1)
    before = np.concatenate([np.zeros((len(change), 1)), lost[:, :-1]], axis=1)
    return change + before


def unhelped_stock(stock: float, use: np.ndarray, come: np.ndarray, helped: np.ndarray | int) -> np.ndarray:
    """Return stock before each day's use if no order of the plan came, shape (..., days).

    What runs out before the day from which orders `helped` is not printed, and not owed to later days; from then on
    stock is below nothing by what they must have brought.
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
    """Return by how much more than expected will be on hand and on order, as known by some days.

    `expected` are receipts as promised: an order that is late by then is still on order. Of the days `when` the use
    before them is known; what is returned departs from the mean over paths.
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
    """Return what must have been ordered before each order, in all, so that it lasts until that one `arrives`.

    `worth` tells the level from equally likely demands and the service level. With `known` (:func:`known_by` the day on
    which each order is placed) so much less will be ordered then: only what may happen from there on is provided for.
    Beside the needs, shape (orders - 1,), stands what is short by path before any order of the plan can help.
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
