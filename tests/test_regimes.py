"""Changes in time: grammage by material and supplier, start-up waste by press, and how often none is taken for one."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pressstats.logs import read_logs
from pressstats.paper import (
    date_shift,
    level_shifts,
    unexplained_limits,
    weighed_paper,
)
from pressstats.paper.regimes import SMALLEST_SHARE, WeighedWebs, weigh
from pressstats.paper.shifts import DATING_LIMIT
from pressstats.watch import startup_regimes, waste_chart

TRUE_GSM = 45.4
FIRST = np.datetime64("2024-01-01")


def nights(  # long: one night's steps, in their order
    rng: np.random.Generator,
    weeks: int,
    *,
    gsm: dict[str, list[tuple[int, float]]] | None = None,
    mix: list[tuple[int, dict[str, float]]] | None = None,
    spread: float = 0.005,
    season: float = 0.0,
    unweighed: tuple[float, float] | None = None,
) -> WeighedWebs:
    """Two stands that run reel after reel, night after night; every reading with its error.

    `gsm` holds, by supplier, from which day on its reels weigh what; `mix` from which day on a reel is whose, with
    which chance; `unweighed` what is stripped off a reel and left on a core, where nobody weighs it.
    """
    gsm = gsm or {"one": [(0, TRUE_GSM)]}
    mix = mix or [(0, {name: 1 / len(gsm) for name in gsm})]
    names = list(gsm)
    rows: list[tuple] = []
    links: list[tuple[int, int]] = []
    shares: list[dict[str, float]] = []
    number = -1
    phase = rng.uniform(0, 2 * np.pi)
    for _stand in range(2):
        left = read = 0.0
        weight, supplier = TRUE_GSM, names[0]
        for day in range(7 * weeks):
            area = rng.uniform(4, 16)
            broke = float(rng.random() < 0.1)
            wanted, threaded = area, 6.0 + 4.0 * broke
            used, fresh, ended = 0.0, 0.0, 0.0
            share = dict.fromkeys(names, 0.0)
            while wanted > 0:
                if left <= 0:
                    number += 1
                    chances = next(chance for since, chance in reversed(mix) if day >= since)
                    supplier = str(rng.choice(list(chances), p=list(chances.values())))
                    level = next(value for since, value in reversed(gsm[supplier]) if day >= since)
                    wave = season * np.cos(2 * np.pi * day / 365.25 + phase)
                    weight = level * (1 + rng.normal(0, spread) + wave)
                    left = 900.0
                    read = left + rng.normal(0, 3)
                    fresh += 1
                    if unweighed is not None:
                        left -= unweighed[0] * rng.lognormal(-0.08, 0.4)
                links.append((len(rows), number))
                can = (left - threaded - (unweighed[1] if unweighed else 0.0)) / weight
                part = min(can, wanted)
                share[supplier] += part
                wanted -= part
                if can <= part:
                    used, left, read, ended = used + read, 0.0, 0.0, ended + 1
                else:
                    left -= threaded + part * weight
                    now = left + rng.normal(0, 3)
                    used, read = used + read - now, now
                threaded = 0.0
            rows.append((FIRST + day, area * (1 + rng.normal(0, 0.001)), used, broke, fresh, ended))
            shares.append({name: value / area for name, value in share.items()})
    date, area_read, net, breaks, fresh_reels, splices = (
        np.array(column) for column in zip(*rows, strict=True)
    )
    terms = [np.ones(len(rows)), breaks]
    if unweighed is not None:
        terms += [fresh_reels, splices]
    row, reel = (np.array(column) for column in zip(*links, strict=True))
    return WeighedWebs(
        date.astype("datetime64[D]"), area_read, net, np.column_stack(terms), pd.DataFrame(shares), row, reel
    )


def test_a_change_eight_weeks_ago_is_dated_and_the_present_is_published() -> None:
    rng = np.random.default_rng(5)
    began = 7 * 52 - 56
    fitted = weigh(nights(rng, 52, gsm={"one": [(0, 48.97), (began, 45.15)]}))
    before, now = fitted.spells
    assert before.ends is now.begins is not None
    assert now.begins.low <= FIRST + began + 7
    assert abs(now.begins.day - FIRST - began) <= np.timedelta64(7, "D")
    _, error, low, high = fitted.present()
    assert low <= 45.15 <= high
    # Eight weeks of two stands: wider than the year before, by the root of the number of reels.
    assert 0.01 < error < 0.1
    assert fitted.term(0)[2] <= 48.97 <= fitted.term(0)[3]


@pytest.mark.parametrize("weeks_ago", [3, 20, 44])
def test_present_interval_holds_the_truth_and_would_not_if_it_were_narrower(weeks_ago: int) -> None:
    """95 % intervals of the present grammage after a change; seven tenths of them hold too few."""
    rng = np.random.default_rng(100 + weeks_ago)
    plants, held, narrow, found = 60, 0, 0, 0
    for _ in range(plants):
        after = TRUE_GSM * rng.choice([0.94, 0.97, 1.03, 1.06])
        began = 7 * (52 - weeks_ago)
        fitted = weigh(nights(rng, 52, gsm={"one": [(0, TRUE_GSM), (began, after)]}))
        found += len(fitted.spells) == 2
        value, _, low, high = fitted.present()
        held += low <= after <= high
        narrow += abs(value - after) <= 0.7 * (high - value)
    assert found >= 0.95 * plants
    # 60 plants: 95 % less and more two standard errors, rounded outwards.
    assert 0.88 * plants <= held
    assert narrow < 0.92 * plants


def test_quiet_paper_raises_no_alarm() -> None:
    """Reels that differ by half a percent and moisture that swings by as much with the season are no change."""
    rng = np.random.default_rng(8)
    found = [
        len(weigh(nights(rng, 104, season=season)).spells) - 1 for season in (0.0, 0.005) for _ in range(15)
    ]
    # 60 material-years; the bench runs thousands.
    assert sum(found) <= 1


def test_a_change_below_half_a_percent_is_not_named_and_one_above_is() -> None:
    assert SMALLEST_SHARE == 0.005
    found = {}
    for size in (0.004, 0.007):
        rng = np.random.default_rng(14)
        gsm = {"one": [(0, TRUE_GSM), (180, (1 + size) * TRUE_GSM)]}
        # Reels so alike that either would be seen.
        found[size] = len(weigh(nights(rng, 52, gsm=gsm, spread=0.001)).spells)
    assert found == {0.004: 1, 0.007: 2}


def test_unexplained_paper_of_the_invented_plant_scatters_as_its_errors_say() -> None:
    logs = read_logs(Path(__file__).resolve().parents[1] / "data_demo")
    weighed = weighed_paper(logs)
    z = unexplained_limits(logs, weighed.webs, weighed.runs, weighed.weights)["z"].dropna()
    # 5 % of some 300 weeks of a press, and three standard errors.
    assert 0.015 <= (z.abs() > 2).mean() <= 0.085
    assert 0.9 <= z.std() <= 1.15


def test_a_change_of_one_supplier_is_its_own() -> None:
    rng = np.random.default_rng(9)
    gsm = {"north": [(0, TRUE_GSM), (250, 0.97 * TRUE_GSM)], "south": [(0, TRUE_GSM)]}
    fitted = weigh(nights(rng, 52, gsm=gsm))
    assert sorted(spell.suppliers for spell in fitted.spells) == [("north",), ("north",), ("south",)]
    for number, spell in enumerate(fitted.spells):
        truth = TRUE_GSM * (0.97 if spell.begins is not None else 1.0)
        assert fitted.term(number)[2] - 0.05 <= truth <= fitted.term(number)[3] + 0.05


def test_another_mix_of_suppliers_is_no_change() -> None:
    rng = np.random.default_rng(10)
    gsm = {"north": [(0, 46.0)], "south": [(0, 44.6)]}
    mix = [(0, {"north": 0.85, "south": 0.15}), (200, {"north": 0.15, "south": 0.85})]
    fitted = weigh(nights(rng, 52, gsm=gsm, mix=mix))
    assert all(spell.begins is None and spell.ends is None for spell in fitted.spells)
    assert {spell.suppliers for spell in fitted.spells} == {("north",), ("south",)}
    assert fitted.present()[0] == pytest.approx(0.15 * 46.0 + 0.85 * 44.6, abs=0.15)


def test_what_a_reel_loses_unweighed_has_an_interval_that_holds_the_truth() -> None:
    rng = np.random.default_rng(11)
    plants, held = 60, np.zeros(2)
    strip, butt = 14.0, 1.5
    for _ in range(plants):
        webs = nights(rng, 40, unweighed=(strip, butt))
        # A reel is spliced to the next in one run: what is lost at either end has one column.
        together = np.column_stack([webs.terms[:, :2], webs.terms[:, 2:].mean(axis=1)])
        fitted = weigh(replace(webs, terms=together))
        # lognormal(-.08, .4) has the mean 1.
        for place, (number, truth) in enumerate([(0, TRUE_GSM), (len(fitted.spells) + 2, strip + butt)]):
            low, high = fitted.term(number)[2:]
            held[place] += low <= truth <= high
    # 95 % less two and a half standard errors of 60 plants.
    assert (held >= 0.88 * plants).all(), held


def test_dating_interval_holds_the_day() -> None:
    """Hansen's limit for the likelihood ratio of a place: 95 % of intervals hold it."""
    rng = np.random.default_rng(12)
    held = []
    for _ in range(300):
        n, true = 60, int(rng.integers(15, 45))
        level = rng.normal(0, 1, n) + 1.5 * (np.arange(n) >= true)
        _, low, high = date_shift(level, np.ones(n))
        held.append(low <= true <= high)
    assert np.mean(held) >= 0.93
    # The square of 1 - exp(-c / 2) is 95 %.
    assert (1 - np.exp(-DATING_LIMIT / 2)) ** 2 == pytest.approx(0.95, abs=1e-4)


