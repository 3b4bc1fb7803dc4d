"""The tables that offices keep: materials, counts, plan, budget, waste sold, standby supplies."""

from __future__ import annotations

import datetime as dt
from random import Random

from .calendar_days import DAY, WEEK
from .logbook import Logbook, number
from .prices import OTHER_PRICES, Prices
from .programme import Issue, expected_copies, expected_pages
from .scenario import INKS, NEWSPRINT, Scenario
from .sundries import SUNDRIES
from .suppliers import makers_of
from .supply import PACK_KG, TRUCK_KG
from .tanks import LEAD_DAYS, TANKER_KG, TOTE_KG
from .titles import TITLES

__all__ = [
    "WASTE_KINDS",
    "write_budget",
    "write_materials",
    "write_plan",
    "write_standby",
    "write_waste_sold",
]

#: What is sold, every so many weeks, and the share of its weight that is left by then.
WASTE_KINDS = {"white bales": (2, 0.985), "printed bales": (2, 0.985), "aluminium": (8, 1.0)}
PLATE_KG = 0.11  # 315 x 470 x 0.28 mm of aluminium


def write_materials(logbook: Logbook) -> None:
    """Write the table of materials; the widest 45 g newsprint can stand in for the 945 mm one."""
    storage = {"N45-1260": 320000, "N45-945": 60000, "N45-630": 50000, "N52-1260": 70000, "N52-630": 20000}
    for name, sheet in NEWSPRINT.items():
        logbook.add(
            "materials", name, "newsprint", str(sheet.width_mm), str(sheet.grammage_gsm), str(sheet.caliper_um), "",
            "N45-945" if name == "N45-1260" else "", "kg", number(sheet.unit_price, 4),
            str(makers_of(name)[0].lead_days), number(PACK_KG[name]),
            number(TRUCK_KG), number(2 * PACK_KG[name]), number(storage[name]), makers_of(name)[0].name,
        )  # fmt: skip
    for ink in INKS.values():
        black = ink.name == "black"
        logbook.add(
            "materials", ink.material, "ink", "", "", "", ink.name, "", "kg", number(ink.unit_price, 4), str(LEAD_DAYS),
            number(500 if black else TOTE_KG), number(TANKER_KG if black else 4 * TOTE_KG),
            number(TANKER_KG if black else 2 * TOTE_KG), number(12000 if black else 4000), "Corvane Inks",
        )  # fmt: skip
    for sundry in SUNDRIES.values():
        logbook.add(
            "materials", sundry.material, sundry.kind, "", "", "", "", "", sundry.unit,
            number(OTHER_PRICES[sundry.material], 4), str(sundry.lead_days), number(sundry.pack),
            number(2 * sundry.lot), number(sundry.pack), number(4 * sundry.lot), sundry.supplier,
        )  # fmt: skip


def write_plan(scenario: Scenario, printed: list[Issue], logbook: Logbook, seed: int) -> None:
    """Write the plan: each issue as booked ten weeks ahead and as revised about ten days ahead."""
    chance = Random(f"{seed} plan")
    by_key = {(issue.date, issue.title.name): issue for issue in printed}
    rows = []
    for number_of_day in range((scenario.weeks + 10) * 7):
        day = scenario.first + number_of_day * DAY
        monday = day - day.weekday() * DAY
        for title in TITLES.values():
            noise = [chance.gauss(0, 1) for _ in range(5)]
            if day.weekday() not in title.weekdays or not scenario.publishes(title, day):
                continue
            issue = by_key.get((day, title.name))
            booked, revised = monday - 10 * WEEK, monday - 11 * DAY
            if issue is None:
                name = "no publication" if scenario.closed(day) else ""
                early = late = (0, 0, 0)
            else:
                name = issue.event
                known = [e for e in scenario.events if e.name == name]
                copies = expected_copies(scenario, title, day) * (known[0].copies if known else 1)
                pages = expected_pages(scenario, title, day) + (known[0].pages if known else 0)
                step = title.pages_step
                guess = max(title.pages_low, step * round((pages + 1 + 0.6 * step * noise[1]) / step))
                early = (
                    _tens(copies * (1.01 + 0.02 * noise[0])),
                    guess,
                    0 if day.weekday() in title.black_only else 2 * round(guess * title.colour_share / 2),
                )
                change = step * round(0.45 * noise[3])
                sure = max(title.pages_low, issue.pages + change)
                late = (_tens(issue.copies * (1.004 + 0.009 * noise[2])), sure, min(sure, issue.colour_pages))
            for made_on, (copies_planned, pages_planned, colour) in ((booked, early), (revised, late)):
                if made_on > scenario.last:
                    continue
                cells = [day.isoformat(), title.name, made_on.isoformat()]
                rows.append([*cells, str(copies_planned), str(pages_planned), str(colour), name])
    logbook["plan"].rows.extend(sorted(rows, key=lambda row: (row[2], row[0], row[1])))


