"""Issues to come: which days come out, what is booked and by how much bookings are off, and the past going on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from issue_simulation import FIRST, Plant, Title, logs_of, plant_tables

from pressstats.demand import Drivers, Expected, drivers_of
from pressstats.demand.feasts import TERMS, feast_terms
from pressstats.demand.issues import TitlePast, titles_changed, titles_of
from pressstats.demand.trends import fit_trend
from pressstats.demand.weighed import weighed_pages

if TYPE_CHECKING:
    from pressstats.logs import Logs


def day(number: int) -> pd.Timestamp:
    return FIRST + pd.Timedelta(days=number)


def expected(drivers: Drivers, known: int, days: int = 28, first: int | None = None) -> Expected:
    start = known + 1 if first is None else first
    return drivers.expected(day(known), pd.date_range(day(start), periods=days, freq="D", unit="us"))


def issues(found: Expected, title: str) -> pd.DataFrame:
    table = found.issues[found.issues["title"] == title]
    return table.assign(number=(table["day"] - FIRST).dt.days, pages=found.pages[table.index].mean(axis=1))


def drivers_from(folder: Path, plant: Plant) -> Drivers:
    return drivers_of(logs_of(folder, plant))


# --- which days come out -----------------------------------------------------------------------


def weekdays(drivers: Drivers, known: int, title: str) -> set[int]:
    return set(issues(expected(drivers, known), title)["number"] % 7)


def test_days_of_titles_that_began_ended_and_come_out_every_second_week(tmp_path: Path) -> None:
    plant = Plant(
        (
            Title("Daily", range(6)),
            Title("Sunday", (6,), last=99),  # alone on its weekday; its last issue is of day 97
            Title("Evening", (0, 1, 2), last=100),
            Title("Young", (2, 4), first=114),
            Title("Fortnight", (3,), first=3, every=2),
            Title("Month", (4,), first=4, every=4),
        ),
        days=126,
    )
    drivers = drivers_from(tmp_path, plant)
    assert weekdays(drivers, 125, "Daily") == set(range(6))
    assert weekdays(drivers, 125, "Young") == {2, 4}
    # Two of the last four, and no longer: after three weeks a title has ended.
    assert weekdays(drivers, 99, "Sunday") == {6} == weekdays(drivers, 111, "Sunday")
    # The Sunday of day 118 counts once Monday's issue says that the week went on.
    assert weekdays(drivers, 119, "Sunday") == set() == weekdays(drivers, 125, "Evening")
    for title, every in (("Fortnight", 14), ("Month", 28)):
        last = max(number for number, one in plant.issues() if one.name == title)
        found = issues(expected(drivers, 125, 56), title)["number"]
        assert list(found) == [number for number in range(126, 182) if (number - last) % every == 0]
    # Two days old: the one weekday that was seen.
    assert weekdays(drivers, 115, "Young") == {114 % 7}


def test_a_week_without_logs_ends_no_title(tmp_path: Path) -> None:
    # Nothing at all was logged in the last three weeks.
    plant = Plant((Title("Daily"), Title("Weekly", (3,))), days=98, closed=range(77, 97))
    drivers = drivers_from(tmp_path, plant)
    assert weekdays(drivers, 97, "Weekly") == {3}
    assert weekdays(drivers, 97, "Daily") == set(range(7))


def test_closed_days_and_holidays_that_a_title_skips(tmp_path: Path) -> None:
    # In 2024 Austria had holidays on 1 and 6 January, 1 April, 1, 9, 20 and 30 May: days 0, 5, 91, 121, 129,
    # 140 and 150; Corpus Christi is the last (Easter Sunday was 31 March; memory).
    holidays = [0, 5, 91, 121, 129, 140, 150]
    toml = ("", '[calendar]\ncountry = "AT"\nclosed = ["07-04", "2024-07-09"]')
    plant = Plant((Title("Daily"),), days=182, closed=holidays, toml=toml)
    skips = drivers_from(tmp_path, plant)
    found = set(issues(expected(skips, 181, 60), "Daily")["number"])
    # 4 and 9 July are days 185 and 190, 15 August is day 227.
    assert set(range(182, 242)) - found == {185, 190, 227}
    plain = drivers_from(tmp_path / "prints", replace(plant, closed=()))
    assert set(range(182, 242)) - set(issues(expected(plain, 181, 60), "Daily")["number"]) == {185, 190}


# --- the past goes on --------------------------------------------------------------------------


def test_copies_by_weekday_level_and_season_of_a_title_go_on(tmp_path: Path) -> None:
    def copies(number: int) -> float:
        season = 1 + 0.08 * np.sin(2 * np.pi * number / 365.25)
        return 20_000 * season * (1.3 if number % 7 == 5 else 1.0)

    plant = Plant(
        (Title("Daily", range(7), copies, lambda number: 24.0 + 8.0 * (number % 7 == 5)),), days=900
    )
    found = issues(expected(drivers_from(tmp_path, plant), 899, 91), "Daily")
    truth = np.array([copies(number) for number in found["number"]])
    np.testing.assert_allclose(found["copies"], truth, rtol=0.02)
    np.testing.assert_allclose(found["pages"], 24 + 8 * (found["number"] % 7 == 5), atol=0.05)
    assert (found["source"] == "model").all()
    assert (found["runs"] == 1).all()
    np.testing.assert_allclose(found["colour_share"], np.where(found["number"] % 7 == 5, 8 / 32, 8 / 24))


def test_a_fit_without_anything_odd_is_a_fit() -> None:
    one = fit_trend(np.array([5.0]), np.array([0.0]), np.array([3]), np.array([False]), np.zeros((1, 2)))
    at = one.at(np.array([1.0, 100.0]), np.array([3, 5]), np.array([False, True]), np.ones((2, 2)))
    np.testing.assert_allclose(at, 5.0, rtol=1e-6)
    # One promotion of ten times the copies does not move what is usual.
    days, weekday = np.arange(-200.0, 1.0), np.arange(201) % 7
    values = np.full(201, 10.0)
    values[150] += np.log(10)
    odd = fit_trend(values, days, weekday, np.zeros(201, dtype=bool), np.zeros((201, 0)))
    ahead = odd.at(np.arange(1.0, 15.0), np.arange(201, 215) % 7, np.zeros(14, dtype=bool), np.zeros((14, 0)))
    np.testing.assert_allclose(ahead, 10.0, atol=0.02)


def test_a_new_level_is_carried_on_and_fades() -> None:
    days, weekday = np.arange(-700.0, 1.0), np.arange(701) % 7
    values = np.where(days > -60, 11.0, 10.0)
    fit = fit_trend(values, days, weekday, np.zeros(701, dtype=bool), np.zeros((701, 0)))
    near = fit.at(np.arange(1.0, 8.0), np.arange(7), np.zeros(7, dtype=bool), np.zeros((7, 0)))
    assert np.abs(near - 11.0).max() < 0.3
    assert 0 < fit.level < 1.1


def test_days_about_christmas_and_easter_are_found_by_date() -> None:
    days = np.arange(np.datetime64("2024-11-01"), np.datetime64("2026-05-01"))
    terms = feast_terms(days)
    assert terms.shape == (len(days), TERMS)
    assert terms.min() == 0
    assert terms.max() == 1

    def of(day: str) -> np.ndarray:
        return terms[int((np.datetime64(day) - days[0]).astype(int))]

    # The same distance is the same term in every year, whatever its weekday; between two terms it is shared.
    for day in ("12-14", "12-24", "12-31", "11-20"):
        np.testing.assert_array_equal(of(f"2024-{day}"), of(f"2025-{day}"))
    assert of("2024-12-16").sum() == pytest.approx(1)
    assert (of("2024-12-16") > 0).sum() == 2
    # Nothing before the feast tells anything of the days after it; ordinary weeks have no term.
    assert not (of("2025-12-24") * of("2025-12-26")).any()
    assert of("2025-12-26").sum() == pytest.approx(1)
    assert not of("2025-03-01").any()
    assert not of("2025-01-12").any()
    # Easter Sundays of 2025 and 2026 by the tables of the church calendar (from memory): 20 April, 5 April.
    np.testing.assert_array_equal(of("2025-04-20"), of("2026-04-05"))
    np.testing.assert_array_equal(of("2025-04-21"), of("2026-04-06"))
    assert of("2025-04-19").any()
    assert of("2025-04-28").sum() == 0


def test_one_december_tells_the_next() -> None:
    day = np.arange(np.datetime64("2023-06-05"), np.datetime64("2025-01-20"))
    season = np.cos(2 * np.pi * np.arange(len(day)) / 365.25)
    terms, number, weekday = feast_terms(day), np.arange(len(day)), (day.astype(int) + 3) % 7
    # Eight pages more two weeks before Christmas, six fewer from the day after it to Epiphany.
    month = np.array([str(one)[5:] for one in day])
    pages = 30 + season + np.where((month >= "12-08") & (month <= "12-20"), 8.0, 0.0)
    pages -= np.where((month >= "12-26") | (month <= "01-06"), 6.0, 0.0)
    seen = int((np.datetime64("2024-12-01") - day[0]).astype(int))
    none = np.zeros(len(day), dtype=bool)
    missed = []
    for feasts in (terms, np.zeros((len(day), 0))):
        known = (number[:seen] - seen + 1.0, weekday[:seen], none[:seen], feasts[:seen])
        fit = fit_trend(pages[:seen], *known)
        said = fit.at(number[seen:] - seen + 1.0, weekday[seen:], none[seen:], feasts[seen:])
        missed.append(np.abs(said - pages[seen:])[:36].mean())
    assert missed[0] < 0.5 * missed[1]
    assert missed[0] < 1.7


# --- bookings ----------------------------------------------------------------------------------


def booked(
    days: range, title: str, lead: int, copies: float, pages: float, event: str = "", colour: float = 8.0
) -> list[tuple[int, str, int, float, float, float, str]]:
    return [(number, title, number - lead, copies, pages, colour, event) for number in days]


def plan_logs(
    folder: Path, plan: list[tuple[int, str, int, float, float, float, str]], **more: object
) -> Logs:
    varied = Title(
        "Daily",
        range(7),
        lambda number: 20_000.0 + 500 * (number * 7 % 11),
        lambda number: 24.0 + 4 * (number % 3),
    )
    plant = Plant((varied, Title("Weekly", (3,))), days=140, plan=plan)
    tables = plant_tables(plant)
    if "blank" in more:
        tables["plan"] = tables["plan"].assign(made_on=pd.NaT)
    return logs_of(folder, plant, tables)


def band(row: Any) -> int:
    """Ten days are in the band up to 14, thirty in that of 29 to 56, one hundred and more in the last."""
    days = (row.date - row.made_on).days
    return 0 if days <= 14 else 1 if days <= 28 else 2 if days <= 56 else 3


def issues_of(drivers: Drivers, known: int, issue: Any) -> np.ndarray:
    """Return draws of the pages of an issue for one who knows of no booking, shape (1, draws)."""
    found = drivers.expected(day(known), pd.DatetimeIndex([issue.day]))
    return found.pages[(found.issues["title"] == issue.title).to_numpy()]


def test_bookings_are_corrected_by_what_they_were_off_as_a_slow_loop_finds(tmp_path: Path) -> None:
    # Booked 10 and 30 days before; those of 30 days are too high by more.
    plan = booked(range(20, 160), "Daily", 10, 22_000.0, 26.0)
    plan += booked(range(40, 180), "Daily", 30, 26_000.0, 30.0)
    plan += booked(range(40, 180, 7), "Weekly", 10, 25_000.0, 20.0)
    plan = [row for row in plan if row[1] == "Daily" or row[0] % 7 == 3] + [
        (171, "Weekly", 130, 9e3, 8, 4, "")
    ]
    logs = plan_logs(tmp_path, plan)
    drivers = drivers_of(logs)
    runs, table = logs["runs"], logs["plan"]
    came = {(row.title, row.date): (row.copies_ordered, row.pages) for row in runs.itertuples()}
    bookings = list(table.sort_values("date", kind="stable").itertuples())
    for known in (95, 139):
        found = expected(drivers, known, 36)
        assert (found.issues["source"] == "plan").any()
        assert (found.issues["source"] == "model").any()
        for place, issue in enumerate(found.issues.itertuples()):
            mine = [row for row in bookings if (row.title, row.date) == (issue.title, issue.day)]
            mine = [row for row in mine if row.made_on <= day(known)]
            if issue.source == "model":
                assert not mine
                continue
            last = max(mine, key=lambda row: row.made_on)
            off: dict[str, list[tuple[float, float]]] = {"Daily": [], "Weekly": []}
            weighed = []
            for row in bookings:
                copies, pages = came.get((row.title, row.date), (np.nan, np.nan))
                if row.date <= day(known) and copies > 0 and band(row) == band(last):
                    off[row.title].append((copies / row.copies_planned, pages - row.pages_planned))
                    if row.title == "Daily":
                        weighed.append((row.pages_planned, pages))
            own = off[issue.title]
            used = own[-150:] if len(own) >= 12 else off["Daily"][-150:] + off["Weekly"][-150:]
            ratios = [min(max(ratio, 0.5), 2.0) for ratio, _ in used]
            assert issue.copies == pytest.approx(last.copies_planned * (sum(ratios) + 4) / (len(ratios) + 4))
            if len(own) >= 12:
                # Weighed with what the past says of it (test_demand_weighed.py).
                usual = issues_of(replace(drivers, bookings={}), known, issue)
                booked_of, came_of = (
                    np.array(column, dtype=float) for column in zip(*weighed[-150:], strict=True)
                )
                past = drivers.titles[0].until(np.datetime64(day(known), "D"))
                pages = weighed_pages(
                    usual, np.array([last.pages_planned]), came_of, booked_of, np.unique(past.pages)
                )
                np.testing.assert_array_equal(found.pages[place], pages[0])
                continue
            # Forty draws at the middles of forty equal shares of what pages were off.
            missed = sorted(pages for _, pages in used)
            for draw in range(40):
                at = (draw + 0.5) / 40 * len(missed) - 0.5
                low = min(max(int(np.floor(at)), 0), len(missed) - 1)
                high = min(max(low + 1, 0), len(missed) - 1)
                between = missed[low] + (missed[high] - missed[low]) * min(max(at - low, 0.0), 1.0)
                assert found.pages[place, draw] == pytest.approx(max(last.pages_planned + between, 1.0))


def daily_with(folder: Path, printed: np.ndarray, planned: np.ndarray, ahead: float) -> np.ndarray:
    """Return draws of the Daily's pages of the day after the logs, booked ten days before with `ahead` pages."""
    daily = Title("Daily", range(7), lambda _: 20_000.0, lambda number: float(printed[number]))
    pages = [*planned, ahead]
    plan = [
        row
        for number, one in enumerate(pages)
        for row in booked(range(number, number + 1), "Daily", 10, 2e4, one)
    ]
    plant = Plant((daily,), days=len(printed), plan=plan)
    found = expected(drivers_from(folder, plant), len(printed) - 1, 1)
    assert (found.issues["source"] == "plan").all()
    return found.pages[0]


