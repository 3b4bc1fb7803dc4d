"""The programme against a textbook and against trying everything out.

Of the textbook's inventory problems those are checked that the programme solves: one fixed cost a load, holding,
prices by quantity, needs by period. Joint replenishment with a fixed cost for each item (Silver, Pyke and Peterson)
and order quantities with yield loss (Snyder & Shen, example 9.4) are none of them: a line on a load costs nothing by
itself, and what is ordered comes whole.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import pytest

from pressstats.orders.milp import Item, Limit, Offer, Orders, Share, solve

NOWHERE = 1e12


OFFERED = {field.name for field in fields(Offer)}


def item(name: str, needs: list[float], **other: object) -> Item:
    """Return a material that one supplier delivers."""
    orders = len(needs)
    said = {
        "free": np.full(orders, NOWHERE),
        "expedite": 1000.0,
    }
    said |= {key: value for key, value in other.items() if key not in OFFERED}
    mine = {key: value for key, value in other.items() if key in OFFERED}
    return Item(name=name, needs=np.array(needs, dtype=float), offers=(offer(orders, **mine),), **said)


def offer(orders: int, **other: object) -> Offer:
    said = {
        "supplier": "mill",
        "pack": 10.0,
        "load": 1000.0,
        "minimum": 0.0,
        "due": np.arange(orders) * 7,
        "prices": [[(0.0, 1.0)]] * orders,
    }
    return Offer(**(said | other))


def changed(one: Item, **other: object) -> Item:
    """Return a material with other terms of its first offer."""
    return replace(one, offers=(replace(one.offers[0], **other), *one.offers[1:]))


def test_economic_order_quantity() -> None:
    # Snyder & Shen, Fundamentals of Supply Chain Theory, 2nd edition, example 3.1 (stockpyl: example_3_1): fixed cost
    # 8, holding .225 a unit and year, demand 1300 a year: Q = 304.0467800, cost 68.4105255 a year. Reviews every fifth
    # day for two cycles; the cycle of 85.4 days is nearest to 17 reviews.
    year, step, reviews = 365.25, 5, 34
    daily = 1300 / year
    interval = round(304.0467800 / daily / step)
    needs = [daily * step * n for n in range(1, reviews + 1)]
    one = item("candy", needs, pack=daily * step, load=1e9, due=np.arange(reviews) * step)
    found = solve([one], load_cost=8, holding_rate=0.225, end=reviews * step, gap=0.0, nodes=100_000)
    assert np.flatnonzero(found.quantity[0]).tolist() == [0, interval]
    assert found.quantity[0][[0, interval]] == pytest.approx(
        304.0467800, rel=0.006
    )  # half a step of the grid
    # A unit counts as held to the end, whoever uses it then: what was used is not held from there on.
    years = reviews * step / year
    assert (found.cost - 0.225 * 1300 * years**2 / 2) / years == pytest.approx(68.4105255, abs=2e-3)


def test_wagner_whitin() -> None:
    # Snyder & Shen, Fundamentals of Supply Chain Theory, 2nd edition, example 3.9: fixed cost 500, holding 2 a unit and
    # period, demand 90, 120, 80, 70: orders 210, 0, 150, 0, cost 1380. A load that takes everything is the fixed cost.
    demand = np.array([90.0, 120.0, 80.0, 70.0])
    one = item("flour", list(np.cumsum(demand)), due=np.arange(4))
    found = solve([one], load_cost=500, holding_rate=2 * 365.25, end=4, gap=0.0)
    assert found.quantity[0].tolist() == [210, 0, 150, 0]
    # A unit counts as held to the end, whoever uses it then: what is used in a period is not held from there on.
    used = 2 * (demand * (4 - np.arange(4))).sum()
    assert found.cost - used == pytest.approx(1380)


def test_a_price_for_all_units_from_a_quantity_on() -> None:
    # Snyder & Shen, example 3.5: fixed cost 8, holding .3 of the price, demand 1300, breaks at 400 and 800: Q = 800,
    # cost 978.60 a year. One cycle of 800 in eight reviews of 100 each: all at once, and not 400 twice or less.
    year = 365.25
    cycle = 800 / 1300 * year
    tiers = [(0.0, 0.75), (400.0, 0.72), (800.0, 0.68)]
    due = np.round(np.arange(8) * cycle / 8).astype(int)
    one = item("sugar", [100.0 * n for n in range(1, 9)], prices=[tiers] * 8, due=due)
    found = solve([one], load_cost=8, holding_rate=0.3, end=int(cycle), gap=0.0)
    assert found.quantity[0].tolist() == [800] + 7 * [0]
    cost = 8 + 0.68 * 800 + 0.3 * 0.68 * 800 / 2 * cycle / year
    assert cost / cycle * year == pytest.approx(978.60)
    # Without the last break 400 are ordered, the quantity of the next.
    fewer = changed(one, prices=[tiers[:2]] * 8)
    found = solve([fewer], load_cost=8, holding_rate=0.3, end=int(cycle), gap=0.0)
    assert found.quantity[0].tolist() == [400, 0, 0, 0, 400, 0, 0, 0]


# --- everything tried out ----------------------------------------------------------------------


def line_cost(
    one: Item, packs: tuple[int, ...], load_cost: float, rate: float, end: int, filled: bool
) -> float:
    """Return what the orders of one item cost but for freight; infinite where they break a rule."""
    said = one.offers[0]
    quantity = np.array(packs) * one.pack
    total = np.cumsum(quantity)
    if (total > one.free + 1e-9).any() or ((quantity > 0) & (quantity < said.minimum)).any():
        return float(np.inf)
    lowest = min(price for tiers in said.prices for _, price in tiers)
    cost = 0.0
    # The holding cost is that of the lowest price of the least order, whenever a unit came.
    small = max(said.minimum, one.pack)
    first = min([price for least, price in tiers if least <= small][-1] for tiers in said.prices)
    for order, amount in enumerate(quantity):
        tiers = said.prices[order]
        price = [price for least, price in tiers if least <= amount or least == 0][-1]
        held = first * rate * max(end - int(said.due[order]), 0) / 365.25
        cost += amount * (price - lowest + held)
        if len(said.before) and np.isfinite(said.before[order]):
            cost += said.change_cost * abs(amount - said.before[order])
    wanted = np.ceil(one.needs / one.pack - 1e-9) * one.pack
    # What lacks at each need is priced anew: nobody brings it in the first week for the last.
    cost += one.expedite * float(np.maximum(wanted - total, 0.0).sum())
    if len(one.low):
        cost += one.low_cost * np.maximum(one.low - total, 0.0).sum()
    if len(one.high):
        cost += one.high_cost * np.maximum(total - np.maximum(one.high, wanted), 0.0).sum()
    holds = max(np.floor(said.load / one.pack), 1)
    return cost + (load_cost * (wanted[-1] - total[-1]) / one.pack / holds if filled else 0.0)


def cheapest(
    items: list[Item],
    load_cost: float,
    rate: float,
    end: int,
    store: np.ndarray | None,
    filled: bool,
    most: int = 6,
) -> float:
    """Return the least cost over all orders of up to `most` whole packs that keep every rule."""
    cost, room, shares = np.zeros(1), np.zeros((1, 1)), {}
    for one in items:
        options = list(itertools.product(range(most + 1), repeat=len(one.needs)))
        costs = np.array([line_cost(one, packs, load_cost, rate, end, filled) for packs in options])
        packs = np.array(options)[np.isfinite(costs)]
        costs = costs[np.isfinite(costs)]
        holds = max(np.floor(one.offers[0].load / one.pack), 1)
        # Every choice of the items before with every choice of this one.
        before, mine = (grid.ravel() for grid in np.indices((len(cost), len(costs))))
        cost = cost[before] + costs[mine]
        room = room[before] + np.cumsum(packs * one.pack * one.room, axis=1)[mine]
        shares = {supplier: share[before] for supplier, share in shares.items()}
        supplier = one.offers[0].supplier
        shares[supplier] = shares.get(supplier, 0.0) + (packs / holds)[mine]
    cost = cost + load_cost * sum(np.ceil(share - 1e-9).sum(axis=1) for share in shares.values())
    if store is not None:
        cost = cost[(room <= store + 1e-9).all(axis=1)]
    return float(cost.min())


def small_case(seed: int) -> tuple[list[Item], np.ndarray | None]:
    """Return two items with three orders, and the newsprint that may be added in all."""
    rng = np.random.default_rng(seed)
    orders = 3
    items = []
    for name in ("wide", "narrow"):
        pack = float(rng.integers(4, 9))
        needs = np.minimum(np.cumsum(rng.integers(0, 14, orders)).astype(float), 5 * pack)
        break_at = float(rng.integers(2, 4)) * pack
        one = item(
            name,
            list(needs),
            supplier="mill" if seed % 4 else name,
            pack=pack,
            load=float(rng.integers(2, 5)) * pack + 1,
            minimum=2 * pack if rng.random() < 0.4 else 0.0,
            free=np.maximum(needs + float(rng.integers(2, 4)) * pack, 3 * pack),
            prices=[
                [(0.0, 1.0), (break_at, 0.9)] if rng.random() < 0.5 else [(0.0, 1.0)] for _ in range(orders)
            ],
            room=1.0,
        )
        items.append(one)
    return items, sum(one.needs for one in items) + 30.0 if seed % 2 else None


def by_day(items: list[Item], store: np.ndarray | None) -> list[tuple[int, float]] | None:
    """Return the room as the programme takes it."""
    return None if store is None else [(int(day), kg) for day, kg in zip(items[0].due, store, strict=True)]


def kept(one: Item, quantity: np.ndarray, lacking: np.ndarray) -> None:
    """Assert that orders keep every rule that is not a price."""
    packs = quantity / one.pack
    assert packs == pytest.approx(np.round(packs))
    assert (np.cumsum(quantity) + lacking >= one.needs - 1e-6).all()
    assert (np.cumsum(quantity) <= one.free + 1e-9).all()
    assert ((quantity == 0) | (quantity >= one.offers[0].minimum)).all()


def exactly(items: list[Item], store: np.ndarray | None, filled: bool) -> Orders:
    """Return the programme's answer to a small case, proven to the end."""
    return solve(
        items,
        load_cost=6.0,
        holding_rate=0.8,
        end=35,
        store=by_day(items, store),
        gap=0.0,
        nodes=100_000,
        filled=filled,
    )


