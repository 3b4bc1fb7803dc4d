"""Reels where logs hold little, nothing or oddities: empty and blank results, and no warning."""

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from reel_simulation import Breakage, Frames, simulate_mounts
from small_plant import small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.reels import study_reels
from pressstats.reels.breaks import break_effects, breaks, supplier_pairs, worst_breakers
from pressstats.reels.pooling import pooled_means
from pressstats.reels.rates import shrunk_rates

WEIGHTS = ["start_kg", "strip_kg", "returned_kg", "butt_kg", "scrapped_kg"]


def study(folder: Path, tables: dict[str, pd.DataFrame]):
    write_small_plant(folder, tables)
    logs = read_logs(folder)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return study_reels(logs, weighed_paper(logs))


@pytest.mark.parametrize("gone", [("reel_mounts",), ("reel_mounts", "reels", "materials")])
def test_without_mounts_everything_is_empty(tmp_path, gone):
    tables = small_tables(14)
    for name in gone:
        del tables[name]
    found = study(tmp_path, tables)
    for name in (
        "mount_history",
        "ends",
        "breaks",
        "reel_ends",
        "splice_target",
        "effects",
        "pairs",
        "strip",
        "claims",
    ):
        assert getattr(found, name).empty, name
    assert found.ends["date"].dtype.kind == "M"


@pytest.mark.parametrize("table", ["reel_mounts", "reels"])
def test_a_table_without_rows_is_as_good_as_none(tmp_path, table):
    tables = small_tables(14)
    tables[table] = tables[table].iloc[:0]
    found = study(tmp_path, tables)
    assert len(found.mount_history) == (0 if table == "reel_mounts" else len(tables["reel_mounts"]))


def test_one_mount_is_enough_for_a_table_and_for_no_conclusion(tmp_path):
    tables = small_tables(14)
    tables["reel_mounts"] = tables["reel_mounts"].iloc[:1]
    found = study(tmp_path, tables)
    assert len(found.mount_history) == 1
    assert found.effects["ratio"].isna().all()
    assert not found.suppliers["named"].any()
    assert not found.splices.curve.told


def test_one_supplier_and_one_stand_have_nobody_to_differ_from(tmp_path):
    tables = small_tables(28)
    for name in ("reel_mounts", "reels"):
        tables[name]["supplier"] = "Northmill"
    tables["reel_mounts"]["reelstand"] = "S1"
    found = study(tmp_path, tables)
    assert found.effects["ratio"].isna().all()
    assert not found.suppliers["named"].any()
    assert found.pairs.empty
    assert found.wasteful_stands.empty


@pytest.mark.parametrize(
    ("was", "now"),
    [("splice", "run_end"), ("web_break", "run_end"), ("splice", "failed_splice"), ("run_end", "web_break")],
)
def test_no_splices_no_breaks_or_nothing_else(tmp_path, was, now):
    tables = small_tables(28)
    ended = tables["reel_mounts"]["ended_by"]
    tables["reel_mounts"]["ended_by"] = ended.where(ended != was, now)
    found = study(tmp_path, tables)
    assert found.breaks["breaks"].notna().all()
    assert not found.splices.curve.told
    assert found.splices.curve.why
    assert found.splice_target["best_m"].isna().all()


def test_blank_weights_give_blanks_and_not_zero(tmp_path):
    tables = small_tables(28)
    tables["reel_mounts"][WEIGHTS] = np.nan
    found = study(tmp_path, tables)
    assert found.breaks["km"].isna().all()
    assert found.breaks["reels"].gt(0).all()
    lost = found.reel_ends[["butt_kg_mean", "butt_m_mean", "lost_kg_per_year", "lost_cost_per_year"]]
    assert lost.isna().all(axis=None)
    # Nobody can say of a reel that it was whole: the strip of suppliers has rows, and no means.
    assert len(found.strip) == 2
    assert found.strip["strip_kg"].isna().all()
    assert found.reel_chain["store_loss_kg"].isna().all()


def test_words_with_odd_signs_are_data(tmp_path):
    tables = small_tables(28)
    odd = "\n=1+1 <b>%{x}"
    for name in ("reel_mounts", "reels"):
        tables[name]["supplier"] = tables[name]["supplier"] + odd
    tables["reel_mounts"]["reelstand"] += odd
    tables["runs"]["title"] += odd
    found = study(tmp_path, tables)
    plain_folder = tmp_path / "plain"
    plain_folder.mkdir()
    plain = study(plain_folder, small_tables(28))
    for name in ("breaks", "reel_ends", "strip"):
        one, two = getattr(found, name), getattr(plain, name)
        numbers = two.select_dtypes("number").columns
        pd.testing.assert_frame_equal(one[numbers], two[numbers], check_exact=False)
    assert found.splices.table["current_m"].tolist() == pytest.approx(
        plain.splices.table["current_m"].tolist()
    )


