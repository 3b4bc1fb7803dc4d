"""The programme in variables and rules, numbered as they are made: what HiGHS is given, and what its answer means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

__all__ = ["Article", "Builder", "Orders"]

_DAYS_A_YEAR = 365.25
#: Cost of a pack that finds no room, as times that of one that lacks: orders never take such room.
_SPILLED = 100.0
#: Decimals of costs and bounds. Their last digits depend on the order in which a machine sums up, and within its gap
#: the search may take another plan for them.
_DIGITS = 6


@dataclass(frozen=True)
class Article:
    """A material as the programme sees it.

    Attributes
    ----------
    name, supplier : str
        The material; materials of one supplier that are due on the same days share loads.
    pack, load : float
        Quantity of a pack and of a full load [unit of the material].
    minimum : float
        Least quantity of an order.
    needs : ndarray, shape (orders,)
        Quantity that the first n orders must add up to.
    due : ndarray of int, shape (orders,)
        Day on which each order is promised.
    free : ndarray, shape (orders,)
        Most that the first n orders may add up to when the n-th comes, by the material's storage.
    capacity : float
        Most that is ever in the store [unit of the material].
    prices : list of list of (float, float)
        For each order the price breaks, as (from quantity, price of every unit) in rising order.
    expedite : float
        Cost of a unit that lacks until the next order has come [currency / unit].
    low, high : ndarray, shape (orders,)
        Quantities that the first n orders should add up to at least, and at most, for the cover that is wanted; empty
        where nothing is.
    low_cost, high_cost : float
        Cost of a unit less than `low` or more than `high`, each time [currency / unit].
    before : ndarray, shape (orders,)
        What the plan before ordered, NaN where it said nothing; empty without one. A unit more or less costs
        `change_cost` [currency / unit].
    change_cost : float
        See `before`.
    room : float
        What a unit takes of the newsprint store [kg]; 0 for anything else.
    """

    name: str
    supplier: str
    pack: float
    load: float
    minimum: float
    needs: np.ndarray
    due: np.ndarray
    free: np.ndarray
    prices: list[list[tuple[float, float]]]
    expedite: float
    low: np.ndarray = field(default_factory=lambda: np.zeros(0))
    high: np.ndarray = field(default_factory=lambda: np.zeros(0))
    low_cost: float = 0.0
    high_cost: float = 0.0
    capacity: float = np.inf
    before: np.ndarray = field(default_factory=lambda: np.zeros(0))
    change_cost: float = 0.0
    room: float = 0.0


@dataclass(frozen=True)
class Orders:
    """What the programme says.

    Attributes
    ----------
    quantity : ndarray, shape (articles, orders)
        Quantities [unit of the material].
    loads : dict of ndarray, shape (orders,)
        Loads of each supplier.
    lacking : ndarray, shape (articles, orders)
        Quantity by which the first n orders fall short of what is needed until the next one has come.
    cost : float
        Freight, holding and purchase at the prices given [currency], expediting included.
    gap : float
        Proven distance to the least cost, as a share of it.
    """

    quantity: np.ndarray
    loads: dict[str, np.ndarray]
    lacking: np.ndarray
    cost: float
    gap: float


def _packs_a_load(article: Article) -> float:
    """Return how many whole packs a load holds; a pack larger than a load has one of its own."""
    return float(max(np.floor(article.load / article.pack + 1e-9), 1.0))


def _whole_packs(quantity: np.ndarray, pack: float) -> np.ndarray:
    return np.asarray(np.ceil(np.maximum(quantity, 0.0) / pack - 1e-6))


class Builder:
    """Variables and rules of the programme, numbered as they are made."""

    def __init__(
        self,
        articles: Sequence[Article],
        load_cost: float,
        holding_rate: float,
        end: int,
        store: Sequence[tuple[int, float]] | None,
        filled: bool = False,
    ) -> None:
        self.articles = articles
        self.orders = len(articles[0].needs) if articles else 0
        # What a full load spares of freights to come; that of what is needed anyhow is taken back in the end, so
        # that the cost is freight as it is paid, but for what is bought ahead.
        self.spared = load_cost if filled else 0.0
        self._cost: list[float] = []
        self._upper: list[float] = []
        self._integral: list[int] = []
        self._rows: list[tuple[list[int], list[float], float, float]] = []
        shape = (len(articles), self.orders)
        self.packs = np.zeros(shape, dtype=int)
        self.made = np.full(shape, -1)
        self._lost_before: int | None = None
        self._shared, self._freight = store is not None, load_cost
        self.lacking = np.zeros(shape, dtype=int)
        self.loads: dict[tuple[str, tuple[int, ...]], np.ndarray] = {}
        for place, article in enumerate(articles):
            self._article(place, article, holding_rate, end)
        for supplier, due in dict.fromkeys((article.supplier, tuple(article.due)) for article in articles):
            self._loads(supplier, due, load_cost)
        for place in range(len(articles)):
            self._spells(place)
        if store is not None:
            self._store(store)
        if self.orders:
            packs = sum(_whole_packs(one.needs[-1], one.pack) / _packs_a_load(one) for one in articles)
            self._new(self.spared * float(packs), 1.0)
            self.fixed = len(self._cost) - 1

    def _new(self, cost: float, upper: float = np.inf, integral: bool = False) -> int:
        self._cost.append(round(cost, _DIGITS))
        self._upper.append(upper)
        self._integral.append(int(integral))
        return len(self._cost) - 1

    def _rule(self, columns: list[int], values: list[float], low: float, high: float) -> None:
        self._rows.append((columns, values, round(low, _DIGITS), round(high, _DIGITS)))

    def _article(self, place: int, article: Article, holding_rate: float, end: int) -> None:  # noqa: PLR0915 -- long: variables are numbered as they are made
        most = float(np.max(article.needs, initial=0.0))
        most = max(most, float(np.max(article.low, initial=0.0)))
        # Room to fill a load up, and for an order minimum; a smaller bound is a faster search.
        most += min(article.load, most) + article.minimum + article.pack
        most_ever = float(np.ceil(most / article.pack))
        least_packs = max(float(np.ceil(article.minimum / article.pack - 1e-9)), 1.0)
        made: list[int] = []
        self._lost_before = None
        # An order must not overfill the store when it comes, nor when a later one or an open order does.
        room = np.minimum.accumulate(np.maximum(article.free, 0.0)[::-1])[::-1]
        fits = np.floor(room / article.pack + 1e-9)
        wanted = _whole_packs(article.needs, article.pack)
        all_fit = bool((wanted + least_packs - 1 <= fits).all())
        # What every unit costs anyway decides nothing: prices count from the lowest.
        lowest = min(price for tiers in article.prices for _, price in tiers)
        # An order of the minimum has reached some breaks already. What is held is worth the same whenever it came, and
        # at least its freight: were dear units held dearer to the end, buying ahead of a rise would seem to spare that.
        least_size = least_packs * article.pack
        bases = [[price for least, price in tiers if least <= least_size][-1] for tiers in article.prices]
        worth = max(min(bases, default=0.0), self._freight / max(article.load, article.pack))
        for order in range(self.orders):
            tiers, base = article.prices[order], bases[order]
            # A unit is held from the day it comes, whoever uses it then: what it replaces is held as long.
            held = worth * holding_rate * max(end - int(article.due[order]), 0) / _DAYS_A_YEAR
            cost = article.pack * (base - lowest + held) - self.spared / _packs_a_load(article)
            # What was needed before is in the store already, or used: the order has the rest of the room, and what
            # orders before may have lacked to the minimum. That holds where all needs fit, in a store that is not
            # shared, so that none comes by other means.
            held_before = wanted[order - 1] if order and all_fit and not self._shared else 0.0
            packs_most = min(most_ever, max(float(fits[order] - held_before), 0.0) + least_packs - 1)
            packs_most = max(packs_most, least_packs)
            packs = self._new(cost, packs_most, integral=True)
            self.packs[place, order] = packs
            if least_packs > 1:
                made.append(self._new(0.0, 1.0, integral=True))
                self.made[place, order] = made[-1]
                self._rule([packs, made[-1]], [1.0, -least_packs], 0.0, np.inf)
                self._rule([packs, made[-1]], [1.0, -packs_most], -np.inf, 0.0)
            paid = base
            for least, price in tiers[1:]:
                if least > least_packs * article.pack:
                    # Each break saves what it is below the break before: both hold for a large order.
                    self._price_break(article, packs, packs_most, least, paid - price)
                    paid = price
            self.lacking[place, order] = self._new(article.pack * article.expedite)
            if len(article.before) and np.isfinite(article.before[order]) and article.change_cost > 0:
                said = round(float(article.before[order]) / article.pack, 6)
                for sign in (1.0, -1.0):
                    changed = self._new(article.pack * article.change_cost)
                    self._rule([packs, changed], [sign, -1.0], -np.inf, sign * said)
        for order in range(self.orders):
            own, lack = [int(c) for c in self.packs[place, : order + 1]], int(self.lacking[place, order])
            ones = [1.0] * (order + 1)
            # Only whole packs come: the need in whole packs is the same rule, and a closer bound. What lacks for one
            # need covers no other: nobody brings in the first week what is missing in the last.
            self._rule([*own, lack], [*ones, 1.0], float(wanted[order]), np.inf)
            if made:
                # So much is needed by then, so many orders it takes: the search would find it out slowly.
                largest = max(self._upper[int(c)] for c in self.packs[place, : order + 1])
                orders_least = float(np.ceil(wanted[order] / largest - 1e-9))
                self._rule([*made[: order + 1], lack], [*ones, 1.0], orders_least, np.inf)
            if fits[order] < (order + 1) * most_ever:
                self._rule(own, ones, -np.inf, float(fits[order]))
                if order and not all_fit and np.isfinite(article.capacity):
                    self._lost(article, own, order)
            if len(article.low) and article.low_cost > 0:
                under = self._new(article.pack * article.low_cost)
                self._rule([*own, under], [*ones, 1.0], float(article.low[order]) / article.pack, np.inf)
            if len(article.high) and article.high_cost > 0:
                # Above the need only: what must be there is no fault.
                most_wanted = max(float(article.high[order]) / article.pack, float(wanted[order]))
                over = self._new(article.pack * article.high_cost)
                self._rule([*own, over], [*ones, -1.0], -np.inf, most_wanted)

    def _lost(self, article: Article, own: list[int], order: int) -> None:
        """Take the room of an order as it is where stock runs out before it: what is not printed makes no room."""
        # Expected stock without the plan's orders, below nothing by what is then used in vain.
        level = (article.capacity - article.free[order]) / article.pack
        lost = self._new(0.0)
        self._rule([*own[:-1], lost], [1.0] * order + [1.0], -level, np.inf)
        if self._lost_before is not None:
            self._rule([lost, self._lost_before], [1.0, -1.0], 0.0, np.inf)
        # What is on order may overfill the store by itself: no order of the plan is to blame, and none finds room.
        spilled = self._new(_SPILLED * article.pack * article.expedite)
        room = float(article.free[order]) / article.pack
        self._rule([*own, lost, spilled], [1.0] * (order + 2) + [-1.0], -np.inf, room)
        self._lost_before = lost

    def _price_break(
        self, article: Article, packs: int, packs_most: float, least: float, saves: float
    ) -> None:
        """Let an order of at least `least` pay `saves` less for every unit, or more where that is negative."""
        least /= article.pack
        if saves == 0 or least > packs_most:
            return
        reached = self._new(0.0, 1.0, integral=True)
        if saves < 0:
            # A later agreement on small orders only leaves large ones at an older, higher price.
            dear, below = self._new(-saves * article.pack), float(np.ceil(least - 1e-9)) - 1
            self._rule([packs, reached], [1.0, -packs_most], -np.inf, below)
            self._rule([dear, packs, reached], [1.0, -1.0, -packs_most], -packs_most, np.inf)
            return
        cheap = self._new(-saves * article.pack)
        self._rule([packs, reached], [1.0, -least], 0.0, np.inf)
        self._rule([cheap, packs], [1.0, -1.0], -np.inf, 0.0)
        self._rule([cheap, reached], [1.0, -packs_most], -np.inf, 0.0)

    def _loads(self, supplier: str, due: tuple[int, ...], load_cost: float) -> None:
        mine = [
            place
            for place, article in enumerate(self.articles)
            if article.supplier == supplier and tuple(article.due) == due
        ]
        numbers = []
        for order in range(self.orders):
            loads = self._new(load_cost, integral=True)
            numbers.append(loads)
            columns = [loads, *(int(self.packs[place, order]) for place in mine)]
            shares = [1 / _packs_a_load(self.articles[place]) for place in mine]
            self._rule(columns, [-1.0, *shares], -np.inf, 0.0)
            # However little is ordered, it takes a load.
            for place in mine:
                packs, made = int(self.packs[place, order]), int(self.made[place, order])
                if made >= 0:
                    self._rule([made, loads], [1.0, -1.0], -np.inf, 0.0)
                else:
                    self._rule([packs, loads], [1.0, -self._upper[packs]], -np.inf, 0.0)
        self.loads[supplier, due] = np.array(numbers)
        for order in range(self.orders):
            # Whole loads: what is needed by then takes so many at the least. Expediting apart, this follows from the
            # other rules, and tells the search at once what it would find out slowly.
            need = sum(
                _whole_packs(self.articles[place].needs[order], self.articles[place].pack)
                / _packs_a_load(self.articles[place])
                for place in mine
            )
            columns, values = [int(c) for c in numbers[: order + 1]], [1.0] * (order + 1)
            for place in mine:
                columns.append(int(self.lacking[place, order]))
                values.append(1.0 / _packs_a_load(self.articles[place]) + 1.0)
            self._rule(columns, values, float(np.ceil(need - 1e-6)), np.inf)

    def _spells(self, place: int) -> None:
        """Say of every spell without an order that what came before must last through it.

        This follows from the other rules where orders are placed or not; half placed, as the search first takes them,
        it does not, and the bound it starts from is far closer with it ((l, S) inequalities of Barany, Van Roy and
        Wolsey for lot sizes, in the shorter form of Pochet and Wolsey for stock that costs; from memory).
        """
        article = self.articles[place]
        # The last is what is needed before the first order.
        wanted = np.append(_whole_packs(article.needs, article.pack), 0.0)
        made = self.made[place]
        if (made < 0).any():
            made = self.loads[article.supplier, tuple(article.due)]
        for last in np.flatnonzero(np.diff(wanted[:-1], prepend=0.0) > 0):
            for first in range(last + 1):
                if wanted[last] <= wanted[first - 1]:
                    continue
                spell, before = range(first, last + 1), range(max(first - 1, 0), last + 1)
                columns = [int(c) for c in self.packs[place, :first]]
                values = [1.0] * first
                # An order within the spell brings what is needed from then on; what lacks for any of its needs lacks.
                columns += [int(made[order]) for order in spell]
                values += [float(wanted[last] - wanted[order - 1]) for order in spell]
                columns += [int(self.lacking[place, order]) for order in before]
                values += [1.0] * len(before)
                self._rule(columns, values, float(wanted[last]), np.inf)

    def _store(self, store: Sequence[tuple[int, float]]) -> None:
        for day, room in store:
            columns, values = [], []
            for place, article in enumerate(self.articles):
                if article.room > 0:
                    come = [int(c) for c in self.packs[place, np.asarray(article.due) <= day]]
                    columns += come
                    values += [article.pack * article.room / 1000] * len(come)
            if columns:
                self._rule(columns, values, -np.inf, max(room, 0.0) / 1000)

    @property
    def cost(self) -> np.ndarray:
        """Cost of each variable [currency]."""
        return np.array(self._cost)

    @property
    def lower(self) -> np.ndarray:
        """Least value of each variable."""
        lower = np.zeros(len(self._cost))
        if self.orders:
            lower[self.fixed] = 1.0
        return lower

    @property
    def upper(self) -> np.ndarray:
        """Most of each variable."""
        return np.array(self._upper)

    @property
    def integral(self) -> np.ndarray:
        """1 where a variable is a whole number."""
        return np.array(self._integral)

    def as_before(self, reviews: int) -> tuple[np.ndarray, np.ndarray] | None:
        """Return bounds that leave the next reviews as planned before; None where nothing was, or it cannot be kept."""
        lower, upper = self.lower, self.upper
        told = False
        for place, article in enumerate(self.articles):
            for order in np.flatnonzero(np.isfinite(article.before[:reviews])):
                said = float(article.before[order]) / article.pack
                column = int(self.packs[place, order])
                if abs(said - round(said)) > 1e-6 or round(said) > upper[column]:
                    return None
                lower[column] = upper[column] = round(said)
                told = True
        return (lower, upper) if told else None

    def constraints(self) -> object:
        """Return the rules as one sparse constraint."""
        from scipy import optimize, sparse

        rows = np.repeat(np.arange(len(self._rows)), [len(row[0]) for row in self._rows])
        columns = np.concatenate([row[0] for row in self._rows]).astype(int)
        values = np.concatenate([row[1] for row in self._rows])
        matrix = sparse.csr_array((values, (rows, columns)), shape=(len(self._rows), len(self._cost)))
        return optimize.LinearConstraint(
            matrix, [row[2] for row in self._rows], [row[3] for row in self._rows]
        )

    def read(self, x: np.ndarray, cost: float, gap: float) -> Orders:
        """Return quantities and loads of a solution."""
        pack = np.array([article.pack for article in self.articles])[:, None]
        quantity = np.round(x[self.packs]) * pack if len(self.articles) else np.zeros((0, self.orders))
        loads: dict[str, np.ndarray] = {}
        for (supplier, _), columns in self.loads.items():
            loads[supplier] = loads.get(supplier, np.zeros(self.orders)) + np.round(x[columns])
        lacking = x[self.lacking] * pack if len(self.articles) else np.zeros((0, self.orders))
        return Orders(quantity, loads, np.where(lacking > 1e-6 * pack, lacking, 0.0), cost, gap)
