"""Copies and pages of the issues to come: as booked where they are booked, else as the title's past goes on.

A plan is not the truth either: what it lately was off by, at that distance, corrects it and is its
uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .issues import Calendar, TitlePast, days_printed, titles_of, weekday_of
from .trends import fit_trend
from .weighed import weighed_pages

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["DRAWS", "Drivers", "Expected", "drivers_of"]

#: Distances between booking and publication that are judged together [day].
_LEADS = np.array([14, 28, 56])
#: Past bookings that tell how a title's are off; fewer are judged with those of all titles.
_OWN_BOOKINGS = 12
_RECENT_BOOKINGS = 150
#: Draws that stand for the pages of an issue.
DRAWS = 40
_LATELY = np.timedelta64(182, "D")
#: Days beyond the logs for which the calendar is looked up.
_BEYOND = np.timedelta64(600, "D")


@dataclass(frozen=True)
class Expected:
    """What is expected of the issues to come."""

    # (issues, 6): day, title, copies (expected), colour_share (colour pages of all pages), runs, source (plan,
    # model)
    issues: pd.DataFrame
    pages: np.ndarray  # (issues, DRAWS): equally likely numbers of pages of each issue


@dataclass(frozen=True)
class _Bookings:
    """Bookings of a title in the order in which they were made, and what came of those that are past."""

    day: np.ndarray
    made: np.ndarray  # not a time where the booking has no date
    copies: np.ndarray
    pages: np.ndarray
    colour: np.ndarray
    lead: np.ndarray
    off_copies: np.ndarray  # came over booked; blank where still ahead
    off_pages: np.ndarray

    def known_at(self, known: np.datetime64, today: bool) -> np.ndarray:
        """Return the positions of the last known booking of each day after `known`."""
        made = (self.made <= known) | (np.isnat(self.made) & today)
        rows = np.flatnonzero(made & (self.day > known))
        # The last one made of a day stands.
        _, last = np.unique(self.day[rows][::-1], return_index=True)
        return np.asarray(rows[::-1][last])

    def errors_at(self, known: np.datetime64, lead: int, today: bool) -> np.ndarray:
        """Return the positions of the bookings of that distance whose issue was printed by `known`.

        One written down after its day says nothing of how bookings miss.
        """
        made_before = (self.made <= self.day) | (np.isnat(self.made) & today)
        rows = np.flatnonzero(
            made_before & (self.day <= known) & (self.lead == lead) & np.isfinite(self.off_copies)
        )
        return np.asarray(rows[np.argsort(self.day[rows], kind="stable")][-_RECENT_BOOKINGS:])


@dataclass(frozen=True)
class Drivers:
    """Issues and bookings, ready to be asked from any day."""

    titles: list[TitlePast]  # every title's issues
    bookings: dict[str, _Bookings]  # bookings by title
    calendar: Calendar  # days without publication and public holidays
    # Last day of the logs: bookings that tell no day of making are known from then on only
    last: np.datetime64

    def expected(self, known: pd.Timestamp, days: pd.DatetimeIndex) -> Expected:
        """Return what the issues on `days` are expected to be by one who knows all up to `known`, which is earlier.

        A booked title that was never printed takes what is booked.
        """
        now, ahead = np.datetime64(known, "D"), days.to_numpy().astype("datetime64[D]")
        past = {one.title: one.until(now) for one in self.titles}
        printed = np.unique(np.concatenate([one.day for one in past.values()])) if past else ahead[:0]
        parts, pages = [], []
        for title in sorted({*past, *self.bookings}):
            issues = self._of_title(title, past.get(title), printed, now, ahead)
            if issues is not None:
                parts.append(issues[0])
                pages.append(issues[1])
        if not parts:
            columns = ["day", "title", "copies", "colour_share", "runs", "source"]
            return Expected(pd.DataFrame(columns=columns), np.zeros((0, DRAWS)))
        together = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
        return Expected(pd.DataFrame(together).astype({"title": "str"}), np.concatenate(pages))

    def _of_title(
        self,
        title: str,
        past: TitlePast | None,
        printed: np.ndarray,
        now: np.datetime64,
        ahead: np.ndarray,
    ) -> tuple[dict[str, np.ndarray], np.ndarray] | None:
        comes = np.zeros(len(ahead), dtype=bool)
        if past is not None and len(past.day):
            comes = days_printed(past, printed, self.calendar, ahead)
        bookings = self.bookings.get(title)
        rows = bookings.known_at(now, bool(now >= self.last)) if bookings is not None else np.zeros(0, int)
        booking = np.full(len(ahead), -1)
        if bookings is not None and len(rows):
            step = np.searchsorted(ahead, bookings.day[rows])
            inside = (step < len(ahead)) & (ahead[np.minimum(step, len(ahead) - 1)] == bookings.day[rows])
            booking[step[inside]] = rows[inside]
            planned = booking >= 0
            # The plan says which days come out, where it says anything.
            comes[planned] = bookings.copies[booking[planned]] > 0
        days, booking = ahead[comes], booking[comes]
        if not len(days):
            return None
        copies, share, runs = np.full(len(days), np.nan), np.full(len(days), np.nan), np.ones(len(days))
        pages = np.full((len(days), DRAWS), np.nan)
        if past is not None and len(past.day):
            copies, pages, share, runs = _modelled(past, days, now, self.calendar)
        if bookings is not None:
            levels = np.zeros(0) if past is None else np.unique(past.pages)
            self._put_booked(bookings, booking, now, copies, pages, share, levels)
        use = np.isfinite(copies) & np.isfinite(pages).all(axis=1)
        table = {
            "day": days[use],
            "title": np.full(int(use.sum()), title, dtype=object),
            "copies": copies[use],
            "colour_share": share[use],
            "runs": runs[use],
            "source": np.where(booking[use] >= 0, "plan", "model").astype(object),
        }
        return table, pages[use]

    def _put_booked(
        self,
        bookings: _Bookings,
        booking: np.ndarray,
        now: np.datetime64,
        copies: np.ndarray,
        pages: np.ndarray,
        share: np.ndarray,
        levels: np.ndarray,
    ) -> None:
        """Put what is booked in place of what the past says, corrected by what bookings were off.

        Pages of a title with bookings enough are weighed with what the past says of them.
        """
        lead = np.where(booking >= 0, bookings.lead[np.maximum(booking, 0)], -1)
        for band in np.unique(lead[lead >= 0]):
            here = np.flatnonzero(lead == band)
            rows = booking[here]
            past = bookings.errors_at(now, int(band), bool(now >= self.last))
            off_copies, off_pages = self._off(bookings, past, now, int(band))
            # Of few bookings little is learned.
            ratio = (np.clip(off_copies, 0.5, 2.0).sum() + 4) / (len(off_copies) + 4)
            copies[here] = bookings.copies[rows] * ratio
            planned = bookings.pages[rows]
            with_pages = planned > 0
            own, planned_pages = here[with_pages], planned[with_pages]
            past = past[np.isfinite(bookings.off_pages[past])]
            if len(own) and len(past) >= _OWN_BOOKINGS and np.isfinite(pages[own]).all():
                was = bookings.pages[past]
                came = was + bookings.off_pages[past]
                pages[own] = weighed_pages(pages[own], planned_pages, came, was, levels)
            else:
                pages[own] = np.maximum(planned_pages[:, None] + _draws(off_pages), 1.0)
            coloured = with_pages & np.isfinite(bookings.colour[rows])
            share[here[coloured]] = np.minimum(bookings.colour[rows][coloured] / planned[coloured], 1.0)

    def _off(
        self, bookings: _Bookings, past: np.ndarray, now: np.datetime64, band: int
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return by how much `past` bookings of a title were off; those of all titles at that distance if few are."""
        if len(past) >= _OWN_BOOKINGS:
            return bookings.off_copies[past], bookings.off_pages[past][np.isfinite(bookings.off_pages[past])]
        every = [(one, one.errors_at(now, band, bool(now >= self.last))) for one in self.bookings.values()]
        off_copies = np.concatenate([one.off_copies[rows] for one, rows in every])
        off_pages = np.concatenate([one.off_pages[rows] for one, rows in every])
        return off_copies, off_pages[np.isfinite(off_pages)]


