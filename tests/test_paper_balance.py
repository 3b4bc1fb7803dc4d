"""The paper balance: by hand for one run, by a loop over a small plant, and blank where it must be."""

from collections import defaultdict

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.paper import (
    STREAMS,
    balance_by,
    paper_balance,
    weighed_paper,
)

DAYS = 28


def logs_of(folder, change=None):
    tables = small_tables(DAYS)
    if change is not None:
        change(tables)
    write_small_plant(folder, tables)
    return read_logs(folder)


def balance_of(logs):
    return paper_balance(weighed_paper(logs).runs)


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    return logs_of(tmp_path_factory.mktemp("small"))


def test_good_kg_of_one_run_by_hand(logs):
    runs = weighed_paper(logs).runs.set_index("run_id")
    # Run 0001: webs A and B, each 1200 mm x 400 mm, one cut-off a copy, nominal 45 g/m2.
    # A copy takes 1.2 m x 0.4 m x 45 g/m2 = 21.6 g on each web, so 43.2 g; 19,000 good copies weigh
    # 19,000 x 43.2 g = 820.8 kg, 600 start-up copies 25.92 kg, 300 running ones 12.96 kg, and the
    # 100 copies that no counter explains (20,000 - 19,000 - 600 - 300) 4.32 kg.
    run = runs.loc["0001"]
    assert run["good_kg"] == pytest.approx(820.8)
    assert run["startup_kg"] == pytest.approx(25.92)
    assert run["running_kg"] == pytest.approx(12.96)
    assert run["uncounted_kg"] == pytest.approx(4.32)
    # 20,000 x 0.96 m2 = 19,200 m2 at 1 g/m2 above nominal: 19.2 kg.
    assert run["grammage_kg"] == pytest.approx(19.2)
    # Net paper is 2 x (441.6 + 5) kg; 893.2 - 820.8 - 25.92 - 12.96 - 4.32 - 19.2 = 10 kg threaded.
    assert run["unexplained_kg"] == pytest.approx(10.0)


def test_balance_equals_a_slow_loop(logs):
    """Every stream of every week and press, added up row by row in plain Python."""
    material = {row.material: row.grammage_gsm for row in logs["materials"].itertuples()}
    webs, mounts = defaultdict(list), defaultdict(list)
    for row in logs["run_webs"].itertuples():
        webs[row.run_id].append(row)
    for row in logs["reel_mounts"].itertuples():
        mounts[row.run_id].append(row)
    effective = 46.0  # the small plant's own
    slow = defaultdict(lambda: defaultdict(float))
    for run in logs["runs"].itertuples():
        monday = run.date - pd.Timedelta(days=run.date.day_of_week)
        sums = slow[monday, run.press]
        sums["runs"] += 1
        for web in webs[run.run_id]:
            area = web.width_mm / 1000 * web.cutoff_mm / 1000 * web.cutoffs_per_copy
            kg = area * material[web.material] / 1000
            sums["area_m2"] += run.copies_gross * area
            sums["good_kg"] += run.copies_good * kg
            sums["startup_kg"] += run.copies_startup_waste * kg
            sums["running_kg"] += run.copies_running_waste * kg
            counted = run.copies_good + run.copies_startup_waste + run.copies_running_waste
            sums["uncounted_kg"] += (run.copies_gross - counted) * kg
            sums["grammage_kg"] += run.copies_gross * area * (effective - material[web.material]) / 1000
        for mount in mounts[run.run_id]:
            sums["mounted_kg"] += mount.start_kg - mount.returned_kg
            sums["strip_kg"] += mount.strip_kg
            if mount.ended_by in ("splice", "failed_splice"):
                sums["reel_end_kg"] += mount.butt_kg
            sums["scrapped_kg"] += mount.scrapped_kg
    fast = balance_of(logs).set_index(["week", "press"])
    assert set(fast.index) == set(slow)
    for key, sums in slow.items():
        explained = sum(sums[name] for name in STREAMS if name != "unexplained_kg")
        sums["unexplained_kg"] = sums["mounted_kg"] - explained
        share = (
            sums["grammage_kg"]
            * sums["good_kg"]
            / sum(sums[name] for name in ("good_kg", "startup_kg", "running_kg", "uncounted_kg"))
        )
        waste = 100 * (sums["mounted_kg"] - sums["good_kg"] - share) / sums["mounted_kg"]
        for name in ("runs", "area_m2", "mounted_kg", *STREAMS):
            assert fast.loc[key, name] == pytest.approx(sums[name], abs=1e-6), (key, name)
        assert fast.loc[key, "waste_pct"] == pytest.approx(waste, abs=1e-9)


