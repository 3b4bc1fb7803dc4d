"""What is worth bringing by other means: when a rush costs less than the nights that it saves, and what is seen."""

from __future__ import annotations

from itertools import product
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from order_plans import DAY, USE, cases_of, on_order, plan_of, plant

from pressstats.orders import LeadTimes, rushing
from pressstats.orders.leadtimes import arrivals, receipt_days
from pressstats.orders.rushing import foreseen, next_look, rush_serves_from, worth_rushing
from pressstats.orders.shortages import _of_its_own, shortage_rates
from pressstats.plant import Policy

if TYPE_CHECKING:
    from pressstats.orders.scenarios import Scenarios

#: Days from a Sunday on: what is rushed on Monday comes on Thursday, what is rushed on Wednesday or Thursday on Monday.
RECEIVES = np.array([0, 1, 2, 3, 4, 7, 7, 7, 8, 9, 10, 11, 14, 14, 14])


def test_a_rush_serves_the_issue_after_the_next_day_that_receives() -> None:
    assert [rush_serves_from(RECEIVES, day) for day in range(5)] == [4, 5, 8, 8, 8]


def test_it_is_asked_again_at_the_next_review_or_on_the_next_working_day() -> None:
    assert next_look(Policy(), RECEIVES, 7) == 7
    daily = Policy(looked_at="daily")
    assert next_look(daily, RECEIVES, 7) == 1
    assert next_look(daily, RECEIVES[4:] - 4, 7) == 3
    assert next_look(daily, RECEIVES[4:] - 4, 2) == 2


def _cases(tmp_path: Path, stock: float, spread: float) -> Scenarios:
    """Return scenarios of one width that nothing of the plan can help within a fortnight."""
    return cases_of(plant(tmp_path), {"N1200": 2400.0}, {"N1200": stock}, spread=spread, draws=500)


@pytest.mark.parametrize(("stock", "spread"), [(22_000.0, 0.1), (24_000.0, 0.2), (30_000.0, 0.15)])
def test_what_is_rushed_costs_least_of_all_packs(tmp_path: Path, stock: float, spread: float) -> None:
    scenarios = _cases(tmp_path, stock, spread)
    soonest, until = rush_serves_from(scenarios.receives, 0), rush_serves_from(scenarios.receives, 7)
    for cost, rate in product((0, 2_000, 50_000), (0, 150, 5_000)):
        policy = Policy(stockout_cost=cost, expedite_cost_per_t=rate)
        found = worth_rushing(scenarios, policy, 7)
        totals = []
        for packs in range(25):
            nights = 0
            for use in scenarios.use[0]:
                level = stock
                for day in range(until):
                    level += 970.0 * packs if day == soonest else 0.0
                    level -= use[day]
                    nights += level < -1e-6 and day >= soonest
                    level = max(level, 0.0)
            # A night that cannot be printed counts for more than its cost.
            rush = 600 + rate / 1000 * 970.0 * packs if packs else 0.0
            totals.append(rush + 1.5 * cost * nights / len(scenarios.use[0]))
        assert totals[round(found[0] / 970.0)] == pytest.approx(min(totals))
        assert cost > 0 or found[0] == 0


def test_a_chance_that_costs_less_than_a_rush_is_left(tmp_path: Path) -> None:
    # One case of five hundred lacks a night's paper: 150 of one and a half times 50,000, where a rush takes 600.
    scenarios = _cases(tmp_path, 60_000.0, 0.0)
    scenarios.use[0][:, :] = 100.0
    scenarios.use[0][0, 8] = 80_000.0
    assert worth_rushing(scenarios, Policy(), 7).tolist() == [0.0]
    assert worth_rushing(scenarios, Policy(stockout_cost=5_000_000), 7)[0] >= 20_000.0


def test_what_only_the_next_look_can_help_waits_for_it(tmp_path: Path) -> None:
    # It runs out on the eleventh day.
    scenarios = _cases(tmp_path, 24_000.0, 0.0)
    assert worth_rushing(scenarios, Policy(), 1).tolist() == [0.0]
    assert worth_rushing(scenarios, Policy(), 8)[0] > 0