def drivers_of(logs: Logs) -> Drivers:
    """Return issues and bookings of the logs."""
    titles = titles_of(logs)
    last = np.datetime64(logs.as_of, "D")
    first = min((one.day[0] for one in titles), default=last)
    return Drivers(titles, _bookings(logs, titles), Calendar(logs.plant, first, last + _BEYOND), last)


def _bookings(logs: Logs, titles: list[TitlePast]) -> dict[str, _Bookings]:
    if not logs.has("plan"):
        return {}
    past = {one.title: one for one in titles}
    bookings = {}
    for title, rows in logs["plan"].groupby("title", sort=True):
        rows = rows.sort_values("made_on", na_position="first", kind="stable")
        day, made = (rows[name].to_numpy().astype("datetime64[D]") for name in ("date", "made_on"))
        copies, pages, colour = (
            rows[name].to_numpy(dtype=float) for name in ("copies_planned", "pages_planned", "colour_pages")
        )
        came_copies, came_pages = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
        one = past.get(str(title))
        if one is not None:
            row = np.minimum(np.searchsorted(one.day, day), len(one.day) - 1)
            hit = (one.day[row] == day) & one.whole[row]
            came_copies[hit], came_pages[hit] = one.copies[row[hit]], one.pages[row[hit]]
        distance = np.where(np.isnat(made), 0, (day - made).astype(float))
        bookings[str(title)] = _Bookings(
            day,
            made,
            copies,
            pages,
            colour,
            np.searchsorted(_LEADS, distance, side="left"),
            came_copies / np.where(copies > 0, copies, np.nan),
            came_pages - np.where(pages > 0, pages, np.nan),
        )
    return bookings


