"""Orders and deliveries of newsprint: trucks that mix widths, and lead times that scatter."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING

from .calendar_days import DAY, WEEK
from .logbook import Logbook, number
from .reels import Store, reel_length_m
from .scenario import NEWSPRINT, Scenario
from .suppliers import SHARES, SUPPLIERS, Supplier, makers_of
from .transport import TransportDamage, hurt_reels

if TYPE_CHECKING:
    from .prices import Prices
    from .programme import RunOrder

__all__ = ["PACK_KG", "TRUCK_KG", "Newsprint", "Truck", "daily_need"]

TRUCK_KG = 24000.0
#: A mean reel of each material [kg].
PACK_KG = {
    m: float(round(reel_length_m(1.245, sheet.caliper_um) * sheet.width_mm * sheet.grammage_gsm / 1e6))
    for m, sheet in NEWSPRINT.items()
}
SAFETY_DAYS = 10.0
SAFETY_REELS = 8
RESERVE_REELS = 4
WATCHED_DAYS = 7
REVIEW_WEEKDAY = 2


def daily_need(orders: dict[dt.date, list[RunOrder]]) -> dict[str, dict[dt.date, float]]:
    """Return the newsprint that each day's runs need, waste included, by material [kg]."""
    need: dict[str, dict[dt.date, float]] = {m: {} for m in NEWSPRINT}
    for day, runs in orders.items():
        for run in runs:
            for web in run.webs:
                kg = run.copies * 1.055 * web.m2_per_copy * NEWSPRINT[web.material].grammage_gsm / 1000
                need[web.material][day] = need[web.material].get(day, 0.0) + kg
    return need


@dataclass(slots=True)
class Truck:
    """A truck on order: reels by material, promised for a day and coming on another."""

    load: str
    order_id: str
    supplier: Supplier
    reels: dict[str, int]
    ordered_on: dt.date
    promised_on: dt.date
    arrives_on: dt.date
    price: dict[str, float]
    cancelled_on: dt.date | None = None
    received_on: dt.date | None = None
    received_kg: dict[str, float] = field(default_factory=dict)