@pytest.mark.parametrize("filled", [False, True])
@pytest.mark.parametrize("seed", range(10))
def test_small_cases_against_trying_everything_out(seed: int, filled: bool) -> None:
    items, store = small_case(seed)
    expected = cheapest(items, 6.0, 0.8, 35, store, filled)
    found = exactly(items, store, filled)
    assert not found.lacking.any()
    assert found.cost == pytest.approx(expected, abs=1e-5)
    for one, quantity, lacking in zip(items, found.quantity, found.lacking, strict=True):
        kept(one, quantity, lacking)


@pytest.mark.parametrize("part", ["cover", "before", "tight", "all", "shared", "rising"])
@pytest.mark.parametrize("seed", [20, 21, 22, 23, 25, 26])
def test_what_may_be_asked_besides_against_trying_everything_out(seed: int, part: str) -> None:
    # Cover that is wanted, at a price; what the plan before said, at a price; too little room for what is needed, of
    # its own or of all; a price that rises again for the largest orders.
    items, store = small_case(seed)
    rng = np.random.default_rng(1000 + seed)
    asked = []
    for one in items:
        slack = rng.integers(0, 2 * one.pack, (2, 3)).astype(float)
        if part in ("cover", "all"):
            low = np.maximum.accumulate(one.needs + slack[0])
            high = np.maximum(one.needs - one.pack + slack[1], 0.0)
            one = replace(one, low=low, low_cost=0.06, high=high, high_cost=float(rng.choice([0.02, 0.2])))
        if part in ("before", "all"):
            before = rng.integers(0, 4, 3) * one.pack
            before[int(rng.integers(3))] = np.nan
            one = changed(one, before=before, change_cost=float(rng.choice([0.03, 0.4])))
        if part in ("tight", "all"):
            free = np.maximum(one.needs + rng.integers(-2, 2, 3) * one.pack, 0.0)
            one = replace(one, free=free, expedite=30.0)
        if part == "shared":
            one = replace(one, expedite=float(rng.choice([3.0, 30.0])))
        if part == "rising":
            at = np.sort(rng.choice([2.0, 3.0, 4.0], 2, replace=False)) * one.pack
            one = changed(one, prices=[[(0.0, 1.0), (at[0], 0.85), (at[1], 0.95)]] * 3)
        asked.append(one)
    if part == "shared":
        store = np.maximum(sum(one.needs for one in asked) + rng.integers(-20, 10, 3), 0.0)
    expected = cheapest(asked, 6.0, 0.8, 35, store, filled=True)
    found = exactly(asked, store, filled=True)
    assert found.cost == pytest.approx(expected, abs=1e-4)
    for one, quantity, lacking in zip(asked, found.quantity, found.lacking, strict=True):
        kept(one, quantity, lacking)


