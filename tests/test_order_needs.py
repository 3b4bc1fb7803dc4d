"""Levels that demand exceeds rarely: textbook instances, by the functions that the plan uses.

Where a textbook assumes otherwise than the plan, the check says so: the plan reviews by the week and not all the time,
and what could not be printed is lost and not owed.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy import stats

from pressstats.orders.needs import known_by, level_needed, level_worth, needs_by_order, stock_paths


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
    # By its money's worth, the same: what is left over is held.
    few = spread(stats.norm(50, 8), 2001)
    assert level_worth(few, 0.0, 0.18, 0.70) == pytest.approx(56.6039559, abs=0.015)


def test_reorder_point_and_order_quantity() -> None:
    # Snyder & Shen, example 5.1 (stockpyl: r_q_eil_approximation of example_5_1): holding .225, penalty 7.5, fixed cost
    # 8, demand N(1300, 150) a year, lead time 1/12: r = 213.9704421, Q = 318.5901811, cost 95.4511402 a year. It
    # watches stock all the time and owes what is short, where the plan reviews by the week and gives it up: of the
    # plan's functions the level is checked, within the textbook's own iteration.
    held, short, fixed, yearly = 0.225, 7.5, 8.0, 1300.0
    demand = spread(stats.norm(yearly / 12, 150 / np.sqrt(12)), 400_001)
    quantity = np.sqrt(2 * fixed * yearly / held)
    for _ in range(20):
        reorder = level_needed(demand, 1 - quantity * held / (short * yearly))
        lost = np.maximum(demand - reorder, 0).mean()
        quantity = np.sqrt(2 * yearly * (fixed + short * lost) / held)
    assert reorder == pytest.approx(213.9704421, abs=0.01)
    assert quantity == pytest.approx(318.5901811, abs=0.01)
    cost = held * (reorder - yearly / 12 + quantity / 2) + fixed * yearly / quantity
    assert cost + short * yearly / quantity * lost == pytest.approx(95.4511402, abs=1e-3)
    # By its money's worth, nearly the same quantile: the approximation holds what is used as well.
    few = spread(stats.norm(yearly / 12, 150 / np.sqrt(12)), 3001)
    assert level_worth(few, 0.9, held * quantity / yearly, short) == pytest.approx(213.9704421, abs=0.5)


@pytest.mark.parametrize(
    ("level", "loss"), [(0.0, 0.3989423), (0.3, 0.2667612), (1.2, 0.0561025), (1.645, 0.0208856)]
)
def test_normal_loss(level: float, loss: float) -> None:
    # Standard normal loss function: derived, G(z) = f(z) - z (1 - F(z)).
    assert stats.norm.pdf(level) - level * stats.norm.sf(level) == pytest.approx(loss, abs=1e-7)
    # What is short of a stock of z before an order comes on the second day, all used on the first.
    use = np.column_stack([spread(stats.norm(), 200_001), np.zeros(200_001)])
    _, before = needs_by_order(level, use, np.zeros_like(use), np.tile([1, 2], (len(use), 1)), 0.5)
    assert before.mean() == pytest.approx(loss, abs=2e-6)


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


def test_later_orders_need_the_safety_of_one_review_and_lead_time_only() -> None:
    # Periodic review with order-up-to levels: each order protects review and lead time, L + R = 4 + 1, whatever has
    # happened before it is placed: z s sqrt(L + R) (Silver, Pyke, Peterson, *Inventory Management and Production
    # Planning*, from memory). With nothing learned on the way the n-th would need z s sqrt(L + n).
    rng = np.random.default_rng(5)
    use = rng.normal(50, 8, (100_000, 12))
    none, arrives = np.zeros_like(use), np.tile(np.arange(4, 12), (len(use), 1))
    # One review a period; 300 are on hand, so that nothing runs out before the first order comes.
    known = known_by(300.0, use, none, none[0], arrives[:, 0], np.arange(7))
    assert not known[:, 0].any()
    assert known[:, 6].std() == pytest.approx(8 * np.sqrt(6), rel=0.01)
    z, ends = stats.norm.ppf(0.95), 5 + np.arange(7)
    for learned, periods in ((known, 5), (None, ends)):
        needs, _ = needs_by_order(300.0, use, none, arrives, 0.95, known=learned)
        expected = 50 * ends - 300 + z * 8 * np.sqrt(periods)
        np.testing.assert_allclose(needs[1:], expected[1:], atol=0.5)


def test_poisson_demand_over_a_gamma_lead_time() -> None:
    # 20 a week, lead time gamma of mean 2 and variance .5 weeks: S95 = 68, where a normal approximation says 65.48;
    # derived, demand is negative binomial with mean 40 and variance 40 + 400 x .5.
    mean, variance = 40.0, 40.0 + 400 * 0.5
    exact = stats.nbinom(mean**2 / (variance - mean), mean / variance)
    assert exact.ppf(0.95) == 68
    assert mean + 1.6449 * np.sqrt(variance) == pytest.approx(65.48, abs=0.01)
    rng = np.random.default_rng(2)
    lead = rng.gamma(8.0, 0.25, 60_000) * 10  # in tenths of a week
    steps = np.floor(lead + rng.random(len(lead))).astype(int)
    use = rng.poisson(2.0, (len(steps), 90)).astype(float)
    arrives = np.column_stack([np.zeros_like(steps), steps])
    needs, _ = needs_by_order(0.0, use, np.zeros_like(use), arrives, 0.95)
    assert needs[0] == pytest.approx(68, abs=1)
    assert needs[0] > 66


def test_reorder_level_and_its_cycle_service() -> None:
    # Chopra & Meindl, Supply Chain Management, example 11-4: 250 a week with deviation 150, two weeks, reorder at 600,
    # order 1,000: cycle service .68, expected shortage 43.86, fill rate .96.
    rng = np.random.default_rng(3)
    use = rng.normal(250, 150, (200_000, 2))
    arrives = np.tile([0, 2], (len(use), 1))
    # A week's use may be negative here, so that the end of the two weeks counts.
    wanted = use.sum(axis=1)
    assert (wanted <= 600).mean() == pytest.approx(0.68, abs=0.005)
    assert level_needed(wanted, 0.6813) == pytest.approx(600, abs=3)
    needs, _ = needs_by_order(0.0, np.maximum(use, 0), np.zeros_like(use), arrives, 0.6813)
    assert needs[0] == pytest.approx(600, abs=15)
    # Expected shortage 43.86 in a cycle, so that .96 of the 1,000 of an order are met from stock. The two weeks
    # at once: a week's use below nothing would be lost to the book.
    at_once = np.column_stack([spread(stats.norm(500, 150 * np.sqrt(2)), 200_001), np.zeros(200_001)])
    _, short = needs_by_order(
        600.0, at_once, np.zeros_like(at_once), np.tile([1, 2], (len(at_once), 1)), 0.6813
    )
    assert short.mean() == pytest.approx(43.86, abs=0.01)
    assert 1 - short.mean() / 1000 == pytest.approx(0.96, abs=0.005)


def test_a_level_is_the_smallest_that_covers_the_share() -> None:
    wanted = np.arange(1.0, 101.0)
    for service, level in ((0.5, 50), (0.501, 51), (0.99, 99), (1.0, 100), (0.0, 1)):
        assert level_needed(wanted, service) == level
        assert (wanted <= level).mean() >= service


@pytest.mark.parametrize("service", [0.0, 0.6, 0.99])
@pytest.mark.parametrize(
    ("held", "short", "started", "most"),
    [(3.0, 20.0, 0.0, np.inf), (3.0, 0.0, 500.0, np.inf), (3.0, 20.0, 100.0, 250.0), (3.0, 0.0, 0.0, np.inf)],
)
def test_a_level_worth_its_money_costs_least_of_all_that_cover_the_share(
    service: float, held: float, short: float, started: float, most: float
) -> None:
    rng = np.random.default_rng(4)
    wanted = rng.gamma(4, 10, 300)
    costs = {}
    for level in wanted:
        if (wanted <= level).mean() >= service:
            lost = [min(started + short * (each - level), most) if each > level else 0.0 for each in wanted]
            costs[level] = held * np.mean([max(level - each, 0.0) for each in wanted]) + np.mean(lost)
    assert level_worth(wanted, service, held, short, started, most) == min(costs, key=costs.__getitem__)


def test_a_dearer_shortage_asks_for_more() -> None:
    rng = np.random.default_rng(8)
    use = rng.gamma(4, 25, (2000, 20))
    arrives = np.tile([5, 12], (2000, 1))

    def need(short: float) -> float:
        worth = partial(level_worth, held=1.0, short=short)
        return float(needs_by_order(300.0, use, np.zeros_like(use), arrives, 0.9, worth)[0][0])

    by_service = needs_by_order(300.0, use, np.zeros_like(use), arrives, 0.9)[0][0]
    assert need(0.0) == need(1.0) == by_service  # never less than the service level asks
    assert by_service < need(30.0) < need(1000.0)
    # A unit left costs 1 and a unit short 30: 30 of 31 paths are covered.
    assert (_wanted(use, 300.0) <= need(30.0)).mean() == pytest.approx(30 / 31, abs=1e-3)


def _wanted(use: np.ndarray, stock: float) -> np.ndarray:
    """Return by path what must have come for days 5 to 11 beyond what day 5 starts with."""
    left = np.maximum(stock - use[:, :5].sum(axis=1), 0.0)
    return np.maximum(use[:, 5:12].sum(axis=1) - left, 0.0)


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
    assert (np.diff(needs) >= 0).all()
    assert needs[0] > 0
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
    assert (needs == 0).all()
    assert (before == 0).all()


def test_already_short_before_any_order_can_come() -> None:
    use = np.full((10, 20), 5.0)
    needs, before = needs_by_order(12.0, use, np.zeros_like(use), np.tile([5, 8], (10, 1)), 0.99)
    # Days 0 to 4 want 25, 12 are there; what could not be printed is given up, and from day 5 three days want 15.
    assert (before == 13.0).all()
    assert needs[0] == 15.0
