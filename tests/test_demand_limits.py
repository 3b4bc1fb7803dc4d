"""Limits of the forecast from issues, each from both sides, with values worked out by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from issue_simulation import FIRST, Plant, Title, logs_of

from pressstats.demand import Drivers, drivers_of
from pressstats.demand.drivers import _Bookings
from pressstats.demand.feasts import feast_terms
from pressstats.demand.issues import TitlePast, days_printed

DAY = np.timedelta64(1, "D")
MONDAY = np.datetime64("2024-01-01")
AS_OF = np.datetime64("2024-12-01")


# --- Christmas and Easter ----------------------------------------------------------------------


def about(first: str, last: str) -> tuple[np.ndarray, np.ndarray]:
    days = np.arange(np.datetime64(first), np.datetime64(last) + DAY)
    return days, feast_terms(days)


def test_terms_of_christmas_have_their_peaks_on_fixed_days_and_end_in_november_and_january() -> None:
    days, terms = about("2025-11-01", "2026-01-20")
    # Five weeks and a day, 24, 17, 11 and 6 days, one day before; the day itself, New Year's Eve and Epiphany.
    peaks = ["11-19", "12-01", "12-08", "12-14", "12-19", "12-24", "12-25", "12-31", "01-06"]
    assert [str(days[np.flatnonzero(term == 1)][0])[5:] for term in terms.T[:9]] == peaks
    of = {str(day)[5:]: row for day, row in zip(days, terms, strict=True)}
    # Nothing up to 48 days before; from there to the first peak are twelve days, after Epiphany four.
    assert not of["11-07"].any()
    assert of["11-08"][0] == pytest.approx(1 / 12)
    assert not of["01-10"].any()
    assert of["01-09"][8] == pytest.approx(1 / 4)


def test_terms_of_easter_are_of_the_days_before_holy_week_ends_the_feast_and_the_week_after() -> None:
    # Easter Sunday of 2025 was 20 April (tables of the church calendar, from memory).
    days, terms = about("2025-04-01", "2025-05-10")
    spells = [days[term == 1] for term in terms.T[9:]]
    assert [(str(one[0]), str(one[-1]), len(one)) for one in spells] == [
        ("2025-04-10", "2025-04-16", 7),
        ("2025-04-17", "2025-04-20", 4),
        ("2025-04-21", "2025-04-27", 7),
    ]


# --- days on which a title comes out -----------------------------------------------------------


class NoHolidays:
    """A calendar with nothing but the holidays that it is given."""

    def __init__(self, *days: np.datetime64) -> None:
        self.days = np.array(days, dtype="datetime64[D]")

    def closed(self, days: np.ndarray) -> np.ndarray:
        return np.zeros(len(days), dtype=bool)

    def holiday(self, days: np.ndarray) -> np.ndarray:
        return np.isin(days, self.days)


def past_of(days: np.ndarray) -> TitlePast:
    ones = np.ones((4, len(days)))
    return TitlePast("Weekly", days, *ones, np.zeros(len(days), bool), np.ones(len(days), bool))


def next_mondays(out: list[int], weeks: int, *holidays: np.datetime64) -> list[bool]:
    """Say on which of four Mondays a title comes out that was there in the weeks `out` of so many."""
    printed = np.arange(MONDAY, MONDAY + 7 * weeks * DAY)
    ahead = MONDAY + 7 * (weeks + np.arange(4)) * DAY
    calendar = NoHolidays(*holidays)
    return days_printed(past_of(MONDAY + 7 * np.array(out) * DAY), printed, calendar, ahead).tolist()  # type: ignore[arg-type]


def test_a_title_comes_out_on_a_weekday_by_two_of_the_last_four() -> None:
    # Of 20 weeks the last four are those from 16 to 19.
    assert all(next_mondays([2, 3, 9, 16, 17], 20))
    assert not any(next_mondays([2, 3, 9, 15, 16], 20))
    assert not any(next_mondays([2, 3, 9, 19], 20))


def test_three_issues_two_weeks_apart_are_a_rhythm_and_two_are_not() -> None:
    assert next_mondays([0, 2, 4], 6) == [True, False, True, False]
    assert next_mondays([0, 2], 4) == [True] * 4
    # Every week is no rhythm of its own: two weeks missed of the last four do not end it.
    assert next_mondays(list(range(18)), 20) == [True] * 4


def test_two_holidays_skipped_are_a_habit_and_one_is_not() -> None:
    ahead = MONDAY + 7 * 20 * DAY
    for skipped, habit in (([4, 8], True), ([8], False)):
        off = [MONDAY + 7 * week * DAY for week in skipped]
        found = next_mondays([week for week in range(20) if week not in skipped], 20, *off, ahead)
        assert found == [not habit, True, True, True]


# --- bookings ----------------------------------------------------------------------------------


def bookings(ratios: list[float], lead: int = 0) -> _Bookings:
    """Return past bookings of 1000 copies that came so many times as large, the last ten days ago, and one ahead."""
    number = len(ratios)
    day = np.append(AS_OF - (np.arange(number)[::-1] + 10) * DAY, AS_OF + 5 * DAY)
    size = number + 1
    return _Bookings(
        day,
        day - 7 * DAY,
        np.full(size, 1000.0),
        np.full(size, 24.0),
        np.full(size, 8.0),
        np.full(size, lead),
        np.array([*ratios, np.nan]),
        np.append(np.zeros(number), np.nan),
    )


def copies(booked: dict[str, _Bookings]) -> pd.Series:
    drivers = Drivers([], booked, NoHolidays(), AS_OF)  # type: ignore[arg-type]
    found = drivers.expected(pd.Timestamp(AS_OF), pd.date_range(AS_OF + DAY, periods=10, unit="us"))
    return found.issues.set_index("title")["copies"]


@pytest.mark.parametrize(("own", "expected"), [(12, (12 * 0.8 + 4) / 16), (11, (11 * 0.8 + 100 + 4) / 115)])
def test_a_title_is_judged_by_its_own_bookings_from_twelve_on(own: int, expected: float) -> None:
    found = copies({"Mine": bookings([0.8] * own), "Other": bookings([1.0] * 100)})
    assert found["Mine"] == pytest.approx(1000 * expected)


def test_bookings_are_judged_by_the_last_hundred_and_fifty() -> None:
    found = copies({"Mine": bookings([0.7] * 60 + [1.3] + [1.2] * 149)})
    # Few say little: four bookings that came as booked are added.
    assert found["Mine"] == pytest.approx(1000 * (1.3 + 149 * 1.2 + 4) / 154)


def test_bookings_up_to_two_four_and_eight_weeks_ahead_are_judged_apart(tmp_path: Path) -> None:
    leads = (1, 14, 15, 28, 29, 56, 57, 90)
    plan = [(99 + n, "Daily", 99 + n - lead, 2e4, 24.0, 8.0, "") for n, lead in enumerate(leads)]
    mine = drivers_of(logs_of(tmp_path, Plant((Title("Daily"),), days=99, plan=plan))).bookings["Daily"]
    band = mine.lead[np.argsort(mine.day)]
    assert [len(set(pair)) == 1 for pair in band.reshape(4, 2)] == [True] * 4
    assert len(set(band)) == 4


def test_colour_is_that_of_the_last_half_year_and_the_calendar_reaches_a_year_and_a_half(
    tmp_path: Path,
) -> None:
    days = 280
    # The last day is 279; 182 days end with it and begin on day 98.
    odd = {98: 16.0, 97: 24.0}
    plant = Plant((Title("Daily", colour=lambda number: odd.get(number, 8.0)),), days=days)
    drivers = drivers_of(logs_of(tmp_path, plant))
    last = FIRST + pd.Timedelta(days=days - 1)
    found = drivers.expected(last, pd.date_range(last + pd.Timedelta(days=1), periods=7, unit="us"))
    share = found.issues.set_index(found.issues["day"].dt.day_of_week)["colour_share"]
    # Each weekday comes 26 times in 182 days.
    assert share[98 % 7] == pytest.approx((25 * 8 + 16) / (26 * 24))
    assert share[97 % 7] == pytest.approx(8 / 24)
    # Days so far ahead are still looked up.
    ahead = pd.date_range(last + pd.Timedelta(days=540), periods=7, unit="us")
    assert len(drivers.expected(last, ahead).issues) == 7
