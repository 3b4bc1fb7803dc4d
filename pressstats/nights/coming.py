"""The seven days after as-of: what comes out, the paper that it takes, what is due, and what is closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..demand import drivers_of
from ..tables import as_published

if TYPE_CHECKING:
    from ..demand import Drivers, Outlook
    from ..logs import Logs
    from ..orders import Paths

__all__ = ["USUAL_RUNS", "booked_issues", "coming_days", "coming_paper", "due_words", "unusual_pages"]

_DAYS = 7
#: Last runs of a title whose pages are usual.
USUAL_RUNS = 20


def coming_days(logs: Logs, outlook: Outlook | None, open_orders: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``coming_days``.

    Parameters
    ----------
    logs : Logs
        The logs; ``plan`` where issues are booked.
    outlook : Outlook or None
        The forecast, whose issues are taken where there is one.
    open_orders : DataFrame
        Result of :func:`pressstats.orders.open_orders`.

    Returns
    -------
    DataFrame, shape (7, 8)
        The published columns. An issue that is booked stands as it is booked, another as its title's past goes on.
    """
    days = _days(logs)
    drivers = drivers_of(logs) if outlook is None else outlook.recipe.drivers
    issues = _issues(logs, drivers, days)
    by_day = issues.groupby("date")
    table = pd.DataFrame({"date": days}).set_index("date")
    table["issues"] = by_day.size()
    table["booked"] = by_day["booked"].sum()
    table[["copies", "pages"]] = by_day[["copies", "pages"]].sum(min_count=1)
    table["titles"] = by_day["title"].agg(", ".join)
    table["event"] = by_day["event"].agg(
        lambda names: "; ".join(dict.fromkeys(name for name in names if name))
    )
    counts = ["issues", "booked", "copies", "pages"]
    table[counts] = table[counts].astype("float64").fillna(0.0)
    table["closed"] = _closed(logs, drivers, days)
    table["due"] = [due_words(logs, open_orders[open_orders["promised_on"] == day]) for day in days]
    texts = ["titles", "event"]
    table[texts] = table[texts].fillna("")
    return as_published(table.reset_index(), "coming_days")


def coming_paper(logs: Logs, paths: Paths) -> pd.DataFrame:
    """Return the published table ``coming_paper``: newsprint by day, from the paths of :func:`demand_paths`."""
    newsprint = logs["materials"][logs["materials"]["kind"] == "newsprint"]
    widths = dict(zip(newsprint["material"], newsprint["width_mm"], strict=True))
    days = _days(logs)
    # The paths begin on the day after as-of.
    rows = []
    for number, material in enumerate(paths.names):
        if material not in widths:
            continue
        use = paths.use[number][:, :_DAYS]
        low, high = np.quantile(use, [0.05, 0.95], axis=0)
        for step, day in enumerate(days):
            mean = float(paths.mean[number, step])
            rows.append((day, material, widths[material], mean, float(low[step]), float(high[step])))
    names = ["date", "material", "width_mm", "kg", "q05", "q95"]
    return as_published(pd.DataFrame(rows, columns=names).astype({"date": "datetime64[us]"}), "coming_paper")


def booked_issues(logs: Logs) -> pd.DataFrame:
    """Return the last booking of every title and day after as-of, with the columns of ``plan``."""
    plan = logs["plan"]
    plan = plan[plan["date"] > logs.as_of].sort_values("made_on", na_position="first", kind="stable")
    return plan.drop_duplicates(["title", "date"], keep="last")


def unusual_pages(logs: Logs, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return the titles of ``night_jobs`` booked with a number of pages that none of their last runs had.

    title, pages (as booked) and usual (the pages that most of those runs had).
    """
    runs = logs["runs"].sort_values("started_at", kind="stable")
    rows = []
    for title, booked in zip(jobs["title"], jobs["pages"], strict=True):
        last = runs.loc[runs["title"] == title, "pages"].dropna().tail(USUAL_RUNS)
        if len(last) == USUAL_RUNS and booked > 0 and not last.eq(booked).any():
            rows.append((title, booked, float(last.mode().iloc[0])))
    return pd.DataFrame(rows, columns=["title", "pages", "usual"])


def _days(logs: Logs) -> pd.DatetimeIndex:
    return pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=_DAYS, freq="D", unit="us")


def _issues(logs: Logs, drivers: Drivers, days: pd.DatetimeIndex) -> pd.DataFrame:
    """Return date, title, copies, pages, booked and event of each issue to come."""
    expected = drivers.expected(logs.as_of, days)
    issues = expected.issues[["title", "copies", "source"]].assign(
        date=pd.DatetimeIndex(expected.issues["day"]).as_unit("us"),
        pages=expected.pages.mean(axis=1) if len(expected.pages) else [],
        event="",
    )
    issues["booked"] = (issues["source"] == "plan").astype(float)
    if logs.has("plan"):
        plan = booked_issues(logs).set_index(["title", "date"])
        at = pd.MultiIndex.from_frame(issues[["title", "date"]])
        for name, column in (("copies", "copies_planned"), ("pages", "pages_planned")):
            said = plan[column].reindex(at).to_numpy(dtype=float)
            issues[name] = np.where(said > 0, said, issues[name])
        issues["event"] = plan["event"].reindex(at).fillna("").to_numpy()
    return issues.sort_values(["date", "title"], ignore_index=True)


def _closed(logs: Logs, drivers: Drivers, days: pd.DatetimeIndex) -> list[str]:
    """Return what is closed on each day, in words."""
    at = days.to_numpy().astype("datetime64[D]")
    calendar = logs.plant.calendar
    marks = {
        "no publication": drivers.calendar.closed(at),
        "public holiday": drivers.calendar.holiday(at),
        "no receipts": ~calendar.receives(days),
        "no orders": ~calendar.takes_orders(days),
    }
    return ["; ".join(words for words, on in marks.items() if on[step]) for step in range(len(days))]


def due_words(logs: Logs, rows: pd.DataFrame) -> str:
    """Return what open order lines bring: quantities by material, paper and ink in tonnes."""
    total = rows.groupby("material")["quantity"].sum()
    units = logs.of_material(total.index.to_series(), "unit").fillna("")
    words = []
    for material, quantity, unit in zip(total.index, total, units, strict=True):
        amount = (
            f"{quantity / 1000:.1f} t" if unit == "kg" else f"{quantity:,.0f} {unit}".replace(" each", "")
        )
        words.append(f"{material} {amount}")
    return "; ".join(words)