# --- what else happens -------------------------------------------------------------------------


def test_nothing_needed_orders_nothing() -> None:
    found = solve([item("paper", [0, 0, 0])], load_cost=600, holding_rate=0.12, end=30)
    assert not found.quantity.any()
    assert not found.loads["mill"].any()
    assert not found.lacking.any()
    assert found.cost == pytest.approx(0)
    assert solve([], load_cost=600, holding_rate=0.12, end=30).quantity.shape[0] == 0


def test_a_pack_larger_than_a_load_has_a_load_of_its_own() -> None:
    one = item("drum", [25.0, 25.0], pack=10.0, load=7.0)
    found = solve([one], load_cost=5, holding_rate=0.12, end=20, gap=0.0)
    assert found.quantity.sum() == 30
    assert found.loads["mill"].sum() == 3


def test_a_full_store_is_told_as_what_must_come_by_other_means() -> None:
    # 100 are needed, and no more than 60 fit.
    one = item("paper", [0, 100, 100], free=np.array([60.0, 60.0, 60.0]), expedite=1000.0)
    found = solve([one], load_cost=5, holding_rate=0.12, end=30, gap=0.0)
    assert found.quantity[0].sum() == 60
    assert found.lacking[0].tolist() == pytest.approx([0, 40, 40])
    # Nothing at all fits, and nothing is needed: nothing is bought.
    full = item("paper", [0, 0, 0], free=np.zeros(3))
    assert not solve([full], load_cost=5, holding_rate=0.12, end=30).quantity.any()


