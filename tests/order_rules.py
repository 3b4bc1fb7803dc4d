"""Rules that fill the store of a simulated plant: the plan, habits of cover, a textbook rule, perfect foresight."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from order_simulation import DAY, Loop, Review
from scipy.stats import norm

from pressstats.offers import offers
from pressstats.orders import plan as planning
from pressstats.orders import plan_orders, planned, solve
from pressstats.orders.contracts import call_offs, with_contracts
from pressstats.orders.leadtimes import receipt_days
from pressstats.orders.needs import needs_by_order
from pressstats.orders.rushing import EXPEDITE_DAYS, rush_serves_from, worth_rushing
from pressstats.orders.scenarios import Scenarios
from pressstats.prices import price_breaks

__all__ = ["RULES", "by_foresight", "by_habit", "by_plan", "by_textbook", "in_shares"]


def _up_to(review: Review, level: np.ndarray) -> dict[str, np.ndarray]:
    """Order whole packs up to a level, at least the order minimum, no more than the store takes."""
    rows = review.loop.materials
    pack, least = rows["pack_quantity"].to_numpy(), rows["order_minimum"].fillna(0.0).to_numpy()
    if review.between:
        return {"expedite": _seen_short(review)}
    short = level - review.position()
    packs = np.ceil(np.maximum(short, 0.0) / pack - 1e-9)
    packs = np.where(packs > 0, np.maximum(packs, np.ceil(least / pack - 1e-9)), 0.0)
    return {"quantity": packs * pack, "expedite": _seen_short(review)}


def _seen_short(review: Review) -> np.ndarray:
    """Return what anybody would rush: what is missing for two days of use before the rush of the next look can come."""
    again = review.again()
    until = (review.loop.receives(review.today + (again + 1 + EXPEDITE_DAYS) * DAY) - review.today).days
    use = review.expected(until)
    level = review.stock[:, None] - np.cumsum(use, axis=1)
    for one in review.open_rows().itertuples():
        # What is overdue is waited for until a rush could come.
        day = (one.promised_on - review.today).days
        first = day if day >= 1 else 1 + EXPEDITE_DAYS
        level[review.loop.names.index(one.material), first:] += one.quantity
    return np.maximum(2 * use.mean(axis=1) - level.min(axis=1), 0.0)


def by_habit(days: float = 21.0) -> Callable[[Loop, Review], dict[str, np.ndarray]]:
    """Return the rule of weeks of cover: order up to lead time and so many days of the mean use of the last 13 weeks.

    What lies on the floor then is that many days' use when a truck has come on its day, and half a week and lateness
    less in the mean. With a week more it never falls below, where trucks come on their day.
    """

    def rule(loop: Loop, review: Review) -> dict[str, np.ndarray]:
        past = review.outlook.history[loop.names].iloc[-13:].mean().to_numpy() / 7
        lead = np.array([review.lead(name) for name in loop.names])
        return _up_to(review, past * (lead + days))

    return rule


def by_textbook(loop: Loop, review: Review) -> dict[str, np.ndarray]:
    """Periodic review (R, S): mean over review and lead time, and z of the service level times the spread.

    Errors of the weekly forecast are independent and normal, materials independent of each other; the lead time is
    its mean, and its variance counts (Silver, Pyke, Peterson, *Inventory Management and Production Planning*, from
    memory).
    """
    if review.between:
        return {"expedite": _seen_short(review)}
    z = norm.ppf(loop.plant.logs.plant.policy.service_level)
    backtest, origin = loop.plant.outlook.backtest, review.origin
    missed = np.where(
        backtest.known_at(origin)[:, None, :],
        backtest.missed()[review.outlook.chosen, :, np.arange(len(backtest.names))].swapaxes(0, 1),
        np.nan,
    )
    sigma_week = np.nanstd(missed[:, :, 0], axis=0)
    rng = np.random.default_rng(11)
    level = np.zeros(len(loop.names))
    expected = review.expected(150)
    for place, name in enumerate(loop.names):
        late = review.times.draw(str(loop.materials.loc[name, "supplier"]), 2000, rng)
        # Promises wait for a day that receives.
        lead = (review.due(name) - review.today).days - 1 + float(late.mean())
        span = 7 + lead
        whole = int(span)
        mean = expected[place, :whole].sum() + (span - whole) * expected[place, whole]
        sigma = sigma_week[backtest.names.index(name)]
        rate = mean / span
        level[place] = mean + z * np.sqrt(span / 7 * sigma**2 + rate**2 * float(late.var()))
    return _up_to(review, level)


def by_plan(draws: int = 1000, nodes: int = 400) -> Callable[[Loop, Review], dict[str, np.ndarray]]:
    """Return the rule of the order plan."""

    last: dict[int, pd.DataFrame] = {}

    def rule(loop: Loop, review: Review) -> dict[str, Any]:
        stock = pd.DataFrame({"material": loop.names, "quantity": review.stock})
        if review.between:
            return {"expedite": _worth_rushing(review, stock, draws)}
        plan = plan_orders(
            review.logs,
            review.outlook,
            stock,
            review.open_rows(),
            last.get(review.week - 1),
            nodes=nodes,
            draws=draws,
            fresh_draws=draws,
        )
        table = last[review.week] = plan.published
        urgent = plan.service.set_index("material")["at_once"].reindex(loop.names).fillna(0.0)
        found = {"gap": np.array(plan.gap), "expedite": urgent.to_numpy(dtype=float)}
        first = table[table["order_on"] == review.today + DAY]
        found["told"] = plan.contracts, 52 * float(plan.service["weeks_rushed"].sum())
        found["of"] = {
            str(supplier): mine.groupby("material")["quantity"]
            .sum()
            .reindex(loop.names, fill_value=0.0)
            .to_numpy(dtype=float)
            for supplier, mine in first.groupby("supplier")
        }
        for key, turn in (("quantity", 0), ("next", 1)):
            day = review.today + (1 + 7 * turn) * DAY
            mine = table[table["order_on"] == day].groupby("material")["quantity"].sum()
            found[key] = mine.reindex(loop.names, fill_value=0.0).to_numpy(dtype=float)
        return found

    return rule


def _worth_rushing(review: Review, stock: pd.DataFrame, draws: int) -> np.ndarray:
    """Return what a plan of that day would say is to be brought by other means at once, without planning."""
    logs, outlook, times, names = review.logs, review.outlook, review.times, review.loop.names
    days = pd.date_range(review.today + DAY, periods=16, freq="D", unit="us")
    receives = receipt_days(logs, days)
    if rush_serves_from(receives, 0) == rush_serves_from(receives, review.again()):
        return np.zeros(len(names))
    paths, mean = outlook.day_paths(draws, days)
    rows = review.open_rows()
    found = planned.planned_materials(logs, outlook, stock, rows, days, times, receives, mean)
    use = paths[[outlook.names.index(one.name) for one in found]]
    scenarios = Scenarios(found, rows, days, times, receives, use, review.week)
    rush = worth_rushing(scenarios, logs.plant.policy, review.again())
    return pd.Series(rush, index=[one.name for one in found]).reindex(names, fill_value=0.0).to_numpy()


def in_shares(
    rule: Callable[[Loop, Review], dict[str, np.ndarray]],
) -> Callable[[Loop, Review], dict[str, Any]]:
    """Return a rule that gives each order to the supplier that is furthest behind its part of the contracts."""

    def shared(loop: Loop, review: Review) -> dict[str, Any]:
        found: dict[str, Any] = rule(loop, review)
        terms = loop.plant.terms
        if review.between or terms is None:
            return found
        of = {one: np.zeros(len(loop.names)) for mills in loop.offers.values() for one in mills}
        for place, name in enumerate(loop.names):
            agreed = terms[terms["material"] == name].set_index("supplier")["contract_quantity"].dropna()
            supplier = str(loop.materials.loc[name, "supplier"])
            if len(agreed):
                placed = pd.Series(0.0, agreed.index)
                for one in review.orders:
                    if one["material"] == name and one["supplier"] in placed.index:
                        placed[one["supplier"]] += one["quantity"]
                supplier = str((placed / agreed).idxmin())
            of[supplier][place] = found["quantity"][place]
        return found | {"of": of}

    return shared


def by_foresight(loop: Loop, review: Review) -> dict[str, np.ndarray]:
    """The programme, knowing each day's use and each order's day of receipt."""
    if review.between:
        return {}
    logs, orders = review.logs, planned.ORDERS
    horizon = 7 * (orders + 1) + 90
    days = pd.date_range(review.today + DAY, periods=horizon, freq="D", unit="us")
    place_of = {day: place for place, day in enumerate(days)}
    items = []
    for place, name in enumerate(loop.names):
        row = loop.materials.loc[name].copy()
        row["material"] = name
        use = loop.plant.use[name].reindex(days).to_numpy()
        come = np.zeros(horizon)
        for one in review.orders:
            if one["material"] == name and one["delivered_on"] in place_of:
                come[min(place_of[one["delivered_on"]] + 1, horizon - 1)] += one["quantity"]
        reviews = np.arange(orders + 1) * 7
        sources = _known_sources(loop, review, name, days, reviews)
        arrives = sources[0].due
        needs, _ = needs_by_order(float(review.stock[place]), use[None], come[None], arrives[None], 1.0)
        mean = review.stock[place] + np.cumsum(come) - np.append(0.0, np.cumsum(use)[:-1])
        first_row = items[-1][0].rows.stop if items else 0
        one = planned.Planned(
            name,
            row,
            float(review.stock[place]),
            reviews,
            tuple(sources),
            first_row,
            mean,
            float(use.mean()),
            come,
        )
        peak = np.array([mean[begin : max(end, begin + 1)].max() for begin, end in pairwise(arrives)])
        items.append((one, needs, peak))
    materials = with_contracts(logs, _Known(loop, review), [one for one, *_ in items], call_offs(logs), days)
    asked = []
    for one, (_, needs, peak) in zip(materials, items, strict=True):
        prices = [
            [price_breaks(logs, one.name, days[turn], source.supplier) for turn in one.reviews[:orders]]
            for source in one.sources
        ]
        item = planning._article(
            logs.plant.policy, one, needs, peak, prices, [np.zeros(0)] * len(one.sources)
        )
        asked.append(replace(item, low=np.zeros(0), high=np.zeros(0)))
    policy = logs.plant.policy
    made = solve(
        asked,
        load_cost=policy.freight_per_load,
        holding_rate=policy.holding_cost_rate,
        end=7 * orders + 30,
        filled=True,
    )
    of: dict[str, np.ndarray] = {}
    for place, one in enumerate(materials):
        for row, source in enumerate(one.sources, one.first_row):
            of.setdefault(source.supplier, np.zeros(len(materials)))[place] += made.quantity[row, 0]
    return {"quantity": sum(of.values()), "of": of, "gap": np.array(made.gap)}


def _known_sources(
    loop: Loop, review: Review, name: str, days: pd.DatetimeIndex, reviews: np.ndarray
) -> list[planned.Source]:
    """Return who delivers a material, each order on the day on which it will come, the soonest first."""
    place_of = {day: place for place, day in enumerate(days)}
    sources = []
    for terms in offers(review.logs, review.logs.as_of).set_index("material").loc[[name]].itertuples():
        supplier, due = str(terms.supplier), []
        for turn in reviews:
            promised = loop.receives(days[turn] + review.lead(name, supplier) * DAY)
            late = int(loop.lateness[supplier][review.week + turn // 7]) * DAY
            due.append(place_of[loop.receives(max(promised + late, days[turn] + DAY))] + 1)
        sources.append(planned.Source(supplier, pd.Series(terms._asdict()), np.array(due)))
    return sorted(sources, key=lambda source: int(source.due[0]))


class _Known:
    """An outlook that knows what will be used."""

    def __init__(self, loop: Loop, review: Review) -> None:
        self.names, self._use = loop.names, loop.plant.use

    def day_paths(self, draws: int, days: pd.DatetimeIndex, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
        mean = self._use[self.names].reindex(days).ffill().to_numpy().T
        return np.repeat(mean[:, None], draws, axis=1), mean


RULES: dict[str, Callable[[Loop, Review], dict[str, np.ndarray]]] = {
    "plan": by_plan(),
    "up to three weeks": by_habit(21.0),
    "textbook (R, S)": by_textbook,
    "perfect foresight": by_foresight,
    "never below three": by_habit(28.0),
}
