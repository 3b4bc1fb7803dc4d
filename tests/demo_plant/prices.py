"""Agreed prices: what each mill asks from half-year to half-year, and discounts for large orders."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property

from .calendar_days import DAY, WEEK
from .logbook import Logbook, number
from .scenario import INKS, LAST_DAY, NEWSPRINT, Scenario
from .suppliers import makers_of

__all__ = ["OTHER_PRICES", "Prices"]

OTHER_PRICES = {"plate": 2.15, "fountain": 1.45, "wash": 2.60}
NEWSPRINT_BREAK_KG = 48000.0
NEWSPRINT_DISCOUNT = 0.985
INK_BREAK_KG = 4000.0
INK_DISCOUNT = 0.97


@dataclass
class Prices:
    """Prices of a scenario; all are inventions, of the trade's order of magnitude."""

    scenario: Scenario

    @cached_property
    def agreed(self) -> list[tuple[str, str, dt.date, float, float]]:
        """Material, supplier, first day, least quantity and price of every agreement, by day."""
        start = dt.date(self.scenario.first.year, 1, 1)
        rows: list[tuple[str, str, dt.date, float, float]] = []
        for day, ratio in self._newsprint(start):
            for material, sheet in NEWSPRINT.items():
                for maker in makers_of(material):
                    for least, discount in ((0.0, 1.0), (NEWSPRINT_BREAK_KG, NEWSPRINT_DISCOUNT)):
                        price = round(sheet.unit_price * ratio * maker.price_ratio * discount, 4)
                        rows.append((material, maker.name, day, least, price))
        for ink in INKS.values():
            for least, discount in ((0.0, 1.0), (INK_BREAK_KG, INK_DISCOUNT)):
                rows.append((ink.material, "", start, least, round(ink.unit_price * discount, 4)))
        for material, price in OTHER_PRICES.items():
            rows.append((material, "", start, 0.0, price))
        return rows

    def _newsprint(self, start: dt.date) -> list[tuple[dt.date, float]]:
        """Return first day and ratio of each price of newsprint from `start` on."""
        path, change = self.scenario.price_path, self.scenario.price_from
        days = sorted({start, change, *(day for day, _ in path)})
        steps = []
        for day in days:
            ratio = [r for since, r in path if since <= day or since == path[0][0]][-1]
            steps.append((day, ratio * (self.scenario.price_factor if day >= change else 1.0)))
        held = max(n for n, (day, _) in enumerate(steps) if day <= start or n == 0)
        return steps[held:]

    def at(self, material: str, ordered_on: dt.date, quantity: float, supplier: str = "") -> float:
        """Return the price of an order of `quantity` placed on `ordered_on`, of a mill or else of the main one.

        The quantity of a newsprint order is that of all its materials together.
        """
        if not supplier and material in NEWSPRINT:
            supplier = makers_of(material)[0].name
        found = 0.0
        for name, maker, day, least, price in self.agreed:
            if (
                (name, maker) == (material, supplier)
                and (day <= ordered_on or not found)
                and least <= quantity
            ):
                found = price
        return found

    def log(self, logbook: Logbook) -> None:
        """Write the table of prices."""
        for material, supplier, day, least, price in self.agreed:
            agreed_on = min(day - 4 * WEEK, LAST_DAY - 11 * DAY).isoformat() if supplier else ""
            logbook.add(
                "prices", material, supplier, day.isoformat(), number(least), number(price, 4), agreed_on
            )