@pytest.mark.parametrize("ahead", [16, 24])
def test_a_booking_of_more_pages_means_the_usual_where_nothing_else_comes_of_it(
    tmp_path: Path, ahead: int
) -> None:
    """Sixteen pages nearly every night, while a booking in four says 8 or 24: 24 booked are 16."""
    rng = np.random.default_rng(3)
    printed = np.full(140, 16)
    printed[[11, 60]] = 24
    planned = printed + 8 * rng.choice([-1, 0, 1], 140, p=[0.13, 0.74, 0.13])
    drawn = daily_with(tmp_path, printed, planned, ahead)
    assert np.mean(drawn == 16) > 0.8


def test_a_booking_means_what_it_says_where_bookings_come_true(tmp_path: Path) -> None:
    printed = 16 + 8 * np.random.default_rng(4).choice([-1, 0, 1], 140, p=[0.2, 0.6, 0.2])
    assert (daily_with(tmp_path, printed, printed, 24) == 24).all()


def test_a_booking_unlike_any_before_is_taken_as_it_stands(tmp_path: Path) -> None:
    """A supplement of a size never printed before: nothing tells that it is a mistake."""
    printed = np.full(140, 16)
    printed[[11, 60]] = 24
    planned = printed + 8 * np.random.default_rng(5).choice([-1, 0, 1], 140, p=[0.1, 0.8, 0.1])
    assert np.median(daily_with(tmp_path, printed, planned, 48)) == 48


