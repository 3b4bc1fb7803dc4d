"""The invented plant does what the trade does: hours, ink, plates, strip, splices, contracts, closed days, December.

What plants do is *common practice, no source*, as the plant's README says.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from demo_plant.reels import slab_share

from pressstats.logs import Logs, read_logs

DEMO = Path(__file__).parent.parent / "data_demo"
TRUTHS = json.loads((DEMO / "truths" / "truths.json").read_text())


@pytest.fixture(scope="module")
def logs() -> Logs:
    return read_logs(DEMO)


@pytest.fixture(scope="module")
def mounts(logs: Logs) -> pd.DataFrame:
    found = logs["reel_mounts"].merge(
        logs["materials"][["material", "width_mm", "caliper_um"]], on="material"
    )
    return found.sort_values("mounted_at")


def test_presses_print_30_to_45_hours_a_week(logs: Logs) -> None:
    runs = logs["runs"]
    hours = (runs["finished_at"] - runs["started_at"]) / pd.Timedelta(hours=1)
    week = logs.plant.week_of(runs["date"])
    by_week = hours.groupby([week, runs["press"]]).sum().unstack()
    closed = logs.plant.week_of(pd.Series(pd.to_datetime(TRUTHS["days_without_publication"])))
    ordinary = by_week[~by_week.index.isin(closed)]
    assert ordinary.to_numpy().max() < 45
    assert (ordinary >= 30).to_numpy().mean() > 0.9
    assert 32 < ordinary.to_numpy().mean() < 38


def test_contract_titles_have_customers_and_run_before_the_own(logs: Logs) -> None:
    titles = logs["titles"].set_index("title")
    assert titles["customer"].dropna().to_dict() == TRUTHS["customers"]
    assert (titles["kind"] == "contract").sum() == 2
    runs = logs["runs"]
    share = runs["copies_good"].groupby(runs["title"].map(titles["kind"])).sum() / runs["copies_good"].sum()
    assert 0.5 < share["contract"] < 0.7


def test_one_splice_in_a_hundred_fails(mounts: pd.DataFrame) -> None:
    splices = mounts["ended_by"].isin(["splice", "failed_splice"]).sum()
    failed = (mounts["ended_by"] == "failed_splice").sum()
    assert failed / splices == pytest.approx(0.01, abs=0.002)


def test_five_to_ten_layers_are_torn_off_a_sound_reel(mounts: pd.DataFrame) -> None:
    # Ten layers of 70 um off a reel of 1.2 m on a core of 76 mm: a strip of pi x 1.2 m x 10, of pi (1.2^2 - 0.076^2) /
    # 4t, derived; 1260 mm of 45 g/m2 are 0.0567 kg a metre, so 2.1 kg.
    whole = math.pi * (1.2**2 - 0.076**2) / (4 * 70e-6)
    assert slab_share(0.7, 1.2) * whole == pytest.approx(math.pi * 1.2 * 10, rel=1e-3)
    assert slab_share(0.7, 1.2) * whole * 1.26 * 0.045 == pytest.approx(2.1, abs=0.05)
    first = mounts[~mounts.duplicated(["supplier", "reel_id"])]
    hurt = pd.DataFrame(TRUTHS["transport_damage"])
    reel = pd.MultiIndex.from_frame(first[["supplier", "reel_id"]])
    sound = first[
        ~reel.isin(pd.MultiIndex.from_frame(hurt[["supplier", "reel_id"]])) & (first["width_mm"] == 1260)
    ]
    gsm = sound["material"].map({m: g["effective_gsm"] for m, g in TRUTHS["grammage"].items()})
    diameter = 1.24
    layers = sound["strip_kg"] / (math.pi * diameter * sound["width_mm"] * gsm / 1e6)
    # The bench scale errs by 0.1 kg, half a layer.
    assert layers.between(5 - 1.6, 10 + 1.6).mean() > 0.995
    for supplier, mean in layers.groupby(sound["supplier"]).mean().items():
        assert mean == pytest.approx(TRUTHS["breaks"]["by_supplier"][supplier]["strip_layers"], abs=0.25)


def test_a_tonne_takes_twenty_kilograms_of_ink_and_little_of_it_is_idle_loss(
    logs: Logs, mounts: pd.DataFrame
) -> None:
    came = logs["deliveries"].dropna(subset="delivered_on")
    used = came[came["material"].str.startswith("ink-")].groupby("material")["quantity"].sum()
    tonnes = (mounts["start_kg"] - mounts["returned_kg"]).sum() / 1000
    assert used.sum() / tonnes == pytest.approx(20, abs=1.5)
    days = (logs["runs"]["date"].max() - logs["runs"]["date"].min()).days + 1
    for ink, terms in TRUTHS["ink"].items():
        assert terms["standing_kg_per_day"] * days < 0.05 * used[f"ink-{ink}"], ink


def test_plates_are_changed_within_25_000_impressions(logs: Logs) -> None:
    runs = logs["runs"]
    around = np.where(runs["production"] == "collect", 1, 2)
    exposed = runs["plates"] - runs["plates_remade"]
    sets = exposed / (around * (runs["pages"] + 3 * runs["colour_pages"]))
    assert (sets % 1 == 0).all()
    assert (runs["copies_good"] / around / sets).max() < 25050  # a counter errs by 0.1 %
    assert sets.max() >= 4
    assert (sets == 1).mean() > 0.4
    assert 0.01 < runs["plates_remade"].sum() / runs["plates"].sum() < 0.03


def test_bales_hold_what_their_streams_weighed(logs: Logs) -> None:
    sold = logs["waste_sold"].groupby("kind")["kg"].sum()
    weeks = pd.read_csv(DEMO / "truths" / "paper_streams.csv")
    streams = {kind: waste.holds for kind, waste in logs.plant.waste.items()}
    assert set(sold.index) == set(streams)
    assert streams.pop("aluminium") == ("plates",)
    for kind, held in streams.items():
        assert sold[kind] == pytest.approx(weeks[[f"{name}_kg" for name in held]].sum().sum(), rel=0.05), kind
    # A plate of 315 x 470 mm and 0.28 mm of aluminium (2.7 g/cm3): 0.112 kg
    plates = logs["runs"]["plates"].sum()
    assert sold["aluminium"] == pytest.approx(0.315 * 0.47 * 0.28e-3 * 2700 * plates, rel=0.08)


def test_nothing_is_ordered_or_received_on_closed_days(logs: Logs) -> None:
    rows = logs["deliveries"]
    first = pd.Timestamp(TRUTHS["first_date"])  # what filled the store before the first day keeps no calendar
    rows = rows[rows["ordered_on"] >= first]
    assert logs.plant.calendar.takes_orders(pd.DatetimeIndex(rows["ordered_on"])).all()
    received = pd.DatetimeIndex(rows["delivered_on"].dropna())
    assert logs.plant.calendar.receives(received).all()
    month_days = set(rows["ordered_on"].dt.strftime("%m-%d"))
    assert not month_days & {"12-24", "12-28", "12-31", "01-01"}


def test_december_has_more_pages_than_the_months_beside_it(logs: Logs) -> None:
    runs = logs["runs"]
    own = runs[runs["title"] == "Tollenby Lantern"].drop_duplicates("date")
    day = own["date"].dt.strftime("%m-%d")
    before, hump = own[day.between("10-15", "11-20")], own[day.between("12-14", "12-23")]
    after = own[day.between("12-26", "12-31") | day.between("01-02", "01-06")]
    assert hump["pages"].mean() > 1.15 * before["pages"].mean()
    assert after["pages"].mean() < 0.9 * before["pages"].mean()


def test_mills_deliver_their_shares_and_one_contract_is_too_large(logs: Logs) -> None:
    rows = logs["deliveries"]
    rows = rows[rows["material"].str.startswith("N") & rows["cancelled_on"].isna()]
    year = (
        rows[rows["ordered_on"].dt.year == 2025].groupby(["material", "supplier"])["quantity_ordered"].sum()
    )
    share = year / year.groupby("material").transform("sum")
    contracts = pd.DataFrame(TRUTHS["contracts"]).set_index(["material", "supplier"])
    assert contracts.groupby("material").size().min() >= 2
    assert (share - contracts["share"]).abs().max() < 0.06
    terms = logs["terms"]
    terms = terms[terms["contract_from"] == pd.Timestamp("2025-01-01")].set_index(["material", "supplier"])
    assert terms.index.get_level_values("material").value_counts().min() >= 2
    agreed = terms["contract_quantity"].dropna().reindex(contracts.index)
    assert (agreed == contracts["contract_kg"]).all()
    # By the shares of the year's need one contract ends below its tolerance.
    below = contracts["need_kg"] < contracts["contract_kg"] * (1 - contracts["tolerance_pct"] / 100)
    assert list(below.index[below]) == [("N45-945", "Vosgard")]
    assert (contracts["need_kg"] < contracts["contract_kg"] * (1 + contracts["tolerance_pct"] / 100)).all()


def test_standby_supplies_stand_against_four_days(logs: Logs) -> None:
    hours = logs["standby"].set_index("supply")["lasts_hours"]
    assert logs.plant.policy.standby_hours == 96
    assert hours[["emergency generator", "generator fuel tank"]].min() >= 96
    assert hours["damping water tank"] < 96
