"""The invented plant: what it prints, on which paper, with which ink, and the truths planted in it.

Everything here is an invention. The sizes are the trade's own (a reel near a tonne and 16 km, 2 to
8 % waste: WAN-IFRA, 2018; two or three breaks in a hundred reels: DOI 10.1201/9781482290103-19); what has
no source is *common practice, no source*.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from .calendar_days import DAY, WEEK
from .steady import Steady
from .titles import TITLES, Title, december_pages

__all__ = [
    "CLOSED_EVERY_YEAR",
    "COPIES_PER_PLATE_CHANGE",
    "CORE_MM",
    "CUTOFF_MM",
    "DIP_KG",
    "INKS",
    "LAST_DAY",
    "NEWSPRINT",
    "NO_RECEIPTS",
    "ORDERING_CLOSED",
    "PAGE_HEIGHT_MM",
    "PAGE_M2",
    "PAGE_WIDTH_MM",
    "PLATE_CHANGE_MINUTES",
    "PLATE_IMPRESSIONS",
    "PRESSES",
    "REEL_KG",
    "REMADE_SHARE",
    "SMALL_KG",
    "STANDS",
    "TANKS",
    "Event",
    "Ink",
    "Mishap",
    "Newsprint",
    "Press",
    "Scenario",
]


#: Newsprint prices move as they were agreed, half-year by half-year, as a multiple of each material's: invented, with
#: the height of 2022 and the fall after it.
PRICE_PATH = tuple(
    (dt.date(year, month, 1), ratio)
    for year, month, ratio in (
        (2021, 1, 0.86), (2022, 1, 1.12), (2022, 7, 1.38), (2023, 1, 1.30), (2023, 7, 1.08), (2024, 1, 1.00),
        (2025, 1, 0.96), (2025, 7, 0.94), (2026, 1, 0.95),
    )
)  # fmt: skip
#: The last publication date: the night before it the clocks go back.
LAST_DAY = dt.date(2025, 10, 26)
CLOSED_EVERY_YEAR = ("01-01", "05-01", "09-08", "12-25")
#: Days on which the mills take no orders, and those on which nothing is received: common practice, no source.
ORDERING_CLOSED = (*(f"12-{day}" for day in range(24, 32)), "01-01", "05-01")
NO_RECEIPTS = ("12-24", "12-25", "12-26", "12-31", "01-01", "05-01")

PAGE_WIDTH_MM = 315
PAGE_HEIGHT_MM = 470
CUTOFF_MM = 470
PAGE_M2 = PAGE_WIDTH_MM * PAGE_HEIGHT_MM / 1e6
CORE_MM = 76

# Measuring errors, one standard deviation; `plant.toml` states the same numbers.
REEL_KG = 3.0  # floor scale and mill label
SMALL_KG = 0.1  # bench scale: butts, strip, torn paper
COPIES_PCT = 0.1
DIP_KG = 20.0


@dataclass(frozen=True)
class Newsprint:
    """A newsprint: what is printed on its label, and what it truly weighs."""

    material: str
    width_mm: int
    grammage_gsm: int
    caliper_um: int
    effective_gsm: float
    unit_price: float
    start_m: float = 85.0  # paper threaded at a start
    break_m: float = 55.0  # paper torn out and threaded again after a stop

    @property
    def kg_per_m(self) -> float:
        """True weight of a metre of the web [kg/m]."""
        return self.width_mm * self.effective_gsm / 1e6

    @property
    def start_kg(self) -> float:
        """Paper threaded at each start of a web [kg]."""
        return self.start_m * self.kg_per_m

    @property
    def break_kg(self) -> float:
        """Paper lost by each re-threading [kg]."""
        return self.break_m * self.kg_per_m


# Calipers: US GPO, Government Paper Specification Standards No. 11, JCP A10 (45 g/m2 0.075 mm, 52 g/m2 0.090 mm).
NEWSPRINT = {
    sheet.material: sheet
    for sheet in (
        Newsprint("N45-1260", 1260, 45, 75, 45.36, 0.655),
        Newsprint("N45-945", 945, 45, 75, 45.22, 0.660),
        Newsprint("N45-630", 630, 45, 75, 44.78, 0.672),
        Newsprint("N52-1260", 1260, 52, 90, 52.62, 0.685),
        Newsprint("N52-630", 630, 52, 90, 52.31, 0.702),
    )
}
REEL_SCATTER = 0.005  # of the grammage, reel to reel


SPLICE_TARGET_M = 12.0
FAILED_SPLICE = 0.010  # of the splices that leave the target on the core: common practice, no source
FAILED_SPLICE_FALL_M = 12.0  # metres more left on the core for a failure less likely by a factor e
FAILED_SPLICE_MORE_M = (25.0, 90.0)  # a failed splice leaves on the core beyond a splice's own
BUTT_SCATTER = 0.22  # of the mean of the reelstand, splice to splice
BUTT_LEAST_M = 2.0


@dataclass(frozen=True)
class Press:
    """A press: its speed, its reelstands and what it wastes at a start."""

    name: str
    copies_per_hour: float
    stands: tuple[str, ...]
    black_tank: str
    startup_base: float
    startup_per_page: float


PRESSES = {
    "P1": Press("P1", 40000, ("R11", "R12", "R13", "R14", "R15", "R16"), "K1", 420, 7.0),
    "P2": Press("P2", 38000, ("R21", "R22", "R23", "R24", "R25", "R26"), "K2", 480, 7.5),
}
COLLECT_STARTUP = 0.85  # a collect copy is two sections: fewer copies, more paper each
RUNNING_SHARE = 0.011
COPIES_PER_STOP = 340
# Plates print so often before they are changed, a change so long, and so many are exposed twice: common practice, no
# source.
PLATE_IMPRESSIONS = 25000
PLATE_CHANGE_MINUTES = 9.0
COPIES_PER_PLATE_CHANGE = 180
REMADE_SHARE = 0.02
#: Mean paper left on the core at a splice, by reelstand [m]; R23 leaves twice the target.
STANDS = {
    "R11": 12.0, "R12": 11.4, "R13": 12.6, "R14": 12.0, "R15": 11.7, "R16": 12.4,
    "R21": 12.2, "R22": 11.8, "R23": 24.0, "R24": 12.5, "R25": 12.0, "R26": 11.6,
}  # fmt: skip
BAD_STAND = "R23"


@dataclass(frozen=True)
class Ink:
    """An ink and what it truly takes."""

    name: str
    material: str
    tanks: tuple[str, ...]
    film_g_m2: float
    startup_kg: float
    standing_kg: float  # a day, all its tanks together
    unit_price: float


INKS = {
    ink.name: ink
    for ink in (
        Ink("black", "ink-black", ("K1", "K2"), 1.42, 3.6, 4.4, 2.35),
        Ink("cyan", "ink-cyan", ("C1",), 1.18, 2.2, 1.8, 4.60),
        Ink("magenta", "ink-magenta", ("M1",), 1.24, 2.5, 2.0, 4.75),
        Ink("yellow", "ink-yellow", ("Y1",), 1.31, 2.0, 1.7, 4.40),
    )
}
INK_SCATTER = 0.055
TANKS = {
    "K1": ("black", 6000),
    "K2": ("black", 6000),
    "C1": ("cyan", 4000),
    "M1": ("magenta", 4000),
    "Y1": ("yellow", 4000),
}


@dataclass(frozen=True)
class Event:
    """An announced event: more copies and pages of some titles on some days."""

    name: str
    days: tuple[dt.date, ...]
    titles: tuple[str, ...]
    copies: float
    pages: int


@dataclass(frozen=True)
class Mishap:
    """A carrier's mishap: the first truck of a supplier that comes on or after a day brings hurt reels."""

    supplier: str
    after: dt.date