def test_what_comes_by_other_means_leaves_its_room_to_orders() -> None:
    # Five packs are needed and three ever fit: two lack in the end. Two packs are the least order, so that of the
    # first order nothing more is gained.
    one = item("paper", [20, 40, 50], free=np.array([20.0, 30.0, 30.0]), minimum=20.0)
    expected = cheapest([one], 6.0, 0.8, 35, None, filled=False)
    found = solve([one], load_cost=6.0, holding_rate=0.8, end=35, gap=0.0)
    assert found.lacking.max() == pytest.approx(30 if found.quantity.sum() < 30 else 20)
    assert found.cost == pytest.approx(expected)


def test_where_the_shared_store_lets_an_order_lack_the_next_one_catches_up() -> None:
    # 10, 40 and 50 are needed of the first, and 30 of all may be there by its second order: its third brings 40, which
    # a bound that takes its needs as met would forbid.
    wide = item("wide", [10.0, 40.0, 50.0], supplier="A", room=1.0, free=np.full(3, 60.0))
    narrow = item("narrow", [10.0, 20.0, 20.0], supplier="B", room=1.0, free=np.full(3, 60.0))
    store = np.array([20.0, 30.0, 100.0])
    found = exactly([wide, narrow], store, filled=False)
    assert found.cost == pytest.approx(cheapest([wide, narrow], 6.0, 0.8, 35, store, False), abs=1e-4)
    assert found.lacking[:, 2].tolist() == [0.0, 0.0]