class Newsprint:
    """Reviews the stock of newsprint once a week and receives what was ordered."""

    def __init__(
        self,
        scenario: Scenario,
        store: Store,
        logbook: Logbook,
        prices: Prices,
        need: dict[str, dict[dt.date, float]],
        seed: int,
    ) -> None:
        self.scenario, self.store, self.logbook, self.prices, self.need = (
            scenario,
            store,
            logbook,
            prices,
            need,
        )
        self.chance = Random(f"{seed} newsprint")
        self.trucks: list[Truck] = []
        self.on_road: list[Truck] = []
        self.late: Truck | None = None
        self.cancelled: Truck | None = None
        self.misbilled: Truck | None = None
        # A stream of its own: what happens on the road shifts no other draw of the supply.
        self.road = Random(f"{seed} transport")
        self.mishaps = list(scenario.mishaps)
        self.damaged: list[TransportDamage] = []
        self.express = 0
        self.called = {material: dict.fromkeys(shares, 0.0) for material, shares in SHARES.items()}
        self._orders = 0

    def needed(self, material: str, first: dt.date, days: int) -> float:
        """Return what the runs dated `first` and the days after it need [kg]."""
        need = self.need[material]
        return sum(need.get(first + n * DAY, 0.0) for n in range(days))

    def open_stock(self) -> None:
        """Fill the store before the first night, and order for the weeks that follow."""
        first = self.scenario.first
        for material, pack in PACK_KG.items():
            makers = makers_of(material)
            for n in range(round(self.needed(material, first, 20) / pack) + SAFETY_REELS):
                day = first - (3 + 5 * self.chance.randrange(4)) * DAY
                self.store.receive(makers[n % len(makers)], material, 1, "", day)
        self.logbook["reels"].rows.sort(key=lambda row: row[4])
        for week in range(4, 0, -1):
            self.review(first - week * 7 * DAY + REVIEW_WEEKDAY * DAY)

    def _position(self, material: str) -> float:
        ordered = sum(
            t.reels.get(material, 0) * PACK_KG[material] for t in self.on_road if t.cancelled_on is None
        )
        return self.store.kg(material) + ordered

    def review(self, today: dt.date) -> None:
        """Order whole trucks of what will be missing."""
        if not self.scenario.may_order(today):
            return
        ahead = 24 + 7
        while not self.scenario.may_order(today + (ahead - 24) * DAY):
            ahead += 7  # nothing can be ordered at the next review
        first = max(today + DAY, self.scenario.first)
        horizon = (today + ahead * DAY - first).days
        daily, short = {}, {}
        for material in NEWSPRINT:
            guess = 1 + 0.03 * self.chance.gauss(0, 1)
            daily[material] = max(self.needed(material, first, 56) / 56, 1.0)
            want = (
                self.needed(material, first, horizon) * guess
                + SAFETY_DAYS * daily[material]
                + SAFETY_REELS * PACK_KG[material]
            )
            short[material] = want - self._position(material)
        trucks = round(sum(max(0.0, kg) for kg in short.values()) / TRUCK_KG)
        if trucks < 1:
            return
        self._orders += 1
        order_id = f"PO-{self._orders:04d}"
        loads = [self._fill(short, daily, today) for _ in range(trucks)]
        for n, (supplier, reels) in enumerate(loads):
            self._send(f"{order_id}-{n + 1}", order_id, supplier, reels, today, loads)

    def _fill(
        self, short: dict[str, float], daily: dict[str, float], today: dt.date
    ) -> tuple[Supplier, dict[str, int]]:
        """Fill one truck for a supplier, the most urgent material first; `short` is reduced."""
        urgent = max(short, key=lambda m: short[m] / daily[m])
        supplier = self._behind(urgent, today)
        reels: dict[str, int] = {}
        kg = 0.0
        while kg < TRUCK_KG - 700:
            fits = [m for m in supplier.materials if kg + 2 * PACK_KG[m] <= TRUCK_KG + 400]
            if not fits:
                break
            material = max(fits, key=lambda m: short[m] / daily[m])
            reels[material] = reels.get(material, 0) + 2
            kg += 2 * PACK_KG[material]
            short[material] -= 2 * PACK_KG[material]
        for material, number_of_reels in reels.items():
            self.called[material][supplier.name] += number_of_reels * PACK_KG[material]
        return supplier, reels

    def _behind(self, material: str, today: dt.date) -> Supplier:
        """Return the mill whose call-offs of a material are furthest behind its share of the contracts."""
        called = self.called[material]
        total = sum(called.values())
        shares = {n: share for n, share in SHARES[material].items() if self.scenario.delivers(n, today)}
        return SUPPLIERS[
            max(shares, key=lambda name: shares[name] * total - called[name] + 9000.0 * self.chance.random())
        ]

    def _send(
        self, load: str, order_id: str, supplier: Supplier, reels: dict[str, int], today: dt.date,
        loads: list[tuple[Supplier, dict[str, int]]],
    ) -> None:  # fmt: skip
        chance = self.chance
        promised = self.scenario.receiving_day(today + supplier.lead_days * DAY)
        delay = chance.gauss(supplier.delay_days, supplier.delay_scatter)
        arrives = self.scenario.receiving_day(max(today + 3 * DAY, promised + round(delay) * DAY))
        total = sum(PACK_KG[m] * n for _, more in loads for m, n in more.items())
        price = {m: self.prices.at(m, today, total, supplier.name) for m in reels}
        truck = Truck(load, order_id, supplier, dict(sorted(reels.items())), today, promised, arrives, price)
        early = self.scenario.price_from - 3 * WEEK <= today < self.scenario.price_from
        if self.misbilled is None and early:
            self.misbilled = truck  # invoiced at a price that was not yet agreed
            truck.price = {
                m: self.prices.at(m, self.scenario.price_from, total, supplier.name) for m in reels
            }
        if self.late is None and today >= self.scenario.late_load_after and today >= self.scenario.first:
            self.late = truck
            truck.arrives_on = self.scenario.receiving_day(promised + self.scenario.late_days * DAY)
        elif self.cancelled is None and today >= self.scenario.cancelled_after:
            self.cancelled = truck
            truck.cancelled_on = today + 6 * DAY
        self.trucks.append(truck)
        self.on_road.append(truck)

    def watch(self, today: dt.date) -> None:
        """Call a truck that comes at once when a material would not last until the regular ones."""
        for material in NEWSPRINT:
            if not self._lasts(material, today):
                self._hurry(material, today)

    def _lasts(self, material: str, today: dt.date) -> bool:
        """Return whether the paper holds, evening by evening, through the coming week."""
        stock, needed = self.store.kg(material), RESERVE_REELS * PACK_KG[material]
        coming = [(t.arrives_on, t.reels.get(material, 0)) for t in self.on_road if t.cancelled_on is None]
        for evening in (today + n * DAY for n in range(WATCHED_DAYS)):
            needed += self.need[material].get(evening + DAY, 0.0)
            if stock + PACK_KG[material] * sum(reels for day, reels in coming if day <= evening) < needed:
                return False
        return True

    def _hurry(self, urgent: str, today: dt.date) -> None:
        daily = {m: max(self.needed(m, today + DAY, 28) / 28, 1.0) for m in NEWSPRINT}
        short = {m: 21 * daily[m] - self._position(m) for m in NEWSPRINT}
        short[urgent] = daily[urgent] * (14 + max(short[m] / daily[m] for m in NEWSPRINT))
        self.express += 1
        supplier, reels = self._fill(short, daily, today)
        load = f"EX-{self.express:03d}"
        arrives = self.scenario.receiving_day(today + DAY)
        price = {m: self.prices.at(m, today, TRUCK_KG, supplier.name) for m in reels}
        truck = Truck(load, load, supplier, dict(sorted(reels.items())), today, arrives, arrives, price)
        self.trucks.append(truck)
        self.on_road.append(truck)

    def receive(self, today: dt.date) -> None:
        """Take in the trucks that come today."""
        if self.scenario.receiving_day(today) != today:
            return
        self.on_road = [t for t in self.on_road if t.cancelled_on is None or t.cancelled_on > today]
        for truck in [t for t in self.on_road if t.arrives_on <= today]:
            self.on_road.remove(truck)
            truck.received_on = today
            for material, reels in truck.reels.items():
                truck.received_kg[material] = self.store.receive(
                    truck.supplier, material, reels, _delivery(truck, material), today
                )
            self._travelled(truck, today)

    def _travelled(self, truck: Truck, today: dt.date) -> None:
        """Hurt reels of a truck that has just come, if its journey is one of the mishaps."""
        for mishap in self.mishaps:
            if mishap.supplier == truck.supplier.name and today >= mishap.after:
                self.mishaps.remove(mishap)
                came = [
                    (_delivery(truck, m), r) for m, n in truck.reels.items() for r in self.store.new[m][-n:]
                ]
                self.damaged += hurt_reels(self.road, truck.load, today, came)
                return

    def log(self, add: Callable[..., None]) -> None:
        """Write all trucks, received or not, as rows of deliveries."""
        for truck in self.trucks:
            for material, reels in truck.reels.items():
                asked = reels * PACK_KG[material]
                came = truck.received_kg.get(material)
                soon = truck.received_on is None and truck.promised_on <= self.scenario.last + 7 * DAY
                add(
                    delivery_id=_delivery(truck, material), material=material,
                    quantity=number(asked if came is None else came), ordered_on=truck.ordered_on.isoformat(),
                    promised_on=truck.promised_on.isoformat(),
                    delivered_on=truck.received_on.isoformat() if truck.received_on else "",
                    load=truck.load, unit_price=number(truck.price[material], 4), order_id=truck.order_id,
                    supplier=truck.supplier.name, quantity_ordered=number(asked),
                    cancelled_on=truck.cancelled_on.isoformat() if truck.cancelled_on else "",
                    frozen="yes" if soon and truck.cancelled_on is None else "",
                )  # fmt: skip


def _delivery(truck: Truck, material: str) -> str:
    """Return the delivery of one material of a truck."""
    return truck.load + "abcde"[list(truck.reels).index(material)]
