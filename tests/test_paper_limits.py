"""Limits of the paper balance, each from both sides, with values worked out by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from test_regimes import nights

from pressstats.logs import Logs
from pressstats.paper import dating, errors, regimes
from pressstats.paper.dating import Change
from pressstats.paper.delivered import announced_changes
from pressstats.paper.grammage import _fit_material
from pressstats.paper.regimes import WeighedWebs, weigh
from pressstats.paper.shifts import level_shifts
from pressstats.plant import Measurement

DAY = np.timedelta64(1, "D")
NOON = pd.Timestamp("2025-03-03 12:00")


class Tables(dict):
    """Tables that stand in for logs, with a plant."""

    plant: Any = None

    of_material, rows_of = Logs.of_material, Logs.rows_of

    @property
    def tables(self) -> Tables:
        return self

    def has(self, name: str) -> bool:
        return name in self


# --- what materials and deliveries announce ------------------------------------------------------


def two_spells(before: float, now: float) -> pd.DataFrame:
    start = pd.to_datetime(["2024-01-01", "2025-03-01"])
    return pd.DataFrame({"subject": "N45", "from": start, "estimate": [before, now]})


@pytest.mark.parametrize(
    ("before", "now", "announced"),
    # Three times half a percent of 50 is 0.75.
    [(48.0, 50.74, True), (48.0, 50.76, False), (50.76, 50.0, True), (50.74, 50.0, False)],
)
def test_paper_is_as_announced_within_one_and_a_half_per_cent(
    before: float, now: float, announced: bool
) -> None:
    logs = Tables(materials=pd.DataFrame({"material": ["N45"], "grammage_gsm": [50.0], "width_mm": [1000.0]}))
    assert (announced_changes(logs, two_spells(before, now), None) == {"N45"}) == announced


@pytest.mark.parametrize(
    ("reels", "lighter", "announced"),
    [(5, 0.94, True), (4, 0.94, False), (5, 0.9249, False), (5, 0.9251, True)],
)
def test_five_reels_received_lighter_announce_lighter_paper(
    reels: int, lighter: float, announced: bool
) -> None:
    count = 5 + reels
    reel = [f"R{n}" for n in range(count)]
    weighed = pd.DataFrame({"supplier": "S", "reel_id": reel, "material": "N45"})
    table = weighed.assign(received_kg=[50.0] * 5 + [50.0 * lighter] * reels, length_m=1000.0)
    at = [pd.Timestamp("2025-01-10")] * 5 + [pd.Timestamp("2025-03-10")] * reels
    logs = Tables(
        reels=table,
        materials=pd.DataFrame({"material": ["N45"], "grammage_gsm": [np.nan], "width_mm": [1000.0]}),
    )
    mounts = weighed[["supplier", "reel_id"]].assign(mounted_at=at)
    # On the press paper became 6 % lighter.
    assert (announced_changes(logs, two_spells(50.0, 47.0), mounts) == {"N45"}) == announced


# --- errors of a week ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("weeks", "scatter", "found"),
    [(26, 0.02, 0.02), (25, 0.02, 0.0), (26, 0.0499, 0.0499), (26, 0.0501, 0.0)],
)
def test_how_far_reels_differ_is_told_by_half_a_year_and_is_five_per_cent_at_most(
    weeks: int, scatter: float, found: float
) -> None:
    # 1 kg2 of measuring and a reel of 100 kg; the median of |z| is .6745 (normal distribution, any table).
    off = 0.6744897501960817 * np.sqrt(1 + scatter**2 * 100**2)
    extra = off * np.where(np.arange(weeks) % 2 == 0, 1.0, -1.0)
    told = errors._reel_scatter(extra, np.ones(weeks), np.full(weeks, 100.0**2))
    assert told == pytest.approx(found, abs=1e-6)


@pytest.mark.parametrize(("strip", "variance"), [(39.9, 0.5**2), (40.1, 3.0**2)])
def test_from_forty_kilograms_on_the_scale_for_reels_weighs(strip: float, variance: float) -> None:
    mounts = pd.DataFrame(
        {"supplier": "S", "reel_id": "1", "mounted_at": [NOON], "week": NOON, "press": "P1", "start_kg": 0.0}
        | {"returned_kg": 0.0, "strip_kg": strip, "butt_kg": 0.0, "scrapped_kg": 0.0}
    )
    assert errors._weighing_variance(mounts, Measurement(reel_kg=3.0, butt_kg=0.5)).item() == pytest.approx(
        variance
    )


def test_part_reels_of_old_paper_come_back_for_fourteen_days() -> None:
    day = pd.Timestamp("2025-03-01") + pd.to_timedelta(range(-5, 30), unit="D")
    webs = pd.DataFrame({"material": "N45", "date": day, "area_m2": 1000.0, "week": day, "press": "P1"})
    start = pd.to_datetime(["2024-01-01", "2025-03-01"])
    table = pd.DataFrame({"named": True, "material": "N45", "supplier": "", "from": start})
    for name in ("dated_low", "dated_high", "mixed_from", "mixed_to"):
        table[name] = start
    variance = errors._changing_variance(webs, table.assign(estimate=[48.0, 45.0]))
    unsure = variance[variance > 0].reset_index()["week"]
    assert (unsure.min(), unsure.max()) == (pd.Timestamp("2025-03-01"), pd.Timestamp("2025-03-15"))
    # 1,000 m2 at 3 g/m2 are 3 kg.
    assert variance.max() == pytest.approx(9.0)


# --- changes by week and by day ------------------------------------------------------------------


def stepped(size: float, place: int, weeks: int = 60) -> np.ndarray:
    rng = np.random.default_rng(3)
    return rng.normal(0, 0.1, weeks) + size * (np.arange(weeks) >= place)


def test_a_change_of_level_is_accepted_from_a_statistic_of_twenty_on() -> None:
    week = np.arange(60)
    statistic = {}
    for size in np.arange(0.1, 0.5, 0.01):
        found = level_shifts(stepped(size, 30), np.ones(60), week, limit=5.0)
        accepted = level_shifts(stepped(size, 30), np.ones(60), week)
        if len(found) == 1:
            statistic[found[0].statistic] = len(accepted)
            assert (found[0].statistic >= 20.0) == (len(accepted) == 1)
    # Near enough to the limit on either side for a limit a tenth off to be seen.
    assert max(value for value, count in statistic.items() if not count) > 18.0
    assert min(value for value, count in statistic.items() if count) < 22.0


def test_a_level_lasts_two_weeks() -> None:
    week = np.arange(60)
    assert [shift.place for shift in level_shifts(stepped(5.0, 58), np.ones(60), week)] == [58]
    assert 59 not in [shift.place for shift in level_shifts(stepped(5.0, 59), np.ones(60), week)]


def test_slips_lie_eight_deviations_off_fifteen_neighbours_of_either_side() -> None:
    rng = np.random.default_rng(4)
    level = 5.0 + rng.normal(0, 1, 600)
    # In the row's own median too, so an odd row is a little nearer to its neighbours than it was put.
    level[10:590:10] += rng.uniform(5, 11, 58) * rng.choice([-1, 1], 58)
    apart = np.empty(600)
    for row in range(600):
        sides = [level[max(row - 14, 0) : row + 1], level[row : row + 15]]
        apart[row] = min(abs(level[row] - np.median(side)) if len(side) >= 3 else np.inf for side in sides)
    expected = apart > 8.0 * 1.4826 * np.median(apart[np.isfinite(apart)])
    dates = np.datetime64("2025-01-01") + np.arange(600) * DAY
    found = dating._slips(dates, level)
    assert 10 < expected.sum() < 50
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize(("mixed_level", "last_mixed"), [(3.03, 43), (2.60, 30)])
def test_old_paper_is_about_while_three_days_lie_a_quarter_of_the_change_off(
    mixed_level: float, last_mixed: int
) -> None:
    # 30 days at 10, 15 at a level of between, 85 at 0: the mean after is 15 % of it, a quarter of the change 2.83.
    level = np.concatenate([np.full(30, 10.0), np.full(15, mixed_level), np.zeros(85)])
    days = np.datetime64("2025-01-01") + np.arange(130) * DAY
    change = dating._dated(days, level, np.ones(130))
    assert change is not None
    assert change.day == days[30]
    assert change.mixed_to == days[last_mixed]


def test_old_paper_is_looked_for_within_four_weeks() -> None:
    level = np.concatenate([np.full(60, 10.0), np.full(40, 3.6), np.zeros(200)])
    days = np.datetime64("2025-01-01") + np.arange(300) * DAY
    change = dating._dated(days, level, np.ones(300))
    assert change is not None
    assert change.day == days[60]
    assert change.mixed_to == days[88]


# --- who has a slope of his own ------------------------------------------------------------------


def shared_by(rows: int, second: int, share: float = 1.0) -> WeighedWebs:
    """`rows` rows, of which `second` hold the second supplier's paper with a share."""
    part = np.where(np.arange(rows) < second, share, 0.0)
    shares = pd.DataFrame({"first": 1 - part, "second": part})
    nothing = np.zeros(0, int)
    dates = np.full(rows, np.datetime64("2025-01-01"))
    return WeighedWebs(dates, np.ones(rows), np.ones(rows), np.ones((rows, 1)), shares, nothing, nothing)