def test_materials_due_on_other_days_share_no_load() -> None:
    wide = item("wide", [10.0, 10.0])
    narrow = item("narrow", [10.0, 10.0])
    assert solve([wide, narrow], load_cost=5, holding_rate=0.12, end=30, gap=0.0).loads["mill"].sum() == 1
    later = changed(narrow, due=np.array([3, 10]))
    assert solve([wide, later], load_cost=5, holding_rate=0.12, end=30, gap=0.0).loads["mill"].sum() == 2


def test_suppliers_meet_in_the_newsprint_store() -> None:
    # Each alone would take all 60 at once, at one freight; 80 kg fit at first.
    wide = item("wide", [30.0, 60.0], supplier="A", room=1.0)
    narrow = item("narrow", [30.0, 60.0], supplier="B", room=1.0)
    free = solve([wide, narrow], load_cost=50, holding_rate=0.12, end=30, gap=0.0)
    assert free.quantity[:, 0].sum() == 120
    store = [(0, 90.0), (7, 200.0)]
    tight = solve([wide, narrow], load_cost=50, holding_rate=0.12, end=30, store=store, gap=0.0)
    assert tight.quantity[:, 0].sum() == 90
    assert tight.quantity.sum() == 120


def test_loads_are_filled_only_where_holding_costs_less() -> None:
    # Three packs are needed and ten fit: filling spares seven tenths of 100, and holds 70 units for 10 days.
    one = item("paper", [30.0], load=100.0, due=np.array([0]))
    cheap = solve([one], load_cost=100, holding_rate=0.12, end=10, filled=True, gap=0.0)
    assert cheap.quantity.sum() > 30
    dear = solve([one], load_cost=100, holding_rate=60.0, end=10, filled=True, gap=0.0)
    assert dear.quantity.sum() == 30
    assert solve([one], load_cost=100, holding_rate=0.12, end=10, gap=0.0).quantity.sum() == 30


def test_cover_that_is_wanted_yields_to_what_is_dearer() -> None:
    # A pack of 10 in the first order costs 10 x 70 / 365.25 in holding, and 5 lack of the cover twice.
    one = item("paper", [0.0, 0.0], low=np.array([5.0, 5.0]), due=np.array([0, 7]))
    terms = {"load_cost": 0.0, "holding_rate": 1.0, "end": 70, "gap": 0.0}
    spared = 10 * 70 / 365.25 / (5 + 5)
    assert solve([replace(one, low_cost=1.05 * spared)], **terms).quantity.tolist() == [[10.0, 0.0]]
    assert not solve([replace(one, low_cost=0.85 * spared)], **terms).quantity.any()
    # What is more than wanted counts only beyond what is needed anyhow: it brings no order forward or back.
    needed = item("paper", [30.0, 30.0], high=np.array([10.0, 10.0]), high_cost=1.0, due=np.array([0, 7]))
    found = solve([needed], **terms)
    assert found.quantity.tolist() == [[30.0, 0.0]]
    assert found.cost == pytest.approx(30 * 70 / 365.25)


def test_the_plan_before_is_left_where_a_change_spares_less_than_it_costs() -> None:
    # Nothing is needed before the second order; the plan before said the first. Later spares 7 days' holding, and is
    # two changes of 20 units.
    one = item("paper", [0.0, 20.0], before=np.array([20.0, 0.0]), due=np.array([0, 7]))
    terms = {"load_cost": 0.0, "holding_rate": 1.0, "end": 70, "gap": 0.0}
    spared = 7 / 365.25 / 2
    assert solve([changed(one, change_cost=1.1 * spared)], **terms).quantity.tolist() == [[20.0, 0.0]]
    assert solve([changed(one, change_cost=0.9 * spared)], **terms).quantity.tolist() == [[0.0, 20.0]]
    # Where it said nothing, nothing is a change.
    silent = changed(one, before=np.array([np.nan, np.nan]), change_cost=100.0)
    assert solve([silent], **terms).quantity.tolist() == [[0.0, 20.0]]


