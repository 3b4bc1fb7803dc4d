"""Pages of booked issues weighed with what is usual: against a slow loop, and against plants drawn with known odds."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pressstats.demand.feasts import feast_terms
from pressstats.demand.trends import fit_trend
from pressstats.demand.weighed import on_levels, weighed_pages

LEVELS = np.array([16.0, 24.0, 32.0])


def slowly(
    usual: list[float], booked: float, past: list[tuple[float, float]], levels: list[float]
) -> dict[float, float]:
    """Return how likely each number of pages is, by Bayes' rule written out for one issue."""
    step = min(b - a for a, b in itertools.pairwise(levels))
    may = sorted({*levels, booked})
    missed = [(round((was - came) / step), came) for came, was in past]
    most = max(
        max(abs(off) for off, _ in missed),
        max(abs(round((booked - pages) / step)) for pages in may),
    )
    # Half of what was off one way counts for the other; a quarter of a booking is added to each.
    every = {
        off: sum(1 for other, _ in missed if other == off) / 2
        + sum(1 for other, _ in missed if other == -off) / 2
        + 0.25
        for off in range(-most, most + 1)
    }
    total = sum(every.values())
    weight = {}
    for pages in may:
        prior = 0.995 * sum(one == pages for one in usual) / len(usual) + 0.005 / len(may)
        off = round((booked - pages) / step)
        own = [other for other, came in missed if came == pages]
        likely = (own.count(off) + 8 * every[off] / total) / (len(own) + 8)
        weight[pages] = prior * likely
    return {pages: one / sum(weight.values()) for pages, one in weight.items()}


@pytest.mark.parametrize("booked", [16.0, 24.0, 32.0, 48.0])
def test_booked_pages_are_weighed_as_bayes_rule_says(booked: float) -> None:
    rng = np.random.default_rng(7)
    usual = rng.choice(LEVELS, 40, p=[0.7, 0.2, 0.1])
    came = rng.choice(LEVELS, 60, p=[0.8, 0.15, 0.05])
    was = np.maximum(came + 8 * rng.choice([-1, 0, 1, 2], 60, p=[0.1, 0.6, 0.2, 0.1]), 8.0)
    drawn = weighed_pages(usual[None], np.array([booked]), came, was, LEVELS)[0]
    expected = slowly(
        list(usual), booked, list(zip(came, was, strict=True)), list(LEVELS)
    )  # plain arithmetic, no arrays
    assert len(drawn) == 40
    for pages, share in expected.items():
        # Forty draws tell a share to half a fortieth at either end.
        assert np.mean(drawn == pages) == pytest.approx(share, abs=1 / 40)


def test_what_a_booking_means_depends_on_how_often_such_an_issue_is_printed() -> None:
    """One booking in eight is a step too high: 24 booked is 24 as often as Bayes' rule says of the odds drawn with."""
    rng = np.random.default_rng(11)
    came = rng.choice([16.0, 24.0], 150, p=[0.97, 0.03])
    was = np.maximum(came + 8 * rng.choice([-1, 0, 1], 150, p=[0.13, 0.74, 0.13]), 16.0)
    for share in (0.0, 0.1, 0.3, 0.6, 0.9):
        usual = np.where(np.arange(40) < 40 * share, 24.0, 16.0)
        drawn = weighed_pages(usual[None], np.array([24.0]), came, was, np.array([16.0, 24.0]))
        truly = 0.74 * share / (0.74 * share + 0.13 * (1 - share))
        assert np.mean(drawn == 24) == pytest.approx(truly, abs=0.12), share


def test_draws_fall_on_pages_that_can_be_and_keep_their_mean() -> None:
    rng = np.random.default_rng(2)
    pages = rng.uniform(10, 40, (200, 40))
    moved = on_levels(pages, LEVELS)
    assert np.isin(moved, LEVELS).all()
    np.testing.assert_allclose(
        moved.mean(axis=1), np.clip(pages, 16, 32).mean(axis=1), atol=0.5 * 8 / 40 + 1e-9
    )
    assert (on_levels(pages, LEVELS[:1]) == 16).all()
    assert on_levels(pages, LEVELS[:0]) is pages


def test_a_step_more_before_christmas_is_a_season_and_no_oddity() -> None:
    """Sixteen pages all year, and 24 on every second night from 9 to 22 December."""
    days = np.arange(np.datetime64("2022-01-01"), np.datetime64("2025-12-01"))
    of_year = np.array([str(day)[5:] for day in days])
    hump = (of_year >= "12-09") & (of_year <= "12-22")
    pages = np.where(hump & (np.arange(len(days)) % 2 == 0), 24.0, 16.0)
    none = np.zeros(len(days), dtype=bool)
    fit = fit_trend(
        pages, (days - days[-1]).astype(float), (days.astype(int) + 3) % 7, none, feast_terms(days)
    )
    ahead = np.arange(np.datetime64("2025-12-13"), np.datetime64("2025-12-20"))
    usual = fit.at(
        (ahead - days[-1]).astype(float), (ahead.astype(int) + 3) % 7, none[:7], feast_terms(ahead)
    )
    assert usual.mean() == pytest.approx(20.0, abs=1.0)
    # What is left of each such night is four pages more or less, and nothing where sixteen are usual.
    there, elsewhere = fit.left_near(np.array([usual.mean(), 16.0]))
    assert there.std() > 2
    assert elsewhere.std() < 1


def test_what_is_left_of_a_fit_is_told_by_issues_of_which_as_much_was_said() -> None:
    days = np.arange(-364.0, 1.0)
    weekday = days.astype(int) % 7
    rng = np.random.default_rng(5)
    # Mondays scatter by six pages, other days by none.
    values = 20.0 + np.where(weekday == 0, 10.0 + 6.0 * rng.standard_normal(len(days)), 0.0)
    none = np.zeros(len(days), dtype=bool)
    fit = fit_trend(values, days, weekday, none, np.zeros((len(days), 0)))
    monday, other = fit.left_near(np.array([30.0, 20.0]))
    assert (len(monday), len(other)) == (60, 60)
    assert monday.std() > 4
    assert other.std() < 1.5
