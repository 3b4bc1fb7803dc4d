"""What somebody should look at before tonight: runs outside the usual, bookings, reels, ink, stock, what is due."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ..exhibits import Block, logged, note, points, quantity
from ..nights import USUAL_RUNS, due_words, unusual_pages
from ..watch.kinds import KINDS
from .common import counted, day_words, list_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["beyond", "clock", "look_at", "night_runs"]

#: What of a run is held against its limit: column, its upper limit, the words for what is beyond it, and one word.
_BEYOND = (
    ("wasted_kg", "wasted_high", "wasted more than nine of ten such runs do", "waste"),
    ("startup_kg", "startup_high", "wasted more at start-up than nine of ten such runs do", "start-up waste"),
    ("breaks", "breaks_high", "had more web breaks than such runs have", "web breaks"),
    ("remade", "remade_high", "had more plates made again than such runs have", "plates made again"),
    ("ink_kg", "ink_high", "took more ink than nine of ten such runs do", "ink"),
    ("minutes_late", "minutes_high", "ended later than nine of ten such runs do", "late"),
    ("minutes_after_deadline", "on_time", "ended after its deadline", "after its deadline"),
)


def night_runs(results: Results) -> pd.DataFrame:
    """Return the runs of the last night that the logs know, with their clock times."""
    record = results["run_record"]
    night = record[record["date"] == record["date"].max()] if len(record) else record
    times = results.logs["runs"][["run_id", "started_at", "finished_at"]]
    return night.assign(on_time=0.0).merge(times, on="run_id", how="left")


def beyond(row: pd.Series) -> list[tuple[str, str]]:
    """Return what of a run is beyond its limits: as a clause with its number, and in a word."""
    found = [one for one in _BEYOND if row[one[0]] > row[one[1]]]
    # start-up waste is part of what was wasted: it is told where that does not tell of it
    if found and found[0][0] == "wasted_kg":
        found = [one for one in found if one[0] != "startup_kg"]
    return [(f"{words}{_numbers(row, value, limit)}", short) for value, limit, words, short in found]


def _numbers(row: pd.Series, value: str, limit: str) -> str:
    """Return the number of what is beyond its limit, the limit, and the clock times of what is late."""
    unit = "kg" if value.endswith("_kg") else "min" if value.startswith("minutes") else ""
    words = f": {quantity(row[value], unit, 0)}"
    words += " after its usual end" if value == "minutes_late" else ""
    words += f", limit {quantity(row[limit], unit, 0)}" if limit != "on_time" else ""
    if unit == "min" and pd.notna(row["finished_at"]):
        words += f"; it ran {clock(row['started_at'])} to {clock(row['finished_at'])}"
    return words


def look_at(results: Results) -> Block:
    """Say what somebody should look at before tonight: runs outside the usual, stock, tanks, reels, tests."""
    lines = [
        f"**{logged(row['title'])} on {logged(row['press'])}** {words}."
        for _, row in night_runs(results).iterrows()
        for words, _ in beyond(row)
    ]
    lines += _unusual_pages(results)
    short = results["night_webs"]
    short = short[short["named"] < short["new_reels"]]
    if len(short) and results.logs.has("reels"):
        names = sorted(set(short["material"]))
        lines.append(f"**Reels**: fewer of {list_words(names)} are known to lie rested than tonight takes.")
    tanks = results["night_tanks"]
    for state, words in (("act", "may not last tonight"), ("watch", "may have to be changed over tonight")):
        names = tanks.loc[tanks["state"] == state, "tank"].tolist()
        if names:
            lines.append(f"**Ink**: {list_words(names)} {words}.")
    morning = results.logs.as_of + pd.Timedelta(days=1)
    pressing = results["to_do"]
    pressing = pressing[pressing["by"] <= morning]
    lines += [
        f"**{logged(about)}**: {logged(do, 140)}."
        for about, do in zip(pressing["about"], pressing["do"], strict=True)
    ]
    lines += [*_of_the_week(results, morning), *_due(results, morning)]
    if not lines:
        return note("Nothing that is logged asks for a look before tonight.")
    return points(lines)


def _of_the_week(results: Results, morning: pd.Timestamp) -> list[str]:
    """Return a line for each thing of this week's to-do that the pressroom does after tonight, with its caution."""
    own = {kind.name: kind.caution for kind in KINDS.values() if kind.desk == "pressroom"}
    rows = results["to_do"]
    rows = rows.assign(kind=rows["exception"].fillna("").str.split(":").str[0])
    rows = rows[rows["kind"].isin(list(own)) & (rows["by"] > morning)]
    return [
        f"**By {day_words(by)}**, {logged(who)}: {logged(do, 140)}.{f' **Caution.** {own[kind]}.' if own[kind] else ''}"
        for by, who, do, kind in zip(rows["by"], rows["who"], rows["do"], rows["kind"], strict=True)
    ]


def _due(results: Results, day: pd.Timestamp) -> list[str]:
    """Return a line for each supplier that something is promised by for a day, with its trucks where they are known."""
    due = results.open_orders
    due = due[due["promised_on"] == day]
    late = results["late_trucks"]
    late = late[(late["state"] == "on order") & (late["promised_on"] == day)]
    trucks = dict(zip(late["supplier"], late["trucks"], strict=True))
    lines = []
    for supplier, rows in due.groupby(due["supplier"].fillna("")):
        count = trucks.get(supplier, 0.0)
        on = f", {counted(count, 'truck')} at least" if count > 0 else ""
        name = logged(supplier) if supplier else "no named supplier"
        # a quantity keeps its unit on its line
        materials = logged(due_words(results.logs, rows).replace("; ", ", "), 160)
        lines.append(f"**Due {day_words(day)} from {name}**, after tonight's printing{on}: {materials}.")
    return lines


def clock(time: pd.Timestamp) -> str:
    """Return a time of the night; empty where it is not known."""
    return "" if pd.isna(time) else f"{time:%H:%M}"


def _unusual_pages(results: Results) -> list[str]:
    """Return a line for each title that is booked with a number of pages that none of its last runs had."""
    odd = unusual_pages(results.logs, results["night_jobs"])
    starts = results["night_jobs"].groupby("title")["starts_at"].min().map(clock)
    lines = []
    for title, booked, usual in zip(odd["title"], odd["pages"], odd["usual"], strict=True):
        begins = f", its press usually starts at {starts[title]}" if starts[title] else ""
        lines.append(
            f"**{logged(title)}** is booked with {booked:.0f} pages; it usually has {usual:.0f}, and none of its last "
            f"{USUAL_RUNS} runs had {booked:.0f}. Ask who booked it before plates and reels are laid out{begins}: what "
            "stands below follows the booking, while tonnes on the weekly page follow what such bookings became."
        )
    return lines
