"""Reels hurt on the road: which of a truck's reels, and how deep their outer layers are torn or wet."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from random import Random

from .reels import Reel, reel_diameter_m, slab_share
from .scenario import NEWSPRINT
from .suppliers import TRANSPORT_DEPTH_MM, TRANSPORT_REELS

__all__ = ["TransportDamage", "hurt_reels"]


@dataclass(frozen=True)
class TransportDamage:
    """A reel that came with its outer layers torn or wet; it can be used once they are off."""

    supplier: str
    reel_id: str
    material: str
    load: str
    delivery_id: str
    received_on: dt.date
    depth_mm: float
    kg: float  # torn off at the first mount


def hurt_reels(
    chance: Random, load: str, day: dt.date, reels: list[tuple[str, Reel]]
) -> list[TransportDamage]:
    """Hurt some new reels of one truck.

    Parameters
    ----------
    chance : Random
        Source of the random numbers.
    load : str
        The truck.
    day : date
        Day on which it came.
    reels : list of tuple of str and Reel
        The delivery and the reel, all of them new; what is to be torn off the hurt ones is changed in place.

    Returns
    -------
    list of TransportDamage
        The hurt reels, in the order in which they were unloaded.
    """
    number_hurt = min(chance.randint(*TRANSPORT_REELS), len(reels))
    found = []
    for place in sorted(chance.sample(range(len(reels)), number_hurt)):
        delivery_id, reel = reels[place]
        # A tenth of a millimetre is what a rule tells; the logged kilograms follow the rounded depth.
        depth_mm = round(chance.uniform(*TRANSPORT_DEPTH_MM), 1)
        diameter_m = reel_diameter_m(reel.kg / reel.kg_per_m, NEWSPRINT[reel.material].caliper_um)
        reel.strip_kg = reel.kg * slab_share(depth_mm, diameter_m)
        found.append(
            TransportDamage(
                reel.supplier.name, reel.reel_id, reel.material, load, delivery_id, day, depth_mm,
                round(reel.strip_kg, 1),
            )
        )  # fmt: skip
    return found
