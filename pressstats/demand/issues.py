"""What was published: titles by day, with their copies, pages and runs; and which days are still to come.

An issue is a title on a publication day; its copies are those of all its runs. Materials follow from
issues: whoever forecasts copies and pages by title and weekday has forecast every material.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .feasts import feast_terms

if TYPE_CHECKING:
    from ..logs import Logs
    from ..plant import Plant

__all__ = ["Calendar", "TitlePast", "days_printed", "titles_changed", "titles_of", "weekday_of"]

#: A title comes out on a weekday if it did on two of the last four of them on which anything was printed.
_LAST, _LEAST = 4, 2
#: Public holidays that came on a title's weekdays before it is said to skip them.
_HOLIDAYS_SEEN = 2
#: Issues on one weekday, always as far apart, from which a title is said to come out every second week or so.
_ISSUES_APART = 3
_WEEK = np.timedelta64(7, "D")
#: Ten years, nine half-lives of what a trend remembers (``trends``): decades of logs cost no more than one.
_REMEMBERED = np.timedelta64(3653, "D")
#: Weeks after which it is known that a title has begun or ended; and pauses of its own that one must outlast to end.
_KNOWN_AFTER, _PAUSES = 4, 2


@dataclass(frozen=True)
class TitlePast:
    """Every issue of a title, in the order of its days."""

    title: str
    day: np.ndarray  # (issues,): publication days
    copies: np.ndarray  # (issues,): copies ordered
    pages: np.ndarray
    colour_pages: np.ndarray  # blank where not logged
    runs: np.ndarray
    event: np.ndarray  # (issues,): whether an event had been booked by the day
    whole: np.ndarray  # (issues,): whether no run of that day was set aside

    def until(self, known: np.datetime64) -> TitlePast:
        """Return the whole issues of the ten years up to a day: of older ones nothing that is expected takes note."""
        first, end = np.searchsorted(self.day, [known - _REMEMBERED, known], side="right")
        use = first + np.flatnonzero(self.whole[first:end])
        return TitlePast(
            self.title,
            self.day[use],
            self.copies[use],
            self.pages[use],
            self.colour_pages[use],
            self.runs[use],
            self.event[use],
            self.whole[use],
        )


def titles_of(logs: Logs) -> list[TitlePast]:
    """Return the past of every title that was printed, in alphabetical order."""
    grouped = logs["runs"].groupby(["title", "date"], sort=True)
    issues = grouped.agg(
        copies=("copies_ordered", "sum"),
        pages=("pages", "max"),
        colour_pages=("colour_pages", "max"),
        runs=("run_id", "size"),
    ).reset_index()
    event = pd.Series("", issues.index)
    if logs.has("plan"):
        plan = logs["plan"].sort_values("made_on", kind="stable")
        # What was written down afterwards, or nobody knows when, was not known to who looked ahead.
        plan = plan[plan["made_on"] <= plan["date"]]
        booked = plan.drop_duplicates(["title", "date"], keep="last").set_index(["title", "date"])["event"]
        event = booked.reindex(pd.MultiIndex.from_frame(issues[["title", "date"]])).fillna("")
    issues["event"] = (event != "").to_numpy()
    issues["whole"] = ~issues["date"].isin(logs.lost_nights).to_numpy()
    return [
        TitlePast(
            str(title),
            rows["date"].to_numpy().astype("datetime64[D]"),
            rows["copies"].to_numpy(dtype=float),
            rows["pages"].to_numpy(dtype=float),
            rows["colour_pages"].to_numpy(dtype=float),
            rows["runs"].to_numpy(dtype=float),
            rows["event"].to_numpy(),
            rows["whole"].to_numpy(),
        )
        for title, rows in issues.groupby("title", sort=True)
    ]


def _looked(past: TitlePast, printed: np.ndarray, calendar: Calendar) -> np.ndarray:
    """Return the days since a title began on which it would have come out if it does on that weekday.

    Those on which anything was printed, and ordinary days of weeks in which something was: a title alone on its
    weekday leaves nothing behind when it ends. A week without anything is rather a log that is missing.
    """
    days = np.arange(past.day[0], printed[-1] + 1)
    on = _among(days, printed)
    so_far = np.concatenate([np.zeros(7, dtype=int), np.cumsum(on)])
    week = so_far[7:] - so_far[:-7] > 0
    return np.asarray(days[on | (week & ~calendar.closed(days) & ~calendar.holiday(days))])


class Calendar:
    """Days without publication, public holidays, days about Christmas and Easter, looked up once for all years.

    Parameters
    ----------
    plant : Plant
        The plant.
    first, last : datetime64[D]
        Days between which is asked.
    """

    def __init__(self, plant: Plant, first: np.datetime64, last: np.datetime64) -> None:
        self._first = first
        days = pd.date_range(pd.Timestamp(first), pd.Timestamp(last), freq="D")
        closed = set(plant.calendar.closed)
        iso = days.strftime("%Y-%m-%d")
        self._closed = np.array([day in closed or day[5:] in closed for day in iso], dtype=bool)
        self._holiday = np.zeros(len(days), dtype=bool)
        if plant.calendar.country:
            # Imported here: it takes long, and many plants name no country.
            import holidays

            years = range(days[0].year, days[-1].year + 1)
            known = holidays.country_holidays(plant.calendar.country, plant.calendar.subdivision, years=years)
            self._holiday = np.array([day.date() in known for day in days], dtype=bool)
        self._feasts = feast_terms(days.to_numpy().astype("datetime64[D]"))

    def closed(self, days: np.ndarray) -> np.ndarray:
        """Say on which days nothing is published, shape of `days`."""
        return np.asarray(self._closed[(days - self._first).astype(int)])

    def holiday(self, days: np.ndarray) -> np.ndarray:
        """Say which days are public holidays, shape of `days`; none where the plant names no country."""
        return np.asarray(self._holiday[(days - self._first).astype(int)])

    def feasts(self, days: np.ndarray) -> np.ndarray:
        """Return the terms of Christmas and Easter, shape (days, terms)."""
        return np.asarray(self._feasts[(days - self._first).astype(int)])


def weekday_of(days: np.ndarray) -> np.ndarray:
    """Return the weekday of each day, Monday 0."""
    # The first of January 1970 was a Thursday.
    return np.asarray((days.astype("datetime64[D]").astype(int) + 3) % 7)


def days_printed(past: TitlePast, printed: np.ndarray, calendar: Calendar, days: np.ndarray) -> np.ndarray:
    """Say on which days to come a title comes out, by what it lately did; what a plan says is for others to weigh.

    `printed` are the days on which any title came out, as far as known.
    """
    comes = np.zeros(len(days), dtype=bool)
    if not len(past.day):
        return comes
    weekday, looked = weekday_of(days), _looked(past, printed, calendar)
    looked_on = weekday_of(looked)
    for one in range(7):
        # A title that began lately is judged by the weekdays since.
        last = looked[looked_on == one]
        came = _among(last, past.day)
        out = last[came][-_ISSUES_APART:]
        apart = np.diff(out)
        if len(out) == _ISSUES_APART and (apart == apart[0]).all() and apart[0] > _WEEK:
            # Every second week, or every fourth, as long as none failed to come.
            if last[-1] - out[-1] <= apart[0]:
                comes |= (days - out[-1]).astype(int) % int(apart[0].astype(int)) == 0
            continue
        hits = int(came[-_LAST:].sum())
        if len(last) and hits >= min(_LEAST, len(last)):
            comes |= weekday == one
    comes &= ~calendar.closed(days)
    between = np.arange(past.day[0], past.day[-1] + 1)
    own = np.bincount(weekday_of(past.day), minlength=7) > 0
    off = between[calendar.holiday(between) & own[weekday_of(between)] & ~calendar.closed(between)]
    if len(off) >= _HOLIDAYS_SEEN and _among(off, past.day).mean() < 0.5:
        comes &= ~calendar.holiday(days)
    return comes


def _among(days: np.ndarray, ordered: np.ndarray) -> np.ndarray:
    """Say which days are among days in order."""
    nearest = np.searchsorted(ordered, days)
    return np.asarray(ordered[np.minimum(nearest, len(ordered) - 1)] == days)


def titles_changed(titles: list[TitlePast], last: np.datetime64, first_week: pd.Timestamp) -> np.ndarray:
    """Return when titles began or ended: rows of (first week that was another, weeks seen when that is known).

    A title that is there for four weeks began; one ended that was there for eight and has been away for four, and for
    twice its longest pause so far.
    """
    start, least = np.datetime64(first_week, "D"), 7 * _KNOWN_AFTER
    changes = set()
    for past in titles:
        day = np.unique((past.day - start).astype(int))
        pause = np.diff(np.append(day, int((last - start).astype(int)) + 1))
        longest = np.concatenate([[0], np.maximum.accumulate(pause)[:-1]])
        away = np.maximum(least, _PAUSES * longest)
        ended = np.flatnonzero((pause > away) & (day - day[0] >= 2 * least))
        changes |= {((day[n] + 1) // 7, -(-(day[n] + away[n] + 1) // 7)) for n in ended}
        for began in (0, *(ended + 1)):
            there = day[began:][day[began:] <= day[min(began, len(day) - 1)] + least]
            if len(there) and there[0] >= least and there[-1] - there[0] >= least - 7:
                changes.add((there[0] // 7, there[0] // 7 + _KNOWN_AFTER))
    return np.array(sorted(changes), dtype=int).reshape(-1, 2)
