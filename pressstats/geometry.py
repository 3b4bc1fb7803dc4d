"""What a web and a reel weigh: paper from width, cut-off, grammage, caliper and diameter.

Sources of the relations: length and weight of a reel are those of an Archimedean spiral taken as
rings (area of the cross-section over the caliper); the strip fraction is a ratio of ring areas, as
the American Institute of Marine Underwriters gives it for newsprint.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import pandas as pd

__all__ = ["copy_area_m2", "length_m", "paper_kg", "reel_diameter_mm", "reel_length_m", "strip_fraction"]

Amount = TypeVar("Amount", float, np.ndarray, pd.Series)


def copy_area_m2(webs: pd.DataFrame) -> pd.Series:
    """Return the paper that one copy takes from each web, waste margin of the web included [m2 per copy]."""
    return webs["width_mm"] * webs["cutoff_mm"] * webs["cutoffs_per_copy"] / 1e6


def paper_kg(area_m2: Amount, grammage_gsm: Amount) -> Amount:
    """Return the weight [kg] of `area_m2` [m2] of paper of `grammage_gsm` [g/m2]."""
    return area_m2 * grammage_gsm / 1000


def length_m(weight_kg: Amount, width_mm: Amount, grammage_gsm: Amount) -> Amount:
    """Return the length [m] of `weight_kg` [kg] of paper, `width_mm` [mm] wide, of `grammage_gsm` [g/m2]."""
    return weight_kg * 1e6 / (width_mm * grammage_gsm)


def reel_length_m(outer_mm: Amount, core_mm: float, caliper_um: Amount) -> Amount:
    """Return the length of paper on a reel [m]: pi (D2 - d2) / (4 t), diameters in [mm], caliper in [um]."""
    # mm2 / um is a thousandth of a metre times a thousand: the powers of ten cancel.
    return np.pi * (outer_mm**2 - core_mm**2) / (4 * caliper_um)


def reel_diameter_mm(metres: Amount, core_mm: float, caliper_um: Amount) -> Amount:
    """Return the outer diameter [mm] of `metres` [m] of paper on a core, the inverse of :func:`reel_length_m`."""
    return np.sqrt(core_mm**2 + 4 * metres * caliper_um / np.pi)


def strip_fraction(depth_mm: Amount, outer_mm: Amount, core_mm: float) -> Amount:
    """Return the share of a reel that is lost with `depth_mm` of outer layers: 4 T (D - T) / (D2 - C2)."""
    return 4 * depth_mm * (outer_mm - depth_mm) / (outer_mm**2 - core_mm**2)
