"""Age of reels on the floor and when mounted, against a walk through the reels one by one."""

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats import pages
from pressstats.logs import read_logs
from pressstats.pages import reel_store
from pressstats.past import past_forecasts
from pressstats.reels import passed_over, reel_ages, reel_chain
from pressstats.results import analyse

pytestmark = pytest.mark.usefixtures("few_draws")

DAY = pd.Timedelta(days=1)


def text_of(block):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>|[\u2066-\u2069]", "", block.markup))


@pytest.fixture(scope="module")
def tables():
    """Fourteen weeks of reels that came some days before they were mounted, and eight that never were."""
    tables = small_tables(98)
    first = tables["reel_mounts"].groupby(["supplier", "reel_id"])["mounted_at"].min()
    rng = np.random.default_rng(5)
    reels = tables["reels"].set_index(["supplier", "reel_id"])
    mounted = pd.to_datetime(first.reindex(reels.index)).dt.normalize()
    reels["received_on"] = mounted - pd.to_timedelta(rng.integers(2, 40, len(reels)), unit="D")
    last = tables["runs"]["date"].max()
    rows = reels.reset_index()
    new = pd.DataFrame(
        {
            "supplier": "Northmill",
            "reel_id": [f"NEW{n}" for n in range(8)],
            "material": "N1200",
            "delivery_id": "D1",
            "received_on": [last - days * DAY for days in (1, 2, 3, 5, 8, 20, 35, 60)],
            "received_kg": 1000.0,
        }
    )
    return tables | {"reels": pd.concat([rows, new], ignore_index=True)}


def test_ages_are_those_of_a_walk_through_the_reels(tables, tmp_path):
    logs = read_logs(write_small_plant(tmp_path, tables))
    row = reel_ages(logs, reel_chain(logs)).set_index("material").loc["N1200"]
    first = {}
    for mount in logs["reel_mounts"].sort_values("mounted_at").itertuples():
        first.setdefault((mount.supplier, mount.reel_id), mount.mounted_at)
    came = {(reel.supplier, reel.reel_id): reel.received_on for reel in logs["reels"].itertuples()}
    recent = {reel: at for reel, at in first.items() if at >= logs.as_of - 90 * DAY}
    ages = sorted((at - came[reel]).days for reel, at in recent.items())
    assert row["mounted"] == len(recent) < len(first)
    assert row[["age_q50", "age_q95"]].tolist() == pytest.approx(np.quantile(ages, [0.5, 0.95]).tolist())
    assert row["reels"] == 8
    assert row["oldest"] == 60
    newest = max(came[reel] for reel in recent)
    assert row["passed_over"] == sum(came["Northmill", f"NEW{n}"] <= newest - 7 * DAY for n in range(8)) > 0


def test_reels_that_may_have_run_unlogged_are_not_counted(tables, tmp_path):
    # A run without reel records a week before the end: what came before it may be gone.
    runs, mounts = tables["runs"], tables["reel_mounts"]
    lost = runs.sort_values("started_at")["run_id"].iloc[-8]
    kept = tables | {"reel_mounts": mounts[mounts["run_id"] != lost]}
    logs = read_logs(write_small_plant(tmp_path, kept))
    row = reel_ages(logs, reel_chain(logs)).set_index("material").loc["N1200"]
    started = runs.set_index("run_id").loc[lost, "started_at"]
    assert row["reels"] == (tables["reels"].tail(8)["received_on"] > started).sum() > 0
    assert row["oldest"] <= 8


@pytest.mark.parametrize("left_out", ["reels", "reel_mounts"])
def test_what_is_not_logged_is_blank(tables, tmp_path, left_out):
    logs = read_logs(
        write_small_plant(tmp_path, {name: one for name, one in tables.items() if name != left_out})
    )
    found = reel_ages(logs, reel_chain(logs))
    if left_out == "reels":
        assert found.empty
    else:
        row = found.set_index("material").loc["N1200"]
        assert row["mounted"] == row["passed_over"] == 0
        assert np.isnan(row["age_q95"])
        assert row["oldest"] == (logs.as_of - tables["reels"]["received_on"].min()).days


def test_the_page_names_what_was_passed_over(tables, tmp_path):
    logs = read_logs(write_small_plant(tmp_path, tables))
    results = analyse(logs, *past_forecasts(None, logs.as_of))
    passed = passed_over(logs, results["reel_chain"])
    assert passed["reel_id"].tolist() == [f"NEW{n}" for n in range(7, 7 - len(passed), -1)]
    text = text_of(pages.reel_store.reel_ages(results))
    assert re.search(r"Mount the oldest first; passed over, .*: .*NEW7.* of N1200", text)
    # All that was never mounted came the day before.
    reels = tables["reels"].assign(
        received_on=tables["reels"]["received_on"].where(lambda day: day.index < 94)
    )
    reels["received_on"] = reels["received_on"].fillna(logs.as_of - DAY)
    logs = read_logs(write_small_plant(tmp_path / "fresh", tables | {"reels": reels}))
    results = analyse(logs, *past_forecasts(None, logs.as_of))
    assert "First in, first out" in text_of(pages.reel_store.reel_ages(results))


def test_the_plan_lets_reels_get_as_old_as_the_most_that_is_there_lasts():
    plan = pd.DataFrame({"material": ["a", "a", "b", "c"], "stock_after": [900.0, 1200.0, 50.0, 10.0]})
    cover = pd.DataFrame(
        {"material": ["a", "b", "c"], "quantity": [400.0, 0.0, 5.0], "days_cover": [10.0, 0.0, np.inf]}
    )
    found = reel_store._planned_age({"order_plan": plan, "stock_cover": cover})
    assert found.set_index("material")["planned"].dropna().to_dict() == {"a": 30.0}


def test_what_can_still_be_claimed_is_counted_apart():
    as_of = pd.Timestamp("2025-10-26")
    claims = pd.DataFrame(
        {
            "supplier": "S",
            "reel_id": ["last", "over"],
            "material": "N",
            "delivery_id": "D",
            "why": "outer layers damaged",
        }
    ).assign(received_on=as_of, depth_mm=9.0, usual_mm=2.0, claim_kg=10.0, claim_cost=[80.0, 60.0])
    # The 60 days end on as-of for the one, on the day before for the other.
    claims["mounted_at"] = [
        as_of - 60 * DAY + pd.Timedelta(hours=23),
        as_of - 61 * DAY + pd.Timedelta(hours=23),
    ]
    plant = SimpleNamespace(currency="EUR", policy=SimpleNamespace(claim_days=60.0))
    logs = SimpleNamespace(has=lambda name: name == "reel_mounts", as_of=as_of, plant=plant)
    nothing = pd.DataFrame(columns=["subject", "what", "suspect", "refuses"])
    for rows, words in (
        (claims, "1 of them, 80 EUR, can still be claimed for within 60 days"),
        (claims.tail(1), "none can still be claimed for within 60 days"),
    ):
        results = SimpleNamespace(logs=logs, reel_study=SimpleNamespace(claims=rows), implausible=nothing)
        assert words in text_of(reel_store.claims(results))
