"""The programme in variables and rules, numbered as they are made: what HiGHS is given, and what its answer means."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .offered import Article, Offer, Orders, offer_rows

__all__ = ["Builder"]

_DAYS_A_YEAR = 365.25
#: Cost of a pack that finds no room, as times that of one that lacks: orders never take such room.
_SPILLED = 100.0
#: Decimals of costs and bounds. Their last digits depend on the order in which a machine sums up, and within its gap
#: the search may take another plan for them.
_DIGITS = 6


def _packs_a_load(offer: Offer) -> float:
    """Return how many whole packs a load holds; a pack larger than a load has one of its own."""
    return float(max(np.floor(offer.load / offer.pack + 1e-9), 1.0))


def _whole_packs(quantity: np.ndarray, pack: float) -> np.ndarray:
    return np.asarray(np.ceil(np.maximum(quantity, 0.0) / pack - 1e-6))


class Builder:
    """Variables and rules of the programme, numbered as they are made.

    Quantities of a material are counted in its smallest pack. Orders of its offers count from the first of the
    reference's due days (those of the first offer) that they are due by.
    """

    def __init__(
        self,
        articles: Sequence[Article],
        load_cost: float,
        holding_rate: float,
        end: int,
        store: Sequence[tuple[int, float]] | None,
        filled: bool = False,
        whole_order: bool = False,
    ) -> None:
        self.articles, self.rows = articles, offer_rows(articles)
        self.offers = [offer for article in articles for offer in article.offers]
        self.orders = len(articles[0].needs) if articles else 0
        # What a full load spares of freights to come; that of what is needed anyhow is taken back in the end, so
        # that the cost is freight as it is paid, but for what is bought ahead.
        self.spared = load_cost if filled else 0.0
        self._cost: list[float] = []
        self._upper: list[float] = []
        self._integral: list[int] = []
        self._rules: list[tuple[list[int], list[float], float, float]] = []
        shape = (len(self.offers), self.orders)
        self.packs = np.zeros(shape, dtype=int)
        self.made = np.full(shape, -1)
        #: Place of the first of the reference's orders that an order counts for.
        self.counts_from = np.zeros(shape, dtype=int)
        self._lost_before: int | None = None
        self._shared, self._freight = store is not None, load_cost
        self._holding_rate, self._end, self._whole_order = holding_rate, end, whole_order
        self._reached: dict[tuple[str, str, int, float], int] = {}
        self.lacking = np.zeros((len(articles), self.orders), dtype=int)
        self.loads: dict[tuple[str, tuple[int, ...]], np.ndarray] = {}
        for place, article in enumerate(articles):
            self._article(place, article)
        self._whole_orders()
        for supplier, due in dict.fromkeys((offer.supplier, tuple(offer.due)) for offer in self.offers):
            self._loads(supplier, due, load_cost)
        for place in range(len(articles)):
            self._spells(place)
        if store is not None:
            self._store(store)
        if self.orders:
            packs = sum(
                _whole_packs(one.needs[-1], one.offers[0].pack) / _packs_a_load(one.offers[0])
                for one in articles
            )
            self._new(self.spared * float(packs), 1.0)
            self.fixed = len(self._cost) - 1

    def _new(self, cost: float, upper: float = np.inf, integral: bool = False) -> int:
        self._cost.append(round(cost, _DIGITS))
        self._upper.append(upper)
        self._integral.append(int(integral))
        return len(self._cost) - 1

    def _rule(self, columns: list[int], values: list[float], low: float, high: float) -> None:
        self._rules.append((columns, values, round(low, _DIGITS), round(high, _DIGITS)))

    def _by(self, place: int, order: int) -> tuple[list[int], list[float]]:
        """Return the packs of a material that count by a place of the reference, and what each is in its packs."""
        columns: list[int] = []
        values: list[float] = []
        for row in range(self.rows[place].start, self.rows[place].stop):
            counted = np.flatnonzero(self.counts_from[row] <= order)
            columns += [int(column) for column in self.packs[row, counted]]
            values += [self.offers[row].pack / self.articles[place].pack] * len(counted)
        return columns, values

    def _article(self, place: int, article: Article) -> None:
        rows = range(self.rows[place].start, self.rows[place].stop)
        for row in rows:
            self.counts_from[row] = (
                np.arange(self.orders)
                if row == rows.start
                else np.searchsorted(article.due[: self.orders], self.offers[row].due[: self.orders])
            )
        alike = len({offer.pack for offer in article.offers}) == 1
        # An order must not overfill the store when it comes, nor when a later one or an open order does.
        room = np.minimum.accumulate(np.maximum(article.free, 0.0)[::-1])[::-1] / article.pack
        fits = np.floor(room + 1e-9) if alike else room
        # Only whole packs come: the need in whole packs is the same rule, and a closer bound.
        wanted = _whole_packs(article.needs, article.pack) if alike else article.needs / article.pack
        least = max(self._least_packs(row) * self.offers[row].pack / article.pack for row in rows)
        all_fit = bool((wanted + least - 1 <= fits).all())
        # What every unit costs anyway decides nothing: prices count from the lowest.
        lowest = min(
            price + offer.premium for offer in article.offers for tiers in offer.prices for _, price in tiers
        )
        for order in range(self.orders):
            for row in rows:
                self._order(place, row, order, wanted, fits, all_fit, lowest)
            self.lacking[place, order] = self._new(article.pack * article.expedite)
            for row in rows:
                self._as_said(row, order)
        self._lost_before = None
        for order in range(self.orders):
            self._balance(place, article, order, wanted, fits, all_fit)
        for row in rows:
            self._limits(place, row)

    def _least_packs(self, row: int) -> float:
        return max(float(np.ceil(self.offers[row].minimum / self.offers[row].pack - 1e-9)), 1.0)

    def _most_ever(self, place: int, row: int) -> float:
        """Return the most packs of an offer that are worth ordering at once; a smaller bound is a faster search."""
        article, offer = self.articles[place], self.offers[row]
        most = float(np.max(article.needs, initial=0.0))
        most = max(most, float(np.max(article.low, initial=0.0)))
        most = max([most, *(limit.least for limit in offer.limits if np.isfinite(limit.least))])
        # Room to fill a load up, and for an order minimum.
        return float(np.ceil((most + min(offer.load, most) + offer.minimum + offer.pack) / offer.pack))

    def _order(  # noqa: PLR0913, PLR0917 -- an order of an offer, and what it is held against
        self,
        place: int,
        row: int,
        order: int,
        wanted: np.ndarray,
        fits: np.ndarray,
        all_fit: bool,
        lowest: float,
    ) -> None:
        """Make the variables of one order: its packs, whether it is made, and what price it reaches."""
        article, offer = self.articles[place], self.offers[row]
        least_packs, most_ever = self._least_packs(row), self._most_ever(place, row)
        # An order of the minimum has reached some breaks already. What is held is worth the same whenever it came, and
        # at least its freight: were dear units held dearer to the end, buying ahead of a rise would seem to spare that.
        least_size = least_packs * offer.pack
        bases = [[price for least, price in tiers if least <= least_size][-1] for tiers in offer.prices]
        worth = max(min(bases, default=0.0), self._freight / max(offer.load, offer.pack))
        tiers, base = offer.prices[order], bases[order]
        # A unit is held from the day it comes, whoever uses it then: what it replaces is held as long.
        held = worth * self._holding_rate * max(self._end - int(offer.due[order]), 0) / _DAYS_A_YEAR
        cost = offer.pack * (base + offer.premium - lowest + held) - self.spared / _packs_a_load(offer)
        # What was needed before is in the store already, or used: the order has the rest of the room, and what
        # orders before may have lacked to the minimum. That holds where all needs fit, in a store that is not
        # shared, so that none comes by other means.
        counted = int(self.counts_from[row, order])
        held_before = wanted[counted - 1] if counted and all_fit and not self._shared else 0.0
        ratio = offer.pack / article.pack
        free = max(float(fits[min(counted, self.orders - 1)] - held_before), 0.0) / ratio
        packs_most = max(min(most_ever, free + least_packs - 1), least_packs)
        packs = self._new(cost, packs_most, integral=True)
        self.packs[row, order] = packs
        if least_packs > 1:
            made = self.made[row, order] = self._new(0.0, 1.0, integral=True)
            self._rule([packs, int(made)], [1.0, -least_packs], 0.0, np.inf)
            self._rule([packs, int(made)], [1.0, -packs_most], -np.inf, 0.0)
        paid = base
        for least, price in tiers[1:]:
            if least > least_size:
                # Each break saves what it is below the break before: both hold for a large order.
                self._price_break(place, row, order, packs_most, least, paid - price)
                paid = price

    def _as_said(self, row: int, order: int) -> None:
        """Let an order that is not as the plan before said cost a little."""
        offer = self.offers[row]
        if len(offer.before) and np.isfinite(offer.before[order]) and offer.change_cost > 0:
            said = round(float(offer.before[order]) / offer.pack, 6)
            for sign in (1.0, -1.0):
                changed = self._new(offer.pack * offer.change_cost)
                self._rule(
                    [int(self.packs[row, order]), changed], [sign, -1.0], -np.inf, sign * said
                )

    def _balance(
        self, place: int, article: Article, order: int, wanted: np.ndarray, fits: np.ndarray, all_fit: bool
    ) -> None:
        """Say what the orders that count by a place must add up to, and what they may."""
        (own, values), lack = self._by(place, order), int(self.lacking[place, order])
        # What lacks for one need covers no other: nobody brings in the first week what is missing in the last.
        self._rule([*own, lack], [*values, 1.0], float(wanted[order]), np.inf)
        rows = range(self.rows[place].start, self.rows[place].stop)
        if (self.made[self.rows[place]] >= 0).all():
            # So much is needed by then, so many orders it takes: the search would find it out slowly.
            largest = max(self._upper[column] * value for column, value in zip(own, values, strict=True))
            made = [
                int(self.made[row, n])
                for row in rows
                for n in np.flatnonzero(self.counts_from[row] <= order)
            ]
            orders_least = float(np.ceil(wanted[order] / largest - 1e-9))
            self._rule([*made, lack], [1.0] * (len(made) + 1), orders_least, np.inf)
        if fits[order] < len(own) * max(self._most_ever(place, row) for row in rows) * max(values):
            self._rule(own, values, -np.inf, float(fits[order]))
            if order and not all_fit and np.isfinite(article.capacity):
                self._lost(place, article, order)
        if len(article.low) and article.low_cost > 0:
            under = self._new(article.pack * article.low_cost)
            self._rule([*own, under], [*values, 1.0], float(article.low[order]) / article.pack, np.inf)
        if len(article.high) and article.high_cost > 0:
            # Above the need only: what must be there is no fault.
            most_wanted = max(float(article.high[order]) / article.pack, float(wanted[order]))
            over = self._new(article.pack * article.high_cost)
            self._rule([*own, over], [*values, -1.0], -np.inf, most_wanted)

    def _lost(self, place: int, article: Article, order: int) -> None:
        """Take the room of an order as it is where stock runs out before it: what is not printed makes no room."""
        # Expected stock without the plan's orders, below nothing by what is then used in vain.
        level = (article.capacity - article.free[order]) / article.pack
        lost = self._new(0.0)
        before, values = self._by(place, order - 1)
        self._rule([*before, lost], [*values, 1.0], -level, np.inf)
        if self._lost_before is not None:
            self._rule([lost, self._lost_before], [1.0, -1.0], 0.0, np.inf)
        # What is on order may overfill the store by itself: no order of the plan is to blame, and none finds room.
        spilled = self._new(_SPILLED * article.pack * article.expedite)
        room = float(article.free[order]) / article.pack
        own, values = self._by(place, order)
        self._rule([*own, lost, spilled], [*values, 1.0, -1.0], -np.inf, room)
        self._lost_before = lost

    def _limits(self, place: int, row: int) -> None:
        """Say what a contract asks for within the plan, and what part of all that is bought a supplier has."""
        article, offer = self.articles[place], self.offers[row]
        for limit in offer.limits:
            columns = [int(column) for column in self.packs[row, limit.orders]]
            ones = [1.0] * len(columns)
            for sign, bound in ((1.0, limit.least), (-1.0, limit.most)):
                if columns and np.isfinite(bound):
                    off = self._new(offer.pack * limit.cost)
                    self._rule([*columns, off], [*ones, sign], *_side(sign, bound / offer.pack))
        share = offer.share
        if share is None:
            return
        rows = range(self.rows[place].start, self.rows[place].stop)
        columns = [int(column) for each in rows for column in self.packs[each]]
        for sign, part in ((1.0, share.least), (-1.0, share.most)):
            if (sign > 0 and part <= 0) or (sign < 0 and part >= 1):
                continue
            values = [
                (float(each == row) - part) * self.offers[each].pack / article.pack
                for each in rows
                for _ in range(self.orders)
            ]
            off = self._new(article.pack * share.cost)
            bound = (part * share.bought_of_all - share.bought) / article.pack
            self._rule([*columns, off], [*values, sign], *_side(sign, bound))

    def _price_break(
        self, place: int, row: int, order: int, packs_most: float, least: float, saves: float
    ) -> None:
        """Let an order of at least `least` pay `saves` less for every unit, or more where that is negative."""
        offer, packs = self.offers[row], int(self.packs[row, order])
        size = least / offer.pack
        if saves == 0 or (size > packs_most and not self._whole_order):
            return
        if saves < 0:
            # A later agreement on small orders only leaves large ones at an older, higher price.
            if size > packs_most:
                return
            reached = self._new(0.0, 1.0, integral=True)
            dear, below = self._new(-saves * offer.pack), float(np.ceil(size - 1e-9)) - 1
            self._rule([packs, reached], [1.0, -packs_most], -np.inf, below)
            self._rule([dear, packs, reached], [1.0, -1.0, -packs_most], -packs_most, np.inf)
            return
        if self._whole_order:
            key = (offer.supplier, self.articles[place].unit, order, least)
            if key not in self._reached:
                self._reached[key] = self._new(0.0, 1.0, integral=True)
            reached = self._reached[key]
            cheap = self._new(-saves * offer.pack)
        else:
            reached = self._new(0.0, 1.0, integral=True)
            cheap = self._new(-saves * offer.pack)
            self._rule([packs, reached], [1.0, -size], 0.0, np.inf)
        self._rule([cheap, packs], [1.0, -1.0], -np.inf, 0.0)
        self._rule([cheap, reached], [1.0, -packs_most], -np.inf, 0.0)

    def _whole_orders(self) -> None:
        """Hold price breaks against all that is ordered of a supplier on a day in one unit."""
        units = [article.unit for article in self.articles for _ in article.offers]
        for (supplier, unit, order, least), reached in self._reached.items():
            rows = [
                row
                for row, offer in enumerate(self.offers)
                if offer.supplier == supplier and units[row] == unit
            ]
            columns = [int(self.packs[row, order]) for row in rows]
            values = [self.offers[row].pack / least for row in rows]
            self._rule([*columns, reached], [*values, -1.0], 0.0, np.inf)

    def _loads(self, supplier: str, due: tuple[int, ...], load_cost: float) -> None:
        mine = [
            row
            for row, offer in enumerate(self.offers)
            if offer.supplier == supplier and tuple(offer.due) == due
        ]
        numbers = []
        for order in range(self.orders):
            loads = self._new(load_cost, integral=True)
            numbers.append(loads)
            columns = [loads, *(int(self.packs[row, order]) for row in mine)]
            shares = [1 / _packs_a_load(self.offers[row]) for row in mine]
            self._rule(columns, [-1.0, *shares], -np.inf, 0.0)
            # However little is ordered, it takes a load.
            for row in mine:
                packs, made = int(self.packs[row, order]), int(self.made[row, order])
                if made >= 0:
                    self._rule([made, loads], [1.0, -1.0], -np.inf, 0.0)
                else:
                    self._rule([packs, loads], [1.0, -self._upper[packs]], -np.inf, 0.0)
        self.loads[supplier, due] = np.array(numbers)
        # What nobody else delivers.
        alone = [
            (place, rows.start)
            for place, rows in enumerate(self.rows)
            if rows.stop - rows.start == 1 and rows.start in mine
        ]
        for order in range(self.orders if alone else 0):
            # Whole loads: what is needed by then takes so many at the least. Expediting apart, this follows from the
            # other rules, and tells the search at once what it would find out slowly.
            need = sum(
                _whole_packs(self.articles[place].needs[order], self.offers[row].pack)
                / _packs_a_load(self.offers[row])
                for place, row in alone
            )
            columns, values = [int(c) for c in numbers[: order + 1]], [1.0] * (order + 1)
            for place, row in alone:
                columns.append(int(self.lacking[place, order]))
                values.append(1.0 / _packs_a_load(self.offers[row]) + 1.0)
            self._rule(columns, values, float(np.ceil(need - 1e-6)), np.inf)

    def _spells(self, place: int) -> None:
        """Say of every spell without an order that what came before must last through it.

        This follows from the other rules where orders are placed or not; half placed, as the search first takes them,
        it does not, and the bound it starts from is far closer with it ((l, S) inequalities of Barany, Van Roy and
        Wolsey for lot sizes, in the shorter form of Pochet and Wolsey for stock that costs; from memory).
        """
        article, rows = self.articles[place], range(self.rows[place].start, self.rows[place].stop)
        # The last is what is needed before the first order.
        wanted = np.append(_whole_packs(article.needs, article.pack), 0.0)
        made = {
            row: self.made[row]
            if (self.made[row] >= 0).all()
            else self.loads[self.offers[row].supplier, tuple(self.offers[row].due)]
            for row in rows
        }
        for last in np.flatnonzero(np.diff(wanted[:-1], prepend=0.0) > 0):
            for first in range(last + 1):
                if wanted[last] <= wanted[first - 1]:
                    continue
                before = range(max(first - 1, 0), last + 1)
                columns, values = self._by(place, first - 1)
                # An order within the spell brings what is needed from then on; what lacks for any of its needs lacks.
                for row in rows:
                    counts = self.counts_from[row]
                    for order in np.flatnonzero((counts >= first) & (counts <= last)):
                        columns.append(int(made[row][order]))
                        values.append(float(wanted[last] - wanted[int(counts[order]) - 1]))
                columns += [int(self.lacking[place, order]) for order in before]
                values += [1.0] * len(before)
                self._rule(columns, values, float(wanted[last]), np.inf)

    def _store(self, store: Sequence[tuple[int, float]]) -> None:
        room = [article.room for article in self.articles for _ in article.offers]
        for day, free in store:
            columns, values = [], []
            for row, offer in enumerate(self.offers):
                if room[row] > 0:
                    come = [int(c) for c in self.packs[row, np.asarray(offer.due) <= day]]
                    columns += come
                    values += [offer.pack * room[row] / 1000] * len(come)
            if columns:
                self._rule(columns, values, -np.inf, max(free, 0.0) / 1000)

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
        for row, offer in enumerate(self.offers):
            for order in np.flatnonzero(np.isfinite(offer.before[:reviews])):
                said = float(offer.before[order]) / offer.pack
                column = int(self.packs[row, order])
                if abs(said - round(said)) > 1e-6 or round(said) > upper[column]:
                    return None
                lower[column] = upper[column] = round(said)
                told = True
        return (lower, upper) if told else None

    def constraints(self) -> object:
        """Return the rules as one sparse constraint."""
        from scipy import optimize, sparse

        rules = np.repeat(np.arange(len(self._rules)), [len(rule[0]) for rule in self._rules])
        columns = np.concatenate([rule[0] for rule in self._rules]).astype(int)
        values = np.concatenate([rule[1] for rule in self._rules])
        matrix = sparse.csr_array((values, (rules, columns)), shape=(len(self._rules), len(self._cost)))
        return optimize.LinearConstraint(
            matrix, [rule[2] for rule in self._rules], [rule[3] for rule in self._rules]
        )

    def read(self, x: np.ndarray, cost: float, gap: float) -> Orders:
        """Return quantities and loads of a solution."""
        pack = np.array([offer.pack for offer in self.offers])[:, None]
        quantity = np.round(x[self.packs]) * pack if len(self.offers) else np.zeros((0, self.orders))
        loads: dict[str, np.ndarray] = {}
        for (supplier, _), columns in self.loads.items():
            loads[supplier] = loads.get(supplier, np.zeros(self.orders)) + np.round(x[columns])
        pack = np.array([article.pack for article in self.articles])[:, None]
        lacking = x[self.lacking] * pack if len(self.articles) else np.zeros((0, self.orders))
        return Orders(quantity, loads, np.where(lacking > 1e-6 * pack, lacking, 0.0), cost, gap)


def _side(sign: float, bound: float) -> tuple[float, float]:
    """Return the bounds of a rule that says not less, or where negative not more, than a bound."""
    return (bound, np.inf) if sign > 0 else (-np.inf, bound)
