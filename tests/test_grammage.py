"""Effective grammage: the estimator against a general library, and its interval against simulation."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import linalg
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
    found = linked_least_squares(design, data.endog.to_numpy(), rows, rows)
    np.testing.assert_allclose(found.estimate, LONGLEY, rtol=1e-7)


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
    found = linked_least_squares(np.column_stack(columns), net, row, reel)
    return found.estimate[0], np.sqrt(found.covariance[0, 0])


def _rows(number=30, seed=7):
    rng = np.random.default_rng(seed)
    design = np.column_stack([rng.uniform(1, 10, number), np.ones(number), rng.random(number) < 0.2])
    return design, design @ [45.0, 5.0, 3.0] + rng.normal(0, 2, number)


def test_covariance_is_hc3_where_each_row_is_a_cluster():
    design, response = _rows()
    rows = np.arange(len(response))
    found = linked_least_squares(design, response, rows, rows)
    # statsmodels: OLS(...).fit(cov_type="HC3"), MacKinnon and White (1985)
    other = sm.OLS(response, design).fit(cov_type="HC3")
    np.testing.assert_allclose(found.estimate, other.params, rtol=1e-10)
    np.testing.assert_allclose(found.covariance, other.cov_params(), rtol=1e-8)


@pytest.mark.parametrize("by_run", [False, True])
def test_rows_of_one_reel_or_one_run_are_dependent(by_run):
    # A part of the slope that all rows of a cluster share.
    design, response = _rows(60)
    groups = np.repeat(np.arange(20), 3)
    rng = np.random.default_rng(8)
    response = response + rng.normal(0, 6, 20)[groups] * design[:, 0]
    rows = np.arange(60)
    links = (rows, rows, groups) if by_run else (rows, groups, None)
    found = linked_least_squares(design, response, *links)
    # Written out: each residual as the fit without its row leaves it, their scores summed over each cluster.
    bread = np.linalg.inv(design.T @ design)
    middle = np.zeros((3, 3))
    for group in range(20):
        score = np.zeros(3)
        for n in np.flatnonzero(groups == group):
            others = rows != n
            away, *_ = np.linalg.lstsq(design[others], response[others], rcond=None)
            score += design[n] * (response[n] - design[n] @ away)
        middle += np.outer(score, score)
    expected = bread @ middle @ bread
    alone = linked_least_squares(design, response, rows, rows).covariance
    assert found.covariance[0, 0] > 1.2 * alone[0, 0]
    # Of the two that are not ordered whole, the larger by each direction.
    ratio, vectors = linalg.eigh(expected, alone)
    both = np.linalg.inv(vectors).T @ np.diag(np.maximum(ratio, 1)) @ np.linalg.inv(vectors)
    np.testing.assert_allclose(found.covariance, both, rtol=1e-6)


def test_no_sum_of_terms_is_surer_than_with_each_row_alone():
    # A reel that runs in two nights moves kilograms from one to the other: their errors cancel in the products.
    design, response = _rows(14, seed=10)
    links = np.repeat(np.arange(14), 2), np.repeat(np.arange(15), 2)[1:-1]
    linked = linked_least_squares(design, response, *links).covariance
    alone = linked_least_squares(design, response, np.arange(14), np.arange(14)).covariance
    rng = np.random.default_rng(3)
    for weights in (*np.eye(3), *rng.normal(size=(20, 3))):
        assert weights @ linked @ weights >= weights @ alone @ weights * (1 - 1e-9)


def test_freedom_is_of_the_rows_that_a_sum_hangs_on():
    # Nine equal weights have nine degrees of freedom, however many rows say nothing.
    design = np.column_stack([np.repeat([1.0, 0.0], [9, 91]), np.repeat([0.0, 1.0], [9, 91])])
    response = np.random.default_rng(4).normal(size=100)
    found = linked_least_squares(design, response, np.arange(100), np.arange(100))
    assert found.freedom(np.array([1.0, 0.0])) == pytest.approx(9)
    assert found.freedom(np.array([0.0, 1.0])) == pytest.approx(91)
    # Never more than rows less terms.
    even = linked_least_squares(np.ones((20, 1)), response[:20], np.arange(20), np.arange(20))
    assert even.freedom(np.ones(1)) == pytest.approx(19)


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
