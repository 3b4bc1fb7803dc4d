"""A plant that differs: its period, the days on which it changes, and what it is built of."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any

from demo_plant import scenario as constants
from demo_plant.calendar_days import DAY, WEEK
from demo_plant.scenario import Event, Mishap, Scenario
from demo_plant.suppliers import SUPPLIERS
from demo_plant.titles import TITLES, Title

__all__ = ["AFTER_WEEKS", "Change", "WorldScenario", "plant_of"]

#: Weeks that are run past the cut, so that forecasts and orders can be scored.
AFTER_WEEKS = 53
FAR = dt.date(2100, 1, 4)


@dataclass(frozen=True)
class Change:
    """A departure from a day on: what is multiplied, for whom."""

    since: dt.date
    ratio: float
    of: str = ""  # ink, press or material; empty: all
    supplier: str = ""  # empty: all


def _ratio(changes: tuple[Change, ...], day: dt.date, of: str, supplier: str = "") -> float:
    found = 1.0
    for change in changes:
        if day >= change.since and change.of in ("", of) and change.supplier in ("", supplier):
            found *= change.ratio
    return found


@dataclass(frozen=True)
class WorldScenario(Scenario):
    """A quiet plant of `before` weeks to the week of `as_of`, and the weeks after it.

    Nothing is planted but what is asked for.
    """

    as_of: dt.date = dt.date(2025, 10, 26)
    before: int = 156
    after: int = AFTER_WEEKS
    grammage: tuple[Change, ...] = ()
    film: tuple[Change, ...] = ()
    startup: tuple[Change, ...] = ()
    copies: tuple[Change, ...] = ()  # of a title
    pages: tuple[Change, ...] = ()  # of a title; `ratio` is what is added
    title_closed: tuple[str, dt.date] = ("", FAR)
    butts: tuple[Change, ...] = ()
    supplier_dropped: tuple[str, dt.date] = ("", FAR)
    #: Each run draws numbers of its own, so that it is the same in a plant that differs elsewhere.
    alike: bool = False
    title_opened: tuple[str, dt.date] = ("", FAR)
    christmas: float = 0.0  # type: ignore[misc]
    closed_weeks: tuple[dt.date, ...] = ()  # their Mondays: nothing is printed
    price_day: dt.date = dt.date(2010, 1, 1)
    price_ratio: float = 1.0
    noise: float = 1.0  # type: ignore[misc]
    presses_change: bool = True  # type: ignore[misc]
    same_season: bool = False
    handed_out_every: int = field(default=0, init=False)  # type: ignore[misc]

    def __post_init__(self) -> None:
        sunday = self.as_of + (6 - self.as_of.weekday()) * DAY
        object.__setattr__(self, "weeks", self.before + self.after)
        object.__setattr__(self, "first", sunday - self.before * WEEK + DAY)
        object.__setattr__(self, "last", sunday + self.after * WEEK)

    startup_from = property(lambda self: FAR)
    magenta = property(lambda self: (FAR, FAR))
    gauge_from = property(lambda self: dt.datetime.combine(FAR, dt.time()))
    leak = property(lambda self: (dt.datetime.combine(FAR, dt.time()),) * 2)
    late_load_after = property(lambda self: FAR)
    cancelled_after = property(lambda self: FAR)
    count_difference_on = property(lambda self: FAR)
    clock_nights = property(lambda self: ())
    closed_once = property(lambda self: ())

    @property
    def price_from(self) -> dt.date:
        return self.price_day

    @property
    def price_factor(self) -> float:  # type: ignore[override]
        return self.price_ratio

    @property
    def mishaps(self) -> tuple[Mishap, ...]:
        return ()

    @property
    def events(self) -> tuple[Event, ...]:
        return ()

    def closed(self, day: dt.date) -> bool:
        if self.same_season:
            return False
        return super().closed(day) or day - day.weekday() * DAY in self.closed_weeks

    def publishes(self, title: Title, day: dt.date) -> bool:
        closed, opened = self.title_closed, self.title_opened
        return not (title.name == closed[0] and day >= closed[1]) and not (
            title.name == opened[0] and day < opened[1]
        )

    @property
    def price_path(self) -> tuple[tuple[dt.date, float], ...]:
        return ((dt.date(2010, 1, 1), 1.0),)

    def contract_ratio(self, material: str, supplier: str, year: int) -> float:
        return 1.0

    def film_ratio(self, ink: str, day: dt.date) -> float:
        return _ratio(self.film, day, ink)

    def startup_ratio(self, press: str, day: dt.date) -> float:
        return _ratio(self.startup, day, press)

    def copies_ratio(self, title: Title, day: dt.date) -> float:
        return _ratio(self.copies, day, title.name)

    def pages_added(self, title: Title, day: dt.date) -> int:
        return sum(
            round(change.ratio) for change in self.pages if day >= change.since and change.of == title.name
        )

    def butt_ratio(self, day: dt.date) -> float:
        return _ratio(self.butts, day, "")

    def delivers(self, supplier: str, day: dt.date) -> bool:
        return not (supplier == self.supplier_dropped[0] and day >= self.supplier_dropped[1])

    def numbers(self, usual: Random, key: str) -> Random:
        return Random(key) if self.alike else usual

    def grammage_ratio(self, material: str, supplier: str, day: dt.date) -> float:
        return _ratio(self.grammage, day, material, supplier)


def _flat(title: Title) -> Title:
    return replace(title, decline=0.0, season_pages=0.0)


@contextlib.contextmanager
def plant_of(scenario: WorldScenario, materials: dict[str, dict[str, Any]] | None = None) -> Iterator[None]:
    """Give the invented plant no bad reelstand and no bad supplier while it runs; put everything back after.

    Parameters
    ----------
    scenario : WorldScenario
        The plant.
    materials : dict of str to dict, optional
        Fields of newsprints that differ (`effective_gsm`, `grammage_gsm`), by material.
    """
    changed: list[tuple[dict[str, Any], dict[str, Any]]] = [
        (SUPPLIERS, {n: replace(s, break_ratio=1.2) for n, s in SUPPLIERS.items()}),
        (constants.STANDS, {constants.BAD_STAND: 12.3}),
        (
            constants.NEWSPRINT,
            {m: replace(constants.NEWSPRINT[m], **f) for m, f in (materials or {}).items()},
        ),
    ]
    if scenario.same_season:
        changed.append((TITLES, {n: _flat(t) for n, t in TITLES.items()}))
    kept = [(where, dict(where)) for where, _ in changed]
    try:
        for where, values in changed:
            where.update(values)
        yield
    finally:
        for where, values in kept:
            where.update(values)
