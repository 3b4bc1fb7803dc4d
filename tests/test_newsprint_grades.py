"""Newsprint as the standard grades it, logged in pounds and mils, through reading, reels and the balance."""

from pathlib import Path

import pandas as pd
import pytest
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.geometry import length_m, reel_length_m
from pressstats.logs import Logs, read_logs
from pressstats.paper import weighed_paper

# US GPO, Government Paper Specification Standards No. 11, JCP A10 Newsprint (1 Feb 1999), seen: basis weight [lb],
# grammage [g/m2], thickness [mm]; its tolerances are 5 % and 0.013 mm.
JCP_A10 = [(25, 40, 0.070), (28, 45, 0.075), (30, 50, 0.080), (32, 52, 0.090)]
UNITS = """
[units.materials]
grammage_gsm = "lb/newsprint_ream"
caliper_um = "thou"
"""
# Exact by definition of the units.
IN2_PER_M2 = 1 / 0.0254**2
KG_PER_LB = 0.45359237


def _logs(folder: Path, pounds: float, mils: float = 3.0) -> Logs:
    tables = small_tables(14)
    paper = tables["materials"]["kind"] == "newsprint"
    tables["materials"].loc[paper, ["grammage_gsm", "caliper_um"]] = (pounds, mils)
    return read_logs(write_small_plant(folder, tables, PLANT_TOML + UNITS))


def _newsprint(logs: Logs) -> pd.Series:
    return logs["materials"].set_index("material").loc["N1200"]


@pytest.mark.parametrize(("pounds", "gsm", "thickness_mm"), JCP_A10)
def test_grades_logged_in_pounds_and_mils_are_read_within_the_tolerance_of_the_standard(
    tmp_path: Path, pounds: float, gsm: float, thickness_mm: float
) -> None:
    paper = _newsprint(_logs(tmp_path, pounds, thickness_mm / 0.0254))
    assert paper["grammage_gsm"] == pytest.approx(gsm, rel=0.05)
    assert paper["caliper_um"] / 1000 == pytest.approx(thickness_mm, abs=0.013)
    # a reel of it: a tonne within the trade's usual size has about 16 km (common practice, no source)
    metres = reel_length_m(1250, 76, paper["caliper_um"])
    assert 13_000 < metres < 18_000
    assert length_m(
        metres * 1.26 * paper["grammage_gsm"] / 1000, 1260, paper["grammage_gsm"]
    ) == pytest.approx(metres)


@pytest.mark.parametrize(("pounds", "gsm"), [(1, 1.627476), (27.7, 45.081), (30, 48.824)])
def test_a_basis_weight_is_the_grammage_that_the_ream_defines(pounds: float, gsm: float) -> None:
    # 500 sheets of 24 x 36 in: derived from the definition
    from pressstats.logs.units import factor_of
    from pressstats.tables import INPUTS

    column = next(one for one in INPUTS["materials"].columns if one.name == "grammage_gsm")
    assert pounds * factor_of("materials", column, "lb/newsprint_ream") == pytest.approx(
        gsm, abs=6e-4 if pounds > 1 else 5e-7
    )


def test_good_copies_weigh_what_pounds_and_square_inches_say(tmp_path: Path) -> None:
    logs = _logs(tmp_path, 28)
    balance = weighed_paper(logs).runs.set_index("run_id")
    runs = logs["runs"].set_index("run_id")
    # by another route: a ream of 432,000 in2 weighs 28 lb; a copy of either title is 0.96 m2 (tests/small_plant.py)
    pounds = runs["copies_good"] * 0.96 * IN2_PER_M2 / 432_000 * 28
    pd.testing.assert_series_equal(
        balance["good_kg"], pounds[balance.index] * KG_PER_LB, check_names=False, rtol=1e-9
    )
