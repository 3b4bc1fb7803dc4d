"""Reels on the floor and on the reelstands: true kilograms first, then what the scales say."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from dataclasses import dataclass, field
from random import Random

from .logbook import Logbook, number
from .scenario import CORE_MM, NEWSPRINT, REEL_KG, REEL_SCATTER, Scenario
from .suppliers import PART_STRIP_LAYERS, STRIP_LAYERS, SUPPLIERS, Supplier

__all__ = ["Reel", "Store", "StoreLoss", "make_reel", "reel_diameter_m", "reel_length_m", "slab_share"]

PART_REELS_FIRST = 0.85
STAYS_ON_THE_STAND = 0.9
SMALLEST_PART_KG = 40.0  # less is not worth its place in the store
STORE_LOSS_SHARE = 0.009
#: Damp, gnawed or torn while it lay there: what a few part reels lose in the store [kg].
STORE_LOSS_KG = (18.0, 60.0)


def reel_length_m(diameter_m: float, caliper_um: float) -> float:
    """Return the length of paper on a reel, pi (D2 - d2) / 4t [m]."""
    return math.pi * (diameter_m**2 - (CORE_MM / 1000) ** 2) / (4 * caliper_um * 1e-6)


def reel_diameter_m(length_m: float, caliper_um: float) -> float:
    """Return the diameter of a reel of `length_m`, the inverse of `reel_length_m` [m]."""
    return math.sqrt(4 * length_m * caliper_um * 1e-6 / math.pi + (CORE_MM / 1000) ** 2)


def slab_share(depth_mm: float, diameter_m: float) -> float:
    """Return the share of a reel that a cut of `depth_mm` around it takes: 4T(D - T)/(D2 - C2)."""
    depth = depth_mm / 1000
    return 4 * depth * (diameter_m - depth) / (diameter_m**2 - (CORE_MM / 1000) ** 2)


@dataclass(slots=True, eq=False)
class Reel:
    """A reel: what it truly holds and what was last read off a scale."""

    supplier: Supplier
    reel_id: str
    material: str
    kg: float  # true net paper
    kg_per_m: float  # true weight of a metre
    reading: float  # last weight on paper [kg]
    strip_kg: float  # to be torn off when it is mounted, true
    weight_ratio: float = 1.0  # what a metre weighs, as a multiple of its material's
    mounts: int = 0
    new: bool = True
    free_at: dt.datetime = dt.datetime.min  # end of the run it was last on


@dataclass(frozen=True)
class StoreLoss:
    """Kilograms that a part reel lost while it lay in the store."""

    supplier: str
    reel_id: str
    found_on: dt.date
    kg: float


def make_reel(
    chance: Random, supplier: Supplier, material: str, number_of_reel: int, weight_ratio: float = 1.0
) -> tuple[Reel, float]:
    """Return a new reel and the length on its label [m]."""
    sheet = NEWSPRINT[material]
    kg_per_m = sheet.kg_per_m * weight_ratio * (1 + REEL_SCATTER * chance.gauss(0, 1))
    diameter = supplier.diameter_m * (1 + 0.004 * chance.gauss(0, 1))
    length = reel_length_m(diameter, sheet.caliper_um)
    kg = length * kg_per_m
    fewest, most = STRIP_LAYERS
    layers = min(most, max(fewest, round(supplier.strip_layers + 1.2 * chance.gauss(0, 1))))
    depth = layers * sheet.caliper_um / 1000
    reading = round(kg + chance.gauss(0, REEL_KG))
    reel_id = supplier.reel_id.format(number_of_reel)
    reel = Reel(
        supplier, reel_id, material, kg, kg_per_m, reading, kg * slab_share(depth, diameter), weight_ratio
    )
    return reel, 10 * round(length * (1 + 0.003 * chance.gauss(0, 1)) / 10)


@dataclass
class Store:
    """New reels and part reels by material, and the reels still on their stands."""

    chance: Random
    logbook: Logbook
    scenario: Scenario
    seed: int
    new: dict[str, list[Reel]] = field(default_factory=lambda: {m: [] for m in NEWSPRINT})
    parts: dict[str, list[Reel]] = field(default_factory=lambda: {m: [] for m in NEWSPRINT})
    on_stand: dict[str, Reel] = field(default_factory=dict)
    losses: list[StoreLoss] = field(default_factory=list)
    made_of: Counter[str] = field(default_factory=Counter)
    made: dict[str, int] = field(default_factory=lambda: dict.fromkeys(SUPPLIERS, 0))

    def receive(self, supplier: Supplier, material: str, reels: int, delivery_id: str, day: dt.date) -> float:
        """Take in new reels and log them; return the kilograms on their labels."""
        total = 0.0
        for _ in range(reels):
            self.made[supplier.name] += 1
            self.made_of[f"{supplier.name} {material}"] += 1
            number_of_reel = f"{supplier.name} {material} {self.made_of[f'{supplier.name} {material}']}"
            first = {"Brantelow": 104200, "Okkerin": 48200, "Vosgard": 3100}[supplier.name]
            reel, label_m = make_reel(
                self._numbers(number_of_reel), supplier, material, first + self.made[supplier.name],
                self.scenario.grammage_ratio(material, supplier.name, day),
            )  # fmt: skip
            self.new[material].append(reel)
            total += reel.reading
            self.logbook.add(
                "reels", supplier.name, reel.reel_id, material, delivery_id, day.isoformat(),
                number(reel.reading), number(label_m),
            )  # fmt: skip
        return total

    def _numbers(self, key: str) -> Random:
        return self.scenario.numbers(self.chance, f"{self.seed} store {key}")

    def kg(self, material: str) -> float:
        """Return the true paper of a material on the floor and on the stands [kg]."""
        lying = sum(r.kg for r in self.new[material]) + sum(r.kg for r in self.parts[material])
        return lying + sum(r.kg for r in self.on_stand.values() if r.material == material)

    def take(self, material: str, stand: str, moment: dt.datetime) -> Reel:
        """Take the next reel for a stand: the one still on it, else a part reel, else a new one.

        A reel that stayed on its stand keeps its reading; a part reel from the floor is weighed again.
        What comes off a press only after `moment` cannot be taken.
        """
        waiting = self.on_stand.pop(stand, None)
        if waiting is not None:
            if waiting.material == material:
                waiting.strip_kg = 0.0
                return waiting
            self.parts[waiting.material].append(waiting)
        new, chance = self.new[material], self._numbers(f"take {material} {stand} {moment}")
        part = next((n for n, r in enumerate(self.parts[material]) if r.free_at <= moment), None)
        if part is not None and (not new or chance.random() < PART_REELS_FIRST):
            return self._part(self.parts[material].pop(part), moment.date())
        if not new:
            raise RuntimeError(f"the invented plant ran out of {material} on {moment}")
        return new.pop(min(int(chance.expovariate(0.6)), len(new) - 1))

    def _part(self, reel: Reel, day: dt.date) -> Reel:
        chance = self._numbers(f"part {reel.reel_id} {day}")
        if chance.random() < STORE_LOSS_SHARE and reel.kg > 3 * STORE_LOSS_KG[1]:
            lost = chance.uniform(*STORE_LOSS_KG)
            reel.kg -= lost
            self.losses.append(StoreLoss(reel.supplier.name, reel.reel_id, day, round(lost, 1)))
        reel.reading = round(reel.kg + chance.gauss(0, REEL_KG))
        caliper = NEWSPRINT[reel.material].caliper_um
        depth = chance.randint(*PART_STRIP_LAYERS) * caliper / 1000
        reel.strip_kg = reel.kg * slab_share(depth, reel_diameter_m(reel.kg / reel.kg_per_m, caliper))
        return reel

    def put_back(self, reel: Reel, stand: str, moment: dt.datetime) -> None:
        """Leave a part reel on its stand or bring it back to the floor."""
        reel.free_at = moment
        reel.new = False
        if self._numbers(f"back {stand} {moment}").random() < STAYS_ON_THE_STAND:
            self.on_stand[stand] = reel
        else:
            self.parts[reel.material].append(reel)
