"""The programme: how many packs of what to order when, on how many loads, so that needs are met at least cost.

Whole packs, whole loads that materials of one supplier share, order minimums, storage of each
material and of all newsprint, prices by date and by quantity, holding cost: a mixed-integer
linear programme, solved by HiGHS through SciPy.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

import numpy as np

from .material_rules import OrderModel
from .offered import Costs, Item, Limit, Offer, Orders, Share, offer_rows

__all__ = ["Item", "Limit", "Offer", "Orders", "Share", "solve"]

#: Proven distance to the least cost above which a plan is poor.
_POOR = 0.1
#: Part of its cost by which another plan must be cheaper than the one that was told, and the next reviews that stand
#: by themselves where the whole does not.
_STANDS, _NEAR = 0.005, 4
#: Most time for one search [s]: far beyond what the nodes take, so that a plan comes in the end whatever the case.
_SECONDS = 120.0
#: Orders of suppliers that hang together from which they are searched review by review, with so many nodes and so close
#: to the least cost each: ten materials of three suppliers are then planned in seconds, closer to the least cost than a
#: search of all at once comes in minutes (`bench_orders.py speed`).
_LARGE, _NODES_EACH, _GAP_EACH = 100, 1, 0.005
#: Orders from which each review is searched narrowly, so close to the least cost, with so many reviews after it open:
#: in less than half the time, a few thousandths of the cost further from the least (`bench_orders.py programme`).
_VAST, _GAP_NARROW, _OPEN = 150, 0.001, 2


def solve(  # noqa: PLR0913 -- the problem, and how far it is searched
    items: Sequence[Item],
    *,
    load_cost: float,
    holding_rate: float,
    end: int,
    store: Sequence[tuple[int, float]] | None = None,
    nodes: int = 400,
    gap: float = 0.03,
    filled: bool = False,
    whole_order: bool = False,
    solutions: dict[tuple, Orders] | None = None,
) -> Orders:
    """Return the orders that cost least.

    Parameters
    ----------
    items : sequence of Item
        The materials, all with equally many orders.
    load_cost : float
        Freight of one load [currency].
    holding_rate : float
        Holding cost, as a share of the value a year.
    end : int
        Day up to which holding is counted.
    store : sequence of (int, float), optional
        Days, and the newsprint that may have been added in all by then [kg]; no limit without it.
    nodes : int
        Nodes of the search after which the best plan found is taken, ten times as many where it is poor. A limit of
        time would make the plan depend on what else the machine does.
    gap : float
        Proven distance to the least cost that is good enough, as a share of it.
    filled : bool
        Whether plans follow on this one: what is bought beyond the last need then spares freight to come, a full
        load's freight for a full load, and a load is filled as far as holding costs less. Without it nothing comes
        after.
    whole_order : bool
        Whether price breaks are held against all that is ordered of a supplier on a day, in one unit, instead of each
        material.
    solutions : dict, optional
        Where solutions are kept, supplier by supplier, between calls that differ in their needs only.

    Returns
    -------
    Orders
        Quantities, loads and what lacks.

    Raises
    ------
    RuntimeError
        If no plan was found; any need may lack, so that is a fault.
    """
    # Suppliers meet in materials that several deliver and in the newsprint store: those that share no material are
    # solved for themselves, and all together if the store is too small.
    groups = _groups(items)
    own = [[items[place] for place in members] for members in groups]
    keys = [tuple((one.name, one.needs.tobytes()) for one in each) for each in own]
    kept = {} if solutions is None else solutions
    # The longest search first: the others fit in beside it.
    asked = sorted(
        (number for number, key in enumerate(keys) if key not in kept),
        key=lambda number: -len(own[number]),
    )

    gaps = _gaps(own, gap)
    costs = Costs(load_cost, holding_rate, end, filled, whole_order)

    def found_for(number: int) -> Orders:
        return _solved(own[number], costs, None, nodes, gaps[number])

    # The search leaves Python's lock: suppliers are searched beside each other.
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as workers:
        for number, orders in zip(asked, workers.map(found_for, asked), strict=True):
            kept[keys[number]] = orders
    parts = [(members, kept[key]) for members, key in zip(groups, keys, strict=True)]
    found = _together(items, parts)
    if store is None or not len(items) or _in_store(items, found, store):
        return found
    return _solved(items, costs, store, nodes, gap)


def _groups(items: Sequence[Item]) -> list[list[int]]:
    """Return the places of materials whose suppliers hang together, since one delivers several or several one."""
    groups: list[tuple[set[str], list[int]]] = []
    for place, item in enumerate(items):
        suppliers = {offer.supplier for offer in item.offers}
        joining = [group for group in groups if group[0] & suppliers]
        joined = (
            suppliers.union(*(group[0] for group in joining)),
            sorted([*(other for group in joining for other in group[1]), place]),
        )
        if joining:
            groups[groups.index(joining[0])] = joined
            groups = [group for group in groups if group not in joining[1:]]
        else:
            groups.append(joined)
    return [places for _, places in groups]


def _gaps(own: Sequence[Sequence[Item]], gap: float) -> np.ndarray:
    """Return how close to the least cost each supplier's plan must be proven: closer where most of the cost is."""
    loads = np.array(
        [
            sum(float(np.max(one.needs, initial=0.0)) / max(one.offers[0].load, one.pack) for one in members)
            for members in own
        ]
    )
    mean = float(loads.mean()) if loads.any() else 1.0
    return np.asarray(gap * np.clip(mean / np.maximum(loads, 1e-9), 2 / 3, 4 / 3))


