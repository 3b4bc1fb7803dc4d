"""The programme: what each material asks for, in variables and rules, beside what all share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .model import Model
from .offered import Costs, Item, packs_a_load, packs_needed, whole_packs
from .shared_rules import cover_spells, fill_loads, fit_store, hold_whole_orders

__all__ = ["OrderModel"]

_DAYS_A_YEAR = 365.25
#: Cost of a pack that finds no room, as times that of one that lacks: orders never take such room.
_SPILLED = 100.0


class OrderModel(Model):
    """The model with the variables and rules of all materials."""

    def __init__(
        self,
        items: Sequence[Item],
        costs: Costs,
        store: Sequence[tuple[int, float]] | None,
        spells: bool = True,
    ) -> None:
        super().__init__(items, costs, store is not None)
        self._lost_before: int | None = None
        for place, item in enumerate(items):
            self._article(place, item)
        hold_whole_orders(self)
        for supplier, due in dict.fromkeys((offer.supplier, tuple(offer.due)) for offer in self.offers):
            fill_loads(self, supplier, due)
        # Of many materials these rules take longer than they spare.
        for place in range(len(items) if spells else 0):
            cover_spells(self, place)
        if store is not None:
            fit_store(self, store)
        if self.orders:
            packs = sum(
                whole_packs(one.needs[-1], one.offers[0].pack) / packs_a_load(one.offers[0]) for one in items
            )
            self.new(self.spared * float(packs), 1.0)
            self.fixed = len(self._cost) - 1

    def _article(self, place: int, item: Item) -> None:
        rows = range(self.rows[place].start, self.rows[place].stop)
        for row in rows:
            self.counts_from[row] = (
                np.arange(self.orders)
                if row == rows.start
                else np.searchsorted(item.due[: self.orders], self.offers[row].due[: self.orders])
            )
        alike = len({offer.pack for offer in item.offers}) == 1
        # An order must not overfill the store when it comes, nor when a later one or an open order does.
        room = np.minimum.accumulate(np.maximum(item.free, 0.0)[::-1])[::-1] / item.pack
        fits = np.floor(room + 1e-9) if alike else room
        wanted = packs_needed(item)
        least = max(self._least_packs(row) * self.offers[row].pack / item.pack for row in rows)
        all_fit = bool((wanted + least - 1 <= fits).all())
        # What every unit costs anyway decides nothing: prices count from the lowest.
        lowest = min(
            price + offer.premium for offer in item.offers for tiers in offer.prices for _, price in tiers
        )
        for order in range(self.orders):
            for row in rows:
                self._order(place, row, order, wanted, fits, all_fit, lowest)
            self.lacking[place, order] = self.new(item.pack * item.expedite)
            for row in rows:
                self._as_said(row, order)
        self._lost_before = None
        for order in range(self.orders):
            self._balance(place, item, order, wanted, fits, all_fit)
        for row in rows:
            self._limits(place, row)

    def _least_packs(self, row: int) -> float:
        return max(float(np.ceil(self.offers[row].minimum / self.offers[row].pack - 1e-9)), 1.0)

    def _most_ever(self, place: int, row: int) -> float:
        """Return the most packs of an offer that are worth ordering at once; a smaller bound is a faster search."""
        item, offer = self.items[place], self.offers[row]
        most = float(np.max(item.needs, initial=0.0))
        most = max(most, float(np.max(item.low, initial=0.0)))
        most = max([most, *(limit.least for limit in offer.limits if np.isfinite(limit.least))])
        # Room to fill a load up, and for an order minimum.
        return float(np.ceil((most + min(offer.load, most) + offer.minimum + offer.pack) / offer.pack))

    def _order(
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
        item, offer = self.items[place], self.offers[row]
        if not offer.takes(order):
            self.packs[row, order] = self.new(0.0, 0.0)
            return
        least_packs, most_ever = self._least_packs(row), self._most_ever(place, row)
        # An order of the minimum has reached some breaks already. What is held is worth the same whenever it came, and
        # at least its freight: were dear units held dearer to the end, buying ahead of a rise would seem to spare that.
        least_size = least_packs * offer.pack
        bases = [[price for least, price in tiers if least <= least_size][-1] for tiers in offer.prices]
        worth = max(min(bases, default=0.0), self.costs.load / max(offer.load, offer.pack))
        tiers, base = offer.prices[order], bases[order]
        # A unit is held from the day it comes, whoever uses it then: what it replaces is held as long.
        held = worth * self.costs.holding_rate * max(self.costs.end - int(offer.due[order]), 0) / _DAYS_A_YEAR
        cost = offer.pack * (base + offer.premium - lowest + held) - self.spared / packs_a_load(offer)
        # What was needed before is in the store already, or used: the order has the rest of the room, and what
        # orders before may have lacked to the minimum. That holds where all needs fit, in a store that is not
        # shared, so that none comes by other means.
        counted = int(self.counts_from[row, order])
        held_before = wanted[counted - 1] if counted and all_fit and not self.shared else 0.0
        ratio = offer.pack / item.pack
        free = max(float(fits[min(counted, self.orders - 1)] - held_before), 0.0) / ratio
        packs_most = max(min(most_ever, free + least_packs - 1), least_packs)
        packs = self.new(cost, packs_most, whole=order)
        self.packs[row, order] = packs
        if least_packs > 1:
            made = self.made[row, order] = self.new(0.0, 1.0, whole=order)
            self.rule([packs, int(made)], [1.0, -least_packs], 0.0, np.inf)
            self.rule([packs, int(made)], [1.0, -packs_most], -np.inf, 0.0)
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
                changed = self.new(offer.pack * offer.change_cost)
                self.rule([int(self.packs[row, order]), changed], [sign, -1.0], -np.inf, sign * said)

    def _balance(
        self, place: int, item: Item, order: int, wanted: np.ndarray, fits: np.ndarray, all_fit: bool
    ) -> None:
        """Say what the orders that count by a place must add up to, and what they may."""
        (own, values), lack = self.counted_by(place, order), int(self.lacking[place, order])
        # What lacks for one need covers no other: nobody brings in the first week what is missing in the last.
        self.rule([*own, lack], [*values, 1.0], float(wanted[order]), np.inf)
        rows = range(self.rows[place].start, self.rows[place].stop)
        if (self.made[self.rows[place]] >= 0).all():
            # So much is needed by then, so many orders it takes: the search would find it out slowly.
            largest = max(self.uppers[column] * value for column, value in zip(own, values, strict=True))
            made = [
                int(self.made[row, n]) for row in rows for n in np.flatnonzero(self.counts_from[row] <= order)
            ]
            orders_least = float(np.ceil(wanted[order] / largest - 1e-9))
            self.rule([*made, lack], [1.0] * (len(made) + 1), orders_least, np.inf)
        if fits[order] < len(own) * max(self._most_ever(place, row) for row in rows) * max(values):
            self.rule(own, values, -np.inf, float(fits[order]))
            if order and not all_fit and np.isfinite(item.capacity):
                self._lost(place, item, order)
        if len(item.low) and item.low_cost > 0:
            under = self.new(item.pack * item.low_cost)
            self.rule([*own, under], [*values, 1.0], float(item.low[order]) / item.pack, np.inf)
        if len(item.high) and item.high_cost > 0:
            # Above the need only: what must be there is no fault.
            most_wanted = max(float(item.high[order]) / item.pack, float(wanted[order]))
            over = self.new(item.pack * item.high_cost)
            self.rule([*own, over], [*values, -1.0], -np.inf, most_wanted)

    def _lost(self, place: int, item: Item, order: int) -> None:
        """Take the room of an order as it is where stock runs out before it: what is not printed makes no room."""
        # Expected stock without the plan's orders, below nothing by what is then used in vain.
        level = (item.capacity - item.free[order]) / item.pack
        lost = self.new(0.0)
        before, values = self.counted_by(place, order - 1)
        self.rule([*before, lost], [*values, 1.0], -level, np.inf)
        if self._lost_before is not None:
            self.rule([lost, self._lost_before], [1.0, -1.0], 0.0, np.inf)
        # What is on order may overfill the store by itself: no order of the plan is to blame, and none finds room.
        spilled = self.new(_SPILLED * item.pack * item.expedite)
        room = float(item.free[order]) / item.pack
        own, values = self.counted_by(place, order)
        self.rule([*own, lost, spilled], [*values, 1.0, -1.0], -np.inf, room)
        self._lost_before = lost

    def _limits(self, place: int, row: int) -> None:
        """Say what contracts ask for within the plan, and what parts of all that is bought a supplier has."""
        item, offer = self.items[place], self.offers[row]
        rows = range(self.rows[place].start, self.rows[place].stop)
        own = [each for each in rows if self.offers[each].supplier == offer.supplier]
        for limit in offer.limits:
            columns = [int(column) for each in own for column in self.packs[each, limit.orders]]
            packs = [self.offers[each].pack / offer.pack for each in own for _ in range(limit.orders.sum())]
            for sign, bound in ((1.0, limit.least), (-1.0, limit.most)):
                if columns and np.isfinite(bound):
                    off = self.new(offer.pack * limit.cost)
                    self.rule([*columns, off], [*packs, sign], *_side(sign, bound / offer.pack))
        for share in offer.shares:
            for sign, part in ((1.0, share.least), (-1.0, share.most)):
                if (sign > 0 and part <= 0) or (sign < 0 and part >= 1):
                    continue
                columns, values = [], []
                for each in rows:
                    due = self.offers[each].due[: self.orders]
                    counted = self.packs[each, (due >= share.since) & (due <= share.until)]
                    columns += [int(column) for column in counted]
                    values += [(float(each in own) - part) * self.offers[each].pack / item.pack] * len(
                        counted
                    )
                off = self.new(item.pack * share.cost)
                bound = (part * share.bought_of_all - share.bought) / item.pack
                self.rule([*columns, off], [*values, sign], *_side(sign, bound))

    def _price_break(
        self, place: int, row: int, order: int, packs_most: float, least: float, saves: float
    ) -> None:
        """Let an order of at least `least` pay `saves` less for every unit, or more where that is negative."""
        offer, packs = self.offers[row], int(self.packs[row, order])
        size = least / offer.pack
        if saves == 0 or (size > packs_most and not self.costs.whole_order):
            return
        if saves < 0:
            # A later agreement on small orders only leaves large ones at an older, higher price.
            if size > packs_most:
                return
            reached = self.new(0.0, 1.0, whole=order)
            dear, below = self.new(-saves * offer.pack), float(np.ceil(size - 1e-9)) - 1
            self.rule([packs, reached], [1.0, -packs_most], -np.inf, below)
            self.rule([dear, packs, reached], [1.0, -1.0, -packs_most], -packs_most, np.inf)
            return
        if self.costs.whole_order:
            key = (offer.supplier, self.items[place].unit, order, least)
            if key not in self.reached:
                self.reached[key] = self.new(0.0, 1.0, whole=order)
            reached = self.reached[key]
            cheap = self.new(-saves * offer.pack)
        else:
            reached = self.new(0.0, 1.0, whole=order)
            cheap = self.new(-saves * offer.pack)
            self.rule([packs, reached], [1.0, -size], 0.0, np.inf)
        self.rule([cheap, packs], [1.0, -1.0], -np.inf, 0.0)
        self.rule([cheap, reached], [1.0, -packs_most], -np.inf, 0.0)


def _side(sign: float, bound: float) -> tuple[float, float]:
    """Return the bounds of a rule that says not less, or where negative not more, than a bound."""
    return (bound, np.inf) if sign > 0 else (-np.inf, bound)
