"""What the page for seven in the morning shows: last night against what was expected, and what tonight takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, exhibit, logged, note, quantity, sheet, together
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from .before_tonight import beyond, clock, look_at, night_runs
from .common import counted, day_cell, day_words, list_words, number_words, unless_logged
from .material_words import material_words
from .reel_store import left_tonight

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "caution",
    "headline",
    "jobs",
    "key_figures",
    "look_at",
    "reels",
    "runs",
    "splices",
    "tanks",
    "webs",
]

_SHORT = 24  # characters of a name that is never broken into lines
_NOTHING = "Nothing is booked after the last day of the logs"


def headline(results: Results) -> Block:
    """Return how last night was, and what tonight takes."""
    rows = night_runs(results)
    title = f"Last night, issues of {day_words(rows['date'].iloc[0])}" if len(rows) else "Last night"
    judged = rows.dropna(subset="wasted_expected_kg")
    off = [
        f"{logged(row['title'])} on {logged(row['press'])} ({', '.join(short for _, short in beyond(row))})"
        for _, row in judged.iterrows()
        if beyond(row)
    ]
    if rows.empty:
        lead = "What was printed last night is not known: no run can be held against anything"
    elif judged.empty:
        lead = f"{counted(len(rows), 'run')} printed; thirteen weeks of runs are needed to judge them"
    elif off:
        verb = "was" if len(off) == 1 else "were"
        which = "The one run" if len(rows) == 1 else f"{len(off)} of {counted(len(rows), 'run')}"
        lead = f"{which} {verb} outside the usual: {', '.join(off[:3])}"
        lead += f" and {len(off) - 3} more" if len(off) > 3 else ""
    elif len(judged) < len(rows):
        lead = f"{len(judged)} of {counted(len(rows), 'run')} ran as usual; of the others it is not known"
    else:
        lead = (
            "The one run ran as usual"
            if len(rows) == 1
            else f"All {number_words(len(rows))} runs ran as usual"
        )
    cost = judged["cost_over_expected"].sum(min_count=1)
    detail = []
    if np.isfinite(cost):
        more = "more" if cost > 0 else "less"
        money = quantity(abs(cost), results.logs.plant.currency, 0)
        detail.append(f"Start-up and running waste cost {money} {more} than expected of such runs.")
    detail.append(_tonight_words(results))
    return headline_block(f"{lead}.", " ".join(detail), title)


def _tonight_words(results: Results) -> str:
    jobs = results["night_jobs"]
    if jobs.empty:
        return f"{_NOTHING}: what tonight takes is not known."
    day = jobs["date"].iloc[0]
    when = "Tonight" if day == results.logs.as_of + pd.Timedelta(days=1) else "The next booked night"
    webs = results["night_webs"]
    new, parts = webs["new_reels"].sum(min_count=1), (results["night_reels"]["kind"] == "part reel").sum()
    words = f"{when}, issues of {day_words(day)}: {counted(len(jobs), 'title')}, "
    words += f"{quantity(jobs['copies'].sum(), '', 0)} copies"
    if np.isfinite(new):
        words += f", {counted(new, 'new reel')} and {counted(parts, 'part reel')}"
    plates = jobs["plates"].sum(skipna=False)
    return f"{words}, {quantity(plates, '', 0)} plates." if np.isfinite(plates) else f"{words}."


def runs(results: Results) -> Block:
    """Return the runs of last night, each with its limits."""
    rows = night_runs(results)
    if rows.empty or rows["wasted_expected_kg"].isna().all():
        return note("Last night is not held against anything: thirteen weeks of runs are needed.")
    outside = rows[rows["wasted_kg"] > rows["wasted_high"]]
    currency = results.logs.plant.currency
    logged_one = rows["minutes_after_deadline"].notna().any()
    deadline = "; minutes_after_deadline: after deadline [min] .0" if logged_one else ""
    words = f"{len(outside)} of {len(rows)}" if len(outside) else "none"
    started = int((rows["startup_kg"] > rows["startup_high"]).sum())
    at_start = f"; at start-up {started} of {len(rows)} did" if started else ""
    states = [
        "watch" if beyond(row) else "in control" if np.isfinite(row["wasted_high"]) else "unknown"
        for _, row in rows.iterrows()
    ]
    return sheet(
        rows.assign(
            state=states,
            title=rows["title"].map(_whole),
            started=rows["started_at"].map(clock),
            ended=rows["finished_at"].map(clock),
        ),
        name="last-night",
        caption=f"Runs of {day_words(rows['date'].iloc[0])}: {words} wasted more in all than nine of ten such "
        f"runs do{at_start}",
        columns=(
            "title; press; started <text>; ended <text>; state <state>; wasted_kg: wasted [kg] .0; "
            "wasted_high: limit [kg] .0; startup_kg: at start-up [kg] .0; startup_high: limit [kg] .0; "
            f"cost_over_expected: over expected [{currency}] .0; ink_kg: ink [kg] .0; ink_high: limit [kg] .0; "
            "breaks: web breaks .0; plates .0; remade: plates remade .0; minutes_late: after usual end [min] .0; "
            f"minutes_high: limit [min] .0{deadline}"
        ),
        file="run_record",
    )


def jobs(results: Results) -> Block:
    """Return the titles of tonight: press, copies, pages, plates, start and end."""
    table = results["night_jobs"]
    if table.empty:
        return unless_logged(results, "Tonight", f"{_NOTHING}.", "plan")
    table = table.sort_values(["press", "starts_at"])
    unknown = table.loc[table["like"] == "", "title"].tolist()
    missing = f"; never printed with as many pages: {list_words(unknown)}" if unknown else ""
    return sheet(
        table.assign(
            starts=[clock(time) for time in table["starts_at"]],
            ends=[clock(time) for time in table["ends_at"]],
        ),
        name="night-jobs",
        caption=f"Issues of {day_words(table['date'].iloc[0])}, starts and ends as usual, one title after another"
        f"{missing}; webs as in its last run of as many pages",
        columns=(
            "title; press; starts <text>; ends <text>; copies .0; pages .0; colour_pages: in colour .0; "
            "plates .0; plates_high: plates, 9 of 10 below .0; like: webs as in run"
        ),
        file="night_jobs",
    )


def _whole(name: str) -> str:
    """Keep a short name on its line."""
    return name.replace(" ", "\u00a0") if len(name) <= _SHORT else name


def webs(results: Results) -> Block:
    """Return the webs of tonight: stand, paper, metres, part reels, new reels, splices."""
    table = results["night_webs"]
    if table.empty:
        return unless_logged(
            results, "Webs and reels", f"{_NOTHING}, so no web is known.", "plan", "reel_mounts"
        )
    words = material_words(results.logs)
    splices = table["splices"].sum(min_count=1)
    expected = f"{splices:.0f} splices expected" if np.isfinite(splices) else "splices are not known"
    left = left_tonight(results)
    rows = sheet(
        table.assign(
            paper=[words.get(name, name) for name in table["material"]],
            part_reels=table["part_reels"].mask(table["part_reels"] == "", "none"),
        ),
        name="night-webs",
        caption=f"{counted(len(table), 'web')}, {expected}; part reels first, in this order",
        columns=(
            "title; web; press; reelstand: stand; paper; run_m: to run [m] .0; part_reels: part reels; "
            "new_reels: new reels .0; back_m: comes back [m] .0"
        ),
        limit=40,
        file="night_webs",
    )
    return together(rows, left) if left else rows


def reels(results: Results) -> Block:
    """Return the reels to pull from the store, by material: part reels by web, then new ones, the oldest first."""
    table = results["night_reels"]
    if table.empty:
        return unless_logged(
            results, "Which reels to pull", "No reel that tonight takes is known to lie in the store.", "plan",
            "reel_mounts", "reels",
        )  # fmt: skip
    words = material_words(results.logs)
    asked = results["night_webs"].groupby("material")["new_reels"].sum()
    rows = []
    for material, pulled in table.groupby("material"):
        new = pulled[pulled["kind"] == "new reel"].sort_values(["received_on", "reel_id"])
        rows.append(
            {
                "paper": _whole(words.get(str(material), str(material))),
                "asked": asked.get(material, np.nan),
                "reels": ", ".join(new["reel_id"]) or "none",
                "parts": ", ".join(pulled.loc[pulled["kind"] == "part reel", "reel_id"]) or "none",
                "oldest": day_cell(new["received_on"].min(), results.logs.as_of),
                "kg": pulled["kg"].sum(),
            }
        )
    rest = results.logs.plant.reel.rest_days
    rested = f", rested {counted(rest, 'day')} or more" if rest else ""
    lacking = "" if results.logs.has("reels") else "; new reels have no names: no table reels"
    return sheet(
        pd.DataFrame(rows),
        name="night-reels",
        caption=f"{counted(len(table), 'reel')} to pull: part reels in the order of webs, then new ones, the oldest "
        f"first{rested}{lacking}",
        columns=(
            "paper; asked: new reels .0; oldest: oldest new reel received <text>; kg: together [kg] .0; "
            "parts: part reels; reels: new reels, the oldest first"
        ),
        file="night_reels",
    )


def tanks(results: Results) -> Block:
    """Return the level of each tank against what tonight takes of its ink."""
    table = results["night_tanks"]
    if table.empty:
        return unless_logged(results, "Ink", "No tank is dipped.", "tank_readings")
    count = int((table["state"] == "in control").sum())
    words = "All tanks hold what tonight takes" if count == len(table) else (
        f"{count} of {len(table)} tanks are known to hold what tonight takes"
    )  # fmt: skip
    # An ink is used once, from whichever of its tanks: its need stands at the first, so that the column adds up.
    first = table.groupby("ink")["tank"].transform("first")
    needs = {
        column: [
            "not known" if not np.isfinite(kg) else quantity(kg, "", 0) if tank == one else f"with {one}"
            for tank, one, kg in zip(table["tank"], first, table[column], strict=True)
        ]
        for column in ("tonight_kg", "tonight_high_kg")
    }
    return sheet(
        table.assign(
            **needs, dipped=[_whole(f"{day_words(time)} {clock(time)}") for time in table["read_at"]]
        ),
        name="night-tanks",
        caption=f"{words}, by the last dip; later fillings are not counted",
        columns=(
            "tank; ink; state <state>; level_kg: level [kg] .0; tonight_kg: tonight [kg] <text>; "
            "tonight_high_kg: 19 of 20 below [kg] <text>; dipped: last dip <text>"
        ),
        file="night_tanks",
    )


def splices(results: Results) -> Block:
    """Return the expected splices on a time line, a row a web, two at once marked."""
    table = results["night_splices"]
    if table.empty:
        return unless_logged(
            results,
            "Splices",
            "No splice is expected tonight, or lengths of reels are not known.",
            "plan",
            "reel_mounts",
        )
    table = table.assign(
        row=table["press"] + " " + table["reelstand"].where(table["reelstand"] != "", "web " + table["web"])
        + ", " + table["title"].str.slice(0, 18),
    ).sort_values(["press", "at"])  # fmt: skip
    pairs = int((table["together"] != "").sum())
    both = f"{pairs:.0f} of them within two minutes of another on the press" if pairs else "never two at once"
    return exhibit(
        figures.splice_times(table),
        name="splices",
        finding=(
            f"{counted(len(table), 'splice')} expected between {clock(table['at'].min())} and "
            f"{clock(table['at'].max())}, if the press runs without stops: {both}."
        ),
        table=table.assign(
            together=table["together"].mask(table["together"] == "", "none"),
            **{name: table[name].map(clock) for name in ("at", "early", "late")},
        ),
        columns="row: stand and title; splice .0; at <text>; early <text>; late <text>; together: at once with",
        file="night_splices",
    )


def caution() -> Block:
    """Return the cautions of what is pulled, mounted and filled."""
    return caution_block(
        "Reels weigh about a tonne and may roll or fall; webs and nips draw in what touches them; ink tanks are filled "
        "and dipped, never entered. By the maker's manual and local rules, by trained people."
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    reels_ = results["night_reels"]
    print(f"{len(night_runs(results))} runs, {len(results['night_jobs'])} titles tonight")
    print(f"{len(reels_)} reels to pull, {len(results['night_splices'])} splices expected")