def _solved(
    items: Sequence[Item],
    costs: Costs,
    store: Sequence[tuple[int, float]] | None,
    nodes: int,
    gap: float,
) -> Orders:
    orders = sum(len(one.offers) for one in items) * len(items[0].needs) if len(items) else 0
    large = orders > _LARGE
    build = OrderModel(items, costs, store, spells=not large)

    whole, rules = build.whole, build.constraints()

    def searched(lower: np.ndarray, upper: np.ndarray, limit: int, good_enough: float) -> Any:
        part = partial(_search, build.cost, rules, limit=limit, gap=good_enough)
        if large:
            return _order_by_order(build, lower, upper, part, orders > _VAST)
        return part(whole >= 0, lower, upper)

    for limit, good_enough in ((nodes, gap), (10 * nodes, max(gap, _POOR))):
        found = searched(build.lower, build.upper, limit, good_enough)
        # Searched order by order, it would be searched in the same way again.
        if large or (found.x is not None and (found.mip_gap or 0.0) <= _POOR):
            break
    for reviews in (build.orders, _NEAR):
        bounds = build.as_before(reviews)
        kept = None if bounds is None else searched(*bounds, nodes, gap)
        # Within the gap the search may take any plan: the one that was told stands unless another costs clearly less,
        # and where it does, its next reviews if they can.
        if kept is None or kept.x is None:
            continue
        if found.x is None or kept.fun <= found.fun + _STANDS * abs(found.fun):
            bound = found.mip_dual_bound if found.x is not None else kept.mip_dual_bound
            missed = (kept.fun - bound) / max(abs(kept.fun), 1e-9)
            return build.read(kept.x, float(kept.fun), max(float(missed), 0.0))
    if found.x is None:
        raise RuntimeError(f"no order plan was found: {found.message}")
    return build.read(found.x, float(found.fun), float(found.mip_gap or 0.0))


def _search(
    cost: np.ndarray,
    rules: object,
    integral: np.ndarray,
    lower: np.ndarray,
    upper: np.ndarray,
    limit: int,
    gap: float,
) -> Any:
    from scipy import optimize

    return optimize.milp(
        cost,
        constraints=rules,
        integrality=integral.astype(int),
        bounds=optimize.Bounds(lower, upper),
        options={"node_limit": limit, "time_limit": _SECONDS, "mip_rel_gap": gap},
    )


def _order_by_order(
    build: OrderModel, lower: np.ndarray, upper: np.ndarray, search: Callable[..., Any], narrow: bool
) -> Any:
    """Search one review's orders after the other: those before stay as found, those after need not be whole yet.

    What the first of these searches proves no plan can better, so that the distance to it is known of the plan
    (relax-and-fix: Pochet and Wolsey, Production Planning by Mixed Integer Programming, chapter 3; from memory). Where
    it is `narrow`, a review's search follows that of orders which need not be whole at all: what these leave out is
    left out, and later reviews but the next are theirs.
    """
    whole, lower, upper, bound = build.whole, lower.copy(), upper.copy(), -np.inf
    found: Any = None
    for order in range(int(whole.max()) + 1):
        now, relaxed = whole == order, None
        least, most, gap = lower, upper, _GAP_EACH
        if narrow:
            relaxed = search(whole < -1, lower, upper, limit=_NODES_EACH, gap=0.0)
            least, most, gap = *_narrowed(build, order, relaxed.x, lower, upper), _GAP_NARROW
        found = search(now, least, most, limit=_NODES_EACH, gap=gap)
        if found.x is None:
            return found
        if order == 0:
            bound = float(found.mip_dual_bound if relaxed is None else relaxed.fun)
        lower[now] = upper[now] = np.round(found.x[now])
    found.mip_dual_bound = bound
    found.mip_gap = max(float(found.fun - bound), 0.0) / max(abs(float(found.fun)), 1e-9)
    return found


def _narrowed(
    build: OrderModel, order: int, x: np.ndarray | None, lower: np.ndarray, upper: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return bounds near `x` for the search of one review: what orders nothing there, and what comes long after it."""
    if x is None:
        return lower, upper
    least, most = lower.copy(), upper.copy()
    far = build.whole > order + _OPEN
    least[far] = most[far] = np.clip(x, lower, upper)[far]
    packs, made = build.packs[:, order], build.made[:, order]
    none = (x[packs] <= 1e-6) & (lower[packs] <= 0)
    most[packs[none]] = 0.0
    most[made[none & (made >= 0)]] = 0.0
    return least, most


def _together(items: Sequence[Item], parts: Sequence[tuple[list[int], Orders]]) -> Orders:
    orders = len(items[0].needs) if items else 0
    rows = offer_rows(items)
    quantity = np.zeros((rows[-1].stop if rows else 0, orders))
    lacking = np.zeros((len(items), orders))
    loads: dict[str, np.ndarray] = {}
    for members, part in parts:
        quantity[[row for place in members for row in range(rows[place].start, rows[place].stop)]] = (
            part.quantity
        )
        lacking[members] = part.lacking
        loads |= part.loads
    cost = sum(part.cost for _, part in parts)
    missed = sum(part.gap * part.cost for _, part in parts)
    return Orders(quantity, loads, lacking, cost, missed / cost if cost > 0 else 0.0)


def _in_store(items: Sequence[Item], orders: Orders, store: Sequence[tuple[int, float]]) -> bool:
    """Say whether the newsprint ordered fits on all days."""
    rows = offer_rows(items)
    for day, room in store:
        added = sum(
            one.room * float(orders.quantity[row][np.asarray(offer.due) <= day].sum())
            for one, own_rows in zip(items, rows, strict=True)
            for row, offer in enumerate(one.offers, own_rows.start)
        )
        if added > room + 1e-6:
            return False
    return True
