"""What to call off in the next 13 weeks: needs from joint paths, the programme's orders, checked on fresh paths."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..beside import beside
from ..prices import price_breaks
from ..tables import OUTPUTS, as_published
from .contract_ends import CONTRACTS, contract_odds
from .contracts import call_offs, with_contracts
from .late_trucks import late_trucks
from .leadtimes import LeadTimes, receipt_days
from .loading import into_loads
from .milp import Item, Offer, Orders, solve
from .plan_tables import SERVICE, expediting, holding, lines, priced, service_held, stock_ahead
from .planned import ORDERS, Planned, Source, horizon, planned_materials
from .rates import holding_rate
from .reasons import REASONS, reasons
from .risk import risk_before_arrival
from .room import peaks, store_room
from .scenarios import Scenarios
from .shortages import ShortageRates, shortage_rates

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs
    from ..plant import Policy

__all__ = ["DRAWS", "FRESH", "OrderPlan", "plan_orders"]

DRAWS, FRESH = 2000, 5000
_SEED = 41
#: Most risk taken before an order, and the least, as times the share of weeks that may be short; plans made again at
#: most; by what part more the risk is lowered than the weeks short ask for.
_MOST_RISK, _LEAST_RISK, _TRIES, _STEP = 25.0, 0.1, 2, 0.8
#: Risk above which none is taken before an order, however many weeks may be short.
_TOO_RISKY = 0.2
#: Freights of a load that a pack short of the least cover for a week, and a pack that no order can bring in time
#: or that the store cannot take, are worth to the programme: the one yields at a price, the other is the last resort.
_LOW_COVER, _LAST_RESORT = 0.05, 5.0
#: Part of a load's freight that it costs to plan a full load for another week than the plan before did: less is not
#: worth telling the supplier something else.
_CHANGED = 0.05
#: Holding costs of what is there beyond the most cover wanted, which takes floor and ages: so many times the rate.
_HIGH_COVER = 4.0


@dataclass(frozen=True)
class OrderPlan:
    """The plan and what it rests on.

    Attributes
    ----------
    published : DataFrame
        Published table ``order_plan``.
    reasons : DataFrame, shape (orders, 17)
        Why each load is ordered (:func:`pressstats.orders.reasons.reasons`).
    service : DataFrame, shape (materials, 11)
        material, weeks_short (share of weeks in which it runs out, on fresh paths, once an order of the plan can have
        come, although what is seen coming is brought by other means), weeks_saved (share of weeks that this saves),
        weeks_rushed (share of weeks in which something is brought so, needed in the end or not), allowed, short_on
        (first day of the first week from as-of on in which it runs out more often than allowed, before that order
        counted in), chance (the stock-out risk before the next order can arrive where that is the cause, else of
        running out in that week, with nothing rushed), on_order (open orders that may come before the next order does)
        [unit of the material], cause (empty where the level holds and nothing is worth a rush), expedite (whole packs
        by other means that hold the level) and at_once (what is worth bringing by them today, since nights that are
        lost cost more and the next look comes too late) [unit of the material]. What runs out before other means can
        bring anything is in neither.
    stock_ahead : DataFrame, shape (materials x days, 5)
        material, day, q05, q50, q95 (on hand at the day's end with the plan's orders) [unit of the material].
    risk : Series, index material
        Stock-out risk before the next order can arrive (:func:`pressstats.orders.risk_before_arrival`).
    late_trucks : DataFrame
        Published table ``late_trucks`` (:func:`pressstats.orders.late_trucks.late_trucks`).
    contracts : DataFrame, shape (running contracts, 19)
        How likely each ends outside its tolerance (:func:`pressstats.orders.contract_ends.contract_odds`).
    freight, holding, expediting : float
        Cost of the plan over its weeks, without what is bought [currency].
    gap : float
        Proven distance of the programme to its least cost, as a share.
    """

    published: pd.DataFrame
    reasons: pd.DataFrame
    service: pd.DataFrame
    stock_ahead: pd.DataFrame
    risk: pd.Series
    late_trucks: pd.DataFrame
    contracts: pd.DataFrame
    freight: float
    holding: float
    expediting: float
    gap: float


def plan_orders(  # noqa: PLR0913 -- what is known, and how far it is searched
    logs: Logs,
    outlook: Outlook,
    stock: pd.DataFrame,
    open_rows: pd.DataFrame,
    before: pd.DataFrame | None = None,
    *,
    nodes: int = 400,
    draws: int = DRAWS,
    fresh_draws: int = FRESH,
    premiums: Mapping[tuple[str, str], float] | None = None,
) -> OrderPlan:
    """Plan the orders of the next 13 review days.

    Parameters
    ----------
    logs : Logs
        The logs.
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    stock : DataFrame
        Result of :func:`pressstats.orders.stock_on_hand`.
    open_rows : DataFrame
        Result of :func:`pressstats.orders.open_orders`: they stay as they are.
    before : DataFrame, optional
        The ``order_plan`` published before this one: what it said is left as it was unless a change is worth it.
    nodes : int
        Nodes after which the search of the programme ends (:func:`pressstats.orders.solve`).
    draws, fresh_draws : int
        Paths from which needs are taken, and on which the plan is checked.

    premiums : mapping, optional
        What a unit of a supplier and material costs beyond its price, by (supplier, material): heavier paper, strip,
        breaks [currency / unit of the material].

    Returns
    -------
    OrderPlan
        Orders, reasons, and how often each material runs out all the same.

    Notes
    -----
    Use comes in joint paths, lateness is drawn for each supplier and order. What has been ordered must last until the
    next order has come in all scenarios but those that are cheaper to rush; what will be known when a later order is
    placed is no risk to it. Stock is kept at the least cover besides where nothing dearer stands against it. The plan
    is then checked on 5,000 paths that its needs were not drawn from: with later orders that follow what is known by
    then, and with what is seen coming brought by other means, weeks in which something runs out must be as rare as
    the service level says; else less risk is taken and the plan is made again.
    """
    times = LeadTimes(logs)
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=horizon(logs, times), freq="D", unit="us")
    receives = receipt_days(logs, days)
    paths, mean = outlook.day_paths(draws, days)
    planned = planned_materials(logs, outlook, stock, open_rows, days, times, receives, mean, premiums)
    called = call_offs(logs, times.forgotten)
    planned = with_contracts(logs, outlook, planned, called, days)
    allowed = 1 - logs.plant.policy.service_level
    if not planned:
        return _empty()
    numbers = [outlook.names.index(one.name) for one in planned]
    known = Scenarios(planned, open_rows, days, times, receives, paths[numbers], _SEED)
    problem = _Problem(logs, known, stock, open_rows, before, nodes)
    # Where loads are large, stock is near its end in few weeks only, and most of what is short then is seen in time
    # to be brought by other means. The service level is a share of all weeks, so that those may be riskier than it:
    # the risk is lowered from its most until the level holds.
    risk = np.full(len(planned), max(min(_MOST_RISK * allowed, _TOO_RISKY), allowed))

    def drawn() -> Scenarios:
        paths, _ = outlook.day_paths(fresh_draws, days, seed=_SEED + 1)
        return Scenarios(planned, open_rows, days, times, receives, paths[numbers], _SEED + 2)

    with ThreadPoolExecutor(max_workers=1) as pool:
        # Drawing leaves Python's lock as the search does: both go on at once.
        checking = pool.submit(drawn)
        orders = problem.solved(known.needs(1 - risk, logs.plant.policy))
        fresh = checking.result()
    orders, short = _less_risk(problem, known, fresh, orders, risk, allowed)
    table = lines(planned, orders, days, fresh)
    published = priced(logs, into_loads(table))
    whys = beside(lambda: reasons(logs, planned, orders, published, fresh, days))
    risk = risk_before_arrival(fresh, orders.quantity)
    ahead = stock_ahead(planned, orders, fresh, days)
    service = service_held(planned, short, fresh, orders, logs.plant.policy, days, risk)
    late = late_trucks(fresh, orders.quantity, open_rows)
    odds = contract_odds(logs, outlook, planned, orders, called, days, ahead)
    return OrderPlan(
        published=as_published(published, "order_plan"),
        reasons=whys(),
        service=service,
        stock_ahead=ahead,
        risk=risk,
        late_trucks=late,
        contracts=odds,
        freight=logs.plant.policy.freight_per_load * published["order"].nunique(),
        holding=holding(logs, planned, orders),
        expediting=expediting(logs, planned, service),
        gap=orders.gap,
    )


def _less_risk(
    problem: _Problem, known: Scenarios, fresh: Scenarios, orders: Orders, risk: np.ndarray, allowed: float
) -> tuple[Orders, ShortageRates]:
    """Lower the risk of materials that run out in more weeks than allowed, in fresh scenarios, and plan again."""
    policy = problem.logs.plant.policy
    short = shortage_rates(fresh, orders.quantity, policy)
    for _ in range(_TRIES):
        found = short.mean_missed
        late = (found > allowed) & (risk > _LEAST_RISK * allowed)
        if not late.any():
            break
        less = np.clip(_STEP * allowed / np.where(late, found, 1.0), 0.05, _STEP)
        risk = np.where(late, np.maximum(less * risk, _LEAST_RISK * allowed), risk)
        again = problem.solved(known.needs(1 - risk, policy, orders.quantity))
        if not np.array_equal(again.quantity, orders.quantity):
            short = shortage_rates(fresh, again.quantity, policy)
        orders = again
    return orders, short


class _Problem:
    """What the programme is told but for the needs."""

    def __init__(
        self,
        logs: Logs,
        known: Scenarios,
        stock: pd.DataFrame,
        open_rows: pd.DataFrame,
        before: pd.DataFrame | None,
        nodes: int,
    ) -> None:
        self.logs, self.planned, self.days, self.nodes = logs, known.planned, known.days, nodes
        self.peaks = [peaks(known, place) for place in range(len(known.planned))]
        self.store = store_room(logs, known, stock, open_rows)
        self.said = [
            [_said(one, source, known.days, before) for source in one.sources] for one in known.planned
        ]
        # On terms that hold later or no more there is no price: the nearest of theirs stands for it.
        self.prices = [
            [
                [
                    price_breaks(logs, one.name, known.days[one.reviews[order]], source.supplier or None)
                    for order in _nearest(source.orders[:ORDERS])
                ]
                for source in one.sources
            ]
            for one in known.planned
        ]
        self.solutions: dict[tuple, Orders] = {}

    def solved(self, needs: Sequence[np.ndarray]) -> Orders:
        """Return the orders that meet needs at least cost."""
        policy = self.logs.plant.policy
        return solve(
            [
                _article(policy, one, need, peak, prices, said)
                for one, need, peak, prices, said in zip(
                    self.planned, needs, self.peaks, self.prices, self.said, strict=True
                )
            ],
            load_cost=policy.freight_per_load,
            holding_rate=holding_rate(policy),
            end=max(int(source.due[-1]) for one in self.planned for source in one.sources),
            store=self.store,
            nodes=self.nodes,
            filled=True,
            whole_order=policy.price_breaks_by == "order",
            solutions=self.solutions,
        )


def _nearest(can: np.ndarray) -> np.ndarray:
    """Return for each order the nearest that can be placed, the earlier of two."""
    places = np.flatnonzero(can)
    return places[np.abs(np.arange(len(can))[:, None] - places).argmin(axis=1)]


def _said(one: Planned, source: Source, days: pd.DatetimeIndex, before: pd.DataFrame | None) -> np.ndarray:
    """Return what the plan before ordered of a source at each review; nothing is known past its last order."""
    if before is None or before.empty:
        return np.zeros(0)
    own_rows = before["material"] == one.name
    if len(one.sources) > 1:
        # A plan that names no supplier tells nothing of several.
        if "supplier" not in before:
            return np.zeros(0)
        own_rows &= before["supplier"] == source.supplier
    ordered = before[own_rows].groupby("order_on")["quantity"].sum()
    reviews = days[one.reviews[:ORDERS]]
    # On another review day every order would seem a change.
    if not set(reviews.day_of_week) & set(before["order_on"].dt.day_of_week):
        return np.zeros(0)
    said = ordered.reindex(reviews, fill_value=0.0).to_numpy(dtype=float)
    return np.where((reviews <= before["order_on"].max()) & source.orders[:ORDERS], said, np.nan)


def _article(
    policy: Policy,
    one: Planned,
    needs: np.ndarray,
    peak: np.ndarray,
    prices: Sequence[list[list[tuple[float, float]]]],
    said: Sequence[np.ndarray],
) -> Item:
    """Return a material as the programme sees it; `prices` and `said` by source."""
    row, due = one.row, one.due[:ORDERS]
    most = float(row["storage_maximum"]) if np.isfinite(row["storage_maximum"]) else np.inf
    price = prices[0][0][0][1]
    freight = max(policy.freight_per_load, 100.0 * price)
    newsprint = row["kind"] == "newsprint" and row["unit"] == "kg"
    # The least cover is held when the next order is due, the most when it has come.
    low = np.maximum(policy.cover_days_minimum * one.daily - one.mean[one.due[1:]], 0.0)
    high = np.maximum(policy.cover_days_maximum * one.daily - one.mean[due], 0.0)
    most_used = float(max(needs.max(initial=0.0), high.max(initial=0.0)))
    return Item(
        name=one.name,
        offers=tuple(
            Offer(
                supplier=source.supplier,
                pack=source.pack,
                load=source.load if np.isfinite(source.load) else 1e4 * source.pack,
                minimum=source.minimum,
                due=source.due[:ORDERS],
                prices=tiers,
                premium=source.premium,
                # What cannot be used in time is not bought, whatever the contract says.
                limits=tuple(
                    replace(limit, least=min(limit.least, most_used + source.pack)) for limit in source.limits
                ),
                shares=source.shares,
                closed=~source.open[:ORDERS],
                before=before,
                change_cost=_CHANGED
                * policy.freight_per_load
                / (source.load if np.isfinite(source.load) else 1e4 * source.pack),
            )
            for source, tiers, before in zip(one.sources, prices, said, strict=True)
        ),
        needs=needs,
        free=np.full(ORDERS, 1e12) if np.isinf(most) else np.maximum(most - peak, 0.0),
        capacity=most,
        # What lacks is never free, or nothing would be ordered.
        expedite=max(_LAST_RESORT * freight / one.pack, 2 * price, 1.0 / one.pack),
        low=np.maximum.accumulate(low),
        high=high,
        low_cost=_LOW_COVER * freight / one.pack,
        high_cost=_HIGH_COVER * holding_rate(policy) * 7 / 365.25 * price,
        room=1.0 if newsprint else 0.0,
        unit=str(row["unit"]),
    )


def _empty() -> OrderPlan:
    return OrderPlan(
        OUTPUTS["order_plan"].empty(),
        pd.DataFrame({name: [] for name in REASONS}).astype(REASONS),
        pd.DataFrame(columns=SERVICE),
        pd.DataFrame(columns=["material", "day", "q05", "q50", "q95"]),
        pd.Series(dtype="float64", name="risk", index=pd.Index([], dtype="str", name="material")),
        OUTPUTS["late_trucks"].empty(),
        pd.DataFrame({name: [] for name in CONTRACTS}).astype(CONTRACTS),
        0.0,
        0.0,
        0.0,
        0.0,
    )
