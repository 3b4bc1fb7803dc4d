"""Ink in the tanks: what is truly used, what leaks, what is delivered and what the dips say."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

from .calendar_days import DAY
from .logbook import Logbook, clock, number
from .scenario import DIP_KG, INK_SCATTER, INKS, PAGE_M2, PRESSES, TANKS, Ink, Scenario

if TYPE_CHECKING:
    from .prices import Prices
    from .printing import Printed

__all__ = ["InkStore", "Tanker"]

MINUTE = dt.timedelta(minutes=1)
LEAD_DAYS = 10
TANKER_KG = 6000.0
TOTE_KG = 1000.0


@dataclass(slots=True)
class Tanker:
    """Ink on order: one tank filled by one load."""

    delivery_id: str
    ink: Ink
    tank: str
    kg: float
    load: str
    order_id: str
    ordered_on: dt.date
    promised_on: dt.date
    arrives_at: dt.datetime
    price: float
    received: bool = False


class InkStore:
    """The tanks, hour by hour."""

    def __init__(self, scenario: Scenario, logbook: Logbook, prices: Prices, seed: int) -> None:
        self.scenario, self.logbook, self.prices, self.seed = scenario, logbook, prices, seed
        self.chance = Random(f"{seed} ink")
        self.level = {tank: 0.66 * capacity for tank, (_, capacity) in TANKS.items()}
        self.used_recently = dict.fromkeys(INKS, 60.0)
        self.at = dt.datetime.combine(scenario.first - DAY, dt.time(6, 0))
        self.orders: list[Tanker] = []
        self.on_road: list[Tanker] = []
        self.missed: list[tuple[str, dt.date]] = []
        self.used: dict[str, dict[dt.date, float]] = {ink: {} for ink in INKS}
        self._orders = 0

    def print(self, run: Printed) -> None:
        """Take from the tanks what a run uses."""
        order = run.order
        chance = self.scenario.numbers(self.chance, f"{self.seed} ink {order.key}")
        for ink in INKS.values():
            solid = order.solid_pages.get(ink.name)
            if solid is None:
                continue
            film = ink.film_g_m2 * self.scenario.film_ratio(ink.name, order.date)
            printed = film * run.gross * solid * PAGE_M2 / 1000 * (1 + INK_SCATTER * chance.gauss(0, 1))
            tank = PRESSES[order.press].black_tank if ink.name == "black" else ink.tanks[0]
            self.level[tank] -= printed + ink.startup_kg
            self._note(ink.name, order.date, printed + ink.startup_kg)
            self.used_recently[ink.name] += (printed + ink.startup_kg) / 14

    def _note(self, ink: str, day: dt.date, kg: float) -> None:
        """Keep what truly left the tanks of an ink, leaks apart."""
        self.used[ink][day] = self.used[ink].get(day, 0.0) + kg

    def pass_time(self, until: dt.datetime) -> None:
        """Let standing use and the leak run until a time."""
        days = (until - self.at) / DAY
        for ink in INKS.values():
            for tank in ink.tanks:
                self.level[tank] -= ink.standing_kg * days / len(ink.tanks)
            self._note(ink.name, self.at.date(), ink.standing_kg * days)
        start, end = self.scenario.leak
        leaking = max(dt.timedelta(0), min(until, end) - max(self.at, start)) / DAY
        self.level[INKS[self.scenario.leak_ink].tanks[0]] -= self.scenario.leak_kg_per_day * leaking
        self.at = until

    def morning(self, day: dt.date) -> None:
        """Dip every tank after the night; now and then nobody does, or only some are dipped."""
        chance = self.chance
        moment = dt.datetime.combine(day, dt.time(5, 10)) + chance.randrange(0, 100) * MINUTE
        nobody = chance.random() < 0.005
        for place, (tank, (ink, _)) in enumerate(TANKS.items()):
            read_at = moment + 2 * place * MINUTE  # one after the other: a delivery may come in between
            self._receive_until(read_at)
            self.pass_time(read_at)
            error = DIP_KG * chance.gauss(0, 1)
            forgotten = chance.random() < 0.003
            if nobody or forgotten:
                self.missed.append((tank, day))
                continue
            shift = (
                self.scenario.gauge_kg
                if tank == self.scenario.gauge_tank and read_at >= self.scenario.gauge_from
                else 0.0
            )
            self.logbook.add(
                "tank_readings", tank, clock(read_at), ink, number(self.level[tank] + shift + error)
            )
        for name in self.used_recently:
            self.used_recently[name] *= 13 / 14

    def evening(self, day: dt.date) -> None:
        """Receive what comes that day and order what will be missing."""
        moment = dt.datetime.combine(day, dt.time(18, 0))
        self._receive_until(moment)
        self.pass_time(moment)
        for ink in INKS.values():
            daily = (self.used_recently[ink.name] + ink.standing_kg) * (1.0 if len(ink.tanks) == 1 else 0.62)
            lowest = min(self.level[t] + sum(o.kg for o in self.on_road if o.tank == t) for t in ink.tanks)
            if lowest < (LEAD_DAYS + 14) * daily and self.scenario.may_order(day):
                self._order(ink, day)

    def _order(self, ink: Ink, day: dt.date) -> None:
        chance = self.chance
        self._orders += 1
        order_id = f"IO-{self._orders:04d}"
        promised = self.scenario.receiving_day(day + LEAD_DAYS * DAY)
        delay = round(max(-1.0, chance.gauss(0.4, 1.3)))
        arrives = self.scenario.receiving_day(promised + delay * DAY)
        at = dt.datetime.combine(arrives, dt.time(5, 0)) + chance.randrange(0, 600) * MINUTE
        if ink.name == "black":
            ullage = {
                t: TANKS[t][1] * 0.95 - self.level[t] + 12 * self.used_recently[ink.name] / 2
                for t in ink.tanks
            }
            first = max(
                500.0, min(TANKER_KG - 500, 500 * round((ullage["K1"] - ullage["K2"] + TANKER_KG) / 1000))
            )
            parts = {"K1": first, "K2": TANKER_KG - first}
        else:
            parts = {ink.tanks[0]: 2 * TOTE_KG}
        total = sum(parts.values())
        for n, (tank, kg) in enumerate(parts.items()):
            self.orders.append(
                Tanker(
                    f"{order_id}{'ab'[n]}", ink, tank, kg, f"{order_id}-1", order_id, day, promised, at,
                    self.prices.at(ink.material, day, total),
                )
            )  # fmt: skip
            self.on_road.append(self.orders[-1])

    def _receive_until(self, moment: dt.datetime) -> None:
        for order in [o for o in self.on_road if o.arrives_at <= moment]:
            self.on_road.remove(order)
            self.pass_time(max(self.at, order.arrives_at))
            order.kg = round(order.kg * (1 + 0.004 * self.chance.gauss(0, 1)))  # the weighbridge
            self.level[order.tank] += order.kg
            order.received = True
            if self.level[order.tank] > TANKS[order.tank][1]:
                raise RuntimeError(f"the invented plant spilt ink at {order.tank} on {moment}")

    def log(self, add: Callable[..., None]) -> None:
        """Write all orders of ink as rows of deliveries."""
        for order in self.orders:
            asked = order.kg if not order.received else 500 * round(order.kg / 500)
            add(
                delivery_id=order.delivery_id, material=order.ink.material, quantity=number(order.kg),
                ordered_on=order.ordered_on.isoformat(), promised_on=order.promised_on.isoformat(),
                delivered_on=f"{order.arrives_at:%Y-%m-%d}" if order.received else "",
                delivered_at=clock(order.arrives_at) if order.received else "",
                tank=order.tank, load=order.load, unit_price=number(order.price, 4), order_id=order.order_id,
                supplier="Corvane Inks", quantity_ordered=number(asked),
            )  # fmt: skip
