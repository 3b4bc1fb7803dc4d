"""What may happen to the materials that are planned: use, lateness and receipts, path by path."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from ..demand import Outlook
from ..logs import Logs
from ..plant import Policy
from .leadtimes import LeadTimes, arrivals, lead_days
from .needs import level_worth, needs_by_order, stock_paths, unhelped_stock
from .prices import expedite_price

__all__ = [
    "ORDERS",
    "Cases",
    "Planned",
    "Short",
    "horizon",
    "planned_materials",
]

#: Review days planned.
ORDERS = 13
#: Standard errors by which the cases must tell that more stock is worth its money.
_SURE = 1.0
#: Below this a stock is not short but rounded [unit of the material].
_NOTHING = 1e-6


@dataclass(frozen=True)
class Planned:
    """A material that can be planned.

    Attributes
    ----------
    name, supplier : str
        Material and supplier.
    row : Series
        Its row of ``materials``.
    stock : float
        On hand [unit of the material].
    reviews, due : ndarray of int, shape (ORDERS + 1,)
        Days, from the one after as-of, on which orders are placed, and whose issues they are the first to serve:
        the day after the promised one, since an issue is printed the evening before. One more than is planned.
    mean : ndarray, shape (days,)
        Expected stock before the printing of each day's issue without the plan's orders [unit of the material].
    daily : float
        Mean use of a day [unit of the material].
    expected : ndarray, shape (days,)
        Open orders on the days that they are promised for, as `mean` counts them [unit of the material].
    stand_in : (int, float) or None
        Place of the material that can stand in for it among those planned, and how much of that one a unit takes.
    """

    name: str
    supplier: str
    row: pd.Series
    stock: float
    reviews: np.ndarray
    due: np.ndarray
    mean: np.ndarray
    daily: float
    expected: np.ndarray
    stand_in: tuple[int, float] | None = None


def horizon(logs: Logs, times: LeadTimes) -> int:
    """Return how many days are looked ahead: the plan, and what its last order must last."""
    longest = max(lead_days(logs, times).values(), default=0) if logs.has("materials") else 0
    return 7 * (ORDERS + 1) + 2 * min(longest, 180) + 42


def planned_materials(
    logs: Logs,
    outlook: Outlook,
    stock: pd.DataFrame,
    open_rows: pd.DataFrame,
    days: pd.DatetimeIndex,
    times: LeadTimes,
    receives: np.ndarray,
    mean: np.ndarray,
) -> list[Planned]:
    """Return the materials of which stock, use and its spread are known."""
    if not logs.has("materials"):
        return []
    levels = dict(zip(stock["material"], stock["quantity"], strict=True))
    review = np.flatnonzero([name.lower() == logs.plant.policy.review_day for name in days.day_name()])
    found = []
    leads = lead_days(logs, times)
    for _, row in logs["materials"].iterrows():
        name, quantity = str(row["material"]), levels.get(row["material"], np.nan)
        if name not in outlook.names or np.isnan(quantity):
            continue
        use = mean[outlook.names.index(name)]
        if (
            not np.isfinite(use).all()
            or not np.isfinite(outlook.forecast.judgement.size[outlook.names.index(name)]).all()
        ):
            continue
        supplier = str(row["supplier"]) if isinstance(row["supplier"], str) else ""
        lead = leads[name]
        reviews = review[: ORDERS + 1]
        # Nothing comes on the day that it is ordered.
        due = np.minimum(receives[np.minimum(reviews + max(lead, 1), len(days) - 1)] + 1, len(days) - 1)
        come = np.zeros(len(days))
        for order in open_rows[open_rows["material"] == name].itertuples():
            if order.delivery_id in times.forgotten:
                continue
            day = max((order.promised_on - days[0]).days, 0)
            if day < len(days) and receives[day] + 1 < len(days):
                come[receives[day] + 1] += order.quantity
        level = unhelped_stock(quantity, use, come, int(due[0]))
        found.append(Planned(name, supplier, row, quantity, reviews, due, level, float(use.mean()), come))
    return _with_stand_ins(found)


def _with_stand_ins(planned: list[Planned]) -> list[Planned]:
    """Say of each newsprint which other can stand in for it: a wider or heavier web takes more of it."""
    places = {one.name: place for place, one in enumerate(planned)}
    found = dict.fromkeys(places)
    for place, one in enumerate(planned):
        target = one.row["stands_in_for"]
        if not isinstance(target, str) or target not in places or one.row["kind"] != "newsprint":
            continue
        row = planned[places[target]].row
        size = [float(r["width_mm"]) * float(r["grammage_gsm"]) for r in (one.row, row)]
        if all(np.isfinite(size)) and size[1] > 0:
            found[target] = (place, size[0] / size[1])
    return [replace(one, stand_in=found[one.name]) for one in planned]


@dataclass(frozen=True)
class Short:
    """How often materials run out.

    Attributes
    ----------
    share, early : ndarray, shape (materials, weeks)
        Share of cases in which a material runs out in a week, and nothing can stand in for it: once something of the
        plan has come, and before.
    after : ndarray of bool, shape (materials, weeks)
        Weeks that the plan's orders decide.
    """

    share: np.ndarray
    early: np.ndarray
    after: np.ndarray

    @property
    def mean(self) -> np.ndarray:
        """Share of weeks short of each material, of those that the plan decides; NaN where there are none."""
        told = np.where(self.after, self.share, np.nan)
        known = self.after.any(axis=1)
        means = np.full(len(told), np.nan)
        means[known] = np.nanmean(told[known], axis=1)
        return means


class Cases:
    """Cases of use and lateness of the planned materials, equally likely.

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
    use : ndarray, shape (materials, cases, days)
        Use of each day [unit of the material].
    seed : int
        Seed of the lateness.

    Attributes
    ----------
    come : list of ndarray, shape (cases, days)
        Receipts of the open orders.
    arrives : list of ndarray of int, shape (cases, ORDERS + 1)
        Days on which orders of the plan would come.
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
        self.planned, self.use, self.days = planned, use, days
        draws = use.shape[1]
        # One truck brings all that is ordered of a supplier on a day: it is as late for all.
        late = {
            supplier: times.draw(supplier, (draws, ORDERS + 1), rng)
            for supplier in dict.fromkeys(one.supplier for one in planned)
        }
        self.come = arrivals(times, open_rows, days, receives, [one.name for one in planned], draws, rng)
        # An order comes the day after it was placed at the earliest, and on a day that receives; it serves from the
        # next issue on.
        self.arrives = [
            receives[np.clip(one.due - 1 + late[one.supplier], one.reviews + 1, len(days) - 1)] + 1
            for one in planned
        ]
        #: Day from which anything of the plan can help, by material and case.
        self.helped = [arrives.min(axis=1) for arrives in self.arrives]

    def few(self, count: int) -> Cases:
        """Return the first `count` cases by themselves."""
        part = copy(self)
        part.use = self.use[:, :count]
        part.come = [come[:count] for come in self.come]
        part.arrives = [arrives[:count] for arrives in self.arrives]
        part.helped = [helped[:count] for helped in self.helped]
        return part

    def needs(
        self, service: np.ndarray, policy: Policy, quantity: np.ndarray | None = None
    ) -> list[np.ndarray]:
        """Return what each order must have been preceded by, in all, by material.

        Parameters
        ----------
        service : ndarray, shape (materials,)
            Share of cases that must be covered until the next order has come.
        policy : Policy
            Costs of holding, expediting and running out: where more than the service level is worth its money, more
            is needed.
        quantity : ndarray, shape (materials, ORDERS), optional
            Orders of an earlier plan: what a material lacks with them is used of what stands in for it.

        Returns
        -------
        list of ndarray, shape (ORDERS,)
            Needs by material [unit of the material].
        """
        use = list(self.use) if quantity is None else self._stood_in(quantity)
        found = []
        for place, one in enumerate(self.planned):
            price = float(one.row["unit_price"])
            held = price * policy.holding_cost_rate * 7 / 365.25
            worth: Callable[[np.ndarray, float], float] = partial(
                level_worth,
                held=held,
                short=expedite_price(one.row, policy),
                started=policy.load_cost,
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
                self.arrives[place],
                float(service[place]),
                worth,
            )
            found.append(need)
        return found

    def short_before(self, first: int = 0, until: int | None = None) -> list[np.ndarray]:
        """Return what is short before anything of the plan can have come, by material.

        Parameters
        ----------
        first, until : int
            Days from and before which shortage counts.

        Returns
        -------
        list of ndarray, shape (cases,)
            Shortages in all [unit of the material]: no order of the plan can help them.
        """
        nothing = np.zeros((len(self.planned), ORDERS))
        # Once something of the plan has come in every case, nothing more counts.
        last = max(int(helped.max()) for helped in self.helped)
        until = last if until is None else min(until, last)
        use = self._stood_in(nothing, until)
        found = []
        for place, one in enumerate(self.planned):
            # What it gives for another is that one's shortage: brought once, it would be told twice.
            left = stock_paths(one.stock, self.use[place][:, :until], self.come[place][:, :until])
            day = np.arange(left.shape[1])
            counts = (day >= first) & (day < self.helped[place][:, None])
            if one.stand_in is not None:
                other = one.stand_in[0]
                rest = stock_paths(self.planned[other].stock, use[other], self.come[other][:, :until])
                counts &= rest < -_NOTHING
            found.append(np.where(counts, np.maximum(-left, 0.0), 0.0).sum(axis=1))
        return found

    def stock(self, place: int, quantity: np.ndarray, until: int | None = None) -> np.ndarray:
        """Return stock at the end of each day with orders of those quantities, shape (cases, days up to `until`)."""
        return stock_paths(
            self.planned[place].stock, self.use[place][:, :until], self._receipts(place, quantity, until)
        )

    def at_day_end(self, quantity: np.ndarray, until: int) -> list[np.ndarray]:
        """Return what is on hand of each material at the end of each day, its receipts counted, shape (cases, `until`).

        Where a material runs out, what stands in for it is used. `quantity` has shape (materials, ORDERS).
        """
        use = self._stood_in(quantity, until + 1)
        found = []
        for place, one in enumerate(self.planned):
            come = self._receipts(place, quantity[place], until + 1)
            left = stock_paths(one.stock, use[place], come)
            found.append(np.asarray(np.maximum(left[:, :until], 0.0) + come[:, 1 : until + 1]))
        return found

    def out(self, quantity: np.ndarray, until: int) -> list[np.ndarray]:
        """Say of each material on which days it runs out with those orders and nothing can stand in for it.

        `quantity` has shape (materials, ORDERS), each result shape (cases, `until`).
        """
        use = self._stood_in(quantity, until)
        out = [
            stock_paths(one.stock, use[place], self._receipts(place, quantity[place], until)) < -_NOTHING
            for place, one in enumerate(self.planned)
        ]
        # What is short is taken of the other; it is a stock-out where that one then runs out too.
        return [
            mine if one.stand_in is None else mine & out[one.stand_in[0]]
            for mine, one in zip(out, self.planned, strict=True)
        ]

    def weeks_short(self, quantity: np.ndarray) -> Short:
        """Return how often each material runs out in each week with orders of those quantities.

        Parameters
        ----------
        quantity : ndarray, shape (materials, ORDERS)
            Orders [unit of the material].
        """
        weeks = min(max(int(one.due[-1]) for one in self.planned) // 7 + 1, len(self.days) // 7)
        shape = (len(self.planned), weeks)
        share, early, after = np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=bool)
        for place, (one, short) in enumerate(zip(self.planned, self.out(quantity, 7 * weeks), strict=True)):
            # Nothing of the plan helps before it has come.
            helped = np.arange(7 * weeks) >= self.helped[place][:, None]
            for counted, days in ((share, short & helped), (early, short & ~helped)):
                counted[place] = days.reshape(len(short), weeks, 7).any(axis=2).mean(axis=0)
            # The weeks that the plan decides: from the first that half of the first orders have come in, to that of
            # the order that comes after the plan's last.
            first = int(np.median(self.helped[place])) // 7
            after[place, first : min(int(one.due[ORDERS]) // 7, weeks)] = True
        return Short(share, early, after)

    def _receipts(self, place: int, quantity: np.ndarray, until: int | None) -> np.ndarray:
        come = self.come[place][:, :until].copy()
        for order, amount in enumerate(quantity):
            arrives = self.arrives[place][:, order]
            rows = np.flatnonzero(arrives < come.shape[1])
            if amount > 0:
                come[rows, arrives[rows]] += amount
        return come

    def _stood_in(self, quantity: np.ndarray, until: int | None = None) -> list[np.ndarray]:
        """Return use by material up to a day, with what others take of it that it stands in for."""
        use = [mine[:, :until] for mine in self.use]
        for place, one in enumerate(self.planned):
            if one.stand_in is not None:
                other, ratio = one.stand_in
                lacking = np.maximum(-self.stock(place, quantity[place], until), 0.0)
                use[other] = use[other] + ratio * lacking
        return use
