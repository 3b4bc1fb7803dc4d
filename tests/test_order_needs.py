"""Levels that demand exceeds rarely: textbook instances, by the functions that the plan uses."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pressstats.orders.needs import level_needed, level_worth, needs_by_order, stock_paths


def spread(distribution: stats.rv_continuous, count: int = 20_001) -> np.ndarray:
    """Return equally likely values that stand for a distribution."""
    return np.asarray(distribution.ppf((np.arange(count) + 0.5) / count))


def test_newsvendor() -> None:
    # Snyder & Shen, Fundamentals of Supply Chain Theory, 2nd edition, example 4.1 (stockpyl: example_4_1):
    # N(50, 8), holding .18, penalty .70: S = 56.6039559, cost 1.9976052.
    demand = spread(stats.norm(50, 8))
    level = level_needed(demand, 0.70 / (0.70 + 0.18))
    assert level == pytest.approx(56.6039559, abs=2e-3)
    cost = 0.18 * np.maximum(level - demand, 0).mean() + 0.70 * np.maximum(demand - level, 0).mean()
    assert cost == pytest.approx(1.9976052, abs=1e-3)


def test_base_stock_with_a_lead_time_of_four_periods() -> None:
    # Snyder & Shen, example 4.4: demand N(50, 8) a period, lead time 4: S = 264.7668944. What is ordered now comes
    # after four periods and lasts until the next order has come, one period later; 260 are on hand.
    rng = np.random.default_rng(1)
    use = rng.normal(50, 8, (200_000, 8))
    arrives = np.tile([4, 5], (len(use), 1))
    needs, before = needs_by_order(260.0, use, np.zeros_like(use), arrives, 0.70 / 0.88)
    assert 260 + needs[0] == pytest.approx(264.7668944, abs=0.25)
    # 200 +- 16 are used before it comes.
    assert (before > 0).mean() < 1e-3


def test_poisson_demand_over_a_gamma_lead_time() -> None:
    # 20 a week, lead time gamma of mean 2 and variance .5 weeks: S95 = 68, where a normal approximation says 65.48;
    # derived, demand is negative binomial with mean 40 and variance 40 + 400 x .5.
    mean, variance = 40.0, 40.0 + 400 * 0.5
    exact = stats.nbinom(mean**2 / (variance - mean), mean / variance)
    assert exact.ppf(0.95) == 68 and mean + 1.6449 * np.sqrt(variance) == pytest.approx(65.48, abs=0.01)
    rng = np.random.default_rng(2)
    lead = rng.gamma(8.0, 0.25, 60_000) * 10  # in tenths of a week
    steps = np.floor(lead + rng.random(len(lead))).astype(int)
    use = rng.poisson(2.0, (len(steps), 90)).astype(float)
    arrives = np.column_stack([np.zeros_like(steps), steps])
    needs, _ = needs_by_order(0.0, use, np.zeros_like(use), arrives, 0.95)
    assert needs[0] == pytest.approx(68, abs=1)
    assert needs[0] > 66


def test_reorder_level_and_its_cycle_service() -> None:
    # Chopra & Meindl, Supply Chain Management, example 11-4: 250 a week with deviation 150, two weeks, reorder at 600:
    # cycle service .68.
    rng = np.random.default_rng(3)
    use = rng.normal(250, 150, (200_000, 2))
    arrives = np.tile([0, 2], (len(use), 1))
    # A week's use may be negative here, so that the end of the two weeks counts.
    wanted = use.sum(axis=1)
    assert (wanted <= 600).mean() == pytest.approx(0.68, abs=0.005)
    assert level_needed(wanted, 0.6813) == pytest.approx(600, abs=3)
    needs, _ = needs_by_order(0.0, np.maximum(use, 0), np.zeros_like(use), arrives, 0.6813)
    assert needs[0] == pytest.approx(600, abs=15)


def test_a_level_is_the_smallest_that_covers_the_share() -> None:
    wanted = np.arange(1.0, 101.0)
    for service, level in ((0.5, 50), (0.501, 51), (0.99, 99), (1.0, 100), (0.0, 1)):
        assert level_needed(wanted, service) == level
        assert (wanted <= level).mean() >= service
    # By its money's worth, against all levels: one unit more costs 3, a path short 500.
    rng = np.random.default_rng(4)
    wanted = rng.gamma(4, 10, 300)
    costs = [3.0 * level + 500 * (wanted > level).mean() for level in wanted]
    best = wanted[int(np.argmin(costs))]
    assert level_worth(wanted, 0.0, 3.0, 500.0) == best
    assert level_worth(wanted, 0.99, 3.0, 500.0) == max(level_needed(wanted, 0.99), best)
    assert level_worth(wanted, 0.9, 3.0, 0.0) == level_needed(wanted, 0.9)


def test_shortage_is_not_owed_later() -> None:
    rng = np.random.default_rng(5)
    use, come = rng.integers(0, 9, (50, 30)).astype(float), rng.integers(0, 8, (50, 30)).astype(float)
    found = stock_paths(5.0, use, come)
    for path in range(50):
        level = 5.0
        for day in range(30):
            level = level + come[path, day] - use[path, day]
            assert found[path, day] == pytest.approx(level)
            level = max(level, 0.0)


def test_what_is_needed_holds_the_level_on_fresh_paths() -> None:
    rng = np.random.default_rng(6)

    def drawn(count: int) -> tuple[np.ndarray, np.ndarray]:
        use = rng.gamma(4, 25, (count, 60))
        due = np.array([10, 17, 24, 31, 38])
        return use, np.maximum(due + rng.integers(-1, 4, (count, 5)), 1)

    use, arrives = drawn(4000)
    needs, _ = needs_by_order(1600.0, use, np.zeros_like(use), arrives, 0.98)
    assert (np.diff(needs) >= 0).all() and needs[0] > 0
    use, arrives = drawn(5000)
    come = np.zeros_like(use)
    for order, quantity in enumerate(np.diff(needs, prepend=0.0)):
        come[np.arange(5000), arrives[:, order]] += quantity
    left = stock_paths(1600.0, use, come)
    for order in range(4):
        day = np.arange(60)
        window = (day >= arrives[:, order, None]) & (day < arrives[:, order + 1, None])
        short = ((left < 0) & window).any(axis=1).mean()
        assert short <= 0.02 + 3 * np.sqrt(0.02 * 0.98 / 5000)
        assert short >= 0.005  # and not by holding far too much


def test_no_use_needs_nothing() -> None:
    use = np.zeros((10, 20))
    needs, before = needs_by_order(0.0, use, use, np.tile([3, 6, 9], (10, 1)), 0.99)
    assert (needs == 0).all() and (before == 0).all()


def test_already_short_before_any_order_can_come() -> None:
    use = np.full((10, 20), 5.0)
    needs, before = needs_by_order(12.0, use, np.zeros_like(use), np.tile([5, 8], (10, 1)), 0.99)
    # Days 0 to 4 want 25, 12 are there; what could not be printed is given up, and from day 5 three days want 15.
    assert (before == 13.0).all()
    assert needs[0] == 15.0
