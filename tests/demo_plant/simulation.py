"""Three years (or more) of days: receipts and orders by day, printing by night, dips in the morning."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from random import Random

from .calendar_days import DAY
from .contracts import write_terms, write_titles
from .logbook import Logbook, number
from .paperwork import write_budget, write_materials, write_plan, write_standby, write_waste_sold
from .prices import Prices
from .printing import Printed, Printer
from .programme import Issue, issues, run_orders
from .reels import Store
from .scenario import INKS, NEWSPRINT, PAGE_M2, Scenario
from .streams import Streams
from .sundries import SUNDRIES, Sundries
from .supply import REVIEW_WEEKDAY, Newsprint, daily_need
from .tanks import InkStore

__all__ = ["Plant", "simulate"]


@dataclass
class Plant:
    """A plant that has been run: its logs before anything goes wrong with them, and its truth."""

    scenario: Scenario
    logbook: Logbook
    issues: list[Issue]
    store: Store
    printer: Printer
    newsprint: Newsprint
    inks: InkStore
    sundries: Sundries
    prices: Prices
    streams: Streams = field(default_factory=Streams)
    counted_short: str = ""
    use: dict[str, dict[dt.date, float]] = field(default_factory=dict)
    stock: dict[dt.date, dict[str, float]] = field(default_factory=dict)  # true, at the end of a day


def _used(use: dict[str, dict[dt.date, float]], run: Printed, plates: int) -> None:
    """Add what a run took to the daily use by material."""
    day = run.order.date
    taken = {web.web.material: 0.0 for web in run.webs}
    for web in run.webs:
        taken[web.web.material] += web.mounted_kg
    for ink in INKS.values():
        solid = run.order.solid_pages.get(ink.name)
        if solid is not None:
            area = run.gross * solid * PAGE_M2
            taken[ink.material] = ink.film_g_m2 * area / 1000 + ink.startup_kg + ink.standing_kg / 2
    taken |= {"plate": plates, "fountain": run.gross * len(run.webs) * 5.5e-5, "wash": 5.0}
    for material, quantity in taken.items():
        daily = use.setdefault(material, {})
        daily[day] = daily.get(day, 0.0) + quantity


def _count(plant: Plant, chance: Random, day: dt.date) -> None:
    """Count everything at the end of a Monday."""
    scenario, logbook = plant.scenario, plant.logbook
    for material in NEWSPRINT:
        kg = plant.store.kg(material) * (1 + 0.003 * chance.gauss(0, 1))
        if day == scenario.count_difference_on and material == "N45-1260":
            kg = max(0.0, kg + scenario.count_difference_kg)
            plant.counted_short = material
        logbook.add("stock_counts", day.isoformat(), material, number(kg))
    for ink in INKS.values():
        kg = sum(plant.inks.level[tank] for tank in ink.tanks) + 20 * chance.gauss(0, 1)
        logbook.add("stock_counts", day.isoformat(), ink.material, number(kg))
    for material in SUNDRIES:
        logbook.add("stock_counts", day.isoformat(), material, number(plant.sundries.stock[material]))


def _stock(plant: Plant) -> dict[str, float]:
    """Return the true stock by material."""
    levels = {ink.material: sum(plant.inks.level[tank] for tank in ink.tanks) for ink in INKS.values()}
    return {material: plant.store.kg(material) for material in NEWSPRINT} | levels | plant.sundries.stock


def simulate(scenario: Scenario, seed: int) -> Plant:
    """Run the plant from its first day to its last.

    Parameters
    ----------
    scenario : Scenario
        The plant and its period.
    seed : int
        Seed of the random numbers.

    Returns
    -------
    Plant
        Its logs, still complete and without faults, and its truth.
    """
    logbook = Logbook()
    printed = issues(scenario, seed)
    orders = run_orders(scenario, printed, seed)
    prices = Prices(scenario)
    store = Store(Random(f"{seed} store"), logbook, scenario, seed)
    newsprint = Newsprint(scenario, store, logbook, prices, daily_need(orders), seed)
    plant = Plant(
        scenario, logbook, printed, store, Printer(scenario, store, logbook, seed), newsprint,
        InkStore(scenario, logbook, prices, seed), Sundries(scenario, seed), prices,
    )  # fmt: skip
    newsprint.open_stock()
    counting = Random(f"{seed} counts")
    plates_at = logbook["runs"].column("plates")
    day = scenario.first - DAY
    while day <= scenario.last:
        if day >= scenario.first:
            plant.inks.morning(day)
        newsprint.receive(day)
        plant.sundries.day(day)
        if day.weekday() == REVIEW_WEEKDAY:
            newsprint.review(day)
        newsprint.watch(day)
        plant.inks.evening(day)
        if day.weekday() == 0:
            _count(plant, counting, day)
        plant.stock[day] = _stock(plant)
        if day < scenario.last:
            for order in orders.get(day + DAY, ()):
                run = plant.printer.print(order)
                plates = int(logbook["runs"].rows[-1][plates_at])
                plant.inks.print(run)
                plant.sundries.print(run, plates)
                plant.streams.add(run)
                _used(plant.use, run, plates)
        day += DAY
    _paperwork(plant, plant.use, seed)
    return plant


def _weekly(daily: dict[dt.date, float]) -> dict[dt.date, float]:
    """Return sums by Monday."""
    weekly: dict[dt.date, float] = {}
    for day, quantity in daily.items():
        monday = day - day.weekday() * DAY
        weekly[monday] = weekly.get(monday, 0.0) + quantity
    return weekly


def _paperwork(plant: Plant, use: dict[str, dict[dt.date, float]], seed: int) -> None:
    scenario, logbook = plant.scenario, plant.logbook
    sheet = logbook["deliveries"]

    def add(**cells: str) -> None:
        sheet.rows.append(sheet.row(**cells))

    plant.newsprint.log(add)
    plant.inks.log(add)
    plant.sundries.log(add)
    ordered = sheet.column("ordered_on")
    sheet.rows.sort(key=lambda row: (row[ordered], row[0]))
    write_materials(logbook)
    write_terms(scenario, plant.newsprint.need, logbook)
    plant.prices.log(logbook)
    write_titles(logbook)
    write_plan(scenario, plant.issues, logbook, seed)
    write_budget(scenario, use, plant.prices, logbook, seed)
    plates = _weekly(use["plate"])
    write_waste_sold(plant.streams.unprinted_and_printed(), plates, scenario, logbook, seed)
    write_standby(scenario, logbook)