def test_pages_that_no_booking_ahead_tells_are_those_of_the_past(tmp_path: Path) -> None:
    """Enough bookings of ten days came true, and those ahead tell copies alone."""
    plan = booked(range(100, 140), "Daily", 10, 20_000.0, 24.0)
    plan += booked(range(140, 149), "Daily", 10, 20_000.0, 0.0, colour=0.0)
    drivers = drivers_of(plan_logs(tmp_path, plan))
    ahead = expected(drivers, 139, 9)
    daily = issues(ahead, "Daily")
    assert (daily["source"] == "plan").all()
    alone = expected(replace(drivers, bookings={}), 139, 9)
    np.testing.assert_array_equal(daily["pages"], issues(alone, "Daily")["pages"])


def test_the_plan_says_which_days_come_out_and_the_last_one_made_stands(tmp_path: Path) -> None:
    plan = booked(range(130, 160), "Daily", 20, 20_000.0, 24.0)
    plan += [(145, "Daily", 135, 0.0, 0.0, 0.0, ""), (146, "Daily", 136, 60_000.0, 48.0, 24.0, "fair")]
    plan += [(150, "Special", 138, 5_000.0, 16.0, 4.0, ""), (147, "Weekly", 139, 0.0, 0.0, 0.0, "")]
    plan += [(144, "Daily", 139, 20_000.0, np.nan, np.nan, "")]
    drivers = drivers_of(plan_logs(tmp_path, plan))
    found = expected(drivers, 139)
    daily = issues(found, "Daily").set_index("number")
    # No booking of ten days has come yet; those of twenty came ten times.
    assert 145 not in daily.index
    assert daily.loc[146, "copies"] == 60_000
    came = [20_000.0 + 500 * (number * 7 % 11) for number in range(130, 140)]
    assert daily.loc[147, "copies"] == pytest.approx(20_000 * (sum(came) / 20_000 + 4) / 14)
    assert daily.loc[146, "pages"] > 44
    assert daily.loc[146, "colour_share"] == 0.5
    # A day before the cancelling was booked it was still to come.
    assert 145 in set(issues(expected(drivers, 134), "Daily")["number"])
    # Booked and never printed: as booked; not printed and not booked for: the days of the past.
    special = issues(found, "Special")
    assert list(special["number"]) == [150]
    assert special["copies"].iloc[0] == pytest.approx(5_000, rel=0.2)
    assert list(issues(found, "Weekly")["number"]) == [143, 150, 157, 164]
    assert 147 % 7 == 0
    # Pages that the plan leaves open are those of the past.
    assert daily.loc[144, "pages"] == pytest.approx(28, abs=4.5)
    assert daily.loc[144, "source"] == "plan"