@pytest.mark.parametrize(
    ("rows", "second", "share", "large"),
    [
        (400, 24, 1.0, True),
        (400, 23, 1.0, False),
        (1000, 50, 1.0, True),
        (1000, 49, 1.0, False),
        (400, 100, 0.81, True),
        (400, 100, 0.79, False),
    ],
)
def test_a_supplier_has_a_slope_from_24_rows_of_four_fifths_and_a_twentieth_of_all(
    rows: int, second: int, share: float, large: bool
) -> None:
    assert ("second" in regimes._large_suppliers(shared_by(rows, second, share))) == large


def test_the_present_mix_is_that_of_the_last_28_days() -> None:
    rng = np.random.default_rng(6)
    gsm = {"north": [(0, 46.0)], "south": [(0, 44.6)]}
    mix = [(0, {"north": 0.9, "south": 0.1}), (161, {"north": 0.2, "south": 0.8})]
    webs = nights(rng, 28, gsm=gsm, mix=mix)
    fitted = weigh(webs)
    last = webs.date >= webs.date.max() - 28 * DAY
    kg = {name: float((webs.shares[name] * webs.area)[last].sum()) for name in gsm}
    told = {spell.suppliers[0]: share for spell, share in zip(fitted.spells, fitted.mix, strict=True)}
    assert told == pytest.approx({name: part / sum(kg.values()) for name, part in kg.items()})


