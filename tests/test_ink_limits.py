"""From how many intervals, days and dips on ink is told, and how far candidates of it reach, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from ink_simulation import Habits, simulate_ink
from scipy import stats
from test_ink_adequacy import plant

from pressstats.ink import adequacy, changes, findings
from pressstats.ink.changes import Change, _allowed
from pressstats.ink.ledger import NO_COVERAGE, _occasions
from pressstats.ink.mean_use import _interval
from pressstats.ink.model import LEVELS, InkFit, _can_be_told, fit_ink
from pressstats.ink.refills import MAY_HIDE, UNLOGGED, leave_out_refills


@pytest.mark.parametrize(("intervals", "terms"), [(12, 3), (11, 1), (3, 1)])
def test_two_terms_and_more_need_twelve_intervals_and_one_needs_three(intervals: int, terms: int) -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=120, dip_kg=1.0, missed=0.0))
    fit = fit_ink("black", rows.head(intervals))
    assert fit is not None
    assert len(fit.terms) == terms
    assert fit_ink("black", rows.head(2)) is None


@pytest.mark.parametrize("blocks", [4, 3])
def test_mean_use_has_an_interval_from_four_blocks_of_four_weeks(blocks: int) -> None:
    # Weekly intervals; use of a day rises from block to block and is the same within one.
    weeks = np.arange(4 * blocks)
    since = pd.Timestamp("2025-01-01") + pd.to_timedelta(7 * weeks, unit="D")
    a_day = 10.0 + 2.0 * (weeks // 4)
    rows = pd.DataFrame({"since": since, "read_at": since + pd.Timedelta(days=7) - pd.Timedelta(hours=1)})
    rows = rows.assign(used_kg=7 * a_day, days=7.0)
    low, high = _interval(rows)
    if blocks == 3:
        assert np.isnan([low, high]).all()
        return
    # 10, 12, 14, 16: mean 13, standard deviation 2.582, t with 3 degrees of freedom 3.182 (any table).
    half = stats.t.ppf(0.975, 3) * 2.582 / 2
    assert (low, high) == (pytest.approx(13 - half, abs=1e-3), pytest.approx(13 + half, abs=1e-3))


# --- ledger --------------------------------------------------------------------------------------


def occasions(*dips: tuple[str, float]) -> list[float]:
    """Return the levels of all tanks together of dips of 100, 101 ... kg at hours after midnight."""
    tanks, hours = zip(*dips, strict=True)
    times = pd.Timestamp("2025-01-01") + pd.to_timedelta(np.array(hours), unit="h")
    table = pd.DataFrame({"tank": tanks, "read_at": times, "level_kg": 100.0 + np.arange(len(dips))})
    return list(_occasions(table, np.array([], dtype="datetime64[us]"))["level_kg"])


def test_dips_of_two_tanks_within_eighteen_hours_are_one_occasion() -> None:
    assert occasions(("A", 0), ("B", 18)) == [201.0]
    assert occasions(("A", 0), ("B", 18.1)) == []


def test_of_two_dips_of_a_tank_within_three_hours_the_later_one_stands() -> None:
    assert occasions(("A", 0), ("A", 3)) == [101.0]
    assert occasions(("A", 0), ("A", 3.1)) == [100.0, 101.0]


# --- refills -------------------------------------------------------------------------------------


def without_deliveries(*used: float) -> list[str]:
    """Return why intervals of such a use tell nothing; dips are good to 10 kg."""
    rows = pd.DataFrame({"used_kg": used, "why": ""})
    return list(leave_out_refills(rows, 10.0)["why"])


def test_a_level_rose_beyond_five_deviations_of_the_difference_of_two_dips() -> None:
    # 5 x 10 x the square root of 2 = 70.7 kg
    assert without_deliveries(1.0, 2.0, -75.0) == ["", "", UNLOGGED]
    assert without_deliveries(1.0, 2.0, -66.0) == ["", "", ""]


def test_refills_must_be_larger_than_what_nearly_every_interval_uses() -> None:
    # One interval in ten uses 400 kg; 400 and 70.7 is more than 300, and less than 500.
    used = [100.0] * 90 + [400.0] * 10
    assert set(without_deliveries(*used, -300.0)) == {MAY_HIDE}
    assert without_deliveries(*used, -500.0) == [""] * 100 + [UNLOGGED]


# --- model ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("inflated", "told"), [(850.0, True), (1150.0, False)])
def test_a_term_is_told_up_to_a_variance_inflation_of_a_thousand(inflated: float, told: bool) -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=120, dip_kg=1.0, missed=0.0))
    assert _can_be_told(rows, LEVELS[0], np.array([inflated, 1.0, 1.0])) is told


@pytest.mark.parametrize(("intervals", "tested"), [(30, True), (29, False)])
def test_extensions_are_tested_from_thirty_intervals_on(intervals: int, tested: bool) -> None:
    logs, exposure, rows = plant(1, nights=60)
    fit = fit_ink("black", rows.head(intervals))
    assert fit is not None
    assert (len(adequacy(logs, exposure, {"black": fit})) > 0) is tested


# --- lasting changes -----------------------------------------------------------------------------


def intervals(count: int, days: int) -> pd.DataFrame:
    """Return since and read_at of intervals of so many days."""
    since = pd.Timestamp("2025-01-01 06:00") + pd.to_timedelta(days * np.arange(count), unit="D")
    return pd.DataFrame({"since": since, "read_at": since + pd.Timedelta(days=days)})


def test_a_change_lasts_ten_days_and_has_four_weeks_before_it() -> None:
    # Of 60 days the 28th interval ends when 28 are over, and the 50th when 10 are left.
    assert list(np.flatnonzero(_allowed(intervals(60, 1), None, None)) + 1) == list(range(28, 51))


def test_a_change_has_three_intervals_before_it_and_two_after() -> None:
    assert list(np.flatnonzero(_allowed(intervals(8, 60), None, None)) + 1) == [3, 4, 5, 6]


def test_days_two_weeks_beside_those_of_a_change_are_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=200, missed=0.0))
    fit = fit_ink("black", rows)
    assert fit is not None
    ends = rows["read_at"]
    change = Change(ends[100], ends[95], ends[110], "solid_m2", True, 30.0, 10.0)
    weighed = []

    def noted(_fit: object, _looks: object, places: list[np.ndarray], *_rest: object) -> tuple[None, None]:
        weighed.extend(places)
        return None, None

    monkeypatch.setattr(changes, "doubt_of_changes", noted)
    changes.doubtful(fit, [change])
    assert [(one[0], one[-1], len(one)) for one in weighed] == [(81, 124, 44)]


@pytest.mark.parametrize(("count", "calls"), [(1, [1]), (2, [3, 4])])
def test_several_changes_are_dated_twice_and_one_alone_once(
    count: int, calls: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Each time a change is dated it goes to the day of that number.
    days = intervals(60, 1)["since"]
    found = [Change(days[30 + one], days[29], days[59], "days", True, 30.0, 10.0) for one in range(count)]
    dated = iter(range(1, 60))
    monkeypatch.setattr(changes, "fit_ink", lambda *_: "a fit")
    monkeypatch.setattr(changes, "score_tests_of", lambda _: None)
    monkeypatch.setattr(changes, "clearest_change", lambda *_: replace(found[0], at=days[next(dated)]))
    kept = changes.refined_changes("black", intervals(60, 1), [], found, 18.0, 6.0)
    assert [one.at for one in kept] == [days[call] for call in calls]


# --- findings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("told", "dark", "by_pages"), [(8, 20, True), (7, 20, False), (7, 7, True)])
def test_use_is_told_by_pages_from_eight_intervals_on(told: int, dark: int, by_pages: bool) -> None:
    rows = pd.DataFrame({"why": [""] * told + [NO_COVERAGE] * dark}).assign(used_kg=10.0, solid_m2=5.0)
    assert findings._by_pages(rows) is by_pages


@pytest.mark.parametrize(("usable", "searched"), [(12, [12]), (11, [])])
def test_findings_are_sought_from_twelve_intervals_on(
    usable: int, searched: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=120, dip_kg=1.0, missed=0.0))
    looked_at = []
    monkeypatch.setattr(findings, "_clearest", lambda fit: looked_at.append(len(fit.rows)))
    findings.judge_inks(rows.head(usable))
    assert looked_at == searched


@pytest.mark.parametrize(("window", "clearest"), [(34.5, "drift"), (33.5, "step")])
def test_both_ends_of_a_window_cost_it_four(
    window: float, clearest: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    day = pd.Timestamp("2025-01-01")
    step = findings.Finding("black", "step", day, day, 1.0, 1.0, 30.0, 0.0)
    drift = findings.Finding("black", "drift", day, day, 1.0, 1.0, window, 0.0)
    monkeypatch.setattr(findings, "candidates", lambda fit: [(step, [3]), (drift, [])])
    found = findings._clearest(None)
    assert found is not None
    assert found[0].kind == clearest


def test_windows_over_an_interval_reach_twenty_more_on_either_side_and_last_ten_days() -> None:
    first, last = findings._windows_over(50, intervals(101, 1))
    assert (first.min(), last.max()) == (30, 70)
    assert (last - first).min() + 1 == 10


class Landscape:
    """Statistics of leaks in windows, as given; of drifts none."""

    def __init__(self, heights: dict[tuple[int, int], float]) -> None:
        self.heights = heights

    def ask(
        self, _kind: str, amounts: np.ndarray, first: np.ndarray, last: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        is_leak = amounts[0] == 1.0
        places = zip(first.tolist(), last.tolist(), strict=True)
        height = np.array([self.heights.get(place, 1.0) if is_leak else 0.0 for place in places])
        return np.ones(len(height)), height


@pytest.mark.parametrize(("away", "since"), [(10, 80), (11, 70)])
def test_ends_of_a_window_are_sought_ten_dips_about_its_place(away: int, since: int) -> None:
    # Starts are weekly and lengths 17 or 26 weeks: the window from day 70 on is among those tried first.
    rows = intervals(400, 1).assign(solid_m2=5000.0, days=1.0)
    fit = InkFit("black", rows, None, None, None, (), LEVELS[0])
    score_tests = Landscape({(70, 70 + 118): 50.0, (70 + away, 70 + 118): 100.0})
    found = findings._best_window(fit, score_tests, np.zeros(400))
    assert found is not None
    assert found.since == rows["since"][since]