def _modelled(
    past: TitlePast, days: np.ndarray, now: np.datetime64, calendar: Calendar
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return copies, draws of pages, colour share and runs of issues by a title's past."""
    usual = np.flatnonzero(~past.event)
    usual = usual if len(usual) >= 8 else np.arange(len(past.day))
    day, weekday = past.day[usual], weekday_of(days)
    at = (day - now).astype(float), weekday_of(day), calendar.holiday(day), calendar.feasts(day)
    to = (days - now).astype(float), weekday, calendar.holiday(days), calendar.feasts(days)
    of_copies = fit_trend(np.log(np.maximum(past.copies[usual], 1)), *at)
    of_pages = fit_trend(past.pages[usual], *at)
    # The regression is of what is usual; the mean of what promotions and chance leave makes it a mean.
    copies = np.exp(of_copies.at(*to)) * (np.exp(of_copies.rest).mean() if len(of_copies.rest) else 1.0)
    fit = of_pages.at(*to)
    pages = np.maximum(fit[:, None] + _draws(of_pages.left_near(fit)), 1.0)
    lately = day > now - _LATELY
    lately = lately if lately.sum() >= 8 else np.ones(len(day), dtype=bool)
    rows, on = usual[lately], weekday_of(day[lately])
    share = _ratio(past.colour_pages[rows], past.pages[rows], on)[weekday]
    runs = _ratio(past.runs[rows], np.ones(len(rows)), on)[weekday]
    return copies, pages, share, runs


def _ratio(above: np.ndarray, below: np.ndarray, weekday: np.ndarray) -> np.ndarray:
    """Return sums over sums by weekday, shape (7,); of all weekdays where one was not seen."""
    known = np.isfinite(above)
    if not known.any():
        return np.full(7, np.nan)
    up = np.bincount(weekday[known], weights=above[known], minlength=7)
    down = np.bincount(weekday[known], weights=below[known], minlength=7)
    return np.where(down > 0, up / np.where(down > 0, down, 1.0), up.sum() / down.sum())


def _draws(rest: np.ndarray) -> np.ndarray:
    """Return `DRAWS` equally likely values that stand for all of `rest`, along its last axis."""
    count = rest.shape[-1]
    if not count:
        return np.zeros((*rest.shape[:-1], DRAWS))
    at = np.clip((np.arange(DRAWS) + 0.5) / DRAWS * count - 0.5, 0, count - 1)
    below = at.astype(int)
    ranked = np.sort(rest, axis=-1)
    low, high = ranked[..., below], ranked[..., np.minimum(below + 1, count - 1)]
    return np.asarray(low + (high - low) * (at - below))