@dataclass(frozen=True)
class Scenario(Steady):
    """The period and the days on which something planted happens.

    Parameters
    ----------
    years : int
        Years of 52 weeks that end on `LAST_DAY`.
    """

    years: int = 3
    weeks: int = field(init=False)
    first: dt.date = field(init=False)
    last: dt.date = LAST_DAY

    def __post_init__(self) -> None:
        if self.years < 1:
            raise ValueError(f"years = {self.years}: at least one year is needed")
        object.__setattr__(self, "weeks", 52 * self.years)
        object.__setattr__(self, "first", LAST_DAY - self.weeks * WEEK + DAY)

    def monday(self, share: float) -> dt.date:
        """Return the Monday that lies `share` of the period after its start."""
        return self.first + int(self.weeks * share) * WEEK

    @property
    def startup_from(self) -> dt.date:
        """Publication date from which start-up waste is worse on P2."""
        return self.monday(0.80)

    startup_press = "P2"
    startup_factor = 1.35

    @property
    def magenta(self) -> tuple[dt.date, dt.date]:
        """First and last publication date of the thicker magenta film."""
        start = self.monday(0.62)
        return start, start + 6 * WEEK - DAY

    magenta_factor = 1.12

    @property
    def gauge_from(self) -> dt.datetime:
        """Time from which the gauge of K2 reads higher."""
        return dt.datetime.combine(self.monday(0.45) + 2 * DAY, dt.time(11, 0))

    gauge_tank = "K2"
    gauge_kg = 180.0

    @property
    def leak(self) -> tuple[dt.datetime, dt.datetime]:
        """Start and end of the leak at C1."""
        start = dt.datetime.combine(self.monday(0.68) + DAY, dt.time(12, 0))
        return start, start + 3 * WEEK

    leak_ink = "cyan"
    leak_kg_per_day = 14.0

    @property
    def week_without_reels(self) -> dt.date:
        """Monday of the week whose reel records were lost."""
        return self.monday(0.55)

    christmas = 0.6

    def pages_more(self, title: Title, day: dt.date) -> float:
        """Return the pages that advertising about Christmas adds."""
        return december_pages(title, day, self.christmas)

    @property
    def price_path(self) -> tuple[tuple[dt.date, float], ...]:
        """First day and ratio of each newsprint price that was agreed, a price to come included."""
        return PRICE_PATH

    @property
    def price_from(self) -> dt.date:
        """First day of the new newsprint prices."""
        return (self.monday(0.5) + 4 * WEEK).replace(day=1)

    price_factor = 1.06

    @property
    def late_load_after(self) -> dt.date:
        """The first truck ordered on or after this day comes twelve days late."""
        return self.monday(0.66)

    late_days = 12

    #: A contract of the last year that was made for more than the plant needs: its material, mill and ratio.
    contract_too_large = ("N45-945", "Vosgard", 1.4)

    def contract_ratio(self, material: str, supplier: str, year: int) -> float:
        """Return how much more than its share a mill is to deliver of a material in a year."""
        found_material, found_supplier, ratio = self.contract_too_large
        large = (material, supplier) == (found_material, found_supplier) and year == self.last.year
        return ratio if large else 1.0

    @property
    def cancelled_after(self) -> dt.date:
        """One truck ordered on or after this day is cancelled."""
        return self.monday(0.76)

    @property
    def mishaps(self) -> tuple[Mishap, ...]:
        """The two trucks on which reels were hurt."""
        return Mishap("Okkerin", self.monday(0.64)), Mishap("Vosgard", LAST_DAY - 10 * WEEK + DAY)

    @property
    def count_difference_on(self) -> dt.date:
        """Monday of the count that misses a row of reels."""
        return self.monday(0.58)

    count_difference_kg = -14600.0

    @property
    def overlap(self) -> tuple[dt.date, dt.date]:
        """First and last publication date that a second export repeats."""
        return LAST_DAY - 10 * WEEK + DAY, LAST_DAY - 7 * WEEK

    @property
    def events(self) -> tuple[Event, ...]:
        """The announced events: two in the past, one to come."""
        regatta, election, fair = self.monday(0.53), self.monday(0.87), LAST_DAY + 4 * WEEK + DAY
        lantern, dispatch, *_ = TITLES
        return (
            Event("Lantern regatta", tuple(regatta + n * DAY for n in range(6)), (lantern,), 1.22, 6),
            Event("provincial election", (election, election + DAY), (lantern, dispatch), 1.34, 8),
            Event("winter fair supplement", tuple(fair + n * DAY for n in range(6)), (lantern,), 1.22, 6),
        )

    @property
    def closed_once(self) -> tuple[dt.date, ...]:
        """Days without publication that come only once."""
        return (self.monday(0.35) + 2 * DAY, LAST_DAY + 19 * DAY)

    def film_ratio(self, ink: str, day: dt.date) -> float:
        """Return the film weight of an ink on a publication date as a multiple of its own."""
        start, end = self.magenta
        return self.magenta_factor if ink == "magenta" and start <= day <= end else 1.0

    def startup_ratio(self, press: str, day: dt.date) -> float:
        """Return the start-up waste of a press on a publication date as a multiple of its own."""
        return self.startup_factor if press == self.startup_press and day >= self.startup_from else 1.0

    def may_order(self, day: dt.date) -> bool:
        """Return whether orders are taken on `day`."""
        return day.weekday() < 5 and f"{day:%m-%d}" not in ORDERING_CLOSED

    def receiving_day(self, day: dt.date) -> dt.date:
        """Return `day`, or the first day after it on which something is received."""
        while day.weekday() >= 5 or f"{day:%m-%d}" in NO_RECEIPTS:
            day += DAY
        return day

    def closed(self, day: dt.date) -> bool:
        """Return whether nothing is published on `day`."""
        return f"{day:%m-%d}" in CLOSED_EVERY_YEAR or day in self.closed_once

    @property
    def clock_nights(self) -> tuple[dt.date, ...]:
        """Publication dates whose night the clocks change while the press runs."""
        return (dt.date(2025, 3, 30), dt.date(2025, 10, 26))
