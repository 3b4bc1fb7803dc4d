"""Reels on simulated plants whose truth is known: small versions of ``tests/bench/bench_reels.py``."""

import numpy as np
import pytest
from reel_simulation import TARGET_M, Breakage, Splicing, simulate_strip, uneven_stands
from reel_trials import (
    effects_held,
    ends_held,
    length_errors,
    named_stands,
    named_suppliers,
    shrunk_held,
    survival_held,
    targets,
)

from pressstats.reels.strip import transport_claims


@pytest.mark.parametrize("power", [1.0, 1.6])
def test_lengths_to_a_break_are_right_and_without_censoring_far_off(power):
    table = length_errors(np.random.default_rng(3), Breakage(power=power), 30)
    for name in ("rate per 1000 km", "Kaplan-Meier at 15 km", "Nelson-Aalen at 15 km"):
        row = table.loc[name]
        assert abs(row["error"]) < 1 + 3 * row["simulation_error"], name
    assert table.loc["late entry ignored", "error"] < -15
    assert table.loc["censored left out", "error"] > 1000
    assert table.loc["mean length of those that broke", "error"] < -90


def test_limits_hold_the_truth():
    rng = np.random.default_rng(4)
    suppliers = {"A": 1.0, "B": 1.5, "C": 1.0}
    for shape in (np.inf, 2.0):
        held = effects_held(rng, Breakage(suppliers=suppliers, reels=2000, lot_shape=shape), 12)
        # 36 intervals of suppliers: fewer than 30 within them would come once in thousands.
        assert sum(held["supplier"]) >= 30
        assert np.mean(held["reelstand"]) > 0.85
        if np.isinf(shape):
            assert sum(held["per 100 reels (exact)"]) >= 30
    assert sum(survival_held(rng, Breakage(reels=600), 40)) >= 33
    assert np.mean(shrunk_held(rng, [3000, 3000, 20], 0.025, 200)["all"]) > 0.92
    ends = ends_held(rng, uneven_stands(rng, 1.0, flat=0.004), 25)
    for name in ("t, of a stand", "pooled", "kg a year"):
        assert np.mean(ends[name]) > 0.85, name


def test_a_planted_supplier_is_named_alone_and_nobody_where_all_are_alike():
    rng = np.random.default_rng(5)
    worse = Breakage(suppliers={"A": 1.0, "B": 1.5, "C": 1.0}, part_first=0.0)
    # Meant are 95 of 100: fewer than 12 of 15 would come about once in a thousand.
    assert named_suppliers(rng, worse, 15)["B"] >= 12
    alike = named_suppliers(rng, Breakage(part_first=0.0), 15)
    assert alike[""] >= 12
    assert alike["a reelstand"] <= 2


@pytest.mark.parametrize("spread", [0.0, 0.4])
def test_a_planted_stand_is_named_alone_and_none_where_all_are_near_alike(spread):
    rng = np.random.default_rng(6)
    for place in (0, 7):  # nine splices, 600 splices
        found = named_stands(rng, uneven_stands(rng, spread, doubled=place), 40)
        assert found[f"R{place:02d}"] >= 35
    assert named_stands(rng, uneven_stands(rng, spread), 60)[""] >= 56


def test_the_splice_target_is_told_where_failures_tell_and_only_there():
    rng = np.random.default_rng(7)
    apart = np.linspace(6, 24, 12)
    many = targets(rng, lambda: Splicing(apart, [5000] * 12), 8, 400.0)
    assert many["told"].sum() >= 7
    told = many[many["told"]]
    assert told["held"].mean() > 0.7
    assert told["regret"].median() < 5
    # Failures that come at any length tell nothing, nor do stands that are all alike.
    flat = targets(rng, lambda: Splicing(apart, [3000] * 12, flat=0.004), 15, 400.0)
    alike = targets(rng, lambda: Splicing([TARGET_M] * 12, [3000] * 12), 15, 400.0)
    assert flat["told"].sum() <= 3
    assert alike["told"].sum() <= 3
    assert flat.loc[~flat["told"], "best"].isna().all()


def test_reels_hurt_in_transport_are_claimed_for_and_no_others():
    rng = np.random.default_rng(8)
    listed = 0
    for _ in range(40):
        clean = simulate_strip(rng, {"A": 1500, "B": 1000, "C": 20})
        listed += len(transport_claims(clean, 3.0)) > 0
    # Meant is one plant in twenty.
    assert listed <= 7
    hurt = simulate_strip(rng, {"A": 1500, "B": 1000, "C": 20}, damaged=9, deep_mm=30.0)
    claims = transport_claims(hurt, 3.0)
    assert set(hurt.loc[hurt["planted"], "reel_id"]) <= set(claims["reel_id"])
    assert len(claims) <= 11
    row = claims[claims["reel_id"].isin(hurt.loc[hurt["planted"], "reel_id"])].iloc[0]
    strip = hurt.set_index("reel_id").loc[row["reel_id"], "strip_kg"]
    # Claimed is what lies beyond the usual strip.
    assert 0.6 * strip < row["claim_kg"] < strip