def test_a_plan_that_does_not_say_when_it_was_made_is_known_today_and_never_before(tmp_path: Path) -> None:
    plan = booked(range(60, 150), "Daily", 10, 30_000.0, 24.0, event="fair")
    drivers = drivers_of(plan_logs(tmp_path, plan, blank=True))
    assert set(expected(drivers, 100).issues["source"]) == {"model"}
    assert not any(one.event.any() for one in drivers.titles)
    found = expected(drivers, 139)
    assert set(found.issues["source"]) == {"plan", "model"}
    # Of 90 bookings about 80 came at 22,500 or so: today they correct the rest.
    first = issues(found, "Daily").iloc[0]
    assert first["copies"] == pytest.approx(22_500, rel=0.02)


def test_a_booking_written_down_after_its_day_is_neither_an_event_nor_an_error(tmp_path: Path) -> None:
    plan = booked(range(20, 160), "Daily", 10, 22_000.0, 26.0)
    before = drivers_of(plan_logs(tmp_path / "before", plan))
    after = [(number, "Daily", number + 3, 5_000.0, 8.0, 4.0, "fair") for number in range(20, 130)]
    later = drivers_of(plan_logs(tmp_path / "after", plan + after))
    for known in (80, 139):
        one, two = expected(before, known), expected(later, known)
        pd.testing.assert_frame_equal(one.issues, two.issues)
        np.testing.assert_array_equal(one.pages, two.pages)