def test_slow_movement_alone_is_no_step_but_a_step_on_it_is() -> None:
    rng = np.random.default_rng(13)
    alarms, hits = 0, 0
    week = np.arange(104)
    for _ in range(40):
        slow = np.zeros(104)
        for n in range(1, 104):
            slow[n] = 0.9 * slow[n - 1] + rng.normal(0, 0.1)
        level = slow + rng.normal(0, 0.2, 104)
        alarms += len(level_shifts(level, np.ones(104), week)) > 0
        hits += any(
            abs(s.place - 60) <= 2 for s in level_shifts(level + 2.0 * (week >= 60), np.ones(104), week)
        )
    assert alarms <= 3
    assert hits >= 36


@pytest.mark.parametrize("weeks", [40, 120])
def test_likelihood_ratio_is_that_of_a_general_library(weeks: int) -> None:
    """The GLS of statsmodels, given every covariance in full: three shares of slow movement by three half-lives."""
    rng = np.random.default_rng(14)
    week = np.cumsum(rng.integers(1, 4, weeks))
    information = rng.uniform(1, 5, weeks)
    step = np.arange(weeks) >= weeks // 2
    level = rng.normal(0, 1, weeks) / np.sqrt(information) + 3.0 * step
    base = np.ones((weeks, 1))
    if week[-1] - week[0] > 52.18:
        turn = 2 * np.pi * week / 52.18
        base = np.column_stack([base, np.cos(turn), np.sin(turn)])
    scatter = np.diag(information.mean() / information)
    apart = np.abs(week[:, None] - week[None, :])
    covariances = [scatter]
    covariances += [scatter + share * 0.5 ** (apart / half) for share in (0.25, 1, 4) for half in (2, 8, 52)]

    def likelihood(design: np.ndarray) -> float:
        return max(sm.GLS(level, design, sigma=covariance).fit().llf for covariance in covariances)

    [found] = level_shifts(level, information, week)
    with_step = np.column_stack([base, np.arange(weeks) >= found.place])
    assert found.statistic == pytest.approx(2 * (likelihood(with_step) - likelihood(base)), rel=1e-9)