def test_a_drift_is_seen_coming_and_the_use_of_the_last_days_is_not(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    orders = np.zeros(13)
    orders[0] = 100_000.0
    rng = np.random.default_rng(3)
    policy = Policy()
    for name in ("drift", "sudden"):
        scenarios = cases_of(logs, {"N1200": 2400.0}, {"N1200": 60_000.0}, spread=0.0, draws=2000)
        if name == "drift":
            # Some scenarios use more than others, every day: it is known long before they run out.
            scenarios.use[0] *= rng.choice([1.0, 1.4], (2000, 1), p=[0.9, 0.1])
        else:
            # One case of a hundred loses a store full on a day, and nobody sees that before.
            scenarios.use[0][np.arange(20), 20 + np.arange(20)] += 300_000.0
        left = scenarios.stock(0, orders, 56)
        short = (left < -1e-6) & (np.arange(56) >= 17)
        seen, _ = foreseen(scenarios, 0, orders, left, policy)
        part = (short & seen).sum() / short.sum()
        first = np.argmax(short, axis=1)[short.any(axis=1)]
        if name == "drift":
            assert part > 0.75
        else:
            told = seen[np.flatnonzero(short.any(axis=1)), first]
            assert told.mean() < 0.2


def test_a_truck_that_has_been_waited_for_is_seen_missing(tmp_path: Path) -> None:
    # A load lasts a fortnight. Most are up to three days late, those of twelve scenarios of two thousand a fortnight.
    scenarios = cases_of(plant(tmp_path), {"N1200": 2400.0}, {"N1200": 50_000.0}, spread=0.05, draws=2000)
    rng = np.random.default_rng(3)
    orders = np.where(np.arange(13) % 2 == 0, 14 * 2400.0, 0.0)
    orders[0] += 3000.0
    missing = 2 * rng.integers(1, 4, 12)
    late = scenarios.arrives[0]
    late += (rng.random(late.shape) < 0.6) * rng.integers(1, 4, late.shape)
    late[np.arange(12), missing] += 14
    left = scenarios.stock(0, orders, 84)
    seen, _ = foreseen(scenarios, 0, orders, left, Policy(looked_at="daily"))
    since = np.arange(84) - scenarios.planned[0].due[missing][:, None]
    short = left < -1e-6
    # What a look on the first days would have had to help is not: the truck may still come tomorrow.
    soon, long = (short[:12] & (since >= first) & (since < last) for first, last in ((4, 7), (8, 14)))
    assert soon.any()
    assert (seen[:12] & soon).sum() < 0.3 * soon.sum()
    assert (seen[:12] & long).sum() > 0.9 * long.sum() > 50
    # Few rushes are for nothing.
    assert seen[12:].mean() < 0.02


def test_days_that_a_truck_has_been_missing_tell_more_than_what_it_brings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A load a week, up to three days late; those of twenty scenarios come three weeks late, while the next are overdue.
    scenarios = cases_of(plant(tmp_path), {"N1200": 2400.0}, {"N1200": 56_000.0}, spread=0.02, draws=2000)
    rng = np.random.default_rng(3)
    orders = np.full(13, 7 * 2400.0)
    missing = rng.integers(1, 5, 20)
    late = scenarios.arrives[0]
    late += (rng.random(late.shape) < 0.6) * rng.integers(1, 4, late.shape)
    late[np.arange(20), missing] += 21
    left = scenarios.stock(0, orders, 84)
    since = np.arange(84) - scenarios.planned[0].due[missing][:, None]
    nights = (left[:20] < -1e-6) & (since >= 8) & (since < 21)
    policy = Policy(looked_at="daily")
    known, _ = foreseen(scenarios, 0, orders, left, policy)
    # What has been overdue since this morning stands twice instead.
    monkeypatch.setattr(rushing, "_LONG", 0)
    unknown, _ = foreseen(scenarios, 0, orders, left, policy)
    assert nights.sum() > 20
    assert (known[:20] & nights).sum() > 0.85 * nights.sum() > (unknown[:20] & nights).sum() + 2
    assert known[20:].mean() <= unknown[20:].mean() + 0.001


def test_emergency_supply_is_counted_as_often_as_it_is_brought(tmp_path: Path) -> None:
    # A load a fortnight. Of one order 100 scenarios' trucks are nine days late, those of 20 others three weeks: after
    # four days nobody can tell these from those, and the nights of the few are worth a rush to all.
    scenarios = cases_of(plant(tmp_path), {"N1200": 2400.0}, {"N1200": 66_000.0}, spread=0.02, draws=2000)
    orders = np.where(np.arange(13) % 2 == 0, 14 * 2400.0, 0.0)
    late = scenarios.arrives[0]
    late[:100, 4] += 9
    late[100:120, 4] += 21
    left = scenarios.stock(0, orders, 91)
    short = (left < -1e-6).any(axis=1)
    assert not short[:100].any()
    assert short[100:120].all()
    assert not short[120:].any()
    policy = Policy(looked_at="daily")
    _, rushed = foreseen(scenarios, 0, orders, left, policy)
    brought = rushed.any(axis=1)
    assert brought[:120].mean() > 0.9
    assert brought[120:].mean() < 0.01
    rates = shortage_rates(scenarios, orders[None], policy)
    weeks = rates.after.sum()
    # As a share of the weeks that the plan decides: six times as often as something would have run out.
    assert weeks * rates.mean_rushed[0] > 5 * weeks * rates.mean[0] - 1e-12
    assert weeks * rates.mean_rushed[0] == pytest.approx(rates.rushed[0][rates.after[0]].sum())
    # Without a policy nobody rushes.
    assert not shortage_rates(scenarios, orders[None]).rushed.any()


def test_a_rush_of_two_that_stand_in_for_each_other_is_counted_once() -> None:
    own, other = np.array([[True, True, False, False]]), np.array([[True, False, True, False]])
    planned = [SimpleNamespace(stand_in=(1, 1.0)), SimpleNamespace(stand_in=None)]
    rushes = {0: own, 1: other}
    told = [_of_its_own(planned, rushes, place, rushes[place]).tolist() for place in (0, 1)]  # type: ignore[arg-type]
    # What the other stands in for is no rush, and what both lack is one.
    assert told == [[[True, False, False, False]], [[False, False, True, False]]]


def test_a_night_that_costs_nothing_is_never_rushed_for(tmp_path: Path) -> None:
    scenarios = _cases(tmp_path, 24_000.0, 0.1)
    orders = np.zeros(13)
    left = scenarios.stock(0, orders, 42)
    assert (left < 0).any()
    assert not np.any(foreseen(scenarios, 0, orders, left, Policy(stockout_cost=0)))


def test_a_truck_that_does_not_come_is_worth_a_rush_once_nobody_knows_when_it_will(tmp_path: Path) -> None:
    # Twenty days of paper are on a truck that is a week late, where none was ever late; four days are there.
    logs = plant(tmp_path, '\n[policy]\nlooked_at = "daily"\n')
    overdue = on_order(("N1200", 20 * USE["N1200"], logs.as_of - 7 * DAY))
    late = plan_of(logs, use={"N1200": 2400.0}, stock={"N1200": 10_000.0}, open_rows=overdue, spread=0.0)
    on_its_day = on_order(("N1200", 20 * USE["N1200"], logs.as_of + 2 * DAY))
    due = plan_of(logs, use={"N1200": 2400.0}, stock={"N1200": 10_000.0}, open_rows=on_its_day, spread=0.0)
    assert due.service["at_once"].tolist() == [0.0]
    service = late.service.iloc[0]
    assert 0 < service["at_once"] <= service["expedite"]
    assert service["cause"] == "before any order"


def test_a_rush_that_is_worth_its_money_is_told_although_the_level_holds(tmp_path: Path) -> None:
    # One week in three may be short, and a night is dear.
    toml = "\n[policy]\nservice_level = 0.65\nstockout_cost = 5000000\n"
    plan = plan_of(plant(tmp_path, toml), {"N1200": 2400.0}, {"N1200": 20_500.0}, spread=0.05)
    service = plan.service.iloc[0]
    assert service["at_once"] > 0
    assert service["expedite"] >= service["at_once"]
    assert service["cause"]
    assert service["short_on"] >= plan.published["order_on"].min() - 7 * DAY
    assert 0 < service["chance"] <= 1


def test_days_on_which_nothing_is_received_make_no_truck_late(tmp_path: Path) -> None:
    # Promised for Saturday, looked at on Sunday: no day that receives has passed, and it comes on Monday, for the
    # issue of Tuesday, as all did that came on their day.
    logs = plant(tmp_path, without=("deliveries",))
    assert logs.as_of.day_name() == "Sunday"
    orders = on_order(("N1200", 1000.0, logs.as_of - DAY), ("N600", 1000.0, logs.as_of - 2 * DAY))
    days = pd.date_range(logs.as_of + DAY, periods=60, unit="us")
    rng = np.random.default_rng(1)
    wide, narrow = arrivals(
        LeadTimes(logs), orders, days, receipt_days(logs, days), ["N1200", "N600"], 400, rng
    )
    assert (wide[:, 1] == 1000.0).all()
    # Promised for Friday it is late, as none ever was.
    assert 0 < (narrow[:, 1] == 1000.0).mean() < 1
