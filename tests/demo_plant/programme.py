"""What is to be printed: titles, pages, copies, webs and ink coverage, night after night."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from random import Random

from .calendar_days import DAY
from .scenario import CUTOFF_MM, LAST_DAY, PAGE_HEIGHT_MM, PAGE_WIDTH_MM, Scenario
from .titles import TITLES, Title

__all__ = [
    "Issue",
    "RunOrder",
    "Web",
    "expected_copies",
    "expected_pages",
    "issues",
    "printed_webs",
    "run_orders",
]


@dataclass(frozen=True)
class Issue:
    """A title on a day: how much of it was ordered."""

    date: dt.date
    title: Title
    copies: int
    pages: int
    colour_pages: int
    event: str


@dataclass(frozen=True)
class Web:
    """A web of a run."""

    name: str
    material: str
    width_mm: int
    pages: int
    cutoffs: int

    @property
    def m2_per_copy(self) -> float:
        """Area of one copy on this web [m2]."""
        return self.width_mm * CUTOFF_MM * self.cutoffs / 1e6


@dataclass(frozen=True)
class RunOrder:
    """A run to be printed: one edition on one press."""

    run_id: str
    date: dt.date
    title: Title
    press: str
    place: int  # 0 for the first run of the press in that night
    copies: int
    pages: int
    colour_pages: int
    webs: tuple[Web, ...]
    solid_pages: dict[str, float]

    @property
    def key(self) -> str:
        """Name of the run that no other run's being or not changes."""
        return f"{self.date} {self.title.name} {self.press}"

    @property
    def plates_around(self) -> int:
        """Plates of one page around the cylinder."""
        return 1 if self.title.production == "collect" else 2


def _advertising(day: dt.date) -> float:
    """Return the advertising season between about -1 (August) and 1 (early December)."""
    turn = 2 * math.pi * day.timetuple().tm_yday / 365.25
    return 0.62 * math.cos(turn - 5.75) + 0.38 * math.cos(2 * turn - 4.6)


def expected_copies(scenario: Scenario, title: Title, day: dt.date) -> float:
    """Return the copies of `title` that `day` would have by trend, weekday and season alone."""
    decline = min(title.decline, 0.35 / scenario.years)
    trend = (1 - decline) ** ((day - LAST_DAY).days / 365.25)
    summer = 1 - 0.06 * math.exp(-(((day.timetuple().tm_yday - 212) / 24) ** 2))
    level = title.copies * scenario.copies_ratio(title, day)
    return level * trend * summer * title.weekday_copies[day.weekday()]


def expected_pages(scenario: Scenario, title: Title, day: dt.date) -> float:
    """Return the pages of `title` that `day` would have by weekday and advertising season alone."""
    season = title.season_pages * _advertising(day) + scenario.pages_more(title, day)
    return title.pages + season + title.weekday_pages[day.weekday()]


def _fit_pages(title: Title, pages: float) -> int:
    step = title.pages_step
    return max(title.pages_low, min(title.pages_high, step * round(pages / step)))


def issues(scenario: Scenario, seed: int, weeks_more: int = 13) -> list[Issue]:
    """Return every issue from the first day to `weeks_more` weeks after the last.

    Parameters
    ----------
    scenario : Scenario
        The plant and its period.
    seed : int
        Seed of the random numbers.
    weeks_more : int
        Weeks beyond the last day [week], for the plan and for the orders under way.

    Returns
    -------
    list of Issue
        In order of their dates; days without publication are left out.
    """
    chance = Random(f"{seed} issues")
    collected: list[Issue] = []
    for number in range(scenario.weeks * 7 + 7 * weeks_more):
        day = scenario.first + number * DAY
        news = chance.gauss(0, 0.008) * scenario.noise  # what moves all titles of a day
        for title in TITLES.values():
            own, ads, colour = (
                chance.gauss(0, 0.012),
                chance.gauss(0, title.pages_scatter),
                chance.gauss(0, 0.06),
            )
            promotion = title.promotions and chance.random() < 0.13
            own, ads, colour = own * scenario.noise, ads * scenario.noise, colour * scenario.noise
            if day.weekday() not in title.weekdays or scenario.closed(day):
                continue
            if not scenario.publishes(title, day):
                continue
            promotion = promotion and scenario.noise > 0
            copies = expected_copies(scenario, title, day) * (1 + news + own) * (1.32 if promotion else 1.0)
            pages = expected_pages(scenario, title, day) + ads
            name = ""
            for event in scenario.events:
                if day in event.days and title.name in event.titles:
                    name, copies, pages = event.name, copies * event.copies, pages + event.pages
            fitted = _fit_pages(title, pages) + scenario.pages_added(title, day)
            coloured = 2 * round(fitted * min(0.95, title.colour_share + colour) / 2)
            if day.weekday() in title.black_only:
                coloured = 0
            collected.append(Issue(day, title, 50 * round(copies / 50), fitted, coloured, name))
    return collected


