"""Reels: chain, reel ends and breaks against loops, hand arithmetic and published numbers."""

from collections import defaultdict
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from small_plant import small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.reels import poisson_interval, reel_chain, reel_ends
from pressstats.reels.breaks import breaks
from pressstats.reels.chain import mount_ends
from pressstats.reels.ends import butts
from pressstats.reels.mount_history import mount_history
from pressstats.reels.rates import chance_of_excess
from pressstats.reels.target import splice_study


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    write_small_plant(folder, small_tables(28))
    return read_logs(folder)


@pytest.fixture(scope="module")
def history(logs):
    return mount_history(logs, weighed_paper(logs))


# Garwood (1936), Biometrika 28:437; limits recomputed from the chi-square distribution.
GARWOOD = {
    0: (0.0, 3.6889),
    1: (0.0253, 5.5716),
    2: (0.2422, 7.2247),
    3: (0.6187, 8.7673),
    5: (1.6235, 11.6683),
    10: (4.7954, 18.3904),
}


@pytest.mark.parametrize(("events", "limits"), GARWOOD.items())
def test_exact_poisson_limits(events, limits):
    low, high = poisson_interval(np.array([events]))
    assert (low[0], high[0]) == pytest.approx(limits, abs=5e-5)
    # By another route: the tail probabilities of the Poisson distribution itself.
    assert stats.poisson.cdf(events, high[0]) == pytest.approx(0.025)
    if events:
        assert stats.poisson.sf(events - 1, low[0]) == pytest.approx(0.025)


def test_exact_poisson_rate_of_the_r_manual():
    # R documentation of poisson.test: 137 events in 24.19893 give 5.6614 (4.7531 to 6.6927).
    low, high = poisson_interval(np.array([137]))
    assert pytest.approx(5.6614, abs=5e-5) == 137 / 24.19893
    assert (low[0] / 24.19893, high[0] / 24.19893) == pytest.approx((4.7531, 6.6927), abs=5e-5)


def test_two_rates_of_the_r_manual():
    # R documentation of poisson.test: 11 in 800 against 21 in 3011, p = 0.079669. R's two-sided p adds
    # all outcomes that are no likelier, as this test does.
    assert chance_of_excess(11, 800, 21, 3011) == pytest.approx(0.079669, abs=5e-7)


def test_exact_limits_hold_the_rate():
    rng = np.random.default_rng(3)
    mean = 2.5 * 12
    events = rng.poisson(mean, 4000)
    low, high = poisson_interval(events)
    assert ((low <= mean) & (mean <= high)).mean() >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / 4000)


def test_half_widths_of_a_break_rate():
    # Derived: at 2.5 breaks per 100 reels a half-width of 40 / 20 / 12.5 % needs 960 / 3,842 / 9,834
    # reels by the normal approximation 1.96 / sqrt(events); the exact interval is a little wider.
    for share, reels in ((0.40, 960), (0.20, 3842), (0.125, 9834)):
        events = 0.025 * reels
        assert 1.959964 / np.sqrt(events) == pytest.approx(share, rel=1e-3)
        low, high = poisson_interval(np.array([round(events)]))
        assert share < (high[0] - low[0]) / 2 / events < 1.1 * share


def test_chain_equals_a_slow_loop(logs):
    by_reel = defaultdict(list)
    for row in logs["reel_mounts"].itertuples():
        by_reel[row.supplier, row.reel_id].append(row)
    chain = reel_chain(logs).set_index(["supplier", "reel_id"])
    assert set(chain.index) >= set(by_reel)
    for reel, rows in by_reel.items():
        rows.sort(key=lambda row: row.mounted_at)
        got = chain.loc[reel]
        assert got["mounts"] == len(rows)
        assert got["first_mounted"] == rows[0].mounted_at
        assert got["in_store_kg"] == pytest.approx(rows[-1].returned_kg)
        if len(rows) == 1:
            assert np.isnan(got["store_loss_kg"])
        else:
            lost = sum(a.returned_kg - b.start_kg for a, b in pairwise(rows))
            assert got["store_loss_kg"] == pytest.approx(lost, abs=1e-9)


def test_reel_that_was_never_mounted_is_in_the_store(tmp_path):
    tables = small_tables(14)
    new = tables["reels"].iloc[[0]].assign(reel_id="NEW1", received_kg=987.0)
    tables["reels"] = pd.concat([tables["reels"], new], ignore_index=True)
    write_small_plant(tmp_path, tables)
    chain = reel_chain(read_logs(tmp_path)).set_index("reel_id")
    assert chain.loc["NEW1", "mounts"] == 0
    assert chain.loc["NEW1", "in_store_kg"] == 987.0
    assert pd.isna(chain.loc["NEW1", "last_ended"])


def test_kilograms_lost_in_the_store_are_found(tmp_path):
    tables = small_tables(14)
    mounts = tables["reel_mounts"].sort_values(["supplier", "reel_id", "mounted_at"])
    again = mounts[mounts.duplicated(["supplier", "reel_id"])].index[0]
    tables["reel_mounts"].loc[again, "start_kg"] -= 40.0
    reel = tuple(tables["reel_mounts"].loc[again, ["supplier", "reel_id"]])
    write_small_plant(tmp_path, tables)
    chain = reel_chain(read_logs(tmp_path)).set_index(["supplier", "reel_id"])
    assert chain.loc[reel, "store_loss_kg"] == pytest.approx(40.0)


