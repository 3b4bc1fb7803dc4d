"""Limits of the reel study, each from both sides, with values worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pressstats.reels.breaks import _levels
from pressstats.reels.failures import failure_curve, failure_share
from pressstats.reels.strip import transport_claims
from pressstats.reels.target import _CHANGES


def reels_of(depth: dict[str, list[float]]) -> pd.DataFrame:
    rows = [(supplier, one) for supplier, several in depth.items() for one in several]
    table = pd.DataFrame(rows, columns=["supplier", "depth_mm"]).assign(material="N45", delivery_id="1")
    table["reel_id"] = [str(n) for n in range(len(table))]
    day = pd.Timestamp("2025-01-01")
    return table.assign(
        received_on=day, mounted_at=day, strip_kg=10.0, received_kg=900.0, start_kg=900.0, unit_price=0.5
    )


def limit_mm(log: np.ndarray, listed: int, scale: float = 1.4826) -> float:
    """Return the depth from which a reel is claimed for.

    One of all `listed` reels in twenty plants, at either of two looks; median and median absolute deviation (1.4826
    is 1 / .6745) with their efficiencies against mean and standard deviation, 2 / pi and 37 % (Huber, Robust
    Statistics, from memory).
    """
    spread = max(scale * np.median(np.abs(log - np.median(log))), 0.1)
    reach = stats.t.isf(0.05 / 2 / listed, 0.37 * (len(log) - 1))
    return float(np.exp(np.median(log) + reach * spread * np.sqrt(1 + np.pi / 2 / len(log))))


@pytest.mark.parametrize("spread", [0.4, 0.05])
def test_a_reel_is_claimed_for_beyond_the_limit_of_its_supplier(spread: float) -> None:
    usual = np.exp(1.0 + spread * stats.norm.ppf((np.arange(60) + 0.5) / 60))
    for times, claimed in ((0.99, False), (1.01, True)):
        # The odd reel moves median and deviation a little itself, so the limit is found with it.
        deep = 5.0
        for _ in range(50):
            deep = times * limit_mm(np.log([*usual, deep]), 61)
        found = transport_claims(reels_of({"S": [*usual, deep]}), 3.0)
        assert found["depth_mm"].tolist() == pytest.approx([deep] * claimed)


@pytest.mark.parametrize("own", [30, 29])
def test_a_supplier_is_judged_by_itself_from_thirty_reels_on(own: int) -> None:
    wide = np.exp(1.0 + 0.5 * stats.norm.ppf((np.arange(200) + 0.5) / 200))
    # All alike at a level that is usual for nobody else, but one of twice the depth.
    narrow = [8.0] * (own - 1) + [16.0]
    found = transport_claims(reels_of({"W": list(wide), "N": narrow}), 3.0)
    assert (found["depth_mm"] == 16.0).any() == (own == 30)


@pytest.mark.parametrize(("expected", "told"), [(5.01, True), (4.99, False)])
def test_a_level_has_an_effect_from_five_expected_breaks_on(expected: float, told: bool) -> None:
    values = pd.Series(["few", "many"])
    km = np.array([expected, 100.0 - expected])
    _, names, model = _levels(values, km, np.array([3.0, 97.0]))
    assert (model[list(names).index("few")] >= 0) == told


@pytest.mark.parametrize(("failed", "told"), [(5, True), (4, False)])
def test_five_failed_splices_tell_that_metres_matter(failed: int, told: bool) -> None:
    curve = failure_curve(
        np.array([2.0, 40.0]), np.array([1.0, 1.0]), np.array([10.0, 1000.0]), np.array([failed, 0.0])
    )
    assert curve.told == told


def test_likely_curves_lack_half_a_chi_square_of_3_84_at_most() -> None:
    metres, scatter = np.array([3.0, 8.0, 20.0]), np.array([2.0, 2.0, 2.0])
    splices, failed = np.array([50.0, 200.0, 200.0]), np.array([20.0, 20.0, 3.0])
    curve = failure_curve(metres, scatter, splices, failed)

    def log_likelihood(sure: float, falls: float) -> float:
        share = failure_share(metres, scatter, sure, falls)
        return float((failed * np.log(share) + (splices - failed) * np.log1p(-share)).sum())

    best = log_likelihood(curve.sure_m, curve.falls_m)
    lacks = [best - log_likelihood(one.sure_m, one.falls_m) for one in curve.likely.itertuples()]
    # 1.92 is half of the 95 % quantile with one degree of freedom (any table).
    assert max(lacks) == pytest.approx(1.92, abs=0.06)


def test_what_if_prices_are_changed_by_what_their_words_say() -> None:
    said = {
        "a failed splice costs half": (1, 1 / 2, 1),
        "a failed splice costs twice as much": (1, 2, 1),
        "paper 20 % cheaper": (1 - 20 / 100, 1, 1),
        "paper 25 % dearer": (1 + 25 / 100, 1, 1),
        "stands scatter half as much": (1, 1, 1 / 2),
    }
    assert {words: factors for words, *factors in _CHANGES} == {
        words: pytest.approx(factors) for words, factors in said.items()
    }
