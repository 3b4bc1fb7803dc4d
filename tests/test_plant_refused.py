"""What ``plant.toml`` may not say, and what may not stand in its place: one clear message, at once."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from small_plant import PLANT_TOML

from pressstats.logs.problems import LogsError
from pressstats.logs.units import factor_of
from pressstats.plant import PlantError, read_plant
from pressstats.tables import INPUTS


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ("[policy]\nstockout_cost = inf", "stockout_cost"),
        ("[policy]\nfailed_splice_cost = nan", "failed_splice_cost"),
        ("[policy]\nexpedite_cost_per_t = 1e300", "expedite_cost_per_t"),
        ("[policy]\ncover_days_minimum = 30\ncover_days_maximum = 20", "30 is above cover_days_maximum 20"),
        ("[measurement]\nreel_kg = inf", "reel_kg"),
        ("[targets]\nwaste_pct = inf", "waste_pct"),
        ("[reel]\ncore_diameter_mm = inf", "core_diameter_mm"),
        ("[presses.P3]\nweb_width_max_mm = inf", "web_width_max_mm"),
        ("[reel]\nrest_days = " + "9" * 5000, "5000 digits"),
        ("[policy]\nstockout_cost = " + "9" * 400, "999…"),
        ("[calendar]\nclosed = ['2025-W01-1']", "neither month-day"),
        ("[calendar]\nclosed = ['20250101']", "neither month-day"),
        ("[calendar]\nno_receipts = ['20250101']", "neither a weekday"),
        ("[calendar]\ncountry = 'ZZ'", "no public holidays are known of ZZ"),
        ("[calendar]\ncountry = 'AT'\nsubdivision = 'QQ'", "no public holidays are known of AT, QQ"),
        ("[calendar]\nsubdivision = '9'", "of no country"),
        ("[a]\nb = " + "[" * 5000 + "]" * 5000, "nested deeper"),
        ("[a]\nb = " + "{c=" * 5000 + "1" + "}" * 5000, "nested deeper"),
        ("#" + "x" * 100_000, "longer than 100,000 bytes"),
    ],
)
def test_what_cannot_be_true_is_refused_by_its_key(tmp_path: Path, said: str, why: str) -> None:
    (tmp_path / "plant.toml").write_text(f"{PLANT_TOML}\n{said}\n", encoding="utf-8")
    with pytest.raises(PlantError) as error:
        read_plant(tmp_path / "plant.toml")
    assert why in str(error.value)
    assert len(str(error.value)) < 1000


def test_days_and_holidays_that_there_are_pass(tmp_path: Path) -> None:
    said = "[calendar]\ncountry = 'AT'\nsubdivision = '9'\nclosed = ['02-29', '2025-05-01']"
    (tmp_path / "plant.toml").write_text(f"{PLANT_TOML}\n{said}\n", encoding="utf-8")
    assert read_plant(tmp_path / "plant.toml").calendar.closed == ("02-29", "2025-05-01")


@pytest.mark.parametrize(
    ("put", "why"),
    [
        (lambda path: path.mkdir(), "no file"),
        (lambda path: path.symlink_to(path), "no such file"),
        (lambda path: path.symlink_to(path.with_name("gone")), "no such file"),
        (lambda path: path.symlink_to("/dev/zero"), "no file"),
        (os.mkfifo, "no file"),
    ],
    ids=["folder", "loop", "dead link", "device", "pipe"],
)
def test_what_is_no_file_is_not_read_or_waited_for(
    tmp_path: Path, put: Callable[[Path], None], why: str
) -> None:
    put(tmp_path / "plant.toml")
    with pytest.raises(PlantError, match=why):
        read_plant(tmp_path / "plant.toml")


def test_a_file_that_may_not_be_read_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(_: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    (tmp_path / "plant.toml").write_text(PLANT_TOML, encoding="utf-8")
    monkeypatch.setattr(Path, "read_bytes", refused)  # whoever administers a machine may read every file
    with pytest.raises(PlantError, match=r"cannot be read \(Permission denied\)"):
        read_plant(tmp_path / "plant.toml")


@pytest.mark.parametrize(
    "unit", ["kg*9**9**9", "kg**99", "((kg**9)**9)**9", "kg**(9**9)", "(" * 5000 + "kg" + ")" * 5000]
)
def test_a_unit_that_takes_for_ever_to_compute_is_refused(unit: str) -> None:
    with pytest.raises(LogsError, match="cannot be converted to kg"):
        factor_of("reel_mounts", INPUTS["reel_mounts"]["start_kg"], unit)
