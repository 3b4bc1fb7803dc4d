"""Agreed prices: a change of the newsprint price and a discount for large orders."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from .logbook import Logbook, number
from .scenario import INKS, NEWSPRINT, Scenario

__all__ = ["OTHER_PRICES", "Prices"]

OTHER_PRICES = {"plate": 2.15, "fountain": 1.45, "wash": 2.60}
NEWSPRINT_BREAK_KG = 48000.0
NEWSPRINT_DISCOUNT = 0.985
INK_BREAK_KG = 4000.0
INK_DISCOUNT = 0.97


@dataclass(frozen=True)
class Prices:
    """Prices of a scenario; all are inventions, of the trade's order of magnitude."""

    scenario: Scenario

    def agreed(self) -> list[tuple[str, dt.date, float, float]]:
        """Return material, first day, least quantity and price of every agreement."""
        start = dt.date(self.scenario.first.year, 1, 1)
        rows: list[tuple[str, dt.date, float, float]] = []
        for material, sheet in NEWSPRINT.items():
            for day, factor in ((start, 1.0), (self.scenario.price_from, self.scenario.price_factor)):
                for least, discount in ((0.0, 1.0), (NEWSPRINT_BREAK_KG, NEWSPRINT_DISCOUNT)):
                    rows.append((material, day, least, round(sheet.unit_price * factor * discount, 4)))
        for ink in INKS.values():
            for least, discount in ((0.0, 1.0), (INK_BREAK_KG, INK_DISCOUNT)):
                rows.append((ink.material, start, least, round(ink.unit_price * discount, 4)))
        for material, price in OTHER_PRICES.items():
            rows.append((material, start, 0.0, price))
        return rows

    def at(self, material: str, ordered_on: dt.date, quantity: float) -> float:
        """Return the price of an order of `quantity` placed on `ordered_on`.

        The quantity of a newsprint order is that of all its materials together.
        """
        found = 0.0
        for name, day, least, price in self.agreed():
            if name == material and (day <= ordered_on or not found) and least <= quantity:
                found = price
        return found

    def log(self, logbook: Logbook) -> None:
        """Write the table of prices."""
        for material, day, least, price in self.agreed():
            logbook.add("prices", material, day.isoformat(), number(least), number(price, 4))