@pytest.mark.parametrize("seed", range(4))
def test_its_own_orders_passed_as_the_plan_before_come_back(seed: int) -> None:
    items, store = small_case(seed)
    terms = {
        "load_cost": 6.0,
        "holding_rate": 0.8,
        "end": 35,
        "store": by_day(items, store),
        "gap": 0.0,
        "filled": True,
    }
    first = solve(items, **terms)
    told = zip(items, first.quantity, strict=True)
    again = solve([changed(one, before=quantity, change_cost=0.01) for one, quantity in told], **terms)
    assert again.quantity.tolist() == first.quantity.tolist()
    assert again.cost == pytest.approx(first.cost, abs=1e-6)


def test_solutions_that_are_kept_hold_for_the_same_needs_only() -> None:
    wide, narrow = item("wide", [30.0], supplier="A"), item("narrow", [30.0], supplier="B")
    kept_: dict = {}
    terms = {"load_cost": 50, "holding_rate": 0.12, "end": 30, "gap": 0.0, "solutions": kept_}
    first = solve([wide, narrow], **terms)
    more = replace(narrow, needs=np.array([50.0]))
    second = solve([wide, more], **terms)
    assert first.quantity.tolist() == [[30.0], [30.0]]
    assert second.quantity.tolist() == [[30.0], [50.0]]
    assert second.cost == pytest.approx(solve([wide, more], **(terms | {"solutions": None})).cost)
    assert len(kept_) == 3


# --- several suppliers ---------------------------------------------------------------------------


def cost_of_choices(one: Item, packs: np.ndarray, rate: float, end: int, load_cost: float) -> np.ndarray:
    """Return what orders of one material's suppliers cost, written out; infinite where they break a rule.

    `packs` has shape (choices, offers, orders).
    """
    lowest = min(price + each.premium for each in one.offers for tiers in each.prices for _, price in tiers)
    every = packs * np.array([each.pack for each in one.offers])[:, None]
    cost, coming = np.zeros(len(packs)), np.zeros((len(packs), len(one.needs)))
    refused = np.zeros(len(packs), dtype=bool)
    for number, each in enumerate(one.offers):
        quantity = every[:, number]
        closed = np.array([not each.takes(order) for order in range(len(one.needs))])
        refused |= ((quantity > 0) & ((quantity < each.minimum) | closed)).any(axis=1)
        small = max(each.minimum, each.pack)
        worth = min([price for least, price in tiers if least <= small][-1] for tiers in each.prices)
        for order, amount in enumerate(quantity.T):
            price = np.full(len(packs), each.prices[order][0][1])
            for least, lower in each.prices[order][1:]:
                price = np.where(amount >= least, lower, price)
            held = worth * rate * max(end - int(each.due[order]), 0) / 365.25
            cost += amount * (price + each.premium - lowest + held)
            # It counts from the first of the reference's days on which it is there.
            there = np.flatnonzero(one.offers[0].due >= each.due[order])
            if len(there):
                coming[:, there[0]] += amount
        same = [other.supplier == each.supplier for other in one.offers]
        for limit in each.limits:
            called = every[:, same][:, :, limit.orders].sum(axis=(1, 2))
            cost += limit.cost * (np.maximum(limit.least - called, 0) + np.maximum(called - limit.most, 0))
        for share in each.shares:
            due = np.array([other.due for other in one.offers])
            counted = np.where((share.since <= due) & (due <= share.until), every, 0.0)
            own = share.bought + counted[:, same].sum(axis=(1, 2))
            whole = share.bought_of_all + counted.sum(axis=(1, 2))
            outside = np.maximum(share.least * whole - own, 0) + np.maximum(own - share.most * whole, 0)
            cost += share.cost * outside
        holds = max(np.floor(each.load / each.pack), 1)
        cost += load_cost * np.ceil(packs[:, number] / holds).sum(axis=1)
    total = np.cumsum(coming, axis=1)
    refused |= (total > one.free + 1e-9).any(axis=1)
    alike = len({each.pack for each in one.offers}) == 1
    wanted = np.ceil(one.needs / one.pack - 1e-9) * one.pack if alike else one.needs
    cost += one.expedite * np.maximum(wanted - total, 0.0).sum(axis=1)
    return np.where(refused, np.inf, cost)