def test_days_of_events_are_known_when_they_were_booked(tmp_path: Path) -> None:
    plan = booked(range(30, 33), "Daily", 10, 30_000.0, 24.0, event="fair")
    plan += booked(range(40, 43), "Daily", 0, 30_000.0, 24.0, event="fair")
    plan += booked(range(50, 53), "Daily", -1, 30_000.0, 24.0, event="fair")
    (daily, weekly) = titles_of(plan_logs(tmp_path, plan))
    assert list(np.flatnonzero(daily.event)) == [30, 31, 32, 40, 41, 42]
    assert not weekly.event.any()
    assert weekly.title == "Weekly"


def test_titles_add_up_their_runs_and_leave_out_days_that_lost_one(tmp_path: Path) -> None:
    plant = Plant((Title("Daily", range(7), runs=3), Title("Weekly", (3,))), days=28)
    tables = plant_tables(plant)
    runs = tables["runs"].astype({"copies_good": object})
    runs.loc[runs["run_id"] == "0010Daily1", "copies_good"] = "soaked"
    logs = logs_of(tmp_path, plant, tables | {"runs": runs})
    assert len(logs.lost_nights)
    daily = titles_of(logs)[0]
    assert (daily.runs[daily.whole] == 3).all()
    assert list(np.flatnonzero(~daily.whole)) == [10]
    np.testing.assert_allclose(daily.copies[daily.whole], 20_000, atol=3)
    known = daily.until(np.datetime64(day(12), "D"))
    assert len(known.day) == 12
    assert known.day[-1] == np.datetime64(day(12), "D")


