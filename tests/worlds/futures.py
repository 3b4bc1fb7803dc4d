"""What may happen after the cut of a world: use and arrivals drawn as the plant draws them, shortages counted."""

from __future__ import annotations

import datetime as dt
import math
import statistics
from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from demo_plant.calendar_days import DAY
from demo_plant.logbook import Logbook
from demo_plant.paperwork import write_plan
from demo_plant.programme import Issue, RunOrder, expected_copies, expected_pages, issues, run_orders
from demo_plant.scenario import INK_SCATTER, INKS, NEWSPRINT, PAGE_M2
from demo_plant.suppliers import SUPPLIERS, makers_of
from demo_plant.supply import REVIEW_WEEKDAY, daily_need
from demo_plant.tanks import LEAD_DAYS

if TYPE_CHECKING:
    from .scenario import WorldScenario
    from .truth import Truth

__all__ = ["shortage_rates"]

DAYS = 56
#: Revised plans are made this many days before the Monday of their week.
PLANNED_DAYS = 11
#: How a revised plan departs from what is printed: chance of the same pages and of one step, ratio and scatter of its
#: copies; and how copies depart from the usual, as the plant draws them.
PAGES_MOVED = (0.734, 0.133)
PLAN_RATIO, PLAN_SCATTER = 1.004, 0.009
COPIES_SCATTER = 0.0144
#: What stands in for a paper, and how much of it a kilogram takes: as wide as ``materials`` says.
_STANDS_IN = {"N45-945": ("N45-1260", 1260 / 945)}


def _ink_need(orders: dict[dt.date, list[RunOrder]]) -> dict[str, dict[dt.date, float]]:
    """Return expected ink of each day's runs, start-up included, idle loss not [kg]."""
    need: dict[str, dict[dt.date, float]] = {ink.material: {} for ink in INKS.values()}
    for day, runs in orders.items():
        for run in runs:
            for ink in INKS.values():
                solid = run.solid_pages.get(ink.name)
                if solid is not None:
                    kg = ink.film_g_m2 * run.copies * 1.03 * solid * PAGE_M2 / 1000 + ink.startup_kg
                    need[ink.material][day] = need[ink.material].get(day, 0.0) + kg
    return need


def _by_day(need: dict[str, dict[dt.date, float]], first: dt.date, days: int) -> dict[str, np.ndarray]:
    return {m: np.array([daily.get(first + n * DAY, 0.0) for n in range(days)]) for m, daily in need.items()}


def _planned(truth: Truth) -> dict[tuple[dt.date, str], tuple[int, int]]:
    """Return copies and pages of the revised plans that are known at the cut, by date and title."""
    logbook = Logbook()
    write_plan(truth.scenario, issues(truth.scenario, truth.seed), logbook, truth.seed)
    known = {}
    for day, title, made_on, copies, pages, *_ in logbook["plan"].rows:
        date = dt.date.fromisoformat(day)
        revised = date - date.weekday() * DAY - PLANNED_DAYS * DAY
        if made_on == revised.isoformat() and revised <= truth.as_of and int(copies):
            known[date, title] = int(copies), int(pages)
    return known


def _as_planned(scenario: WorldScenario, issue: Issue, copies: int, pages: int, chance: Random) -> Issue:
    """Draw what is printed of an issue whose revised plan is known: plans err, and the usual is likelier than not."""
    title, day = issue.title, issue.date
    usual, step, spread = expected_pages(scenario, title, day), title.pages_step, title.pages_scatter
    likely = []
    for steps in (-1, 0, 1):
        low, high = (
            statistics.NormalDist(usual, spread).cdf(pages - (steps - more) * step) for more in (-0.5, 0.5)
        )
        likely.append(PAGES_MOVED[abs(steps)] * (high - low) + 1e-12)
    printed = pages - chance.choices((-1, 0, 1), likely)[0] * step
    printed = max(title.pages_low, min(title.pages_high, printed))
    told, of_plan = copies / PLAN_RATIO, COPIES_SCATTER**2 / (COPIES_SCATTER**2 + PLAN_SCATTER**2)
    usual_copies = expected_copies(scenario, title, day)
    if abs(told / usual_copies - 1) > 4 * COPIES_SCATTER:
        usual_copies = told  # a promotion or an event
    middle = of_plan * told + (1 - of_plan) * usual_copies
    number = middle * (1 + chance.gauss(0, PLAN_SCATTER * math.sqrt(of_plan)))
    return replace(
        issue, copies=50 * round(number / 50), pages=printed, colour_pages=min(issue.colour_pages, printed)
    )


