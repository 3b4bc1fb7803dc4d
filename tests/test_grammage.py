"""Effective grammage: the estimator against a general library, and its interval against simulation."""

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.datasets import longley

from pressstats.paper.least_squares import linked_least_squares

# NIST Statistical Reference Datasets, Longley, certified values (from memory).
LONGLEY = [
    -3482258.63459582,
    15.0618722713733,
    -0.358191792925910e-01,
    -2.02022980381683,
    -1.03322686717359,
    -0.511041056535807e-01,
    1829.15146461355,
]


def test_estimates_on_longley():
    data = longley.load_pandas()
    design = sm.add_constant(data.exog).to_numpy()
    rows = np.arange(len(design))
    estimate, _ = linked_least_squares(design, data.endog.to_numpy(), rows, rows)
    np.testing.assert_allclose(estimate, LONGLEY, rtol=1e-7)


def simulate(rng, reels, *, effective=45.6, start_kg=6.0, break_kg=4.0, weigh=3.0, spread=0.005):
    """A stand that runs reel after reel through nights of different length; every reading with error."""
    area, net, breaks, row, reel = [], [], [], [], []
    left_true = left_read = 0.0
    number, grammage = -1, effective
    night = 0
    while number < reels:
        printed = rng.uniform(4000, 16000)
        broke = float(rng.random() < 0.15)
        wanted, used_read, threaded = printed, 0.0, start_kg + broke * break_kg
        while wanted > 0:
            if left_true <= 0:
                number += 1
                grammage = effective * (1 + rng.normal(0, spread))
                left_true = 900.0
                left_read = left_true + rng.normal(0, weigh)
            row.append(night)
            reel.append(number)
            can = (left_true - threaded) / grammage * 1000
            if can <= wanted:  # runs out
                wanted -= can
                used_read += left_read
                left_true = left_read = 0.0
            else:
                left_true -= threaded + wanted * grammage / 1000
                now = left_true + rng.normal(0, weigh)
                used_read += left_read - now
                left_read = now
                wanted = 0.0
            threaded = 0.0
        area.append(printed * (1 + rng.normal(0, 0.001)))
        net.append(used_read)
        breaks.append(broke)
        night += 1
    return np.array(area), np.array(net), np.array(breaks), np.array(row), np.array(reel)


def fit(data, with_threading=True):
    area, net, breaks, row, reel = data
    columns = [area / 1000, np.ones_like(area), breaks] if with_threading else [area / 1000]
    estimate, covariance = linked_least_squares(np.column_stack(columns), net, row, reel)
    return estimate[0], np.sqrt(covariance[0, 0])


def test_covariance_equals_clustered_least_squares_where_each_row_has_one_reel():
    rng = np.random.default_rng(7)
    groups = np.repeat(np.arange(40), 5)
    design = np.column_stack([rng.uniform(1, 10, 200), np.ones(200)])
    response = design @ [45.0, 5.0] + rng.normal(0, 2, 200) + rng.normal(0, 2, 40)[groups]
    estimate, covariance = linked_least_squares(design, response, np.arange(200), groups)
    # statsmodels 0.15: OLS(...).fit(cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False})
    other = sm.OLS(response, design).fit(
        cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False}
    )
    np.testing.assert_allclose(estimate, other.params, rtol=1e-10)
    np.testing.assert_allclose(covariance * 198 / 200, other.cov_params(), rtol=1e-8)


def test_interval_holds_the_planted_grammage():
    rng = np.random.default_rng(20)
    plants = 300
    held = 0
    estimates = []
    for _ in range(plants):
        estimate, error = fit(simulate(rng, reels=150))
        estimates.append(estimate)
        held += abs(estimate - 45.6) <= 1.96 * error
    # Two simulation errors of a 95 % share over 300 plants are 2.5 points; small samples cost a little.
    assert 0.92 <= held / plants <= 0.98
    assert np.mean(estimates) == pytest.approx(45.6, abs=3 * np.std(estimates) / np.sqrt(plants))


def test_without_threading_terms_the_slope_is_biased():
    rng = np.random.default_rng(21)
    missed = 0
    for _ in range(50):
        estimate, error = fit(simulate(rng, reels=150), with_threading=False)
        missed += abs(estimate - 45.6) > 1.96 * error
    # 6 kg a start on about 10,000 m2 read as more than 0.5 g/m2.
    assert missed >= 45
