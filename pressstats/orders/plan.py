"""What to call off in the next 13 weeks: needs from joint paths, the programme's orders, checked on fresh paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..demand import Outlook
from ..logs import Logs
from ..plant import WEEKDAYS, Policy
from ..tables import OUTPUTS, as_published
from .leadtimes import LeadTimes
from .loading import into_loads
from .needs import level_needed, needs_by_order, stock_paths
from .prices import price_breaks, price_of
from .programme import Article, Orders, solve

__all__ = ["DRAWS", "FRESH", "ORDERS", "OrderPlan", "Planned", "lead_days", "plan_orders"]

#: Review days planned.
ORDERS = 13
DRAWS, FRESH = 2000, 5000
_SEED = 41
#: Days by which lead times of one supplier's materials may differ and yet they come together.
_ONE_TRUCK = 2
#: Plans made at most until fresh paths hold the level; each time what failed is asked to be so much surer.
_TRIES, _SURER = 3, 0.4
#: Freights of a load that a pack short of the least cover for a week, and a pack that no order can bring in time
#: or that the store cannot take, are worth to the programme: the one yields at a price, the other is the last resort.
_LOW_COVER, _LAST_RESORT = 0.05, 5.0


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
    """

    name: str
    supplier: str
    row: pd.Series
    stock: float
    reviews: np.ndarray
    due: np.ndarray
    mean: np.ndarray
    daily: float


@dataclass(frozen=True)
class OrderPlan:
    """The plan and what it rests on.

    Attributes
    ----------
    published : DataFrame
        Published table ``order_plan``.
    reasons : DataFrame, shape (orders, 2)
        order (load) and why, in a sentence.
    service : DataFrame, shape (materials, 7)
        material, weeks_short (share of weeks in which it runs out, on fresh paths, from the first order that
        can come on), allowed, short_on (first day of the first week in which it runs out more often than
        allowed, before that order counted in), chance (of running out in that week), expedite (quantity by other
        means that would hold the level) [unit of the material], surer (how much rarer than allowed the plan was
        asked to run out).
    freight, holding, expediting : float
        Cost of the plan over its weeks, without what is bought [currency].
    gap : float
        Proven distance of the programme to its least cost, as a share.
    """

    published: pd.DataFrame
    reasons: pd.DataFrame
    service: pd.DataFrame
    freight: float
    holding: float
    expediting: float
    gap: float


