"""Planned reels: splices to expect against a run metre by metre, the pick of part reels against every pick."""

import itertools

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.reels import study_reels
from pressstats.reels.planned import expected_splices, pick_part_reels, planned_webs


def splices_of_a_night(rng, run_m, first_m, mean_m, spread_m, error_m, break_km):
    """Run a web and count the reels that run out: breaks on the way thread the same reel again."""
    left, lengths, splices = run_m, list(first_m), 0
    while True:
        reel = lengths.pop(0) + rng.normal(0, error_m) if lengths else rng.normal(mean_m, spread_m)
        while True:
            to_break = 1000 * rng.exponential(break_km)
            step = min(to_break, reel, left)
            reel, left = reel - step, left - step
            if left <= 0:
                return splices
            if reel <= 0:
                splices += 1
                break


@pytest.mark.parametrize(
    ("run_m", "first_m", "spread_m"),
    [(52_000, [5_000], 900), (18_000, [3_000, 6_500], 300), (75_000, [], 2_500), (15_800, [], 400)],
)
def test_expected_splices_are_those_of_simulated_nights(run_m, first_m, spread_m):
    rng = np.random.default_rng(9)
    nights = [splices_of_a_night(rng, run_m, first_m, 15_700, spread_m, 60, 300) for _ in range(12_000)]
    expected = expected_splices(run_m, first_m, 15_700, spread_m, 60)
    error = np.std(nights) / np.sqrt(len(nights))
    assert expected == pytest.approx(np.mean(nights), abs=0.01 * np.mean(nights) + 2 * error)


def test_splices_of_reels_of_known_length():
    # 10 km, then 16 km each: a run of 50 km meets its ends at 10, 26 and 42 km.
    assert expected_splices(50_000, [10_000], 16_000, 0.0) == 3
    assert expected_splices(9_000, [10_000], 16_000, 0.0) == 0
    assert np.isnan(expected_splices(np.nan, [], 16_000, 100))


def every_pick(needs, parts, new_m, core_m):
    """Return the least paper left over, by trying every assignment of part reels to webs."""
    best = np.inf
    for owners in itertools.product(range(-1, len(needs)), repeat=len(parts)):
        left = 0.0
        for web, need in enumerate(needs):
            mine = [parts[part] for part, owner in enumerate(owners) if owner == web]
            short = need - sum(length - core_m for length in mine)
            new = max(int(np.ceil(short / (new_m - core_m) - 1e-9)), 0)
            left += sum(mine) + new * new_m - need
        best = min(best, left)
    return best


def test_no_pick_of_part_reels_leaves_less():
    rng = np.random.default_rng(10)
    for _ in range(40):
        needs = rng.uniform(4_000, 40_000, rng.integers(1, 3)).round()
        parts = rng.uniform(600, 15_000, rng.integers(0, 6)).round()
        pick = pick_part_reels(needs, parts, 16_000, 12)
        assert pick.proved
        assert not pick.reels["part"].duplicated().any()
        for web, need in enumerate(needs):
            mine = parts[pick.reels.loc[pick.reels["web"] == web, "part"].to_numpy(dtype=int)]
            usable = (mine - 12).sum() + pick.new[web] * (16_000 - 12)
            assert usable >= need - 1e-3
            assert pick.left_m[web] == pytest.approx(mine.sum() + pick.new[web] * 16_000 - need)
        # A tenth of a metre a reel decides between picks that leave the same.
        assert pick.left_m.sum() == pytest.approx(every_pick(needs, parts, 16_000, 12), abs=1.5)


def test_no_web_needs_no_reel_and_a_reel_must_be_longer_than_its_core():
    assert pick_part_reels([], [5_000], 16_000, 12).reels.empty
    with pytest.raises(ValueError, match="no longer than"):
        pick_part_reels([1_000], [], 10, 12)


def small_study(folder, tables):
    write_small_plant(folder, tables)
    logs = read_logs(folder)
    return logs, study_reels(logs, weighed_paper(logs))


def test_the_next_booked_day_takes_the_webs_of_the_last_run_with_as_many_pages(tmp_path):
    tables = small_tables(28)
    last = tables["runs"].sort_values("started_at").iloc[-1]
    day = tables["runs"]["date"].max() + pd.Timedelta(days=1)
    booked = pd.DataFrame(
        {
            "date": [day, day, day],
            "title": [last["title"], last["title"], "Never Printed"],
            "made_on": [day - pd.Timedelta(days=20), day - pd.Timedelta(days=3), day - pd.Timedelta(days=3)],
            "copies_planned": [1_000, 12_000, 5_000],
            "pages_planned": [last["pages"], last["pages"], 8],
            "event": "",
        }
    )
    logs, study = small_study(tmp_path, tables | {"plan": booked})
    webs = planned_webs(logs, study.mount_history, weighed_paper(logs).webs)
    mine = webs[webs["title"] == last["title"]]
    like = logs["run_webs"][logs["run_webs"]["run_id"] == mine["like"].iloc[0]]
    assert sorted(mine["material"]) == sorted(like["material"])
    # The last booking stands: 12,000 copies at 0.47 m or so each, with the waste that runs take over that.
    metres = 12_000 * like["cutoff_mm"].iloc[0] * like["cutoffs_per_copy"].iloc[0] / 1000
    assert mine["run_m"].between(metres, 1.4 * metres).all()
    unknown = webs[webs["title"] == "Never Printed"]
    assert len(unknown) == 1
    assert np.isnan(unknown["run_m"].iloc[0])
    assert set(study.planned["title"]) == {last["title"]}


@pytest.mark.parametrize("without", ["reel_mounts", "materials", "reels", "plan"])
def test_a_table_less_costs_what_needs_it_and_nothing_else(tmp_path, without):
    tables = small_tables(14)
    tables.pop(without, None)
    _, study = small_study(tmp_path, tables)
    assert list(study.breaks.columns)[:2] == ["by", "level"]
    if without == "reel_mounts":
        assert study.breaks.empty
        assert study.ends.empty
        assert study.suppliers.empty
    if without == "materials":
        assert study.ends.empty
        assert study.breaks["km"].isna().all()
        assert len(study.breaks)
    if without == "reels":
        assert (study.mount_history["age"] == "not known").all()
        assert study.mount_history["entered_m"].notna().any()


def test_a_reel_first_seen_as_a_part_reel_enters_late(tmp_path):
    tables = small_tables(14)
    mounts, reels = tables["reel_mounts"], tables["reels"]
    first = mounts.sort_values("mounted_at").drop_duplicates(["supplier", "reel_id"]).iloc[0]
    mine = (reels["supplier"] == first["supplier"]) & (reels["reel_id"] == first["reel_id"])
    # It weighed 300 kg more when it came: so much had run before the logs began.
    tables["reels"] = reels.assign(received_kg=reels["received_kg"].mask(mine, first["start_kg"] + 300.0))
    logs, study = small_study(tmp_path, tables)
    row = study.mount_history[(logs["reel_mounts"]["reel_id"] == first["reel_id"]).to_numpy()].iloc[0]
    metre = 1.2 * 0.046  # kg, small plant
    assert not row["new"]
    assert row["entered_m"] == pytest.approx(300 / metre, rel=0.02)
