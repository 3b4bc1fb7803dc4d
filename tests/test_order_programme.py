"""The programme against a textbook and against trying everything out."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pressstats.orders.programme import Article, solve

NOWHERE = 1e12


def article(name: str, needs: list[float], **other: object) -> Article:
    orders = len(needs)
    told = {
        "supplier": "mill",
        "pack": 10.0,
        "load": 1000.0,
        "minimum": 0.0,
        "due": np.arange(orders) * 7,
        "free": np.full(orders, NOWHERE),
        "prices": [[(0.0, 1.0)]] * orders,
        "expedite": 1000.0,
    }
    return Article(name=name, needs=np.array(needs, dtype=float), **(told | other))


def test_wagner_whitin() -> None:
    # Snyder & Shen, Fundamentals of Supply Chain Theory, 2nd edition, example 3.9: fixed cost 500, holding 2 a unit and
    # period, demand 90, 120, 80, 70: orders 210, 0, 150, 0, cost 1380. A load that takes everything is the fixed cost.
    demand = np.array([90.0, 120.0, 80.0, 70.0])
    one = article("flour", list(np.cumsum(demand)), due=np.arange(4))
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
    one = article("sugar", [100.0 * n for n in range(1, 9)], prices=[tiers] * 8, due=due)
    found = solve([one], load_cost=8, holding_rate=0.3, end=int(cycle), gap=0.0)
    assert found.quantity[0].tolist() == [800] + 7 * [0]
    cost = 8 + 0.68 * 800 + 0.3 * 0.68 * 800 / 2 * cycle / year
    assert cost / cycle * year == pytest.approx(978.60)
    # Without the last break 400 are ordered, the quantity of the next.
    fewer = replace(one, prices=[tiers[:2]] * 8)
    found = solve([fewer], load_cost=8, holding_rate=0.3, end=int(cycle), gap=0.0)
    assert found.quantity[0].tolist() == [400, 0, 0, 0, 400, 0, 0, 0]


# --- everything tried out ----------------------------------------------------------------------


def cheapest(
    articles: list[Article], load_cost: float, rate: float, end: int, store: np.ndarray | None, filled: bool
) -> float:
    """Return the least cost over all whole packs that keep every rule; infinite where there is none."""
    orders = len(articles[0].needs)
    options = []
    for one in articles:
        lowest = min(price for tiers in one.prices for _, price in tiers)
        holds = max(np.floor(one.load / one.pack), 1)
        mine = []
        for packs in itertools.product(range(5), repeat=orders):
            quantity = np.array(packs) * one.pack
            total = np.cumsum(quantity)
            if (total < one.needs - 1e-9).any() or (total > one.free + 1e-9).any():
                continue
            if ((quantity > 0) & (quantity < one.minimum)).any():
                continue
            cost = 0.0
            for order, amount in enumerate(quantity):
                tiers = one.prices[order]
                # The holding cost is that of the price without breaks.
                first = [price for least, price in tiers if least <= max(one.minimum, one.pack)][-1]
                price = [price for least, price in tiers if least <= amount or least == 0][-1]
                held = first * rate * max(end - int(one.due[order]), 0) / 365.25
                cost += amount * (price - lowest + held)
            share = np.array(packs) / holds
            if filled:
                cost += load_cost * (np.ceil(one.needs[-1] / one.pack) / holds - share.sum())
            mine.append((cost, share, quantity * one.room))
        options.append(mine)
    best = np.inf
    for chosen in itertools.product(*options):
        room = np.cumsum(sum(item[2] for item in chosen))
        if store is not None and (room > store + 1e-9).any():
            continue
        loads = sum(
            np.ceil(
                sum(item[1] for item, one in zip(chosen, articles, strict=True) if one.supplier == supplier)
                - 1e-9
            ).sum()
            for supplier in {one.supplier for one in articles}
        )
        best = min(best, sum(item[0] for item in chosen) + load_cost * loads)
    return best


@pytest.mark.parametrize("filled", [False, True])
@pytest.mark.parametrize("seed", range(8))
def test_small_cases_against_trying_everything_out(seed: int, filled: bool) -> None:
    rng = np.random.default_rng(seed)
    orders, end = 3, 35
    articles = []
    for name in ("wide", "narrow"):
        pack = float(rng.integers(4, 9))
        needs = np.cumsum(rng.integers(0, 14, orders)).astype(float)
        needs = np.minimum(needs, 8 * pack)
        break_at = float(rng.integers(2, 4)) * pack
        one = article(
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
        articles.append(one)
    store = sum(one.needs for one in articles) + 30.0 if seed % 2 else None
    expected = cheapest(articles, 6.0, 0.8, end, store, filled)
    found = solve(
        articles, load_cost=6.0, holding_rate=0.8, end=end, store=store, gap=0.0, seconds=20.0, filled=filled
    )
    assert np.isfinite(expected)
    assert not found.expedited.any()
    assert found.cost == pytest.approx(expected, abs=1e-5)
    for one, quantity in zip(articles, found.quantity, strict=True):
        packs = quantity / one.pack
        assert packs == pytest.approx(np.round(packs))
        assert (np.cumsum(quantity) >= one.needs - 1e-9).all()
        assert (np.cumsum(quantity) <= one.free + 1e-9).all()
        assert ((quantity == 0) | (quantity >= one.minimum)).all()


# --- what else happens -------------------------------------------------------------------------


def test_nothing_needed_orders_nothing() -> None:
    found = solve([article("paper", [0, 0, 0])], load_cost=600, holding_rate=0.12, end=30)
    assert not found.quantity.any() and not found.loads["mill"].any() and not found.expedited.any()
    assert found.cost == pytest.approx(0)
    assert solve([], load_cost=600, holding_rate=0.12, end=30).quantity.shape[0] == 0


def test_a_pack_larger_than_a_load_has_a_load_of_its_own() -> None:
    one = article("drum", [25.0, 25.0], pack=10.0, load=7.0)
    found = solve([one], load_cost=5, holding_rate=0.12, end=20, gap=0.0)
    assert found.quantity.sum() == 30 and found.loads["mill"].sum() == 3


def test_a_full_store_is_told_as_what_must_come_by_other_means() -> None:
    # 100 are needed, and no more than 60 fit.
    one = article("paper", [0, 100, 100], free=np.array([60.0, 60.0, 60.0]), expedite=1000.0)
    found = solve([one], load_cost=5, holding_rate=0.12, end=30, gap=0.0)
    assert found.quantity[0].sum() + found.expedited.sum() == pytest.approx(100)
    # Nothing at all fits, and nothing is needed: nothing is bought.
    full = article("paper", [0, 0, 0], free=np.zeros(3))
    assert not solve([full], load_cost=5, holding_rate=0.12, end=30).quantity.any()


def test_materials_due_on_other_days_share_no_load() -> None:
    wide = article("wide", [10.0, 10.0])
    narrow = article("narrow", [10.0, 10.0])
    assert solve([wide, narrow], load_cost=5, holding_rate=0.12, end=30, gap=0.0).loads["mill"].sum() == 1
    later = replace(narrow, due=np.array([3, 10]))
    assert solve([wide, later], load_cost=5, holding_rate=0.12, end=30, gap=0.0).loads["mill"].sum() == 2


def test_suppliers_meet_in_the_newsprint_store() -> None:
    # Each alone would take all 60 at once, at one freight; 80 kg fit at first.
    wide = article("wide", [30.0, 60.0], supplier="A", room=1.0)
    narrow = article("narrow", [30.0, 60.0], supplier="B", room=1.0)
    free = solve([wide, narrow], load_cost=50, holding_rate=0.12, end=30, gap=0.0)
    assert free.quantity[:, 0].sum() == 120
    store = np.array([90.0, 200.0])
    tight = solve([wide, narrow], load_cost=50, holding_rate=0.12, end=30, store=store, gap=0.0)
    assert tight.quantity[:, 0].sum() == 90 and tight.quantity.sum() == 120


def test_loads_are_filled_only_where_holding_costs_less() -> None:
    # Three packs are needed and ten fit: filling spares seven tenths of 100, and holds 70 units for 10 days.
    one = article("paper", [30.0], load=100.0, due=np.array([0]))
    cheap = solve([one], load_cost=100, holding_rate=0.12, end=10, filled=True, gap=0.0)
    assert cheap.quantity.sum() > 30
    dear = solve([one], load_cost=100, holding_rate=60.0, end=10, filled=True, gap=0.0)
    assert dear.quantity.sum() == 30
    assert solve([one], load_cost=100, holding_rate=0.12, end=10, gap=0.0).quantity.sum() == 30
