"""The invented plant: what it prints, on which paper, with which ink, and the truths planted in it.

Everything here is an invention. The sizes are the trade's own (a reel near a tonne and 16 km, 2 to
8 % waste, two or three breaks in a hundred reels); the sources stand in the developers' references,
and what has none is *common practice, no source*.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from .calendar_days import DAY, WEEK
from .steady import Steady

__all__ = [
    "CLOSED_EVERY_YEAR",
    "CORE_MM",
    "CUTOFF_MM",
    "DIP_KG",
    "INKS",
    "LAST_DAY",
    "NEWSPRINT",
    "PAGE_HEIGHT_MM",
    "PAGE_M2",
    "PAGE_WIDTH_MM",
    "PRESSES",
    "REEL_KG",
    "SMALL_KG",
    "STANDS",
    "SUPPLIERS",
    "TANKS",
    "TITLES",
    "Event",
    "Ink",
    "Mishap",
    "Newsprint",
    "Press",
    "Scenario",
    "Supplier",
    "Title",
]


#: The last publication date: the night before it the clocks go back.
LAST_DAY = dt.date(2025, 10, 26)
CLOSED_EVERY_YEAR = ("01-01", "05-01", "09-08", "12-25")

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
class Title:
    """A newspaper: its rhythm, its level at the end of the period and how that moves."""

    name: str
    weekdays: tuple[int, ...]
    production: str
    copies: float
    decline: float  # share a year
    weekday_copies: tuple[float, ...]  # factor, Monday first
    pages: float
    season_pages: float
    weekday_pages: tuple[float, ...]  # pages added, Monday first
    pages_low: int
    pages_high: int
    pages_step: int
    grammage: int
    colour_share: float
    black: float  # covered fraction of a page
    colour: float  # covered fraction of a colour page, each of cyan, magenta, yellow
    black_only: tuple[int, ...] = ()  # weekdays without colour


TITLES = {
    "Tollenby Lantern": Title(
        "Tollenby Lantern", (0, 1, 2, 3, 4, 5), "straight", 38600, 0.030,
        (0.95, 0.94, 0.97, 1.02, 1.0, 1.26, 0.0), 25.5, 3.6, (-2, -2, 0, 2, 0, 4, 0), 18, 42, 2, 45, 0.70, 0.17, 0.20,
    ),
    "Orrin Vale Dispatch": Title(
        "Orrin Vale Dispatch", (0, 1, 2, 3, 4), "straight", 32400, 0.045,
        (0.97, 0.94, 0.98, 1.0, 1.16, 0.0, 0.0), 21.5, 2.8, (-1, -1, 0, 1, 2, 0, 0), 16, 34, 2, 45, 0.60,
        0.19, 0.18, (1,),
    ),
    "Skerrow Sunday Folio": Title(
        "Skerrow Sunday Folio", (6,), "collect", 41500, 0.020,
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0), 63.0, 11.0, (0, 0, 0, 0, 0, 0, 0), 40, 88, 8, 52, 0.80, 0.14, 0.19,
    ),
}  # fmt: skip


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


@dataclass(frozen=True)
class Supplier:
    """A paper maker: what it makes, how it delivers, how its reels travel and run."""

    name: str
    share: float
    materials: tuple[str, ...]
    reel_id: str
    diameter_m: float
    lead_days: int
    delay_days: float  # mean delay
    delay_scatter: float
    break_ratio: float
    strip_mm: float  # mean depth torn off a new reel


SUPPLIERS = {
    maker.name: maker
    for maker in (
        Supplier(
            "Brantelow", 0.36, ("N45-1260", "N45-945", "N45-630", "N52-1260"), "B{:06d}",
            1.250, 18, 0.1, 0.8, 1.0, 3.0,
        ),
        Supplier("Okkerin", 0.28, ("N45-1260", "N52-1260", "N52-630"), "{:07d}", 1.245, 21, 0.6, 1.6, 1.0, 3.4),
        Supplier(
            "Vosgard", 0.36, ("N45-1260", "N45-945", "N45-630", "N52-630"), "V-{:05d}",
            1.240, 24, 1.2, 2.6, 1.7, 4.6,
        ),
    )
}  # fmt: skip
BREAKS_PER_KM = 0.00132  # of a supplier with ratio 1: about two in a hundred reels of 15 km
# Breaks come per kilometre and maker: whatever else seems to move them is chance.
NO_EFFECT_ON_BREAKS = ("age in the store", "number of remounts", "material", "reelstand", "press", "season")
DAMAGED_SHARE = 0.0009  # of the new reels mounted
STRIP_LIMIT_MM = 9.0  # the deepest strip of a reel that travelled well
TRANSPORT_DEPTH_MM = (22.0, 45.0)  # torn or wet layers of a reel hurt on the road
TRANSPORT_REELS = (4, 6)  # of one truck
SPLICE_TARGET_M = 12.0
FAILED_SPLICE = 0.0036  # of the splices that leave the target on the core
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
    "P1": Press("P1", 68000, ("R11", "R12", "R13", "R14", "R15", "R16"), "K1", 300, 6.0),
    "P2": Press("P2", 64000, ("R21", "R22", "R23", "R24", "R25", "R26"), "K2", 350, 6.5),
}
COLLECT_STARTUP = 0.85  # a collect copy is two sections: fewer copies, more paper each
RUNNING_SHARE = 0.0075
COPIES_PER_STOP = 340
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
        Ink("black", "ink-black", ("K1", "K2"), 1.42, 6.5, 14.0, 2.35),
        Ink("cyan", "ink-cyan", ("C1",), 1.18, 3.6, 5.5, 4.60),
        Ink("magenta", "ink-magenta", ("M1",), 1.24, 4.1, 6.0, 4.75),
        Ink("yellow", "ink-yellow", ("Y1",), 1.31, 3.3, 4.8, 4.40),
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
        start = dt.datetime.combine(self.monday(0.72) + DAY, dt.time(12, 0))
        return start, start + 3 * WEEK

    leak_ink = "cyan"
    leak_kg_per_day = 14.0

    @property
    def week_without_reels(self) -> dt.date:
        """Monday of the week whose reel records were lost."""
        return self.monday(0.55)

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

    count_difference_kg = -8200.0

    @property
    def overlap(self) -> tuple[dt.date, dt.date]:
        """First and last publication date that a second export repeats."""
        return LAST_DAY - 10 * WEEK + DAY, LAST_DAY - 7 * WEEK

    @property
    def events(self) -> tuple[Event, ...]:
        """The announced events: two in the past, one to come."""
        regatta, election, fair = self.monday(0.53), self.monday(0.87), LAST_DAY + 4 * WEEK + DAY
        lantern, dispatch, _ = TITLES
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

    def closed(self, day: dt.date) -> bool:
        """Return whether nothing is published on `day`."""
        return f"{day:%m-%d}" in CLOSED_EVERY_YEAR or day in self.closed_once

    @property
    def clock_nights(self) -> tuple[dt.date, ...]:
        """Publication dates whose night the clocks change while the press runs."""
        return (dt.date(2025, 3, 30), dt.date(2025, 10, 26))
