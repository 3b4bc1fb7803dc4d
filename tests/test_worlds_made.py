"""The generator of differing plants: its logs end at the cut, its truths follow from what it did."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest
from demo_plant import scenario as constants
from demo_plant.suppliers import SUPPLIERS
from worlds import WORLDS, make

from pressstats.logs import read_logs

CUT = dt.date(2025, 9, 17)  # a Wednesday


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("worlds")


@pytest.fixture(scope="module")
def truth(folder: Path):
    return make("quiet", folder / "quiet", as_of=CUT, before=6)


@pytest.mark.usefixtures("truth")
def test_logs_end_at_the_cut_and_are_clean(folder):
    logs = read_logs(folder / "quiet", CUT.isoformat())
    whole = read_logs(folder / "quiet", "2026-06-01")
    assert len(logs["runs"]) > 60
    for name in ("runs", "reel_mounts", "tank_readings", "stock_counts", "reels", "deliveries"):
        assert len(logs[name]) == len(whole[name]), name
    delivered = logs["deliveries"]["delivered_on"]
    assert delivered.max() <= pd.Timestamp(CUT)
    assert delivered.isna().any()
    assert not len(logs.rejected)


def test_use_after_the_cut_is_known(truth):
    after = truth.use[truth.use.index > pd.Timestamp(CUT)]
    assert len(after) >= 52
    assert (after[["N45-1260", "ink-black", "plate"]] > 0).all().all()


def test_stock_use_and_receipts_agree(truth, folder):
    """What is there is what was counted, plus what came, less what was used: newsprint of five weeks."""
    logs = read_logs(folder / "quiet", CUT.isoformat())
    counts = logs["stock_counts"].set_index(["counted_on", "material"])["quantity"]
    monday = pd.Timestamp("2025-08-11")
    sold = truth.use.loc[monday : pd.Timestamp("2025-09-08"), "N45-1260"].sum()
    rows = logs["deliveries"]
    came = rows[(rows["material"] == "N45-1260") & (rows["delivered_on"] > monday)]
    came = came[came["delivered_on"] <= pd.Timestamp("2025-09-15")]["quantity"].sum()
    book = counts[monday, "N45-1260"] + came - sold
    # Monday's paper is counted before its night: use runs Tuesday to Monday, a day's difference at each end.
    assert counts[pd.Timestamp("2025-09-15"), "N45-1260"] == pytest.approx(book, abs=6000)
    assert truth.stock["N45-1260"] > 0


def test_the_invented_plant_is_as_it_was():
    assert constants.STANDS[constants.BAD_STAND] == 24.0
    assert SUPPLIERS["Vosgard"].break_ratio == 1.7


@pytest.mark.parametrize(
    ("world", "measure", "subject"),
    [
        ("grammage_45_8w", "grammage", "N45-1260"),
        ("film_8_8w", "film weight", "magenta"),
        ("startup_up_30w", "start-up waste", "P2"),
    ],
)
def test_a_change_is_in_the_truth(world, measure, subject, tmp_path):
    truth = make(world, tmp_path, before=14 if world != "startup_up_30w" else 34)
    change = next(c for c in truth.changes if c[:2] == (measure, subject))
    weeks = (truth.as_of - change[2]).days / 7
    assert weeks == pytest.approx({"grammage_45_8w": 8, "film_8_8w": 8, "startup_up_30w": 30}[world], abs=1.5)
    assert change[3] == pytest.approx(
        {"grammage": 0.922, "film weight": 1.08, "start-up waste": 1.35}[measure], abs=0.004
    )


def test_there_are_worlds_enough():
    assert len(WORLDS) >= 25
