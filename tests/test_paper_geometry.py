"""Weights and lengths of webs and reels against published relations and tables."""

import math

import pandas as pd
import pytest

from pressstats.geometry import (
    copy_area_m2,
    length_m,
    paper_kg,
    reel_diameter_mm,
    reel_length_m,
    strip_fraction,
)

# Exact by definition of the units.
METRE_PER_INCH = 0.0254
METRE_PER_FOOT = 0.3048
KG_PER_LB = 0.45359237


def gsm_from_basis_weight(pounds: float, sheet_in2: float, sheets: int) -> float:
    """Grammage of a ream of `sheets` sheets that weighs `pounds`."""
    return pounds * KG_PER_LB * 1000 / (sheets * sheet_in2 * METRE_PER_INCH**2)


@pytest.mark.parametrize(
    ("gsm", "caliper_mm", "bulk"), [(40, 0.070, 1.750), (45, 0.075, 1.667), (50, 0.080, 1.600)]
)
def test_bulk_of_the_grades(gsm, caliper_mm, bulk):
    # Derived from JCP A10: caliper over grammage. Here by way of a reel: its volume over its weight.
    outer, core, width = 1000.0, 76.0, 1000.0
    metres = reel_length_m(outer, core, caliper_mm * 1000)
    weight = paper_kg(metres * width / 1000, gsm)
    volume_cm3 = math.pi / 4 * (outer**2 - core**2) * width / 1000
    assert volume_cm3 / (weight * 1000) == pytest.approx(bulk, abs=5e-4)


def test_reel_length_from_weight():
    # Graphic Communications (2010), p. 394: 1000 lb, 35 in, 75 lb book paper (basic area 950 in2).
    # The book's rounded constant 41.67 gives 15,080.6 ft, the exact 500/12 gives 15,079.4 ft.
    gsm = gsm_from_basis_weight(75, 950, 500)
    feet = length_m(1000 * KG_PER_LB, 35 * METRE_PER_INCH * 1000, gsm) / METRE_PER_FOOT
    assert feet == pytest.approx(15_079.4, abs=0.05)


@pytest.mark.parametrize(
    ("diameter", "width", "factor", "pounds"), [(40, 34.5, 0.032, 1766), (40, 17.5, 0.018, 504)]
)
def test_roll_weight(diameter, width, factor, pounds):
    # Graphic Communications (2010), p. 394: D2 x width x factor; the factor is (pi/4) x density in
    # lb/in3. Turned round: a roll of that density, by our length and weight, weighs the same.
    density = factor * KG_PER_LB / METRE_PER_INCH**3 / (math.pi / 4)  # kg/m3
    caliper_um = 75.0
    gsm = density * caliper_um / 1000
    metres = reel_length_m(diameter * METRE_PER_INCH * 1000, 0, caliper_um)
    weight = paper_kg(metres * width * METRE_PER_INCH, gsm)
    assert weight / KG_PER_LB == pytest.approx(pounds, abs=0.5)


def test_length_from_geometry():
    # Derived from JCP A10: 45 g/m2, 75 um, 1.25 m, 76 mm core, 1.6 m wide.
    metres = reel_length_m(1250, 76, 75)
    assert metres == pytest.approx(16_302, abs=0.5)
    assert paper_kg(metres * 1.6, 45) == pytest.approx(1173.7, abs=0.05)
    assert length_m(1173.7, 1600, 45) == pytest.approx(metres, abs=1)
    assert reel_length_m(1500, 100, 80) == pytest.approx(21_991, abs=0.5)


def test_length_is_the_sum_of_the_turns():
    # Brute force: lay ring upon ring until the outer diameter is reached.
    caliper_mm, diameter, total = 0.075, 76.0, 0.0
    while diameter < 300:
        total += math.pi * (diameter + caliper_mm) / 1000
        diameter += 2 * caliper_mm
    assert reel_length_m(diameter, 76, 75) == pytest.approx(total, rel=1e-9)


@pytest.mark.parametrize(
    ("depth", "outer", "core", "per_cent"),
    [(1, 40, 3, 9.805), (3, 1250, 76, 0.961), (5, 1250, 76, 1.600), (10, 1250, 76, 3.186)],
)
def test_strip_fraction(depth, outer, core, per_cent):
    # American Institute of Marine Underwriters, commodity sheet Newsprint: 4T(D - T)/(D2 - C2).
    assert 100 * strip_fraction(depth, outer, core) == pytest.approx(per_cent, abs=5e-4)
    # By another route: length left after the strip.
    left = reel_length_m(outer - 2 * depth, core, 75) / reel_length_m(outer, core, 75)
    assert strip_fraction(depth, outer, core) == pytest.approx(1 - left)


@pytest.mark.parametrize(("depth", "per_cent"), [(3, 0.061), (5, 0.104), (10, 0.221)])
def test_length_left_on_a_core(depth, per_cent):
    # Derived from the same relation: a 1.25 m reel on a 76 mm core.
    left_m = reel_length_m(76 + 2 * depth, 76, 75)
    assert 100 * left_m / reel_length_m(1250, 76, 75) == pytest.approx(per_cent, abs=5e-4)
    assert reel_diameter_mm(left_m, 76, 75) == pytest.approx(76 + 2 * depth)


@pytest.mark.parametrize(
    ("sheet", "pounds", "sheets", "width_in", "feet_per_minute", "pounds_per_hour"),
    [((20, 30), 20, 480, 130, 600, 3900), ((16.5, 21), 21, 500, 68, 100, 593.5)],
)
def test_web_mass_rate(sheet, pounds, sheets, width_in, feet_per_minute, pounds_per_hour):
    # Modern Paper-Making (Clapperton & Henderson), p. 371.
    gsm = gsm_from_basis_weight(pounds, sheet[0] * sheet[1], sheets)
    area = width_in * METRE_PER_INCH * feet_per_minute * METRE_PER_FOOT * 60
    assert paper_kg(area, gsm) / KG_PER_LB == pytest.approx(pounds_per_hour, rel=2e-4)


def test_copy_area():
    webs = pd.DataFrame(
        {"width_mm": [1260.0, 630.0], "cutoff_mm": [470.0, 470.0], "cutoffs_per_copy": [1.0, 2.0]}
    )
    # 1.26 m x 0.47 m once, 0.63 m x 0.47 m twice: the same sheet of paper.
    assert copy_area_m2(webs).tolist() == pytest.approx([0.5922, 0.5922])
