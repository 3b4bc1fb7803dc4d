"""Who makes the paper: what each mill delivers, how its reels travel and run, and what it is to deliver by contract."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "BREAKS_PER_KM",
    "DAMAGED_SHARE",
    "NO_EFFECT_ON_BREAKS",
    "PART_STRIP_LAYERS",
    "SHARES",
    "STRIP_LAYERS",
    "SUPPLIERS",
    "TRANSPORT_DEPTH_MM",
    "TRANSPORT_REELS",
    "Supplier",
    "makers_of",
]


@dataclass(frozen=True)
class Supplier:
    """A paper maker: what it makes, how it delivers, how its reels travel and run."""

    name: str
    materials: tuple[str, ...]
    reel_id: str
    diameter_m: float
    lead_days: int
    delay_days: float  # mean delay
    delay_scatter: float
    break_ratio: float
    strip_layers: float  # mean layers torn off a new reel
    price_ratio: float  # of the price of the material


SUPPLIERS = {
    maker.name: maker
    for maker in (
        Supplier(
            "Brantelow", ("N45-1260", "N45-945", "N45-630", "N52-1260"), "B{:06d}",
            1.250, 18, 0.1, 0.8, 1.0, 6.5, 1.0,
        ),
        Supplier("Okkerin", ("N45-1260", "N52-1260", "N52-630"), "{:07d}", 1.245, 21, 0.6, 1.6, 1.0, 7.0, 1.012),
        Supplier(
            "Vosgard", ("N45-1260", "N45-945", "N45-630", "N52-630"), "V-{:05d}",
            1.240, 24, 1.2, 2.6, 1.7, 8.5, 0.972,
        ),
    )
}  # fmt: skip
#: Share of each material's year that each mill is to deliver by contract.
SHARES = {
    "N45-1260": {"Brantelow": 0.45, "Okkerin": 0.30, "Vosgard": 0.25},
    "N45-945": {"Brantelow": 0.60, "Vosgard": 0.40},
    "N45-630": {"Brantelow": 0.40, "Vosgard": 0.60},
    "N52-1260": {"Brantelow": 0.35, "Okkerin": 0.65},
    "N52-630": {"Okkerin": 0.60, "Vosgard": 0.40},
}
BREAKS_PER_KM = 0.00132  # of a supplier with ratio 1: about two in a hundred reels of 15 km
# Breaks come per kilometre and maker: whatever else seems to move them is chance.
NO_EFFECT_ON_BREAKS = ("age in the store", "number of remounts", "material", "reelstand", "press", "season")
DAMAGED_SHARE = 0.0009  # of the new reels mounted
# Outer layers torn off a sound reel, fewest and most, and off a part reel: common practice, no source.
STRIP_LAYERS = (5, 10)
PART_STRIP_LAYERS = (2, 4)
TRANSPORT_DEPTH_MM = (22.0, 45.0)  # torn or wet layers of a reel hurt on the road
TRANSPORT_REELS = (4, 6)  # of one truck


def makers_of(material: str) -> list[Supplier]:
    """Return the mills that deliver a material, the one with the largest contract first."""
    shares = SHARES[material]
    return [SUPPLIERS[name] for name in sorted(shares, key=lambda name: -shares[name])]
