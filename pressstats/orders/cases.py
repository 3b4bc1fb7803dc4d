"""What may happen to the materials that are planned: use, lateness and receipts, path by path."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from ..demand import Outlook
from ..logs import Logs
from ..plant import Policy
from .leadtimes import LeadTimes, arrivals
from .needs import level_needed, level_worth, needs_by_order, stock_paths

__all__ = [
    "ORDERS",
    "Cases",
    "Planned",
    "Short",
    "expedite_price",
    "horizon",
    "lead_days",
    "planned_materials",
]

#: Review days planned.
ORDERS = 13
#: Days by which lead times of one supplier's materials may differ and yet they come together.
_ONE_TRUCK = 2


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
        Days, from the one after as-of, on which orders are placed and promised; one more than is planned.
    mean : ndarray, shape (days,)
        Expected stock at the start of each day without the plan's orders [unit of the material].
    daily : float
        Mean use of a day [unit of the material].
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
    stand_in: tuple[int, float] | None = None


def lead_days(logs: Logs, times: LeadTimes) -> dict[str, int]:
    """Return the days from order to promise of each material.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``.
    times : LeadTimes
        What suppliers lately promised.

    Returns
    -------
    dict of int
        Days by material [day]. Materials of one supplier that differ by a few days only come on one truck, with the
        slowest of them.
    """
    rows = logs["materials"]
    found: dict[str, int] = {}
    for supplier, mine in rows.groupby(rows["supplier"].fillna("")):
        days = {
            str(name): times.promised(str(supplier), str(name), float(np.nan_to_num(listed)))
            for name, listed in zip(mine["material"], mine["lead_time_days"], strict=True)
        }
        longest = -1
        for name in sorted(days, key=lambda name: (-days[name], name)):
            if days[name] < longest - _ONE_TRUCK or longest < 0:
                longest = days[name]
            found[name] = longest
    return found


def horizon(logs: Logs) -> int:
    """Return how many days are looked ahead: the plan, and what its last order must last."""
    longest = float(logs["materials"]["lead_time_days"].max()) if logs.has("materials") else 0.0
    return int(7 * (ORDERS + 1) + 2 * min(longest, 120) + 42)


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
        due = receives[np.minimum(reviews + lead, len(days) - 1)]
        come = np.zeros(len(days))
        for order in open_rows[open_rows["material"] == name].itertuples():
            day = max((order.promised_on - days[0]).days, 0)
            if day < len(days):
                come[receives[day]] += order.quantity
        level = quantity + np.cumsum(come) - np.append(0.0, np.cumsum(use)[:-1])
        # What runs out before the first order can come is not printed, and not owed to later days.
        lost = np.maximum.accumulate(np.maximum(use - level, 0.0))
        lost[due[0] :] = lost[due[0] - 1] if due[0] else 0.0
        level[1:] += lost[:-1]
        found.append(Planned(name, supplier, row, quantity, reviews, due, level, float(use.mean())))
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
    share : ndarray, shape (materials, weeks)
        Share of cases in which a material runs out in a week, and nothing can stand in for it.
    after : ndarray of bool, shape (materials, weeks)
        Weeks that the plan's orders can help.
    """

    share: np.ndarray
    after: np.ndarray

    @property
    def mean(self) -> np.ndarray:
        """Share of weeks short of each material, of those that the plan can help; NaN where there are none."""
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
        self.come = [arrivals(times, open_rows, days, receives, one.name, draws, rng) for one in planned]
        # An order comes the day after it was placed at the earliest, and on a day that receives.
        self.arrives = [
            receives[np.clip(one.due + late[one.supplier], one.reviews + 1, len(days) - 1)] for one in planned
        ]

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
            worth: Callable[[np.ndarray, float], float] = partial(
                level_worth,
                held=price * policy.holding_cost_rate * 7 / 365.25,
                short=expedite_price(one.row, policy),
                started=policy.load_cost,
                most=policy.stockout_cost,
            )
            # What a material with a stand-in lacks is used of the other: it costs no night and no rush.
            if one.stand_in is not None:
                worth = level_needed
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

    def short_before(self, until: int | None = None) -> list[np.ndarray]:
        """Return what is short before the first order of the plan, and before day `until`, by material.

        Returns
        -------
        list of ndarray, shape (cases,)
            Shortages in all [unit of the material]: no order of the plan can help them.
        """
        found = []
        for place, one in enumerate(self.planned):
            left = stock_paths(one.stock, self.use[place][:, :until], self.come[place][:, :until])
            first = np.arange(left.shape[1]) < self.arrives[place][:, :1]
            found.append(np.where(first, np.maximum(-left, 0.0), 0.0).sum(axis=1))
        return found

    def stock(self, place: int, quantity: np.ndarray, until: int | None = None) -> np.ndarray:
        """Return stock at the end of each day with orders of those quantities, shape (cases, days up to `until`)."""
        return stock_paths(
            self.planned[place].stock, self.use[place][:, :until], self._receipts(place, quantity, until)
        )

    def weeks_short(self, quantity: np.ndarray) -> Short:
        """Return how often each material runs out in each week with orders of those quantities.

        Parameters
        ----------
        quantity : ndarray, shape (materials, ORDERS)
            Orders [unit of the material].
        """
        weeks = int(self.planned[0].due[-1]) // 7 + 1
        until = min(7 * weeks, len(self.days))
        share, after = np.zeros((len(self.planned), weeks)), np.zeros((len(self.planned), weeks), dtype=bool)
        use = self._stood_in(quantity)
        out = [
            stock_paths(one.stock, use[place][:, :until], self._receipts(place, quantity[place], until))
            < -1e-6
            for place, one in enumerate(self.planned)
        ]
        for place, one in enumerate(self.planned):
            short = out[place]
            if one.stand_in is not None:
                # What is short is taken of the other; it is a stock-out where that one then runs out too.
                short = short & out[one.stand_in[0]]
            whole = short[:, : 7 * (until // 7)].reshape(len(short), -1, 7).any(axis=2)
            share[place, : whole.shape[1]] = whole.mean(axis=0)
            # Weeks before the first order has surely come are beyond any order's help, and so are those that the
            # order after the plan's last would have to cover.
            last = min(int(one.due[ORDERS]) // 7, whole.shape[1])
            after[place, int(np.quantile(self.arrives[place][:, 0], 0.999)) // 7 + 1 : last] = True
        return Short(share, after)

    def _receipts(self, place: int, quantity: np.ndarray, until: int | None) -> np.ndarray:
        come = self.come[place][:, :until].copy()
        for order, amount in enumerate(quantity):
            arrives = self.arrives[place][:, order]
            rows = np.flatnonzero(arrives < come.shape[1])
            if amount > 0:
                come[rows, arrives[rows]] += amount
        return come

    def _stood_in(self, quantity: np.ndarray) -> list[np.ndarray]:
        """Return use by material, with what others take of it that it stands in for."""
        use = list(self.use)
        for place, one in enumerate(self.planned):
            if one.stand_in is not None:
                other, ratio = one.stand_in
                use[other] = use[other] + ratio * np.maximum(-self.stock(place, quantity[place]), 0.0)
        return use


def expedite_price(row: pd.Series, policy: Policy) -> float:
    """Return what bringing a unit by other means costs; of what is not bought by weight or volume, half its price.

    Parameters
    ----------
    row : Series
        Row of ``materials``.
    policy : Policy
        The plant's policy.

    Returns
    -------
    float
        Cost [currency / unit of the material].
    """
    return policy.expedite_cost_per_t / 1000 if row["unit"] in ("kg", "l") else 0.5 * float(row["unit_price"])
