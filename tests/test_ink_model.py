"""Film weight, start-up and standing against dense least squares of another library, and over simulated inks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from ink_simulation import Habits, simulate_ink, use_by_interval
from scipy import linalg, optimize, stats

from pressstats.ink import TERMS, expected_use, ink_model, judge_inks, predict_use, surprises
from pressstats.ink.banded import BandedFit, fit_banded, restricted_likelihood
from pressstats.ink.model import dip_pattern, fit_ink, inflation, ink_design, scatter_weight
from pressstats.ink.variances import half_width, variance_spread

Problem = tuple[np.ndarray, np.ndarray, tuple[np.ndarray, np.ndarray], np.ndarray]


def problem(seed: int = 1, gaps: bool = True, habits: Habits | None = None) -> Problem:
    """Design, use, pattern of dips and scatter of a simulated ink; with `gaps`, some dips are not shared."""
    rows, _ = simulate_ink(np.random.default_rng(seed), habits or Habits(days=120))
    if gaps:
        rows = rows.drop(index=[10, 11, 40, 77]).reset_index(drop=True)
    scatter = scatter_weight(rows, Habits().terms)
    return ink_design(rows), rows["used_kg"].to_numpy(), dip_pattern(rows), scatter


def dense(fit: BandedFit, dip: tuple[np.ndarray, np.ndarray], scatter: np.ndarray) -> np.ndarray:
    """The covariance of the intervals, written out."""
    pattern = np.diag(dip[0]) + np.diag(dip[1], 1) + np.diag(dip[1], -1)
    return fit.dip_variance * pattern + fit.scatter_variance * np.diag(scatter)


def dense_restricted_likelihood(
    share: float, design: np.ndarray, use: np.ndarray, dip: tuple[np.ndarray, np.ndarray], scatter: np.ndarray
) -> float:
    """Patterson and Thompson (1971), Biometrika 58:545, by dense matrices, the variance profiled out."""
    pattern = np.diag(dip[0]) + np.diag(dip[1], 1) + np.diag(dip[1], -1)
    covariance = (1 - share) * pattern / dip[0].mean() + share * np.diag(scatter) / scatter.mean()
    inverse = np.linalg.inv(covariance)
    information = design.T @ inverse @ design
    residual = use - design @ np.linalg.solve(information, design.T @ inverse @ use)
    left = len(use) - design.shape[1]
    variance = residual @ inverse @ residual / left
    determinants = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1]
    return -0.5 * (left * (np.log(2 * np.pi * variance) + 1) + determinants)


# --- generalised least squares ---------------------------------------------------------------------


@pytest.mark.parametrize("gaps", [False, True])
@pytest.mark.parametrize("share", [None, 0.0, 0.02, 0.5, 1.0])
def test_the_fit_is_dense_generalised_least_squares(gaps: bool, share: float | None) -> None:
    # statsmodels.api.GLS(use, design, sigma=V).fit(): params, cov_params() and llf.
    design, use, dip, scatter = problem(gaps=gaps)
    fit = fit_banded(design, use, dip, scatter, share)
    other = sm.GLS(use, design, sigma=dense(fit, dip, scatter)).fit()
    np.testing.assert_allclose(fit.estimate, other.params, rtol=1e-8)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-8)
    np.testing.assert_allclose(fit.std_error, other.bse, rtol=1e-8)
    np.testing.assert_allclose(fit.likelihood, other.llf, rtol=1e-8)
    # The overall variance is the one at which residuals without their covariance have variance 1.
    np.testing.assert_allclose(other.scale, 1.0, rtol=1e-8)
    whole = np.linalg.cholesky(dense(fit, dip, scatter))
    residual = linalg.solve_triangular(whole, use - design @ fit.estimate, lower=True)
    np.testing.assert_allclose(fit.whitened, residual, atol=1e-8)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("dip_kg", [5.0, 20.0, 60.0])
def test_the_share_of_scatter_is_the_best_of_a_grid(seed: int, dip_kg: float) -> None:
    all_of_it = problem(seed, habits=Habits(days=120, dip_kg=dip_kg))
    grid = np.linspace(0, 1, 201)
    likelihoods = [dense_restricted_likelihood(share, *all_of_it) for share in grid]
    fit = fit_banded(*all_of_it)
    assert fit.log_likelihood >= max(likelihoods) - 1e-6
    scatter = fit.scatter_variance * all_of_it[3].mean()
    share = scatter / (scatter + fit.dip_variance * all_of_it[2][0].mean())
    assert abs(share - grid[int(np.argmax(likelihoods))]) <= 0.005
    assert fit.log_likelihood == pytest.approx(dense_restricted_likelihood(share, *all_of_it), abs=1e-8)


def test_without_error_of_dips_it_is_weighted_least_squares() -> None:
    design, use, dip, scatter = problem(habits=Habits(days=120, dip_kg=0.0))
    other = sm.WLS(use, design, weights=1 / scatter).fit()
    given = fit_banded(design, use, dip, scatter, share=1.0)
    np.testing.assert_allclose(given.estimate, other.params, rtol=1e-10)
    np.testing.assert_allclose(given.covariance, other.cov_params(), rtol=1e-10)
    assert given.dip_variance == 0
    # Found from the readings: hardly any variance is error of dips.
    found = fit_banded(design, use, dip, scatter)
    assert 2 * found.dip_variance < 0.05 * found.scatter_variance * scatter.mean()
    assert np.sqrt(found.scatter_variance) == pytest.approx(0.06, rel=0.25)


def test_without_scatter_the_two_variances_are_found() -> None:
    design, use, dip, scatter = problem(gaps=False, habits=Habits(days=364, dip_kg=30.0, scatter=0.0))
    fit = fit_banded(design, use, dip, scatter)
    assert np.sqrt(fit.dip_variance) == pytest.approx(30.0, rel=0.15)
    assert fit.scatter_variance * scatter.mean() < 0.02 * fit.dip_variance
    # All that is left is the tridiagonal pattern: dense, by hand.
    only = fit_banded(design, use, dip, scatter, share=0.0)
    inverse = np.linalg.inv(dense(only, dip, scatter))
    by_hand = np.linalg.solve(design.T @ inverse @ design, design.T @ inverse @ use)
    np.testing.assert_allclose(only.estimate, by_hand, rtol=1e-8)
    assert only.scatter_variance == 0


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_with_dips_of_their_own_and_even_scatter_it_is_ordinary_least_squares(share: float) -> None:
    design, use, dip, _ = problem()
    apart = dip[0], np.zeros_like(dip[1])
    fit = fit_banded(design, use, apart, np.full(len(use), 7.0), share)
    other = sm.OLS(use, design).fit()
    np.testing.assert_allclose(fit.estimate, other.params, rtol=1e-10)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-10)
    np.testing.assert_allclose(fit.likelihood, other.llf, rtol=1e-10)


def test_dips_are_shared_where_an_interval_begins_at_the_dip_that_ends_the_one_before() -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=10, missed=0.0))
    diagonal, beside = dip_pattern(rows.drop(index=4))
    assert (diagonal == 2).all()
    np.testing.assert_array_equal(beside, [-1, -1, -1, 0, -1, -1, -1, -1])


def test_scatter_is_the_sum_over_runs_of_squared_use() -> None:
    solid = [40_000.0, 55_000.0, 10_000.0]
    rows = pd.DataFrame(
        {"solid_m2": [sum(solid)], "solid_squared": [sum(s * s for s in solid)], "starts": [3.0]}
    )
    expected = sum((1.42 * s / 1000 + 6.5) ** 2 for s in solid)
    assert scatter_weight(rows, np.array([1.42, 6.5, 14.0]))[0] == pytest.approx(expected, rel=1e-12)


# --- variances that are estimated ------------------------------------------------------------------


def test_every_share_is_a_fit_weighted_by_its_restricted_likelihood() -> None:
    all_of_it = problem(seed=4)
    best = fit_banded(*all_of_it)
    scatter = best.scatter_variance * all_of_it[3].mean()
    spread = variance_spread(*all_of_it, scatter / (scatter + 2 * best.dip_variance))
    likelihoods = np.array([dense_restricted_likelihood(share, *all_of_it) for share in spread.share])
    weights = np.exp(likelihoods - likelihoods.max())
    np.testing.assert_allclose(spread.weight, weights / weights.sum(), rtol=1e-6)
    for node in (0, 10, 20):
        fit = fit_banded(*all_of_it, share=float(spread.share[node]))
        np.testing.assert_allclose(spread.estimate[node], fit.estimate, rtol=1e-9)
        np.testing.assert_allclose(spread.covariance[node], fit.covariance, rtol=1e-9)
        np.testing.assert_allclose(spread.dip_variance[node], fit.dip_variance, rtol=1e-9)
        np.testing.assert_allclose(spread.scatter_variance[node], fit.scatter_variance, rtol=1e-9)
    # The mean over a far finer grid of angles, each as likely beforehand, says the same.
    angles = np.linspace(0, np.pi / 2, 1501)[:-1] + np.pi / 6000
    fine = [restricted_likelihood(np.sin(angle) ** 2, *all_of_it) for angle in angles]
    weights = np.exp(np.array([fit[0] for fit in fine]) - best.log_likelihood)
    film = np.average([fit[1] * np.linalg.inv(fit[3])[0, 0] for fit in fine], weights=weights)
    assert np.average(spread.covariance[:, 0, 0], weights=spread.weight) == pytest.approx(film, rel=0.01)


def test_half_widths_hold_their_probability() -> None:
    all_of_it = problem(seed=4)
    spread = variance_spread(*all_of_it, 0.02)
    rng = np.random.default_rng(1)
    away, variance = rng.normal(0, 1, (21, 3)), rng.uniform(0.5, 4, (21, 3))
    for quantity, half in enumerate(half_width(away, variance, spread, 0.95)):

        def outside(width: float, number: int = quantity) -> float:
            parts = stats.t(spread.freedom, away[:, number], np.sqrt(variance[:, number]))
            return float(spread.weight @ (parts.sf(width) + parts.cdf(-width))) - 0.05

        assert half == pytest.approx(optimize.brentq(outside, 0, 50), rel=1e-9)
    # One certain variance: Student's t.
    even = half_width(np.zeros((21, 1)), np.full((21, 1), 4.0), spread, 0.9)
    assert even[0] == pytest.approx(2 * stats.t.ppf(0.95, spread.freedom), rel=1e-9)


def test_intervals_hold_the_truth_and_film_weight_scatters_less_than_half_as_much() -> None:
    # 60 kg a dip, 6 % scatter, 130 kg a day; at full size: bench_ink.py coverage. Taking the estimated
    # variances for the true ones held 92, 91 and 92 %, and 88 % of predictions.
    habits, rng, plants = Habits(), np.random.default_rng(1), 200
    held, predicted, measured, ours, ordinary = [], [], [], [], []
    for _ in range(plants):
        rows, _ = simulate_ink(rng, habits)
        fit = fit_ink("black", rows)
        assert fit is not None
        held.append(abs(fit.estimate - habits.terms) <= fit.interval())
        new = simulate_ink(rng, habits)[0].head(4)
        told = predict_use(fit, new)
        predicted.append(new["true_kg"].between(told["low"], told["high"]).mean())
        measured.append(((new["used_kg"] - told["mean"]).abs() <= told["measured_half"]).mean())
        ours.append(fit.estimate[0])
        ordinary.append(np.linalg.lstsq(ink_design(rows), rows["used_kg"].to_numpy(), rcond=None)[0][0])
    # Three standard errors of a share of 0.95 of 200 are 0.046.
    assert (abs(np.mean(held, axis=0) - 0.95) < 0.046).all(), np.mean(held, axis=0)
    assert abs(np.mean(predicted) - 0.95) < 0.03
    assert abs(np.mean(measured) - 0.95) < 0.03
    assert np.std(ours) <= 0.5 * np.std(ordinary)
    assert np.mean(ours) == pytest.approx(habits.film, abs=4 * np.std(ours) / np.sqrt(plants))


def test_predictions_keep_their_sources_apart() -> None:
    rows, _ = simulate_ink(np.random.default_rng(3), Habits())
    fit = fit_ink("black", rows)
    assert fit is not None
    new = rows.head(5)
    told = predict_use(fit, new)
    np.testing.assert_allclose(told["mean"], ink_design(new) @ fit.estimate)
    design = ink_design(new)
    variance = [row @ fit.covariance @ row for row in design]
    np.testing.assert_allclose(told["parameter_sd"] ** 2, variance, rtol=1e-9)
    # As much of everything in one prediction: the terms are as uncertain in all, runs scatter each by itself.
    whole = new[["solid_m2", "solid_squared", "starts", "days"]].sum().to_frame().T
    together = predict_use(fit, whole).iloc[0]
    assert together["mean"] == pytest.approx(told["mean"].sum())
    assert together["scatter_sd"] ** 2 == pytest.approx((told["scatter_sd"] ** 2).sum(), rel=1e-9)
    assert together["dip_sd"] == pytest.approx(told["dip_sd"].iloc[0])
    assert (told["measured_half"] > (told["high"] - told["low"]) / 2).all()


def test_monthly_dips_are_no_worse_than_ordinary_least_squares() -> None:
    habits, rng = Habits(days=1092, every=28, missed=0.0), np.random.default_rng(2)
    ours, ordinary, held = [], [], []
    for _ in range(120):
        rows, _ = simulate_ink(rng, habits)
        fit = fit_ink("black", rows)
        if fit is not None and fit.separate:
            held.append(abs(fit.estimate - habits.terms) <= fit.interval())
            ours.append(fit.estimate[0])
            ordinary.append(np.linalg.lstsq(ink_design(rows), rows["used_kg"].to_numpy(), rcond=None)[0][0])
    assert len(ours) > 110
    assert np.std(ours) <= 1.05 * np.std(ordinary)
    assert (np.mean(held, axis=0) > 0.89).all()


# --- terms that cannot be told apart ---------------------------------------------------------------


def test_inflation_is_that_of_another_library() -> None:
    # statsmodels: R squared of OLS without a constant is uncentred; inflation is 1 / (1 - R squared).
    design, *_ = problem()
    for term in range(3):
        other = sm.OLS(design[:, term], np.delete(design, term, axis=1)).fit()
        assert inflation(design)[term] == pytest.approx(1 / (1 - other.rsquared), rel=1e-9)
    np.testing.assert_allclose(inflation(np.eye(3)), 1.0)
    twice = np.column_stack([design[:, 0], design[:, 2], 3 * design[:, 2]])
    assert np.isfinite(inflation(twice)[0])
    assert np.isinf(inflation(twice)[1:]).all()


def test_with_the_same_runs_every_week_start_up_and_idle_loss_are_one_number_a_week() -> None:
    # Dips on Mondays, twelve starts a week.
    habits = Habits(days=1092, every=7, missed=0.0, weekly_runs=(1, 2, 2, 2, 2, 2, 1))
    beyond = 12 * habits.start + 7 * habits.standing
    held, predicted = [], []
    for seed in range(40):
        rows, _ = simulate_ink(np.random.default_rng(seed), habits)
        judged, fits, _ = judge_inks(rows.iloc[:-20])
        told = ink_model(judged, fits)
        model = told.set_index("term")
        assert model.loc[["startup_kg_per_run", "standing_kg_per_day"], "estimate"].isna().all()
        fit = fits["black"]
        assert fit.terms == ("film_g_m2", "beyond_film_kg_per_week")
        assert (fit.inflation[1:] > 1000).all()
        assert fit.inflation[0] < 1000
        truth = pd.Series({"film_g_m2": habits.film, "beyond_film_kg_per_week": beyond})
        held.append(truth.between(*model.loc[truth.index, ["ci_low", "ci_high"]].to_numpy().T))
        # The combination serves where each term alone could not.
        ahead = predict_use(fit, rows.tail(20))
        predicted.append(rows["true_kg"].tail(20).between(ahead["low"], ahead["high"]).mean())
        np.testing.assert_allclose(expected_use(rows.tail(20), told), ahead["mean"], rtol=1e-12)
        surprise = surprises(fit)
        assert abs(surprise.std() - 1) < 0.1
    # 95 % of 40 is 38; fewer than 34 have a probability of 0.003.
    assert (np.sum(held, axis=0) >= 34).all()
    assert 0.91 <= np.mean(predicted) <= 0.985


def test_an_ink_printed_alike_every_day_has_one_use_by_area() -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=60))
    alike = rows.assign(solid_m2=70_000.0, solid_squared=70_000.0**2, starts=1.0, days=1.0)
    judged, fits, found = judge_inks(alike)
    assert fits["black"].terms == ("use_g_m2",)
    assert found == []
    model = ink_model(judged, fits).set_index("term")["estimate"]
    assert model[list(TERMS)].isna().all()
    # All dips but the first and the last cancel in the mean; weights of intervals are alike.
    assert model["use_g_m2"] == pytest.approx(1000 * rows["used_kg"].mean() / 70_000, rel=0.03)


def test_an_ink_that_never_prints_has_a_use_a_week() -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=60))
    never = rows.assign(solid_m2=0.0, solid_squared=0.0, starts=0.0)
    judged, fits, _ = judge_inks(never)
    model = ink_model(judged, fits).set_index("term")["estimate"]
    assert model[list(TERMS)].isna().all()
    assert model["use_kg_per_week"] == pytest.approx(7 * rows["used_kg"].sum() / rows["days"].sum(), rel=0.03)


def test_a_film_that_comes_out_negative_is_no_result() -> None:
    # The more is printed the less is used: no such ink exists, so nothing is said of a film.
    rows, _ = simulate_ink(np.random.default_rng(3), Habits(days=120, missed=0.0))
    odd = rows.assign(used_kg=200.0 - rows["solid_m2"] / 1000)
    fit = fit_ink("black", odd)
    assert fit is not None
    assert "film_g_m2" not in fit.terms
    assert fit.estimate[0] > 0
    assert fit_ink("black", rows.assign(used_kg=-rows["used_kg"])) is None


def test_few_readings_tell_one_number() -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=11, missed=0.0))
    judged, fits, found = judge_inks(rows)
    model = ink_model(judged, fits).set_index("term")
    assert set(model.index) == {*TERMS, "use_g_m2"}
    assert model.loc[list(TERMS), "estimate"].isna().all()
    assert (model["readings"] == 11).all()
    assert found == []
    told = expected_use(rows, model.reset_index())
    assert told.sum() == pytest.approx(rows["true_kg"].sum(), rel=0.15)
    # Two intervals say nothing of two variances.
    judged, fits, _ = judge_inks(rows.head(2))
    assert fits == {}
    assert ink_model(judged, fits)["estimate"].isna().all()


def test_the_published_model_is_the_fit() -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits())
    judged, fits, _ = judge_inks(rows)
    model = ink_model(judged, fits).set_index("term").loc[list(TERMS)]
    fit = fits["black"]
    np.testing.assert_allclose(model["estimate"], fit.estimate)
    np.testing.assert_allclose(model["ci_high"] - model["estimate"], fit.interval())
    np.testing.assert_allclose(model["std_error"], fit.std_error)
    np.testing.assert_allclose(
        expected_use(rows, ink_model(judged, fits)), ink_design(rows) @ fit.estimate, rtol=1e-12
    )


# --- use free of dip error -------------------------------------------------------------------------


@pytest.mark.parametrize(("every", "weekly"), [(1, None), (7, (1, 2, 2, 2, 2, 2, 1)), (28, None)])
def test_true_use_is_told_with_its_error(every: int, weekly: tuple[int, ...] | None) -> None:
    habits = Habits(days=728, every=every, missed=0.0, weekly_runs=weekly)
    scaled, ratio = [], []
    for seed in range(12):
        rows, _ = simulate_ink(np.random.default_rng(seed), habits)
        judged, fits, _ = judge_inks(rows)
        told = use_by_interval(judged, fits)
        scaled.append((told["used_kg"] - rows["true_kg"]) / told["std_error"])
        ratio.append((told["used_kg"] - rows["true_kg"]).std() / (rows["used_kg"] - rows["true_kg"]).std())
        # What the dips say of the whole history stands.
        assert told["used_kg"].sum() == pytest.approx(rows["used_kg"].sum(), abs=6 * 60)
    assert np.sqrt(np.mean(np.concatenate(scaled) ** 2)) == pytest.approx(1.0, abs=0.25)
    # 60 kg dips: of daily use all but a tenth of their error is gone.
    assert np.mean(ratio) < {1: 0.12, 7: 0.5, 28: 0.95}[every]


def test_true_use_of_an_interval_that_a_dip_cannot_tell_is_expected_use() -> None:
    rows, _ = simulate_ink(np.random.default_rng(5), Habits(days=200, missed=0.0))
    broken = rows.assign(
        why=rows["why"].mask(rows.index == 90, "step"), used_kg=rows["used_kg"].mask(rows.index == 90, 9e4)
    )
    judged, fits, _ = judge_inks(broken)
    told = use_by_interval(judged, fits)
    assert told["used_kg"][90] == pytest.approx(rows["true_kg"][90], rel=0.3)
    assert told["std_error"][90] > told["std_error"][89]
    np.testing.assert_allclose(told["used_kg"][90], fits["black"].expected(rows.iloc[[90]])[0], rtol=1e-3)


def test_true_use_is_that_of_the_covariance_written_out() -> None:
    rows, _ = simulate_ink(np.random.default_rng(6), Habits(days=60, missed=0.0))
    judged, fits, _ = judge_inks(rows)
    fit, told = fits["black"], use_by_interval(judged, fits)
    mean, weights, spread = 0.0, 0.0, fit.spread
    pattern = 2 * np.eye(60) - np.eye(60, k=1) - np.eye(60, k=-1)
    for node in np.flatnonzero(spread.weight >= 0.002):
        scatter = spread.scatter_variance[node] * np.diag(fit.scatter)
        covariance = scatter + spread.dip_variance[node] * pattern
        fitted = fit.design @ spread.estimate[node]
        given = fitted + scatter @ np.linalg.solve(covariance, rows["used_kg"].to_numpy() - fitted)
        mean, weights = mean + spread.weight[node] * given, weights + spread.weight[node]
    np.testing.assert_allclose(told["used_kg"], mean / weights, rtol=1e-8)
