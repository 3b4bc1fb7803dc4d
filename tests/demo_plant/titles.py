"""What is printed: the plant's own titles, and those of two customers that fill its presses."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

__all__ = ["CUSTOMERS", "TITLES", "Title", "december_pages"]


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
    pages_scatter: float
    grammage: int
    colour_share: float
    black: float  # covered fraction of a page
    colour: float  # covered fraction of a colour page, each of cyan, magenta, yellow
    black_only: tuple[int, ...] = ()  # weekdays without colour
    press: str = ""  # the press of a contract; own titles change places
    starts: dt.time = dt.time(22, 0)  # on the day before
    promotions: bool = False

    @property
    def customer(self) -> str:
        """Who pays for it; empty for the plant's own titles."""
        return CUSTOMERS.get(self.name, "")


#: Customers by the title that is printed for them under contract.
CUSTOMERS = {"Fennimarsh Courier": "Fennimarsh News", "Ostrane Shopper": "Ostrane Retail"}

# Coverage such that a tonne of paper takes about 20 kg of ink; contract runs such that presses print 30 to 45 h a
# week: common practice, no source.
TITLES = {
    "Tollenby Lantern": Title(
        "Tollenby Lantern", (0, 1, 2, 3, 4, 5), "straight", 38600, 0.030,
        (0.95, 0.94, 0.97, 1.02, 1.0, 1.26, 0.0), 25.5, 3.6, (-2, -2, 0, 2, 0, 4, 0), 18, 42, 2, 1.6, 45, 0.70,
        0.107, 0.105,
    ),
    "Orrin Vale Dispatch": Title(
        "Orrin Vale Dispatch", (0, 1, 2, 3, 4), "straight", 32400, 0.045,
        (0.97, 0.94, 0.98, 1.0, 1.16, 0.0, 0.0), 21.5, 2.8, (-1, -1, 0, 1, 2, 0, 0), 16, 34, 2, 1.6, 45, 0.60,
        0.115, 0.097, (1,),
    ),
    "Skerrow Sunday Folio": Title(
        "Skerrow Sunday Folio", (6,), "collect", 41500, 0.020,
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0), 63.0, 11.0, (0, 0, 0, 0, 0, 0, 0), 40, 88, 8, 6.4, 52, 0.80, 0.102, 0.112,
        starts=dt.time(21, 35), promotions=True,
    ),
    "Fennimarsh Courier": Title(
        "Fennimarsh Courier", (0, 1, 2, 3, 4, 5), "collect", 72000, 0.010,
        (0.97, 0.97, 0.99, 1.0, 1.02, 1.05, 0.0), 15.6, 1.2, (0, 0, 0, 0.5, 0, 1, 0), 16, 32, 8, 1.3, 45, 0.60,
        0.105, 0.09, press="P2", starts=dt.time(16, 30),
    ),
    "Ostrane Shopper": Title(
        "Ostrane Shopper", (0, 2, 3, 4, 5), "collect", 92000, 0.005,
        (0.96, 0.0, 1.0, 1.04, 1.0, 1.0, 0.0), 15.6, 1.4, (0, 0, 0, 0.5, 1, 0, 0), 16, 32, 8, 1.3, 45, 0.90,
        0.075, 0.100, press="P1", starts=dt.time(16, 30),
    ),
}  # fmt: skip

#: Advertising before Christmas, the trough after it, and Easter, as a share of a title's pages, by days
#: from Christmas Day: a week of bargains in November, then weeks that grow to the 22nd.
CHRISTMAS = ((-30, -26, 0.10), (-25, -12, 0.18), (-11, -2, 0.30), (-1, 4, -0.25), (5, 12, -0.35))


def december_pages(title: Title, day: dt.date, share: float) -> float:
    """Return the pages that advertising about Christmas adds to `title` on `day`, `share` of the usual hump."""
    near = min((dt.date(day.year + n, 12, 25) for n in (-1, 0)), key=lambda c: abs((day - c).days))
    away = (day - near).days
    more = next((more for first, last, more in CHRISTMAS if first <= away <= last), 0.0)
    return share * more * title.pages