@pytest.mark.parametrize(("rows", "spells"), [(6, 2), (5, 1)])
def test_a_slope_needs_six_rows(rows: int, spells: int) -> None:
    webs = nights(np.random.default_rng(7), 8)
    begins = webs.date.max() - 2 * DAY
    late = np.flatnonzero(webs.date >= begins)
    assert len(late) == 6
    webs = webs.only(~np.isin(np.arange(len(webs.date)), late[rows:]))
    change = Change(begins, begins, begins, begins, begins)
    assert len(regimes._fit(webs, {(): [change]}).spells) == spells


@pytest.mark.parametrize("others", [(-56, -26), (-30, 0)])
def test_suppliers_are_compared_over_eight_weeks(others: tuple[int, int]) -> None:
    # 30 of the 56 days before are another supplier's, more than half; of 73, or of the last 39, they are not always.
    day = np.arange(-100, 60)
    mine = (day >= others[0]) & (day < others[1])
    shares = pd.DataFrame({"first": 1.0 - mine, "second": 1.0 * mine})
    begins = np.datetime64("2025-06-01")
    webs = shared_by(len(day), 0)
    webs = WeighedWebs(begins + day * DAY, webs.area, webs.net, webs.terms, shares, webs.row, webs.reel)
    change = Change(begins, begins, begins, begins, begins)
    assert regimes._replaced(webs, [change]) == [begins]


@pytest.mark.parametrize(("rows", "why"), [(12, ""), (11, "11 weighed webs; at least 12 are needed")])
def test_a_grammage_needs_twelve_webs(rows: int, why: str) -> None:
    rng = np.random.default_rng(8)
    area = rng.uniform(4000, 16000, rows)
    webs = pd.DataFrame({"run": range(rows), "area_m2": area, "net_kg": 0.045 * area + 5})
    webs["net_kg"] += rng.normal(0, 1, rows)
    webs = webs.assign(breaks=0.0, new_reels=1.0, splices=1.0)
    webs["date"] = pd.date_range("2025-01-01", periods=rows)
    shares = pd.DataFrame({"one": np.ones(rows)})
    told, *_ = _fit_material("N45", webs, shares, np.arange(rows), np.arange(rows), [])
    assert told[0][-1] == why


