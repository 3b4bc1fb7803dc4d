"""Limits of the reel study, each from both sides, with values worked out by hand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from small_plant import small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.paper import web_use, weighed_paper
from pressstats.reels import planned, study, study_reels
from pressstats.reels.breaks import _levels
from pressstats.reels.counts import count_regression
from pressstats.reels.failures import failure_curve, failure_share
from pressstats.reels.mount_history import mount_history
from pressstats.reels.planned import planned_webs
from pressstats.reels.pooling import PooledMeans
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


DAY = pd.Timedelta(days=1)


@pytest.mark.parametrize(("three_apart", "family"), [(52, "negative binomial"), (51, "Poisson")])
def test_clusters_spread_beyond_one_chance_in_twenty(three_apart: int, family: str) -> None:
    # 200 clusters that expect 4: (sum of squares - 800) / 80 is normal (Dean 1992). Pairs 3 off either way add 18,
    # the last pair of 51 and one 2 off 8: 936 is 1.70 standard deviations, 926 is 1.58; 1.645 are one chance in 20.
    counts = [7.0, 1.0] * three_apart + ([6.0, 2.0] if three_apart == 51 else [])
    counts += [4.0] * (200 - len(counts))
    found = count_regression(np.array(counts), pd.DataFrame({"all": np.ones(200)}))
    assert found.family == family
    assert found.p_dispersion == pytest.approx(stats.norm.sf(1.70 if three_apart == 52 else 1.575))


def test_ages_of_reels_are_up_to_one_two_and_four_weeks(tmp_path: Path) -> None:
    tables = small_tables(14)
    first = tables["reel_mounts"].groupby(["supplier", "reel_id"])["mounted_at"].min().rename("first")
    reels = tables["reels"].join(first, on=["supplier", "reel_id"])
    days = np.array([7, 8, 28, 29])[np.arange(len(reels)) % 4]
    tables["reels"] = reels.assign(
        received_on=reels["first"].dt.normalize() - pd.to_timedelta(days, unit="D")
    ).drop(columns="first")
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    history = mount_history(logs, weighed_paper(logs))
    history = history.assign(reel_id=logs["reel_mounts"]["reel_id"])[history["number"] == 1]
    words = {7: "up to 1 week", 8: "1 to 2 weeks", 28: "2 to 4 weeks", 29: "more than 4 weeks"}
    expected = {key: words[day] for key, day in zip(reels["reel_id"], days, strict=True)}
    assert dict(zip(history["reel_id"], history["age"], strict=True)) == expected
    assert len(expected) >= 4


def test_metres_of_planned_webs_are_by_what_a_title_took_in_13_weeks(tmp_path: Path) -> None:
    tables = {name: table for name, table in small_tables(98).items() if name != "reel_mounts"}
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    runs = logs["runs"]
    ago = (logs.as_of.normalize() - runs["date"]).dt.days
    # Two webs of 0.4 m a copy; the oldest of the 91 days took three times as much, the day before it nine times.
    times = np.where(ago == 90, 3.0, np.where(ago == 91, 9.0, 1.1))
    history = pd.DataFrame({"run_id": runs["run_id"], "title": runs["title"]})
    history["run_m"] = 2 * 0.4 * runs["copies_ordered"] * times
    webs = planned_webs(logs, history, web_use(logs))
    assert webs["run_m"].tolist() == pytest.approx([19_000 * 0.4 * (90 * 1.1 + 3.0) / 91] * 2)


def test_part_reels_are_taken_of_the_forty_longest(monkeypatch: pytest.MonkeyPatch) -> None:
    offered: list[np.ndarray] = []

    def pick(_needs: np.ndarray, parts: np.ndarray, _new: float, _core: float) -> planned.Pick:
        offered.append(parts)
        return planned.Pick(pd.DataFrame({"part": [], "web": []}, dtype=int), np.ones(1), np.zeros(1), True)

    monkeypatch.setattr(planned, "pick_part_reels", pick)
    webs = pd.DataFrame({"title": ["Daily"], "web": "A", "material": "N1200", "run_m": 9000.0})
    kg = np.arange(1.0, 61.0)
    chain = pd.DataFrame({"reel_id": [str(n) for n in range(60)], "material": "N1200", "in_store_kg": kg})
    whole = pd.DataFrame({"material": ["N1200"] * 2, "start_kg": [1000.0, 990.0], "strip_kg": 10.0})
    ends = pd.DataFrame({"ended_by": ["splice"], "material": "N1200", "butt_m": 100.0, "butt_kg": 6.0})
    logs = SimpleNamespace(plant=SimpleNamespace(measurement=SimpleNamespace(reel_kg=1.0)))
    planned.planned_reels(logs, webs, chain.assign(mounts=1), whole, ends, pd.Series({"N1200": 0.05}))  # type: ignore[arg-type]
    assert offered[0].tolist() == pytest.approx([kg / 0.05 for kg in range(60, 20, -1)])


def test_a_stand_is_named_that_surely_leaves_a_quarter_more_than_the_target(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = read_logs(write_small_plant(tmp_path / "logs", small_tables(14)))
    target = logs.plant.reel.splice_target_m
    table = pd.DataFrame({"level": ["S1", "S2"], "p_value": 0.0, "pooled_low": [1.24, 1.26]})
    table["pooled_low"] *= target
    monkeypatch.setattr(study, "stand_means", lambda ends: PooledMeans(table, target, 0.0))
    assert study_reels(logs, weighed_paper(logs)).wasteful_stands["level"].tolist() == ["S2"]
