"""Reels against published numbers and general libraries: rates, counts, survival, mixed model, newsvendor."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import integrate, optimize, stats

from pressstats.reels import breaks_per_1000_km, funnel_limits, log_rank, survival
from pressstats.reels.counts import chance_of_dispersion, count_regression
from pressstats.reels.failures import failure_share, least_cost_metres
from pressstats.reels.pooling import pooled_means
from pressstats.reels.rates import rate_ratio, reels_to_tell_apart

# --- rates -------------------------------------------------------------------------------------


def test_a_rate_with_exact_limits():
    # genfan (R package survival): 12 failures in 344,440 h, time-truncated: mean 28,703 h, 95 % 16,432 to 55,550.
    rate, low, high = breaks_per_1000_km(12, 344_440)
    assert 1000 / rate == pytest.approx(28_703, abs=0.5)
    assert 1000 / high == pytest.approx(16_432, abs=1)
    assert 1000 / low == pytest.approx(55_550, abs=1)


def test_the_ratio_of_two_rates_and_its_exact_limits():
    # R documentation of poisson.test: 11 in 800 against 21 in 3011, ratio 1.97149. The limits by another route:
    # Clopper-Pearson limits of the share of the first in all events.
    ratio, low, high = rate_ratio(11, 800, 21, 3011)
    assert ratio == pytest.approx(1.97149, abs=5e-6)
    share = stats.binomtest(11, 32).proportion_ci(method="exact")
    odds = [one / (1 - one) * 3011 / 800 for one in (share.low, share.high)]
    assert (low, high) == pytest.approx(odds, rel=1e-9)
    assert rate_ratio(3, 100, 0, 100)[::2] == (np.inf, np.inf)
    assert rate_ratio(0, 100, 3, 100)[:2] == (0.0, 0.0)
    assert np.isnan(rate_ratio(0, 100, 0, 100)).all()


def test_reels_to_tell_two_suppliers_apart_do():
    # With as many reels as are said to be needed, four of five pairs are told apart.
    rng = np.random.default_rng(4)
    reels = reels_to_tell_apart(0.02, 0.03)
    one, two = rng.poisson(0.02 * reels / 2, 4000), rng.poisson(0.03 * reels / 2, 4000)
    z = np.abs(np.log(one / two)) / np.sqrt(1 / one + 1 / two)
    assert (z > 1.96).mean() == pytest.approx(0.8, abs=0.02)
    # Common practice in paper trials: 1,000 to 10,000 reels (ForestBioFacts, as seen).
    assert 1_000 < reels < 10_000


def test_funnel_limits_leave_out_what_they_say():
    low, high = funnel_limits(0.025, np.array([400.0, 4000.0]), 0.025)
    for place, reels in enumerate((400, 4000)):
        count = stats.poisson(0.025 * reels)
        # Between whole numbers the limits are interpolated: they lie within one count of the quantiles.
        assert count.ppf(0.975) - 1 <= high[place] * reels <= count.ppf(0.975) + 1
        assert count.ppf(0.025) - 1 <= low[place] * reels <= count.ppf(0.025) + 1


# --- counts ------------------------------------------------------------------------------------

# Bissell (1972), Biometrika 59:435: faults in 32 rolls of unequal length.
LENGTH = np.fromstring(
    """551 651 832 375 715 868 271 630 491 372 645 441 895 458 642 492
    543 842 905 542 522 122 657 170 738 371 735 749 495 716 952 417""",
    sep=" ",
)
FAULTS = np.fromstring("6 4 17 9 14 8 5 7 7 7 6 8 28 4 10 4 8 9 23 9 6 1 9 4 9 14 17 10 7 3 9 2", sep=" ")
ROLLS = pd.DataFrame({"constant": 1.0, "length": np.log(LENGTH)})


def test_faults_per_roll_by_poisson_regression():
    fit = count_regression(FAULTS, ROLLS, family="Poisson")
    assert fit.coefficients.tolist() == pytest.approx([-4.1730, 0.99690], abs=5e-5)
    assert (fit.deviance, fit.degrees) == (pytest.approx(64.537, abs=5e-4), 30)
    other = sm.GLM(FAULTS, ROLLS, family=sm.families.Poisson()).fit()
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(other.bse.to_numpy(), rel=1e-6)


def test_faults_per_roll_spread_more_than_chance_and_are_negative_binomial():
    fit = count_regression(FAULTS, ROLLS)
    assert fit.family == "negative binomial"
    assert fit.p_dispersion < 1e-4
    assert fit.shape == pytest.approx(8.667, abs=5e-4)
    assert fit.coefficients.tolist() == pytest.approx([-3.7951, 0.93776], abs=5e-5)
    other = sm.NegativeBinomial(FAULTS, ROLLS).fit(disp=0)
    assert fit.log_likelihood == pytest.approx(other.llf, abs=1e-6)


def test_cells_of_a_cluster_share_one_factor():
    # The likelihood by another route: the gamma factor integrated numerically.
    rng = np.random.default_rng(8)
    cluster = np.repeat(np.arange(40), 3)
    grade = np.tile([0.0, 1.0, 0.0], 40)
    exposure = rng.uniform(50, 150, 120)
    factor = rng.gamma(2, 0.5, 40)[cluster]
    events = rng.poisson(factor * exposure * 0.03 * np.exp(0.4 * grade)).astype(float)
    design = pd.DataFrame({"constant": 1.0, "grade": grade})
    fit = count_regression(events, design, exposure, cluster, family="negative binomial")

    def log_likelihood(constant: float, effect: float, shape: float) -> float:
        total = 0.0
        for one in range(40):
            mine = cluster == one
            mean = exposure[mine] * np.exp(constant + effect * grade[mine])

            def chance(g, mean=mean, mine=mine):
                return (
                    stats.gamma.pdf(g, shape, scale=1 / shape)
                    * stats.poisson.pmf(events[mine], g * mean).prod()
                )

            total += np.log(integrate.quad(chance, 0, 12, limit=200, points=[0.1, 0.5, 1, 2])[0])
        return total

    here = log_likelihood(*fit.coefficients, fit.shape)
    assert here == pytest.approx(fit.log_likelihood, abs=1e-5)
    for step in ((0.05, 0, 1), (-0.05, 0, 1), (0, 0.1, 1), (0, -0.1, 1), (0, 0, 1.2), (0, 0, 0.8)):
        moved = np.array([*fit.coefficients, fit.shape]) + np.array([step[0], step[1], 0.0])
        moved[2] *= step[2]
        assert log_likelihood(*moved) < here


def test_dispersion_is_found_by_chance_as_rarely_as_said():
    rng = np.random.default_rng(2)
    mean = np.full(300, 1.5)
    found = [
        chance_of_dispersion(rng.poisson(mean).astype(float), mean, np.arange(300)) < 0.05
        for _ in range(2000)
    ]
    assert np.mean(found) == pytest.approx(0.05, abs=0.015)


# --- survival ----------------------------------------------------------------------------------

# Gehan (1965), Biometrika 52:203: weeks of remission under 6-MP and under placebo (Freireich et al. 1963).
DRUG = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def test_the_product_limit_curve_of_remissions():
    curve = survival(np.zeros(21), np.array(DRUG), np.array(RELAPSED, bool), origin=False)
    assert curve["length"].tolist() == [6, 7, 10, 13, 16, 22, 23]
    published = [0.85714, 0.80672, 0.75294, 0.69020, 0.62745, 0.53782, 0.44818]
    assert curve["survival"].tolist() == pytest.approx(published, abs=5e-6)


def test_the_log_rank_test_of_remissions():
    length, event = np.array(DRUG + PLACEBO), np.array(RELAPSED + [1] * 21, bool)
    test = log_rank(np.zeros(42), length, event, np.repeat(["drug", "placebo"], 21))
    assert test.statistic == pytest.approx(16.79294, abs=5e-6)
    assert test.degrees == 1
    assert test.p_value == pytest.approx(stats.chi2.sf(16.79294, 1), rel=1e-5)


def test_late_entry_as_a_general_library_counts_it():
    rng = np.random.default_rng(6)
    entered = np.where(rng.random(400) < 0.5, 0.0, rng.uniform(0, 8, 400)).round(1)
    left = (entered + rng.exponential(5, 400) + 0.1).round(1)
    event = rng.random(400) < 0.4
    curve = survival(entered, left, event, origin=False)
    other = sm.SurvfuncRight(left, event.astype(int), entry=entered)
    kept = np.isin(other.surv_times, curve["length"])
    assert curve["at_risk"].to_numpy() == pytest.approx(other.n_risk[kept])
    assert curve["survival"].to_numpy() == pytest.approx(other.surv_prob[kept], abs=1e-12)


# --- mixed model -------------------------------------------------------------------------------

# Dyestuff: Davies (1947), Statistical Methods in Research and Production, as R's lme4 carries it (from memory).
DYESTUFF = {
    "A": [1545, 1440, 1440, 1520, 1580],
    "B": [1540, 1555, 1490, 1560, 1495],
    "C": [1595, 1550, 1605, 1510, 1560],
    "D": [1445, 1440, 1595, 1465, 1545],
    "E": [1595, 1630, 1515, 1635, 1625],
    "F": [1520, 1455, 1450, 1480, 1445],
}


def test_batches_of_dyestuff():
    # lme4's restricted maximum likelihood (from memory): between 1764.05, within 2451.25, mean 1527.5.
    values = np.concatenate(list(DYESTUFF.values())).astype(float)
    found = pooled_means(values, np.repeat(list(DYESTUFF), 5), equal_spread=True)
    assert found.centre == pytest.approx(1527.5, abs=1e-6)
    assert found.between**2 == pytest.approx(1764.05, rel=2e-3)
    assert found.table["spread"].iloc[0] ** 2 == pytest.approx(2451.25, rel=1e-6)
    assert found.table["level"].tolist() == list("ECBADF")


def test_unequal_groups_as_a_general_library_fits_them():
    rng = np.random.default_rng(1)
    sizes = [9, 40, 100, 30, 300, 25, 60]
    group = np.repeat(np.arange(7), sizes)
    values = 12 + rng.normal(0, 1.5, 7)[group] + rng.normal(0, 3, len(group))
    found = pooled_means(values, group, equal_spread=True)
    other = sm.MixedLM(values, np.ones((len(values), 1)), group).fit(reml=True)
    assert found.centre == pytest.approx(other.fe_params[0], abs=2e-3)
    assert found.between == pytest.approx(np.sqrt(other.cov_re[0, 0]), rel=5e-3)
    # Averaged over the spreads that the readings allow, means are drawn a little less than by the likeliest one.
    drawn = found.table.set_index("level")["pooled"]
    for name, effect in other.random_effects.items():
        assert drawn[name] == pytest.approx(other.fe_params[0] + effect.iloc[0], abs=0.15)


# --- the newsvendor in metres ------------------------------------------------------------------


def test_failures_are_the_mean_over_what_single_splices_leave():
    for sure, falls, metres, scatter in ((2, 1.5, 6, 2), (-10, 8, 12, 3), (5, 0.3, 7, 1.5)):

        def chance(left, sure=sure, falls=falls, metres=metres, scatter=scatter):
            return min(1.0, np.exp(-(left - sure) / falls)) * stats.norm.pdf(left, metres, scatter)

        by_hand = integrate.quad(
            chance, metres - 12 * scatter, metres + 12 * scatter, points=[sure], limit=300
        )[0]
        assert float(failure_share(metres, scatter, sure, falls)) == pytest.approx(by_hand, rel=1e-6)


def test_a_sheer_fall_is_the_newsvendors_problem():
    # What a splice needs is N(50, 8), the demand of the newsvendor in Snyder & Shen 2e, example 4.1. A failure has a
    # fixed price, so at the best target the density of the need is the price of a metre over it (derived).
    price, failure = 0.18, 180.0
    level = 50 + 8 * np.sqrt(-2 * np.log(price / failure * 8 * np.sqrt(2 * np.pi)))
    assert stats.norm.pdf(level, 50, 8) == pytest.approx(price / failure)
    assert float(failure_share(level, 8.0, 50.0, 1e-3)) == pytest.approx(
        stats.norm.sf(level, 50, 8), rel=1e-3
    )
    assert least_cost_metres(price, failure, 8.0, 50.0, 1e-3)[0] == pytest.approx(level, abs=0.06)


@pytest.mark.parametrize(("sure", "falls"), [(2.0, 1.0), (-20.0, 6.0), (4.0, 0.4), (-60.0, 12.0)])
def test_the_least_cost_target_is_that_of_a_brute_search(sure, falls):
    price, failure, scatter = 0.037, 400.0, 2.5

    def cost(metres):
        def chance(left):
            return min(1.0, np.exp(-(left - sure) / falls)) * stats.norm.pdf(left, metres, scatter)

        fails = integrate.quad(chance, metres - 9 * scatter, metres + 9 * scatter, points=[sure], limit=200)[
            0
        ]
        return price * metres + failure * fails

    grid = np.arange(0, 150.5, 0.5)
    start = grid[np.argmin([cost(metres) for metres in grid])]
    found = optimize.minimize_scalar(cost, bounds=(max(start - 1, 0), start + 1), method="bounded").x
    best = least_cost_metres(price, failure, scatter, sure, falls)[0]
    assert best == pytest.approx(found, abs=0.11)
    assert cost(best) <= cost(found) * (1 + 1e-4)
