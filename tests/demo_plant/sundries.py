"""Plates, fountain concentrate and blanket wash: used by the runs, ordered when they run low."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING

from .calendar_days import DAY
from .logbook import number
from .prices import OTHER_PRICES

if TYPE_CHECKING:
    from .printing import Printed
    from .scenario import Scenario

__all__ = ["SUNDRIES", "Sundries", "Sundry"]


@dataclass(frozen=True)
class Sundry:
    """A material that is not paper or ink."""

    material: str
    kind: str
    unit: str
    supplier: str
    pack: float
    lot: float
    lead_days: int
    a_day: float  # roughly used

    @property
    def reorder_at(self) -> float:
        """Stock at which more is ordered [unit]."""
        return self.a_day * (self.lead_days + 12)


SUNDRIES = {
    sundry.material: sundry
    for sundry in (
        Sundry("plate", "plate", "each", "Ardelle Plate Works", 50, 12000, 14, 590),
        Sundry("fountain", "other", "l", "Mirrin Pressroom Supply", 200, 800, 7, 20),
        Sundry("wash", "other", "l", "Mirrin Pressroom Supply", 60, 480, 7, 18),
    )
}


@dataclass
class _Order:
    delivery_id: str
    sundry: Sundry
    ordered_on: dt.date
    promised_on: dt.date
    arrives_on: dt.date
    received: bool = False


@dataclass
class Sundries:
    """The shelves with plates and chemicals."""

    scenario: Scenario
    seed: int
    stock: dict[str, float] = field(
        default_factory=lambda: {m: 1.6 * s.reorder_at for m, s in SUNDRIES.items()}
    )
    orders: list[_Order] = field(default_factory=list)
    on_road: list[_Order] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.chance = Random(f"{self.seed} sundries")

    def print(self, run: Printed, plates: int) -> None:
        """Take from the shelves what a run uses."""
        self.stock["plate"] -= plates
        self.stock["fountain"] -= run.gross * len(run.webs) * 5.5e-5 * self.chance.uniform(0.85, 1.15)
        self.stock["wash"] -= 4.0 + 0.8 * run.stops + self.chance.uniform(0, 1.5)

    def day(self, today: dt.date) -> None:
        """Receive and order."""
        if self.scenario.receiving_day(today) != today:
            return
        for order in [o for o in self.on_road if o.arrives_on <= today]:
            self.on_road.remove(order)
            order.arrives_on, order.received = today, True
            self.stock[order.sundry.material] += order.sundry.lot
        for material, sundry in SUNDRIES.items():
            coming = sum(o.sundry.lot for o in self.on_road if o.sundry is sundry)
            if self.stock[material] + coming < sundry.reorder_at and self.scenario.may_order(today):
                promised = self.scenario.receiving_day(today + sundry.lead_days * DAY)
                arrives = promised + max(-1, round(self.chance.gauss(0.3, 1.0))) * DAY
                name = f"SO-{len(self.orders) + 1:04d}"
                order = _Order(name, sundry, today, promised, arrives)
                self.orders.append(order)
                self.on_road.append(order)

    def log(self, add: Callable[..., None]) -> None:
        """Write all orders as rows of deliveries."""
        for order in self.orders:
            add(
                delivery_id=order.delivery_id, material=order.sundry.material, quantity=number(order.sundry.lot),
                ordered_on=order.ordered_on.isoformat(), promised_on=order.promised_on.isoformat(),
                delivered_on=order.arrives_on.isoformat() if order.received else "",
                load=order.delivery_id, unit_price=number(OTHER_PRICES[order.sundry.material], 4),
                order_id=order.delivery_id, supplier=order.sundry.supplier, quantity_ordered=number(order.sundry.lot),
            )  # fmt: skip
