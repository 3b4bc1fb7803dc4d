"""What a web and a reel weigh: paper from width, cut-off, grammage, caliper and diameter.

Sources of the relations: length and weight of a reel are those of an Archimedean spiral taken as
rings (area of the cross-section over the caliper); strip and butt fractions are ratios of ring
areas, as the American Institute of Marine Underwriters gives them for newsprint.
"""

from __future__ import annotations

import math
from typing import TypeVar

import pandas as pd

__all__ = [
    "butt_fraction",
    "copy_area_m2",
    "depth_on_core_mm",
    "length_m",
    "paper_kg",
    "reel_length_m",
    "strip_fraction",
]

Amount = TypeVar("Amount", float, pd.Series)


def copy_area_m2(webs: pd.DataFrame) -> pd.Series:
    """Return the paper area that one copy takes from each web.

    Parameters
    ----------
    webs : DataFrame, shape (rows, any)
        Rows with width_mm [mm], cutoff_mm [mm] and cutoffs_per_copy.

    Returns
    -------
    Series, shape (rows,)
        Area, waste margin of the web included [m2 per copy].
    """
    return webs["width_mm"] * webs["cutoff_mm"] * webs["cutoffs_per_copy"] / 1e6


def paper_kg(area_m2: Amount, grammage_gsm: Amount) -> Amount:
    """Return the weight [kg] of `area_m2` [m2] of paper of `grammage_gsm` [g/m2]."""
    return area_m2 * grammage_gsm / 1000


def length_m(weight_kg: Amount, width_mm: Amount, grammage_gsm: Amount) -> Amount:
    """Return the length [m] of `weight_kg` [kg] of paper, `width_mm` [mm] wide, of `grammage_gsm` [g/m2]."""
    return weight_kg * 1e6 / (width_mm * grammage_gsm)


def reel_length_m(outer_mm: float, core_mm: float, caliper_um: float) -> float:
    """Return the length of paper on a reel from its diameters.

    Parameters
    ----------
    outer_mm, core_mm : float
        Outer diameter of the paper and of the core [mm].
    caliper_um : float
        Thickness of a sheet [um].

    Returns
    -------
    float
        pi (D2 - d2) / (4 t) [m].
    """
    # mm2 / um is a thousandth of a metre times a thousand: the powers of ten cancel.
    return math.pi * (outer_mm**2 - core_mm**2) / (4 * caliper_um)


def strip_fraction(depth_mm: Amount, outer_mm: Amount, core_mm: float) -> Amount:
    """Return the share of a reel that is lost when `depth_mm` of outer layers are torn off.

    Parameters
    ----------
    depth_mm, outer_mm, core_mm : float
        Depth of the strip, outer diameter and core diameter [mm]; any one unit will do.

    Returns
    -------
    float
        4 T (D - T) / (D2 - C2).
    """
    return 4 * depth_mm * (outer_mm - depth_mm) / (outer_mm**2 - core_mm**2)


def butt_fraction(depth_mm: float, outer_mm: float, core_mm: float) -> float:
    """Return the share of a reel that stays on the core when `depth_mm` of paper are left on it.

    Parameters
    ----------
    depth_mm, outer_mm, core_mm : float
        Depth of paper left, outer diameter and core diameter [mm]; any one unit will do.

    Returns
    -------
    float
        ((d + 2 r)2 - d2) / (D2 - d2).
    """
    return ((core_mm + 2 * depth_mm) ** 2 - core_mm**2) / (outer_mm**2 - core_mm**2)


def depth_on_core_mm(left_m: float, core_mm: float, caliper_um: float) -> float:
    """Return how deep `left_m` [m] of paper of `caliper_um` [um] lie on a core of `core_mm` [mm], in [mm]."""
    return (math.sqrt(core_mm**2 + 4 * left_m * caliper_um / math.pi) - core_mm) / 2