def two_suppliers(seed: int) -> Item:
    """Return a material that two mills deliver with different packs, prices, lead times, contracts and shares."""
    rng = np.random.default_rng(seed)
    orders, pack = 3, float(rng.integers(4, 9))
    needs = np.minimum(np.cumsum(rng.integers(0, 14, orders)).astype(float), 4 * pack)
    offers = []
    for mill, days in (("A", 0), ("B", int(rng.choice([0, 3, 7])))):
        own = pack if mill == "A" or seed % 3 else pack - 1
        price = float(rng.choice([1.0, 1.1, 1.3]))
        limit = Limit(
            np.array([True, True, bool(seed % 2)]),
            float(rng.integers(0, 3)) * pack,
            float(rng.integers(3, 5)) * pack,
            float(rng.choice([0.05, 0.5])),
        )
        share = Share(float(rng.choice([0.0, 0.4])), 0.7, float(rng.integers(0, 20)), 30.0, 0.3)
        offers.append(
            offer(
                orders,
                supplier=mill,
                pack=own,
                load=float(rng.integers(2, 5)) * own + 1,
                minimum=2 * own if rng.random() < 0.3 else 0.0,
                due=np.arange(orders) * 7 + days,
                prices=[[(0.0, price), (2.0 * own, price - 0.08)] if rng.random() < 0.5 else [(0.0, price)]]
                * orders,
                premium=float(rng.choice([0.0, 0.05])),
                limits=(limit,) if rng.random() < 0.6 else (),
                shares=(share,) if rng.random() < 0.6 else (),
            )
        )
    free = np.maximum(needs + 3 * pack, 4 * pack)
    return Item("wide", tuple(offers), needs, free, expedite=20.0)


def two_years(seed: int) -> Item:
    """Return a material of two mills whose year ends after the first order or two, its contracts and shares with it.

    Of the second mill packs change with the year, so that it has an offer before and one after, each for its own days.
    """
    rng = np.random.default_rng(500 + seed)
    one = two_suppliers(seed)
    turn = 1 + seed % 2
    first, second = np.arange(3) < turn, np.arange(3) >= turn
    offers = []
    for each in one.offers:
        ends = float(each.due[turn]) - 1
        pack = one.offers[0].pack
        limits = tuple(
            Limit(orders, float(rng.integers(0, 3)) * pack, float(rng.integers(3, 5)) * pack, cost)
            for orders, cost in ((first, 0.5), (second, float(rng.choice([0.02, 0.5]))))
        )
        shares = (
            Share(float(rng.choice([0.0, 0.3])), 0.8, float(rng.integers(0, 20)), 30.0, 0.3, until=ends),
            Share(0.2, float(rng.choice([0.4, 0.7])), 0.0, float(rng.integers(0, 9)), 0.3, since=ends + 1),
        )
        offers.append(replace(each, limits=limits, shares=shares))
    before, mine = offers
    after = replace(mine, pack=mine.pack + 1, load=2 * mine.pack + 3, limits=(), shares=(), closed=first)
    return replace(one, offers=(before, replace(mine, closed=second), after))