def test_streams_add_up_to_what_was_mounted(logs):
    table = balance_of(logs)
    assert table["mounted_kg"].notna().all()
    assert np.abs(table[list(STREAMS)].sum(axis=1) - table["mounted_kg"]).max() < 1e-6


def test_balance_by_title_adds_up_to_balance_by_press(logs):
    runs = weighed_paper(logs).runs
    by_title = balance_by(runs, ["title"])[["mounted_kg", *STREAMS]].sum()
    by_press = balance_by(runs, ["week", "press"])[["mounted_kg", *STREAMS]].sum()
    pd.testing.assert_series_equal(by_title, by_press)


def drop_mounts_of(run_ids):
    def change(tables):
        mounts = tables["reel_mounts"]
        tables["reel_mounts"] = mounts[~mounts["run_id"].isin(run_ids)].reset_index(drop=True)

    return change


REEL_COLUMNS = ["mounted_kg", "strip_kg", "reel_end_kg", "scrapped_kg", "unexplained_kg", "waste_pct"]


def test_week_without_reel_records_is_blank_not_zero(tmp_path):
    table = balance_of(logs_of(tmp_path, drop_mounts_of([f"{n:03d}1" for n in range(7, 14)])))
    week = table[(table["week"] == pd.Timestamp("2025-03-10")) & (table["press"] == "P1")].iloc[0]
    assert week["runs"] == 7
    assert week["runs_with_reels"] == 0
    assert week[REEL_COLUMNS].isna().all()
    # Copies are still counted: 7 x 820.8 kg.
    assert week["good_kg"] == pytest.approx(7 * 820.8)
    others = table[(table["week"] != pd.Timestamp("2025-03-10")) | (table["press"] != "P1")]
    assert others["mounted_kg"].notna().all()


def test_one_web_without_mounts_blanks_its_week(tmp_path):
    def change(tables):
        mounts = tables["reel_mounts"]
        tables["reel_mounts"] = mounts[~((mounts["run_id"] == "0021") & (mounts["web"] == "B"))]

    table = balance_of(logs_of(tmp_path, change))
    week = table[(table["week"] == pd.Timestamp("2025-03-03")) & (table["press"] == "P1")].iloc[0]
    assert week["runs_with_reels"] == 6
    assert week[REEL_COLUMNS].isna().all()


def test_unknown_weight_blanks_its_week(tmp_path):
    def change(tables):
        tables["reel_mounts"].loc[2, "returned_kg"] = np.nan

    table = balance_of(logs_of(tmp_path, change))
    blank = table[table["mounted_kg"].isna()]
    assert len(blank) == 1
    assert blank["runs_with_reels"].iloc[0] == blank["runs"].iloc[0] - 1


def test_mount_that_was_set_aside_blanks_its_week(tmp_path):
    def change(tables):
        # Twenty tonnes on one reel cannot be: the row is set aside, and the week is not low by it.
        tables["reel_mounts"].loc[0, "start_kg"] = 20000.0

    logs = logs_of(tmp_path, change)
    assert len(logs.rejected) == 1
    assert balance_of(logs)["mounted_kg"].isna().sum() == 1


def test_without_reel_mounts_copies_are_still_balanced(tmp_path):
    logs = logs_of(tmp_path, lambda tables: tables.pop("reel_mounts"))
    table = balance_of(logs)
    assert table[REEL_COLUMNS].isna().all(axis=None)
    assert table["grammage_kg"].isna().all()
    assert table["good_kg"].notna().all()


def test_without_materials_only_areas_are_known(tmp_path):
    table = balance_of(logs_of(tmp_path, lambda tables: tables.pop("materials")))
    assert table["area_m2"].notna().all()
    assert table[["good_kg", "startup_kg", "grammage_kg", "unexplained_kg"]].isna().all(axis=None)


def test_scrap_that_is_not_logged_is_unexplained(tmp_path):
    with_scrap = balance_of(logs_of(tmp_path / "with"))
    without = balance_of(logs_of(tmp_path / "without", lambda t: t["reel_mounts"].pop("scrapped_kg")))
    assert without["scrapped_kg"].isna().all()
    # The grammage is not refitted alike (scrap counts as printed paper then), so compare their sum.
    both = ["grammage_kg", "unexplained_kg"]
    np.testing.assert_allclose(
        without[both].sum(axis=1), with_scrap[both].sum(axis=1) + with_scrap["scrapped_kg"], atol=1e-6
    )