def test_paper_of_a_run_without_reel_records_is_no_store_loss(tmp_path):
    tables = small_tables(14)
    mounts = tables["reel_mounts"]
    # A reel that ran three nights, of which the one in the middle is not logged.
    rows = mounts.groupby(["supplier", "reel_id"]).filter(lambda rows: rows["run_id"].nunique() == 3)
    first, middle, last = rows.sort_values("mounted_at").drop_duplicates("run_id").iloc[:3].itertuples()
    assert first.reel_id == middle.reel_id == last.reel_id
    assert first.returned_kg - last.start_kg > 100
    tables["reel_mounts"] = mounts[mounts["run_id"] != middle.run_id]
    write_small_plant(tmp_path, tables)
    chain = reel_chain(read_logs(tmp_path)).set_index("reel_id")
    assert chain["store_loss_kg"].abs().max() == pytest.approx(0.0)
    assert np.isnan(chain.loc[first.reel_id, "store_loss_kg"])


def test_mount_ends_at_the_next_mount_or_the_end_of_the_run(logs):
    mounts = logs["reel_mounts"].assign(end=mount_ends(logs))
    finished = logs["runs"].set_index("run_id")["finished_at"]
    for (run, _), rows in mounts.groupby(["run_id", "web"]):
        rows = rows.sort_values("mounted_at")
        assert rows["end"].iloc[-1] == finished[run]
        assert (rows["end"].iloc[:-1].to_numpy() == rows["mounted_at"].iloc[1:].to_numpy()).all()


def test_metres_left_at_a_splice(logs, history):
    # 6 kg of 1.2 m at 46 g/m2: 6 / (1.2 x 0.046) = 108.7 m.
    ends = butts(logs, history)
    assert (ends["ended_by"] == "splice").all()
    assert ends["butt_m"].to_numpy() == pytest.approx(6 / (1.2 * 0.046))
    table = reel_ends(logs, ends)
    assert table["splices"].sum() == len(ends)
    # 28 nights are 28 / 365.25 of a year; 0.5 a kg by the materials table.
    assert table["lost_kg_per_year"].sum() == pytest.approx(6 * len(ends) * 365.25 / 28)
    assert table["lost_cost_per_year"].sum() == pytest.approx(3 * len(ends) * 365.25 / 28)
    target = splice_study(ends, 400, 28 / 365.25).published()
    assert target["current_m"].tolist() == pytest.approx([6 / (1.2 * 0.046)])
    assert target[["best_m", "saving_per_year"]].isna().all(axis=None)


def test_interval_of_the_metres_left_is_students_t(logs):
    rng = np.random.default_rng(5)
    metres = rng.normal(12, 2, 9)
    ends = pd.DataFrame(
        {
            "reelstand": "S1",
            "material": "N1200",
            "ended_by": "splice",
            "butt_m": metres,
            "butt_kg": metres * 0.05,
            "unit_price": 0.5,
        }
    )
    row = reel_ends(logs, ends).iloc[0]
    low, high = stats.t.interval(0.95, 8, metres.mean(), stats.sem(metres))
    assert (row["butt_m_ci_low"], row["butt_m_ci_high"]) == pytest.approx((low, high))
    alone = reel_ends(logs, ends.iloc[:1]).iloc[0]
    assert alone["splices"] == 1
    assert np.isnan(alone["butt_m_ci_low"])


def test_breaks_count_distinct_reels_and_kilometres(logs, history):
    table = breaks(logs, history).set_index(["by", "level"])
    mounts = logs["reel_mounts"]
    for supplier, rows in mounts.groupby("supplier"):
        assert table.loc[("supplier", supplier), "reels"] == rows["reel_id"].nunique()
        assert table.loc[("supplier", supplier), "breaks"] == (rows["ended_by"] == "web_break").sum()
    # All net paper at 1.2 m x 46 g/m2.
    net = (mounts["start_kg"] - mounts["returned_kg"] - mounts["strip_kg"]).sum()
    net -= (mounts["butt_kg"] + mounts["scrapped_kg"]).sum()
    assert table.loc["press", "km"].sum() == pytest.approx(net / (1.2 * 0.046) / 1000)


def test_a_reel_that_an_unlogged_run_may_have_used_up_is_not_said_to_be_in_the_store(tmp_path):
    tables = small_tables(14)
    mounts = tables["reel_mounts"]
    # The last reel on S1 went back after its last mount; then nights follow of which no reel is logged.
    tables["reel_mounts"] = mounts[~mounts["run_id"].isin(["0111", "0121", "0131"])]
    write_small_plant(tmp_path, tables)
    chain = reel_chain(read_logs(tmp_path))
    left = (
        tables["reel_mounts"].sort_values("mounted_at").drop_duplicates(["supplier", "reel_id"], keep="last")
    )
    back = set(left.loc[left["returned_kg"] > 0, "reel_id"])
    assert back
    known = chain.set_index("reel_id")["in_store_kg"]
    # A used-up reel stays used up; one that went back may be anywhere.
    assert known[list(back)].isna().all()
    assert (known[list(set(left["reel_id"]) - back)] == 0).all()