def test_butts_all_alike_have_a_mean_and_hardly_an_interval():
    found = pooled_means(np.full(40, 108.7), np.repeat(["R1", "R2", "R3", "R4"], 10))
    assert found.table["pooled"].to_numpy() == pytest.approx(108.7)
    assert (found.table["pooled_high"] - found.table["pooled_low"]).max() < 0.01
    assert found.named(0.05).empty


def test_a_reading_for_each_group_tells_nothing_of_their_differences():
    found = pooled_means(np.array([11.0, 12.0, 13.0]), np.array(["R1", "R2", "R3"]))
    assert found.table["mean"].tolist()
    assert found.table["p_value"].isna().all()
    assert found.named(0.05).empty


def test_levels_that_always_go_together_have_no_effect_of_their_own():
    history = simulate_mounts(np.random.default_rng(1), Breakage(reels=2000))
    history["width_mm"] = np.where(history["supplier"] == "A", 1260.0, 630.0)
    effects = break_effects(history).set_index(["by", "level"])
    # Nobody can tell whether it is supplier A or the wide reels that only A delivers.
    assert np.isnan(effects.loc[("supplier", "A"), "ratio"])
    assert effects.loc["width", "ratio"].isna().all()
    assert effects.loc["season", "ratio"].notna().all()
    assert effects.loc["reelstand", "ratio"].notna().sum() >= 10


def test_a_supplier_without_a_break_is_told_apart_all_the_same():
    history = simulate_mounts(np.random.default_rng(2), Breakage(suppliers={"A": 1.5, "B": 1e-9}, reels=4000))
    table = breaks(Frames(reel_mounts=history), history)
    pairs = supplier_pairs(history, table)
    assert len(pairs) == 1
    assert pairs["told_apart"].iloc[0]
    assert pairs["more_reels"].iloc[0] == 0
    assert np.isinf(pairs["ratio"].iloc[0])
    assert pairs["ci_low"].iloc[0] > 5
    ranked = worst_breakers(table, break_effects(history), "supplier")
    assert ranked["level"].tolist() == ["A", "B"]
    assert ranked["named"].tolist() == [True, False]


def test_lots_that_vary_make_two_suppliers_harder_to_tell_apart():
    rng = np.random.default_rng(3)
    even = simulate_mounts(rng, Breakage(suppliers={"A": 1.2, "B": 1.0}))
    uneven = simulate_mounts(rng, Breakage(suppliers={"A": 1.2, "B": 1.0}, lot_shape=1.0))
    widths = []
    for history in (even, uneven):
        pair = supplier_pairs(history, breaks(Frames(reel_mounts=history), history)).iloc[0]
        widths.append(np.log(pair["ci_high"] / pair["ci_low"]))
    # Lots of 50 reels with a gamma factor of shape 1 have about 1.25 breaks, and about 2.2 times the variance.
    assert widths[1] > 1.25 * widths[0]


def test_shrunk_rates_are_those_of_the_whole_model_integrated_on_a_dense_grid():
    count, size = np.array([30.0, 50.0, 0.0]), np.array([1000.0, 2400.0, 40.0])
    found = shrunk_rates(count, size)
    from scipy import stats

    spread = (np.arange(150) + 0.5) * 0.01
    mean = np.exp(np.linspace(np.log(0.0005), np.log(1.5), 1500))
    chance = np.sqrt(mean)[None, :] * np.ones((150, 1))
    shape = 1 / spread[:, None] ** 2
    for events, reels in zip(count, size, strict=True):
        chance = chance * stats.nbinom.pmf(events, shape, shape / (shape + mean * reels))
    chance /= chance.sum()
    for place, (events, reels) in enumerate(zip(count, size, strict=True)):
        degree, scale = shape + events, 1 / (shape / mean + reels)
        assert found["rate"][place] == pytest.approx((chance * degree * scale).sum(), rel=0.02)
        for limit, tail in (("low", 0.025), ("high", 0.975)):
            below = (chance * stats.gamma.cdf(found[limit][place], degree, scale=scale)).sum()
            assert below == pytest.approx(tail, abs=0.003)


def test_rates_without_any_event_have_an_upper_limit():
    found = shrunk_rates([0, 0], [1000, 50])
    assert (found["low"] < found["rate"]).all()
    assert (found["rate"] < found["high"]).all()
    # Garwood (1936): with no event in 1050 reels the mean may be up to 3.69 events.
    assert found["high"][0] < 2 * 3.689 / 1050