def test_changes_of_a_century_are_looked_for_without_a_square_of_its_weeks() -> None:
    weeks = 5200
    level = np.random.default_rng(15).normal(0, 1, weeks) + 0.5 * (np.arange(weeks) >= 3000)
    tracemalloc.start()
    try:
        [found] = level_shifts(level, np.ones(weeks), np.arange(weeks))
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert abs(found.place - 3000) <= 50
    assert most < 8 * weeks**2 / 10  # one square of numbers would take ten times that


def runs_with_step(weeks: int, step_week: int, step: float, seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    day = pd.date_range("2024-01-01", periods=7 * weeks, freq="D")
    parts = []
    for press, size in (("P1", 0.0), ("P2", step)):
        for title, usual in (("Daily", 14.0), ("Weekly", 20.0)):
            value = usual + size * (np.arange(len(day)) >= 7 * step_week) + rng.normal(0, 3, len(day))
            parts.append(
                pd.DataFrame({"title": title, "press": press, "date": day, "starts": 4.0}).assign(
                    week=day - pd.to_timedelta(day.day_of_week, unit="D"),
                    startup_kg=4.0 * np.maximum(value, 1.0),
                    good_kg=2000.0,
                    running_kg=20.0 + rng.normal(0, 3, len(day)),
                    uncounted_kg=3.0,
                    copy_m2=2.0,
                )
            )
    return pd.concat(parts, ignore_index=True)


@pytest.mark.parametrize("step_week", [12, 60, 96])
def test_startup_waste_that_rose_at_any_time_is_dated_with_its_cost(step_week: int) -> None:
    runs = runs_with_step(104, step_week, 4.0, step_week)
    found = startup_regimes(runs, 0.5)
    assert (found["subject"] == "P1").sum() == 1
    rows = found[found["subject"] == "P2"]
    assert len(rows) == 2
    now = rows.iloc[1]
    began = pd.Timestamp("2024-01-01") + pd.Timedelta(weeks=step_week)
    assert now["dated_low"] <= began <= now["dated_high"]
    assert now["ci_low"] <= 21.0 <= now["ci_high"]
    starts = 2 * 4.0 * 7 * (104 - step_week)
    assert now["cost_since"] == pytest.approx(0.5 * 4.0 * starts, rel=0.15)
    assert np.isnan(rows["cost_since"].iloc[0])


def test_a_known_change_raises_no_further_signal_and_a_new_one_does() -> None:
    runs = runs_with_step(104, 70, 4.0, 3)
    judged = waste_chart(runs, startup_regimes(runs, 0.5))
    mine = judged[(judged["press"] == "P2") & (judged["measure"] == "startup")]
    assert (mine["signal"] == "").mean() > 0.97
    later = runs["date"] >= runs["date"].max() - pd.Timedelta(weeks=6)
    again = runs.assign(
        startup_kg=runs["startup_kg"].where(~later | (runs["press"] == "P1"), runs["startup_kg"] * 1.4)
    )
    judged = waste_chart(again, startup_regimes(runs, 0.5))
    mine = judged[(judged["press"] == "P2") & (judged["measure"] == "startup")]
    assert (mine["signal"].tail(4) == "high").all()