def _tens(copies: float) -> int:
    return 100 * round(copies / 100)


def write_budget(
    scenario: Scenario, use: dict[str, dict[dt.date, float]], prices: Prices, logbook: Logbook, seed: int
) -> None:
    """Write the budget of the last year and the next: what was expected, a little optimistically."""
    chance = Random(f"{seed} budget")
    year = scenario.last.year
    for month in (dt.date(y, m, 1) for y in (year, year + 1) for m in range(1, 13)):
        for material, daily in use.items():
            quantity = 0.0
            for day in (month + n * DAY for n in range(31)):
                if day.month != month.month:
                    continue
                like, factor = day, 1.0
                while like > scenario.last:  # a year earlier, same weekday, and less of it
                    like, factor = like - 52 * WEEK, factor * 0.97
                quantity += factor * daily.get(like, 0.0)
            quantity *= 0.985 * (1 + 0.02 * chance.gauss(0, 1))
            packs = 10.0 if quantity < 5000 else 100.0
            quantity = packs * round(quantity / packs)
            cost = quantity * prices.at(material, month, quantity)
            logbook.add("budget", month.isoformat(), material, number(quantity), number(cost))


def write_waste_sold(
    weekly: dict[dt.date, tuple[float, float]], plates: dict[dt.date, float], scenario: Scenario, logbook: Logbook,
    seed: int,
) -> None:  # fmt: skip
    """Write what is fetched: bales every second Friday, a little drier than they fell, used plates every eighth."""
    chance = Random(f"{seed} waste sold")
    waiting = dict.fromkeys(WASTE_KINDS, 0.0)
    for number_of_week, monday in enumerate(sorted(weekly)):
        white, printed = weekly[monday]
        metal = PLATE_KG * plates.get(monday, 0.0)
        for kind, kg in zip(WASTE_KINDS, (white, printed, metal), strict=True):
            waiting[kind] += kg
        level = 0.10 + 0.02 * ((number_of_week // 26) % 3)
        prices = (level + 0.05, level, 1.20 + 5 * (level - 0.10))
        for (kind, (every, dry)), price in zip(WASTE_KINDS.items(), prices, strict=True):
            if number_of_week % every != every - 1:
                continue
            sold = 20 * round(waiting[kind] * dry * (1 + 0.02 * chance.gauss(0, 1)) / 20)
            waiting[kind] = 0.0
            day = monday + 11 * DAY
            if day <= scenario.last:
                logbook.add("waste_sold", day.isoformat(), kind, number(sold), number(price, 2))


def write_standby(scenario: Scenario, logbook: Logbook) -> None:
    """Write the standby supplies; the test of the emergency generator is overdue."""
    last = scenario.last
    for supply, kind, hours, tested, every, contact in (
        ("emergency generator", "power", 110, 214, 90, "shift electrician, desk 12"),
        ("generator fuel tank", "fuel", 110, 40, 180, "shift electrician, desk 12"),
        ("damping water tank", "water", 60, 38, 180, "pressroom foreman, desk 7"),
        ("second compressor", "compressed air", 120, 25, 60, "shift mechanic, desk 14"),
        ("spare black pump", "ink pump", 200, 61, 120, "shift mechanic, desk 14"),
        ("paper in the outer store", "paper store", 96, 19, 30, "paper store, desk 3"),
        ("battery of the counters", "power", 4, 110, 365, "shift electrician, desk 12"),
    ):
        logbook.add(
            "standby", supply, kind, str(hours), (last - tested * DAY).isoformat(), str(every), contact
        )
