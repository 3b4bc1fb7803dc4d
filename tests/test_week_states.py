"""States of the week's figures, each threshold from both sides: turned round, or moved, a rule fails here."""

from __future__ import annotations

import pytest
from scipy import stats

from pressstats.watch import KINDS
from pressstats.watch.states import (
    breaks_state,
    days_state,
    ink_state,
    logs_state,
    risk_state,
    standby_state,
    waste_state,
    worst,
)

NAN = float("nan")


def test_the_worst_state_is_the_headline() -> None:
    assert worst(["in control", "unknown", "watch", "act"]) == "act"
    assert worst(["in control", "unknown", "watch"]) == "watch"
    # What is not known is never called in control.
    assert worst(["in control", "unknown", ""]) == "unknown"
    assert worst(["in control", ""]) == "in control"
    assert worst([]) == worst([""]) == "unknown"


@pytest.mark.parametrize(
    ("week", "weeks_13", "press", "over", "state"),
    [
        (4.0, 4.0, 4.0, 6, "in control"),
        (4.01, 4.0, 4.0, 0, "watch"),
        (5.0, 4.0, 4.0, 0, "watch"),
        (5.01, 4.0, 4.0, 0, "act"),
        # What lasts counts as much as one week: the mean of 13 weeks, one press, most of its weeks.
        (3.0, 4.01, 3.0, 0, "watch"),
        (3.0, 5.01, 3.0, 0, "act"),
        (3.0, 3.0, 4.01, 0, "watch"),
        (3.0, 3.0, 5.01, 0, "act"),
        (3.0, 3.0, 3.0, 7, "watch"),
        # A week that is not known is not in control, and hides nothing that lasts.
        (NAN, 3.0, 3.0, 0, "unknown"),
        (NAN, 4.01, 3.0, 0, "watch"),
        (NAN, NAN, NAN, 0, "unknown"),
        (3.0, NAN, NAN, 0, "in control"),
    ],
)
def test_waste_against_a_target_of_four(
    week: float, weeks_13: float, press: float, over: int, state: str
) -> None:
    assert waste_state(week, weeks_13, [press, 2.0], [over, 0], 4.0) == state


def test_breaks_against_their_target_with_exact_limits() -> None:
    # 20 breaks in 1,000 reels: the mean is on a target of 2.0. Exact Poisson limits by the chi-squared distribution.
    state, low, high = breaks_state(20, 1000, 2.0)
    assert state == "in control"
    assert low == pytest.approx(stats.chi2.ppf(0.025, 40) / 20)
    assert high == pytest.approx(stats.chi2.ppf(0.975, 42) / 20)
    assert breaks_state(21, 1000, 2.0)[0] == "watch"
    # Action where even the lower limit is above the target: 30 breaks have a lower limit of 20.24, 29 of 19.42.
    assert breaks_state(30, 1000, 2.0)[0] == "act"
    assert breaks_state(29, 1000, 2.0)[0] == "watch"
    assert breaks_state(0, 1000, 2.0)[0] == "in control"
    assert breaks_state(0, 0, 2.0)[0] == "unknown"


def test_ink_is_watched_outside_its_limits_and_unknown_where_one_ink_is() -> None:
    assert ink_state(0, 0) == "in control"
    assert ink_state(1, 0) == ink_state(1, 1) == "watch"
    assert ink_state(0, 1) == "unknown"


def test_risk_against_what_the_service_level_allows() -> None:
    assert risk_state(0.002, 1 - 0.998) == "in control"
    assert risk_state(0.0021, 0.002) == risk_state(0.05, 0.002) == "watch"
    assert risk_state(0.0501, 0.002) == "act"
    assert risk_state(NAN, 0.002) == "unknown"


@pytest.mark.parametrize(
    ("days", "risk", "unknown", "state"),
    [
        (7.0, 0.001, 0, "in control"),
        (6.9, 0.001, 0, "act"),
        # Never in control over what may run out, however many days there are.
        (30.0, 0.01, 0, "watch"),
        (30.0, 0.06, 0, "act"),
        (30.0, 0.001, 1, "unknown"),
        (30.0, NAN, 0, "unknown"),
        (6.9, NAN, 3, "act"),
        (NAN, NAN, 0, "unknown"),
        (NAN, 0.001, 0, "unknown"),
    ],
)
def test_days_of_stock_against_seven_wanted(days: float, risk: float, unknown: int, state: str) -> None:
    assert days_state(days, 7.0, risk, 0.002, unknown) == state


def test_a_standby_supply_that_is_not_tested_needs_action() -> None:
    assert standby_state(0, 0, 5) == "in control"
    assert standby_state(0, 1, 5) == standby_state(1, 1, 5) == "watch"
    assert standby_state(1, 0, 5) == "unknown"
    assert standby_state(0, 0, 0) == "unknown"
    # A test overdue is an exception, and needs action whatever the supplies hold.
    assert (KINDS["standby test"].figure, KINDS["standby test"].state) == ("standby", "act")


def test_logs_are_watched_from_one_row_in_a_hundred_on() -> None:
    assert logs_state(0.0) == logs_state(0.99) == "in control"
    assert logs_state(1.0) == "watch"