def printed_webs(title: Title, pages: int) -> tuple[Web, ...]:
    """Return the webs that carry `pages` pages: full ones, then narrower ones for the rest.

    A web carries 2 x width / page width x cut-offs per copy pages of the full height.
    """
    cutoffs = 2 if title.production == "collect" else 1
    per_width = {w: 2 * w // PAGE_WIDTH_MM * cutoffs * CUTOFF_MM // PAGE_HEIGHT_MM for w in (1260, 945, 630)}
    full, rest = divmod(pages, per_width[1260])
    widths = [1260] * full
    if cutoffs == 2:
        widths += [630] * (rest // per_width[630])
    elif rest == 2:  # no web of two pages: one full web is replaced by a three-quarter and a half web
        widths = [*widths[1:], 945, 630]
    else:
        widths += {0: [], 4: [630], 6: [945]}[rest]
    return tuple(
        Web("abcdefgh"[n], f"N{title.grammage}-{width}", width, per_width[width], cutoffs)
        for n, width in enumerate(widths)
    )


def _coverage(chance: Random, title: Title, pages: int, colour_pages: int, noise: float) -> dict[str, float]:
    share = chance.gauss(1, 0.08 * noise)
    solid = {"black": pages * title.black * share * chance.gauss(1, 0.08 * noise)}
    pictures = chance.gauss(1, 0.12 * noise)
    for ink, weight in (("cyan", 0.92), ("magenta", 1.0), ("yellow", 1.04)):
        value = colour_pages * title.colour * weight * pictures * chance.gauss(1, 0.09 * noise)
        if colour_pages:
            solid[ink] = value
    return {ink: round(max(value, 0.05), 2) for ink, value in solid.items()}


def run_orders(scenario: Scenario, printed: list[Issue], seed: int) -> dict[dt.date, list[RunOrder]]:
    """Return the runs of each publication date, presses assigned.

    Parameters
    ----------
    scenario : Scenario
        The plant and its period.
    printed : list of Issue
        The issues in order of their dates.
    seed : int
        Seed of the random numbers.

    Returns
    -------
    dict of date to list of RunOrder
        The Lantern usually runs on P1 and the Dispatch on P2; on one night in five they change places,
        on one Tuesday in four one press is under maintenance and takes nothing; on Thursdays the
        Lantern has a second edition for the coast. Contracts have their press and run before the own titles.
    """
    chance = Random(f"{seed} runs")
    nights: dict[dt.date, list[RunOrder]] = {}
    by_date: dict[dt.date, list[Issue]] = {}
    for issue in printed:
        by_date.setdefault(issue.date, []).append(issue)
    lantern = next(iter(TITLES))
    for day, today in by_date.items():
        week = (day - LAST_DAY).days // 7
        changed, down = chance.random() < 0.2, chance.randrange(4) == 0 and day.weekday() == 1
        changed, down = changed and scenario.presses_change, down and scenario.presses_change
        taken = {"P1": 0, "P2": 0}
        parts: list[tuple[Issue, str, int]] = []
        for issue in today:
            if issue.title.press:
                press = issue.title.press
            elif issue.title.production == "collect":
                press = "P1" if week % 2 else "P2"
            else:
                press = "P1" if (issue.title.name == lantern) != changed else "P2"
            if down:
                press = "P1" if week % 8 < 4 else "P2"
            if issue.title.name == lantern and day.weekday() == 3:
                coast = 50 * round(issue.copies * 0.38 / 50)
                parts.append((issue, press, issue.copies - coast))
                parts.append((issue, "P2" if press == "P1" else "P1", coast))
            else:
                parts.append((issue, press, issue.copies))
        parts.sort(key=lambda part: (part[0].title.starts, -part[2]))
        for issue, press, copies in parts:
            place = taken[press]
            taken[press] += 1
            numbers = scenario.numbers(chance, f"{seed} coverage {day} {issue.title.name} {press}")
            nights.setdefault(day, []).append(
                RunOrder(
                    f"{day:%y%m%d}-{press}{'abcd'[place]}", day, issue.title, press, place, copies, issue.pages,
                    issue.colour_pages, printed_webs(issue.title, issue.pages),
                    _coverage(numbers, issue.title, issue.pages, issue.colour_pages, scenario.noise),
                )
            )  # fmt: skip
        nights[day].sort(key=lambda run: (run.place, run.press))
    return nights