@pytest.mark.parametrize("seed", range(14))
@pytest.mark.parametrize("case", [two_suppliers, two_years])
def test_two_suppliers_against_trying_everything_out(case: Callable[[int], Item], seed: int) -> None:
    one = case(seed)
    choices = np.array(list(itertools.product(range(5), repeat=6))).reshape(-1, 2, 3)
    # Of a supplier whose offers change, each order is of the one that can be placed then.
    takes = np.array([[each.takes(order) for order in range(3)] for each in one.offers])
    choices = choices[:, [0] + [1] * (len(one.offers) - 1)] * takes
    expected = cost_of_choices(one, choices, 0.8, 35, 6.0).min()
    found = solve([one], load_cost=6.0, holding_rate=0.8, end=35, gap=0.0, nodes=100_000)
    packs = np.array([row / each.pack for row, each in zip(found.quantity, one.offers, strict=True)])
    assert packs == pytest.approx(np.round(packs))
    assert cost_of_choices(one, np.round(packs)[None], 0.8, 35, 6.0)[0] == pytest.approx(found.cost, abs=1e-4)
    assert found.cost == pytest.approx(expected, abs=1e-4)


def test_price_breaks_of_a_whole_order_add_up_what_is_ordered_of_a_supplier() -> None:
    # 30 and 30 are needed: from 60 on a unit costs .2 less, which neither reaches alone.
    tiers = [[(0.0, 1.0), (60.0, 0.8)]] * 2
    pair = [
        item(name, [30.0, 30.0], prices=tiers, unit="kg", free=np.full(2, 30.0))
        for name in ("wide", "narrow")
    ]
    terms = {"load_cost": 0.0, "holding_rate": 0.0, "end": 30, "gap": 0.0}
    # Prices count from the lowest: 60 units at .2 more, or none.
    assert solve(pair, **terms).cost == pytest.approx(60 * 0.2)
    assert solve(pair, whole_order=True, **terms).cost == pytest.approx(0.0)
    # Kilograms and pieces add up to nothing.
    apart = [pair[0], replace(pair[1], unit="each")]
    assert solve(apart, whole_order=True, **terms).cost == pytest.approx(60 * 0.2)


def test_the_cheaper_supplier_has_what_its_share_allows() -> None:
    needs = list(np.arange(1, 9) * 100.0)
    cheap = offer(8, supplier="A", prices=[[(0.0, 1.0)]] * 8, shares=(Share(0.0, 0.6, 0.0, 0.0, 5.0),))
    dear = offer(8, supplier="B", prices=[[(0.0, 1.1)]] * 8)
    one = replace(item("paper", needs), offers=(cheap, dear))
    found = solve([one], load_cost=0.0, holding_rate=0.12, end=60, gap=0.0)
    assert found.quantity[0].sum() == pytest.approx(480)
    assert found.quantity.sum() == pytest.approx(800)
    # What a unit costs beyond its price turns the choice.
    poor = replace(one, offers=(replace(cheap, shares=(), premium=0.2), dear))
    assert solve([poor], load_cost=0.0, holding_rate=0.12, end=60, gap=0.0).quantity[0].sum() == 0


@pytest.mark.parametrize(("count", "orders"), [(12, 6), (6, 13)])
def test_many_materials_are_searched_review_by_review_and_close_to_the_least_cost(
    count: int, orders: int
) -> None:
    # Twelve materials of two mills are more than is searched at once, and six for longer more than is searched widely;
    # each alone is proven.
    rng = np.random.default_rng(3)
    many = []
    for number in range(count):
        needs = np.cumsum(rng.integers(20, 60, orders)).astype(float)
        offers = tuple(
            offer(orders, supplier=mill, load=100.0, prices=[[(0.0, float(rng.uniform(1.0, 1.1)))]] * orders)
            for mill in ("A", "B")
        )
        many.append(replace(item(f"paper {number}", list(needs)), offers=offers))
    terms = {"load_cost": 3.0, "holding_rate": 0.5, "end": 7 * orders}
    found = solve(many, **terms)
    assert found.lacking.max() == 0
    assert found.gap < 0.1
    assert found.cost < 1.1 * sum(solve([one], gap=0.01, **terms).cost for one in many)