def _use(truth: Truth, futures: int) -> dict[str, np.ndarray]:
    """Return use by material, shape (futures, DAYS), from the day after the cut."""
    scenario, first = truth.scenario, truth.as_of + DAY
    orders = run_orders(scenario, issues(scenario, truth.seed), truth.seed)
    needs = daily_need(orders) | _ink_need(orders)
    past = truth.use[truth.use.index <= pd.Timestamp(truth.as_of) - pd.Timedelta(days=6)].tail(13)
    before = _by_day(needs, past.index[0].date(), 91)
    idle = {ink.material: ink.standing_kg for ink in INKS.values()}
    # A width that the past of this world never took has no ratio.
    needs = {m: need for m, need in needs.items() if m in past and before[m].sum() > 0}
    ratio = {m: (past[m].sum() - 91 * idle.get(m, 0.0)) / before[m].sum() for m in needs}
    planned = _planned(truth)
    short = replace(scenario, before=1)
    found: dict[str, list[np.ndarray]] = {m: [] for m in needs}
    for number in range(futures):
        seed = 100_000 + 1000 * truth.seed + number
        errors = Random(f"{seed} plan errors")
        drawn = [
            _as_planned(scenario, issue, *planned[issue.date, issue.title.name], errors)
            if (issue.date, issue.title.name) in planned
            else issue
            for issue in issues(short, seed)
            if issue.date < first + DAYS * DAY
        ]
        other = run_orders(short, drawn, seed)
        expected = _by_day(daily_need(other) | _ink_need(other), first, DAYS)
        chance = np.random.default_rng(seed)
        for material in needs:
            scatter = INK_SCATTER if material in idle else 0.02
            use = expected[material] * ratio[material] * (1 + scatter * chance.standard_normal(DAYS))
            found[material].append(use + idle.get(material, 0.0))
    return {material: np.array(rows) for material, rows in found.items()}


def _delay(chance: Random, supplier: str) -> float:
    maker = SUPPLIERS.get(supplier)
    if maker is None:
        return max(-1.0, chance.gauss(0.4, 1.3))
    return chance.gauss(maker.delay_days, maker.delay_scatter)


def _arrival(
    scenario: WorldScenario, chance: Random, supplier: str, promised: dt.date, after: dt.date
) -> dt.date:
    """Return when an order comes that has not come by `after`."""
    for _ in range(200):
        day = scenario.receiving_day(promised + round(_delay(chance, supplier)) * DAY)
        if day > after:
            return day
    return scenario.receiving_day(after + DAY)


def shortage_rates(truth: Truth, suppliers: dict[str, str], futures: int = 200) -> pd.Series:
    """Return how often each material runs out before an order of the next review can arrive.

    Parameters
    ----------
    truth : Truth
        A world.
    suppliers : dict of str to str
        Supplier of each open order, by `delivery_id`.
    futures : int
        Futures drawn.

    Returns
    -------
    Series, index material
        Share of futures; newsprint and inks. What comes on a day serves the issue of the day after. The next order can
        come from whoever delivers soonest, and what another paper stands in for lacks where that lacks too.
    """
    use, scenario = _use(truth, futures), truth.scenario
    chance = Random(f"{truth.seed} futures")
    days_to_review = (REVIEW_WEEKDAY - truth.as_of.weekday() - 1) % 7 + 1
    review = truth.as_of + days_to_review * DAY
    stocks = {material: _stock(truth, suppliers, material, drawn, chance) for material, drawn in use.items()}
    short = {material: stock < 0 for material, stock in stocks.items()}
    for material, (other, ratio) in _STANDS_IN.items():
        taken = ratio * np.maximum(-stocks[material], 0.0)
        short[other] = stocks[other] < taken
        short[material] &= short[other]
    rates = {}
    for material, out in short.items():
        maker, lead = "Corvane Inks", LEAD_DAYS
        if material in NEWSPRINT:
            soonest = min(makers_of(material), key=lambda one: one.lead_days)
            maker, lead = soonest.name, soonest.lead_days
        promised = scenario.receiving_day(review + lead * DAY)
        arrives = [_arrival(scenario, chance, maker, promised, review) for _ in range(futures)]
        until = np.array([(day - truth.as_of).days for day in arrives])
        rates[material] = float((out & (np.arange(DAYS) < until[:, None])).any(axis=1).mean())
    return pd.Series(rates)


def _stock(
    truth: Truth, suppliers: dict[str, str], material: str, drawn: np.ndarray, chance: Random
) -> np.ndarray:
    """Return what is on hand after each day with what is on order, less than nothing where it lacks."""
    stock = truth.stock[material] - np.cumsum(drawn, axis=1)
    open_rows = truth.arrivals[truth.arrivals["material"] == material]
    for future in stock:
        for row in open_rows.itertuples():
            due = dt.date.fromisoformat(row.promised_on)
            day = _arrival(truth.scenario, chance, suppliers.get(row.delivery_id, ""), due, truth.as_of)
            future[max(0, (day - truth.as_of).days) :] += float(row.quantity)
    return stock