@pytest.mark.parametrize(("swapped", "terms"), [(1, 2), (3, 3)])
def test_both_ends_of_a_reel_have_one_column_where_they_agree_by_nine_tenths(
    swapped: int, terms: int
) -> None:
    # Two halves of 80 webs; with k of each swapped the correlation is 1 - k / 20: 0.95 and 0.85.
    rng = np.random.default_rng(9)
    new = np.repeat([1.0, 0.0], 40)
    splices = new.copy()
    splices[:swapped], splices[40 : 40 + swapped] = 0.0, 1.0
    assert np.corrcoef(new, splices)[0, 1] == pytest.approx(1 - swapped / 20)
    area = rng.uniform(4000, 16000, 80)
    webs = pd.DataFrame({"run": range(80), "area_m2": area, "breaks": 0.0, "new_reels": new})
    webs = webs.assign(splices=splices, net_kg=0.045 * area + 5 + 8 * new + 4 * splices)
    webs["net_kg"] += rng.normal(0, 1, 80)
    webs["date"] = pd.Timestamp("2025-01-01")
    shares = pd.DataFrame({"one": np.ones(80)})
    told, fitted, _ = _fit_material("N45", webs, shares, np.arange(80), np.arange(80), ["new reel", "splice"])
    # A start beside them; the sum is told either way.
    assert fitted is not None
    assert len(fitted.estimate) - len(fitted.spells) == terms
    assert [row[1] for row in told] == ["grammage", "start", "reel"]


@pytest.mark.parametrize(("chance", "differ"), [(0.0009, True), (0.0011, False)])
def test_suppliers_differ_by_less_than_one_chance_in_a_thousand(chance: float, differ: bool) -> None:
    names = ["north", "south"]
    webs = nights(np.random.default_rng(10), 10, gsm={name: [(0, 45.0)] for name in names}, spread=0.02)
    area = webs.shares["south"].to_numpy() * webs.area

    def moved(by: float) -> WeighedWebs:
        return WeighedWebs(
            webs.date, webs.area, webs.net + by * area, webs.terms, webs.shares, webs.row, webs.reel
        )

    fitted = regimes._fit(webs, {(name,): [] for name in names})
    apart = fitted.estimate[1] - fitted.estimate[0]
    error = np.sqrt(np.array([1, -1]) @ fitted.covariance[:2, :2] @ np.array([1, -1]))
    # What is added to one slope leaves the residuals as they are, so the distance in errors is what is wanted.
    wanted = stats.t.isf(chance / 2, fitted.rows - len(fitted.estimate)) * error
    assert wanted > 0.005 * fitted.estimate[0]
    assert regimes._differ(moved(wanted - apart), [], names) == differ


def test_the_day_of_a_change_is_looked_for_in_eight_weeks_either_side(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    days = []
    date_shift = dating.date_shift

    def seen(level: np.ndarray, information: np.ndarray) -> tuple[int, int, int]:
        days.append(len(level))
        return date_shift(level, information)

    monkeypatch.setattr(dating, "date_shift", seen)
    day = np.arange(7 * 50)
    left = 3.0 * (day >= 175) + np.where(day % 2, 0.1, -0.1)
    # From a Monday on: weeks are those of the calendar.
    (change,) = dating.changes_of(np.datetime64("2024-01-01") + day * DAY, left, np.ones(len(day)), 0.5)
    assert change.day == np.datetime64("2024-01-01") + 175 * DAY
    assert days == [2 * 56]


def test_a_wave_of_a_year_is_no_change_and_hides_none() -> None:
    week = np.arange(156)
    level = 3.0 * np.cos(2 * np.pi * 7 * week / 365.25) + np.random.default_rng(11).normal(0, 0.1, 156)
    assert not level_shifts(level, np.ones(156), week)
    # A sixth of the wave, and five times the scatter: slow movement would swallow it with a wave of another length.
    found = level_shifts(level + 0.5 * (week >= 90), np.ones(156), week)
    assert [shift.place for shift in found] == [90]