def past_of(title: str, days: list[int]) -> TitlePast:
    number = len(days)
    day = np.datetime64("2024-01-01") + np.array(days)
    return TitlePast(title, day, *np.ones((4, number)), np.zeros(number, bool), np.ones(number, bool))


def test_ten_years_of_a_title_are_remembered() -> None:
    old = past_of("Daily", list(range(5000)))
    known = old.until(old.day[4900])
    assert (len(known.day), known.day[-1]) == (3653, old.day[4900])
    assert not len(old.until(old.day[-1] + 4000).day)


def test_titles_that_began_or_ended_are_told_with_when_that_is_known() -> None:
    first, last = pd.Timestamp("2024-01-01"), np.datetime64("2024-01-01") + 399  # Mondays; 57 weeks and a day
    daily = list(range(400))
    cases = {
        "always": (daily, []),
        "ended": (daily[:200], [(28, 33)]),  # last issue on day 199, in week 28; away for 28 days on day 228
        "ended lately": (daily[:380], []),  # three weeks ago: nobody knows yet
        "began": (daily[200:], [(28, 32)]),
        "once": ([210], []),
        "a fortnight": (daily[200:214], []),
        "every fourth week": (daily[3::28], []),
        "every fourth week, ended": (
            daily[3:200:28],
            [(28, 37)],
        ),  # last on day 199; 56 days without are over with day 255
        "two months away": ([d for d in daily if not 100 <= d < 160], [(14, 19), (22, 26)]),
    }
    for name, (days, expected) in cases.items():
        found = titles_changed([past_of(name, days)], last, first)
        assert [tuple(row) for row in found.tolist()] == expected, name
    # Nothing that comes later moves what was known: the logs cut anywhere tell the same of what they knew.
    whole = titles_changed([past_of(name, days) for name, (days, _) in cases.items()], last, first)
    for weeks in (30, 34, 40, 50):
        cut = [
            past_of(name, kept)
            for name, (days, _) in cases.items()
            if (kept := [d for d in days if d < 7 * weeks])
        ]
        found = titles_changed(cut, np.datetime64("2024-01-01") + 7 * weeks - 1, first)
        np.testing.assert_array_equal(found[found[:, 1] <= weeks], whole[whole[:, 1] <= weeks])