def plan_orders(
    logs: Logs,
    outlook: Outlook,
    stock: pd.DataFrame,
    open_rows: pd.DataFrame,
    seconds: float = 4.0,
    draws: int = DRAWS,
    fresh_draws: int = FRESH,
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
    seconds : float
        Most time for one solution of the programme [s].
    draws, fresh_draws : int
        Paths from which needs are taken, and on which the plan is checked.

    Returns
    -------
    OrderPlan
        Orders, reasons, and how often each material runs out all the same.

    Notes
    -----
    Use comes in joint paths, lateness is drawn for each supplier and order. What has been ordered must last until the
    next order has come in all weeks but those that the service level gives up; stock is kept at the least cover
    besides where nothing dearer stands against it. The plan is then checked on 5,000 paths that it was not made from.
    """
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=_horizon(logs), freq="D", unit="us")
    times = LeadTimes(logs)
    receives = _receipts(logs, days)
    paths, mean = outlook.day_paths(draws, days)
    planned = _planned(logs, outlook, stock, open_rows, days, times, receives, mean)
    service = logs.plant.policy.service_level
    allowed = 1 - service
    if not planned:
        return _empty()
    numbers = [outlook.names.index(one.name) for one in planned]
    known = _Draws(planned, open_rows, days, times, receives, paths[numbers], _SEED)
    fresh_use = outlook.day_paths(fresh_draws, days, seed=_SEED + 1)[0][numbers]
    fresh = _Draws(planned, open_rows, days, times, receives, fresh_use, _SEED + 2)
    surer = np.ones(len(planned))
    asked: list[np.ndarray] = []
    for _ in range(_TRIES):
        needs, before = known.needs(1 - allowed * surer, logs.plant.policy)
        # Where the paths know nothing rarer, or the store is the limit, asking again gives the same plan.
        if asked and all(np.array_equal(old, new) for old, new in zip(asked, needs, strict=True)):
            break
        asked = needs
        articles = [_article(logs, one, need, days) for one, need in zip(planned, needs, strict=True)]
        orders = solve(
            articles,
            load_cost=logs.plant.policy.load_cost,
            holding_rate=logs.plant.policy.holding_cost_rate,
            end=int(planned[0].due[-1]),
            store=_store(logs, planned),
            seconds=seconds,
            filled=True,
        )
        short = fresh.weeks_short(orders.quantity)
        mean_share = np.nanmean(np.where(short.after, short.share, np.nan), axis=1)
        late = mean_share > allowed
        if not late.any():
            break
        surer = np.where(late, surer * _SURER, surer)
    table = _lines(planned, orders, days, fresh)
    published = _priced(logs, into_loads(table))
    return OrderPlan(
        published=as_published(published, "order_plan"),
        reasons=_reasons(planned, orders, published, fresh, days),
        service=_service(planned, short, before, orders, allowed, surer, days),
        freight=logs.plant.policy.load_cost * published["order"].nunique(),
        holding=_holding(logs, planned, orders),
        expediting=_expediting(logs, planned, orders),
        gap=orders.gap,
    )


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


def _horizon(logs: Logs) -> int:
    """Return how many days are looked ahead: the plan, and what its last order must last."""
    longest = float(logs["materials"]["lead_time_days"].max()) if logs.has("materials") else 0.0
    return int(7 * (ORDERS + 1) + 2 * min(longest, 120) + 42)


def _receipts(logs: Logs, days: pd.DatetimeIndex) -> np.ndarray:
    """Return for each day the first one from it on that receives, shape (days,)."""
    closed = set(logs.plant.calendar.no_receipts)
    opens = np.array([name.lower() not in closed for name in days.day_name()])
    if len(closed) == len(WEEKDAYS) or not opens.any():
        return np.arange(len(days))
    place = np.where(opens, np.arange(len(days)), len(days) - 1)
    return np.asarray(np.minimum.accumulate(place[::-1])[::-1])


def _planned(
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
        found.append(Planned(name, supplier, row, quantity, reviews, due, level, float(use.mean())))
    return found


def _open_receipts(
    times: LeadTimes,
    open_rows: pd.DataFrame,
    days: pd.DatetimeIndex,
    receives: np.ndarray,
    material: str,
    draws: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw the receipts of a material's open orders by day, shape (draws, days)."""
    come = np.zeros((draws, len(days)))
    for order in open_rows[open_rows["material"] == material].itertuples():
        due = (order.promised_on - days[0]).days
        supplier = order.supplier if isinstance(order.supplier, str) else None
        # As-of has passed without it: what is overdue is as late as what came later than that.
        late = times.draw(supplier, draws, rng, over=-1 - due)
        day = np.maximum(due + late, 0)
        inside = np.flatnonzero(day < len(days))
        come[inside, receives[day[inside]]] += order.quantity
    return come


@dataclass(frozen=True)
class _Short:
    """How often each material runs out in each week: share of paths, and whether an order can help."""

    share: np.ndarray
    after: np.ndarray
    first: np.ndarray


class _Draws:
    """Paths of use and lateness of the planned materials."""

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
        late = {
            supplier: times.draw(supplier, (draws, ORDERS + 1), rng)
            for supplier in dict.fromkeys(one.supplier for one in planned)
        }
        self.come = [
            _open_receipts(times, open_rows, days, receives, one.name, draws, rng) for one in planned
        ]
        # An order comes the day after it was placed at the earliest, and on a day that receives.
        self.arrives = [
            receives[np.clip(one.due + late[one.supplier], one.reviews + 1, len(days) - 1)] for one in planned
        ]

    def needs(self, service: np.ndarray, policy: Policy) -> tuple[list[np.ndarray], list[np.ndarray]]:
        """Return needs before each order and shortages before the first, by material.

        A night that cannot be printed may cost more than the stock that would have saved it: then more is needed
        than the service level asks.
        """
        found = [
            needs_by_order(
                one.stock,
                self.use[place],
                self.come[place],
                self.arrives[place],
                float(service[place]),
                held=float(one.row["unit_price"]) * policy.holding_cost_rate * 7 / 365.25,
                penalty=policy.stockout_cost,
            )
            for place, one in enumerate(self.planned)
        ]
        return [need for need, _ in found], [before for _, before in found]

    def stock(self, place: int, quantity: np.ndarray, until: int | None = None) -> np.ndarray:
        """Return stock at the end of each day with orders of those quantities, shape (draws, days up to `until`)."""
        come = self.come[place][:, :until].copy()
        for order, amount in enumerate(quantity):
            arrives = self.arrives[place][:, order]
            rows = np.flatnonzero(arrives < come.shape[1])
            if amount > 0:
                come[rows, arrives[rows]] += amount
        return stock_paths(self.planned[place].stock, self.use[place][:, :until], come)

    def weeks_short(self, quantity: np.ndarray) -> _Short:
        """Return the share of paths that run out, by material and week of the plan."""
        weeks = int(self.planned[0].due[-1]) // 7 + 1
        share, after = np.zeros((len(self.planned), weeks)), np.zeros((len(self.planned), weeks), dtype=bool)
        for place in range(len(self.planned)):
            left = self.stock(place, quantity[place], 7 * weeks)
            left = left[:, : 7 * (left.shape[1] // 7)]
            out = (left < -1e-6).reshape(len(left), -1, 7).any(axis=2)
            share[place, : out.shape[1]] = out.mean(axis=0)
            # Weeks before the first order has surely come are beyond any order's help, and so are those that the
            # order after the plan's last would have to cover.
            last = min(int(self.planned[place].due[ORDERS]) // 7, out.shape[1])
            after[place, int(np.quantile(self.arrives[place][:, 0], 0.999)) // 7 + 1 : last] = True
        return _Short(share, after, np.array([int(arrive[:, 0].min()) for arrive in self.arrives]))


def _article(logs: Logs, one: Planned, needs: np.ndarray, days: pd.DatetimeIndex) -> Article:
    """Return a material as the programme sees it."""
    row, policy = one.row, logs.plant.policy
    due = one.due[:ORDERS]
    price = [price_breaks(logs, one.name, days[review]) for review in one.reviews[:ORDERS]]
    most = float(row["storage_maximum"]) if np.isfinite(row["storage_maximum"]) else np.inf
    pack = float(row["pack_quantity"]) if row["pack_quantity"] > 0 else 1.0
    load = float(row["load_quantity"]) if row["load_quantity"] > 0 else max(pack, 1e4 * pack)
    freight = max(policy.load_cost, 100.0 * price[0][0][1])
    newsprint = row["kind"] == "newsprint" and row["unit"] == "kg"
    # The least cover is held when the next order is due.
    low = np.maximum(policy.cover_days_minimum * one.daily - one.mean[one.due[1:]], 0.0)
    return Article(
        name=one.name,
        supplier=one.supplier,
        pack=pack,
        load=max(load, pack),
        minimum=float(np.nan_to_num(row["order_minimum"])),
        needs=needs,
        due=due,
        free=np.full(ORDERS, 1e12) if np.isinf(most) else np.maximum(most - one.mean[due], 0.0),
        prices=price,
        expedite=_LAST_RESORT * freight / pack,
        low=np.maximum.accumulate(low),
        low_cost=_LOW_COVER * freight / pack,
        room=1.0 if newsprint else 0.0,
    )


def _store(logs: Logs, planned: Sequence[Planned]) -> np.ndarray | None:
    """Return the newsprint that may be added in all by each order, None where the store has no limit."""
    most = logs.plant.policy.newsprint_storage_maximum_kg
    paper = [one for one in planned if one.row["kind"] == "newsprint" and one.row["unit"] == "kg"]
    if most is None or not paper:
        return None
    due = np.max([one.due[:ORDERS] for one in paper], axis=0)
    held = np.sum([one.mean[due] for one in paper], axis=0)
    return np.asarray(np.maximum(most - held, 0.0))


def _lines(planned: Sequence[Planned], orders: Orders, days: pd.DatetimeIndex, fresh: _Draws) -> pd.DataFrame:
    """Return what is ordered of each material at each review, with stock before and the chance to have run out."""
    rows = []
    for place, one in enumerate(planned):
        quantity = orders.quantity[place]
        if not quantity.any():
            continue
        out = np.maximum.accumulate(fresh.stock(place, quantity) < -1e-6, axis=1)
        ordered = 0.0
        for order in np.flatnonzero(quantity):
            due = int(one.due[order])
            before = max(one.mean[due] + ordered, 0.0)
            chance = float(out[:, due - 1].mean()) if due else 0.0
            pack = float(one.row["pack_quantity"]) or 1.0
            load = max(float(one.row["load_quantity"]) or quantity[order], pack)
            head = (one.supplier, one.name, days[one.reviews[order]], days[due], quantity[order], pack, load)
            rows.append((*head, before, chance))
            ordered += quantity[order]
    columns = ["supplier", "material", "order_on", "due_on", "quantity", "pack", "load", "stock_before"]
    return pd.DataFrame(rows, columns=[*columns, "stockout_probability"])


def _priced(logs: Logs, plan: pd.DataFrame) -> pd.DataFrame:
    """Add what each line costs: its price for all that is ordered of it that day, and its part of the freight."""
    ordered = plan.groupby(["material", "order_on"])["quantity"].transform("sum")
    freight = logs.plant.policy.load_cost * plan["loads"] / plan.groupby("order")["loads"].transform("sum")
    prices = [
        price_of(logs, row.material, row.order_on, whole)
        for row, whole in zip(plan.itertuples(), ordered, strict=True)
    ]
    return plan.assign(cost=freight + plan["quantity"] * np.array(prices, dtype=float))


def _reasons(
    planned: Sequence[Planned], orders: Orders, plan: pd.DataFrame, fresh: _Draws, days: pd.DatetimeIndex
) -> pd.DataFrame:
    """Say of each load why it is ordered."""
    by_name = {one.name: place for place, one in enumerate(planned)}
    rows = []
    for order, lines in plan.groupby("order", sort=False):
        scored = []
        for line in lines.itertuples():
            place = by_name[line.material]
            one = planned[place]
            turn = int(np.searchsorted(one.reviews, (line.order_on - days[0]).days))
            without = orders.quantity[place].copy()
            without[turn:] = 0.0
            until = min(int(one.due[min(turn + 1, ORDERS)]) + 7, len(days))
            out = (fresh.stock(place, without, until) < -1e-6).any(axis=1)
            scored.append((float(out.mean()), line, one))
        scored.sort(key=lambda item: -item[0])
        chance, line, one = scored[0]
        cover = line.stock_before / one.daily if one.daily > 0 else np.nan
        if chance > 0.005:
            why = (
                f"without it {line.material} would run out by the week after the next order is due in "
                f"{100 * chance:.0f} of 100 cases; it lasts {cover:.0f} days when this comes"
            )
        else:
            why = f"it keeps {line.material}, {cover:.0f} days when this comes, at the cover wanted"
        if len(scored) > 1:
            why += f"; {', '.join(other.material for _, other, _ in scored[1:])} share the load"
        rows.append((order, f"{why}; {100 * lines['loads'].sum():.0f} % of the load is used."))
    return pd.DataFrame(rows, columns=["order", "why"]).astype("str")


def _service(
    planned: Sequence[Planned],
    short: _Short,
    before: list[np.ndarray],
    orders: Orders,
    allowed: float,
    surer: np.ndarray,
    days: pd.DatetimeIndex,
) -> pd.DataFrame:
    rows = []
    for place, one in enumerate(planned):
        mine = short.share[place]
        weeks = np.where(short.after[place], mine, np.nan)
        early = np.flatnonzero(mine > allowed)
        early = early[~short.after[place][early]] if len(early) else early
        missing = level_needed(before[place], 1 - allowed) + float(orders.expedited[place].sum())
        late = bool(np.nanmean(weeks) > allowed) if np.isfinite(weeks).any() else False
        week = int(early[0]) if len(early) else int(np.nanargmax(weeks)) if late else -1
        told = week >= 0 and (missing > 0 or late)
        rows.append(
            (
                one.name,
                float(np.nanmean(weeks)) if np.isfinite(weeks).any() else np.nan,
                allowed,
                days[7 * week] if told else pd.NaT,
                float(mine[week]) if told else np.nan,
                missing if told else 0.0,
                float(surer[place]),
            )
        )
    columns = ["material", "weeks_short", "allowed", "short_on", "chance", "expedite", "surer"]
    return pd.DataFrame(rows, columns=columns)


def _holding(logs: Logs, planned: Sequence[Planned], orders: Orders) -> float:
    """Return what holding the expected stock costs over the weeks of the plan [currency]."""
    rate, total = logs.plant.policy.holding_cost_rate, 0.0
    end = int(planned[0].due[ORDERS])
    for place, one in enumerate(planned):
        come = np.zeros(end)
        inside = one.due[:ORDERS] < end
        np.add.at(come, one.due[:ORDERS][inside], orders.quantity[place][inside])
        level = np.maximum(one.mean[:end] + np.cumsum(come), 0.0)
        total += float(level.sum()) * rate / 365.25 * float(one.row["unit_price"])
    return total


def _expediting(logs: Logs, planned: Sequence[Planned], orders: Orders) -> float:
    """Return what expediting costs; of what is not bought by weight, half its price."""
    total = 0.0
    for place, one in enumerate(planned):
        by_weight = one.row["unit"] in ("kg", "l")
        each = (
            logs.plant.policy.expedite_cost_per_t / 1000 if by_weight else 0.5 * float(one.row["unit_price"])
        )
        total += each * float(orders.expedited[place].sum())
    return total


def _empty() -> OrderPlan:
    columns = ["material", "weeks_short", "allowed", "short_on", "chance", "expedite", "surer"]
    return OrderPlan(
        OUTPUTS["order_plan"].empty(),
        pd.DataFrame({"order": [], "why": []}, dtype="str"),
        pd.DataFrame(columns=columns),
        0.0,
        0.0,
        0.0,
        0.0,
    )
