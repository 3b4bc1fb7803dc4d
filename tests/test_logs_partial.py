"""Columns that stand in for others, and tables that may lack some: what is read, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import LogsError, read_logs
from pressstats.plant import PlantError, read_plant

WEIGHTS = ["start_kg", "returned_kg", "strip_kg", "butt_kg", "scrapped_kg"]


def mounts_as(tmp_path: Path, **columns: object):
    tables = small_tables()
    kept = tables["reel_mounts"].drop(columns=["butt_mm", *WEIGHTS])
    tables["reel_mounts"] = kept.assign(**columns)
    return read_logs(write_small_plant(tmp_path / "logs", tables))


@pytest.mark.parametrize(
    "columns",
    [
        {"start_kg": 900.0, "returned_kg": 100.0},
        {"start_mm": 1000.0, "returned_mm": 400.0},
        {"used_m": 9000.0},
        {"start_kg": 900.0, "used_m": 9000.0},
    ],
)
def test_mounts_are_read_by_weight_diameter_or_metres(tmp_path: Path, columns: dict[str, float]) -> None:
    logs = mounts_as(tmp_path, **columns)
    assert logs.has("reel_mounts")
    assert logs.rejected.empty
    for name in ("start_kg", "start_mm", "used_m", "strip_kg", "butt_kg"):
        assert logs["reel_mounts"][name].notna().all() == (name in columns), name


def test_mounts_without_any_amount_are_left_out(tmp_path: Path) -> None:
    logs = mounts_as(tmp_path)
    assert not logs.has("reel_mounts")
    assert set(logs.rejected["column"].iloc[0].split(" | ")) == {"start_kg", "returned_kg"}


def test_a_reel_goes_back_no_thicker_than_it_came(tmp_path: Path) -> None:
    logs = mounts_as(tmp_path, start_mm=1000.0, returned_mm=[400.0] * 3 + [1010.0] + [400.0] * 39)
    assert logs.rejected["rule"].tolist() == ["thicker after the run than before it"]
    assert logs.rejected["line"].tolist() == [5]


@pytest.mark.parametrize("name", ["runs", "run_webs"])
def test_without_one_run_or_web_the_logs_cannot_be_used(tmp_path: Path, name: str) -> None:
    tables = small_tables()
    bare = write_small_plant(tmp_path / "bare", tables | {name: tables[name].iloc[:0]})
    with pytest.raises(LogsError, match=f"^{name} has no usable row: {name}.csv has a header alone$"):
        read_logs(bare)
    broken = write_small_plant(tmp_path / "broken", tables | {name: tables[name].assign(pages=-4)})
    if name == "runs":
        with pytest.raises(LogsError, match=rf"^{name} has no usable row; most: {name}.csv:2 pages = -4: "):
            read_logs(broken)
    else:
        # what is left of them opens the pages instead
        assert len(read_logs(broken).rejected) >= len(tables[name])


def test_prices_of_two_suppliers_do_not_contradict(tmp_path: Path) -> None:
    tables = small_tables()
    prices = tables["prices"]
    tables["prices"] = pd.concat(
        [prices.assign(supplier=name, unit_price=0.5 + at / 10) for at, name in enumerate(("", "A", "B"))]
    ).assign(agreed_on=FIRST_DAY)
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    assert logs.rejected.empty
    assert logs["prices"]["supplier"].isna().tolist() == [True, False, False]


def test_keys_of_the_plant(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(
        PLANT_TOML
        + '[policy]\nstandby_hours = 72\n[waste."white bales"]\nholds = ["strip", "reel_end"]\n'
        + '[owners]\nstandby_test = "desk 12"\n'
    )
    plant = read_plant(path)
    assert plant.policy.standby_hours == 72
    assert plant.waste["white bales"].holds == ("strip", "reel_end")
    assert plant.owners == {"standby_test": "desk 12"}
    path.write_text(PLANT_TOML + '[waste.bales]\nholds = ["stripp"]\n')
    with pytest.raises(PlantError, match="stripp"):
        read_plant(path)
