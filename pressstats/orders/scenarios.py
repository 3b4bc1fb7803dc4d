"""What may happen to the materials that are planned: use, lateness and receipts, path by path."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from .leadtimes import LeadTimes, brought, serves_from, truck_days
from .needs import known_by, level_worth, needs_by_order, stock_paths
from .planned import ORDERS, Planned
from .rates import expedite_price, holding_rate

if TYPE_CHECKING:
    import pandas as pd

    from ..plant import Policy

__all__ = ["NOTHING", "Scenarios"]

#: Standard errors by which the scenarios must tell that more stock is worth its money.
_SURE = 1.0
#: Rushes for each case that would have run out: what is worth a rush is so from a chance of about a percent on.
_RUSHES = 4.0
#: What newsprint costs on the floor when levels are chosen, as times its holding: stacked reels take floor, are fire
#: load and weight, and age, and no log says what that costs.
_FLOOR = 3.0
#: Below this a stock is not short but rounded [unit of the material].
NOTHING = 1e-6


class Scenarios:
    """Scenarios of use and lateness of the planned materials, equally likely.

    Parameters
    ----------
    planned : sequence of Planned
        The materials.
    open_rows : DataFrame
        Result of :func:`pressstats.orders.open_orders`.
    days : DatetimeIndex, shape (days,)
        Days from the one after as-of.
    times : LeadTimes
        Lateness of suppliers.
    receives : ndarray of int, shape (days,)
        Result of :func:`pressstats.orders.receipt_days`.
    use : ndarray, shape (materials, scenarios, days)
        Use of each day [unit of the material].
    seed : int
        Seed of the lateness.

    Attributes
    ----------
    trucks : list of (DataFrame, ndarray of int)
        Open orders by the truck that they are on: their rows, and the day on which it comes, shape (scenarios,).
    come : list of ndarray, shape (scenarios, days)
        Receipts of the open orders.
    arrives : list of ndarray of int, shape (scenarios, ORDERS + 1)
        Days on which orders of the plan would come, by row of :attr:`Planned.rows`.
    """

    def __init__(
        self,
        planned: Sequence[Planned],
        open_rows: pd.DataFrame,
        days: pd.DatetimeIndex,
        times: LeadTimes,
        receives: np.ndarray,
        use: np.ndarray,
        seed: int,
    ) -> None:
        rng = np.random.default_rng(seed)
        self.planned, self.use, self.days, self.receives = planned, use, days, receives
        draws = use.shape[1]
        # One truck brings all that is ordered of a supplier on a day: it is as late for all.
        late = {
            supplier: times.draw(supplier, (draws, len(planned[0].reviews)), rng)
            for supplier in dict.fromkeys(source.supplier for one in planned for source in one.sources)
        }
        self.trucks = truck_days(times, open_rows, days, receives, draws, rng)
        self.come = self.brought(self.trucks)
        # An order comes the day after it was placed at the earliest, and on a day that receives; it serves from the
        # next issue on.
        self.arrives = [
            serves_from(
                receives[
                    np.clip(
                        source.due - serves_from(0, source.rest) + late[source.supplier],
                        one.reviews + 1,
                        len(days) - 1,
                    )
                ],
                source.rest,
            )
            for one in planned
            for source in one.sources
        ]
        #: Day from which anything of the plan can help, by material and case.
        self.helped = [
            np.min(
                [
                    arrives[:, source.orders].min(axis=1)
                    for source, arrives in zip(one.sources, self.arrives[one.rows], strict=True)
                    if source.orders.any()
                ],
                axis=0,
            )
            for one in planned
        ]
        #: By how much more there is than expected, as known when each order is placed, by material and case.
        self.known = [self._known(place, of_material) for place, of_material in enumerate(use)]

    def brought(self, trucks: Sequence[tuple[pd.DataFrame, np.ndarray]]) -> list[np.ndarray]:
        """Return what some of :attr:`trucks` bring, by material, as :attr:`come` has it of all of them."""
        rests = {one.name: one.sources[0].rest for one in self.planned}
        return brought(trucks, list(rests), self.use.shape[1:], rests)

    def _known(self, place: int, use: np.ndarray) -> np.ndarray:
        one = self.planned[place]
        # The next order is placed as it is told now, each later one as it is told that much later.
        when = one.reviews[:ORDERS] - one.reviews[0]
        return known_by(one.stock, use, self.come[place], one.expected, self.helped[place], when)

    def few(self, count: int) -> Scenarios:
        """Return the first `count` scenarios by themselves."""
        part = copy(self)
        part.use = self.use[:, :count]
        part.trucks = [(rows, received[:count]) for rows, received in self.trucks]
        part.come = [come[:count] for come in self.come]
        part.arrives = [arrives[:count] for arrives in self.arrives]
        part.helped = [helped[:count] for helped in self.helped]
        part.known = [known[:count] for known in self.known]
        return part

    def needs(
        self, service: np.ndarray, policy: Policy, quantity: np.ndarray | None = None
    ) -> list[np.ndarray]:
        """Return what each order must have been preceded by, in all, by material, shape (ORDERS,) each.

        `service` is the share of scenarios that must be covered until the next order has come, by material; where more
        is worth its money, more is needed. Of an earlier plan's `quantity`, what a material lacks is used of what
        stands in.
        """
        use = list(self.use) if quantity is None else self.stood_in(quantity)
        found = []
        for place, one in enumerate(self.planned):
            price = float(one.row["unit_price"])
            # What is there beyond need when stock is near its end lies there since the load before.
            held = price * holding_rate(policy) * self._load_days(one) / 365.25
            held *= _FLOOR if one.row["kind"] == "newsprint" else 1.0
            worth: Callable[[np.ndarray, float], float] = partial(
                level_worth,
                held=held,
                short=expedite_price(one.row, policy),
                started=_RUSHES * policy.freight_per_load,
                most=policy.stockout_cost,
                sure=_SURE,
            )
            if one.stand_in is not None:
                # What it lacks is used of the other, more of it: that costs no night and no rush.
                other, ratio = one.stand_in
                dearer = max(ratio * float(self.planned[other].row["unit_price"]) - price, 0.0)
                worth = partial(level_worth, held=held, short=dearer, sure=_SURE)
            need, _ = needs_by_order(
                one.stock,
                use[place],
                self.come[place],
                self.comes_by(place, None if quantity is None else quantity[one.rows]),
                float(service[place]),
                worth,
                self.known[place] if quantity is None else self._known(place, use[place]),
            )
            found.append(need)
        return found

    def comes_by(self, place: int, quantity: np.ndarray | None = None) -> np.ndarray:
        """Return the days on which the orders come that its needs are counted by, shape (scenarios, ORDERS + 1).

        They are those of its first source, and where another brings more of what is due by then, that one's.
        `quantity` has shape (sources, ORDERS).
        """
        one = self.planned[place]
        found = self.arrives[one.first_row]
        if quantity is None or len(one.sources) == 1:
            return found
        found, most = found.copy(), quantity[0].copy()
        for source, arrives, ordered in zip(
            one.sources[1:], self.arrives[one.rows][1:], quantity[1:], strict=True
        ):
            turns = np.searchsorted(one.due[:ORDERS], source.due[:ORDERS])
            for order, turn in enumerate(turns):
                if turn < ORDERS and ordered[order] > most[turn]:
                    found[:, turn], most[turn] = arrives[:, order], ordered[order]
        return found

    def _load_days(self, one: Planned) -> float:
        """Return for how long a load of its supplier lasts, or what must be ordered of it at least [day]."""
        supplier = one.sources[0].supplier
        of_supplier = [
            other
            for other in self.planned
            if other is one or (supplier and other.sources[0].supplier == supplier)
        ]
        loads = sum(
            other.daily / other.row["load_quantity"]
            for other in of_supplier
            if other.row["load_quantity"] > 0
        )
        least = max(float(np.nan_to_num(one.row["order_minimum"])), one.pack)
        lasts = max(1 / loads if loads > 0 else 0.0, least / max(one.daily, 1e-9))
        return float(np.clip(lasts, 7.0, 365.25))

    def short_before(self, first: int = 0, until: int | None = None) -> list[np.ndarray]:
        """Return what is short by scenario before anything of the plan can have come, from `first` to `until`."""
        nothing = np.zeros((self.planned[-1].rows.stop, ORDERS))
        # Once something of the plan has come in every case, nothing more counts.
        last = max(int(helped.max()) for helped in self.helped)
        until = last if until is None else min(until, last)
        use = self.stood_in(nothing, until)
        found = []
        for place, one in enumerate(self.planned):
            # What it gives for another is that one's shortage: brought once, it would be told twice.
            left = stock_paths(one.stock, self.use[place][:, :until], self.come[place][:, :until])
            day = np.arange(left.shape[1])
            counts = (day >= first) & (day < self.helped[place][:, None])
            if one.stand_in is not None:
                other = one.stand_in[0]
                rest = stock_paths(self.planned[other].stock, use[other], self.come[other][:, :until])
                counts &= rest < -NOTHING
            found.append(np.where(counts, np.maximum(-left, 0.0), 0.0).sum(axis=1))
        return found

    def stock(self, place: int, quantity: np.ndarray, until: int | None = None) -> np.ndarray:
        """Return stock at the end of each day with orders of those quantities, shape (scenarios, days to `until`)."""
        return stock_paths(
            self.planned[place].stock, self.use[place][:, :until], self.receipts(place, quantity, until)
        )

    def at_day_end(self, quantity: np.ndarray, until: int) -> list[np.ndarray]:
        """Return what is on hand at the end of each day, its receipts counted, shape (scenarios, `until`) each.

        Where a material runs out, what stands in for it is used. `quantity` has shape (sources of all, ORDERS).
        """
        use = self.stood_in(quantity, until + 1)
        found = []
        for place, one in enumerate(self.planned):
            come = self.receipts(place, quantity[one.rows], until + 1)
            left = stock_paths(one.stock, use[place], come)
            found.append(np.asarray(np.maximum(left[:, :until], 0.0) + come[:, 1 : until + 1]))
        return found

    def stocks(self, quantity: np.ndarray, until: int) -> list[np.ndarray]:
        """Return stock of each material at the end of each day, with what others take of it.

        `quantity` has shape (sources of all materials, ORDERS), each result shape (scenarios, `until`).
        """
        use = self.stood_in(quantity, until)
        return [
            stock_paths(one.stock, use[place], self.receipts(place, quantity[one.rows], until))
            for place, one in enumerate(self.planned)
        ]

    def run_out(self, stocks: list[np.ndarray]) -> list[np.ndarray]:
        """Say of each material on which days it runs out and nothing can stand in for it."""
        short = [stock < -NOTHING for stock in stocks]
        # What is short is taken of the other; it is a stock-out where that one then runs out too.
        return [
            own if one.stand_in is None else own & short[one.stand_in[0]]
            for own, one in zip(short, self.planned, strict=True)
        ]

    def receipts(self, place: int, quantity: np.ndarray, until: int | None = None) -> np.ndarray:
        """Return receipts of a material by day, those of open orders among them, shape (scenarios, days up to `until`).

        `quantity` has shape (sources, ORDERS), or (ORDERS,) where there is one.
        """
        come = self.come[place][:, :until].copy()
        rows = self.arrives[self.planned[place].rows]
        for arrives, ordered in zip(rows, self.ordered_of_each(place, quantity), strict=True):
            for order, amount in enumerate(ordered.T):
                if not amount.any():
                    continue
                day = arrives[:, order]
                scenarios = np.flatnonzero((day < come.shape[1]) & (amount > 0))
                come[scenarios, day[scenarios]] += amount[scenarios]
        return come

    def ordered(self, place: int, quantity: np.ndarray) -> np.ndarray:
        """Return what will be ordered in each case: later orders follow what is known when they are placed.

        `quantity` has shape (ORDERS,), of all sources. Nothing follows its last order. Parts of packs and loads that
        are moved by a week are not told.
        """
        last = int(np.max(np.flatnonzero(quantity), initial=-1)) + 1
        total = np.cumsum(quantity[:last]) - self.known[place][:, :last]
        total = np.maximum.accumulate(np.maximum(total, 0.0), axis=1)
        ordered = np.zeros((len(total), len(quantity)))
        ordered[:, :last] = np.diff(total, axis=1, prepend=0.0)
        return ordered

    def ordered_of_each(self, place: int, quantity: np.ndarray) -> list[np.ndarray]:
        """Return what will be ordered of each source in each case, each of shape (scenarios, ORDERS).

        More or less is ordered of them as the plan does in that week, and where it orders nothing as it does in all.
        """
        quantity = np.atleast_2d(quantity)
        whole = quantity.sum(axis=0)
        ordered = self.ordered(place, whole)
        if len(quantity) == 1:
            return [ordered]
        # Of those with whom an order can be placed then; of the first of them where the plan orders nothing of any.
        orders = quantity.shape[1]
        can = np.ones((len(quantity), orders), dtype=bool)
        for row, source in enumerate(self.planned[place].sources):
            can[row, : len(source.orders)] = source.orders[:orders]
        in_all = can * quantity.sum(axis=1)[:, None]
        in_all = np.where(in_all.any(axis=0), in_all, np.arange(len(can))[:, None] == can.argmax(axis=0))
        in_all = in_all / in_all.sum(axis=0)
        parts = np.where(whole > 0, quantity / np.where(whole > 0, whole, 1.0), in_all)
        return [ordered * part for part in parts]

    def stood_in(self, quantity: np.ndarray, until: int | None = None) -> list[np.ndarray]:
        """Return use by material up to a day, with what others take of it that it stands in for."""
        use = [of_material[:, :until] for of_material in self.use]
        for place, one in enumerate(self.planned):
            if one.stand_in is not None:
                other, ratio = one.stand_in
                lacking = np.maximum(-self.stock(place, quantity[one.rows], until), 0.0)
                use[other] = use[other] + ratio * lacking
        return use
