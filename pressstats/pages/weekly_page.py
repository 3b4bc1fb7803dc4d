"""What the manager's weekly page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, Tile, declared, exhibit, logged, note, quantity, sheet
from ..exhibits import headline as headline_block
from ..exhibits import tiles as tiles_block
from ..orders import standby_hours
from ..watch import KINDS, last_week, worst
from .common import day_words, last_days, last_weeks, per_cent, spoken, tonnes, weeks_words
from .weekly_actions import needs_words, unjudged_words, unknown_figures

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["exceptions", "headline", "inks", "key_figures", "standby", "tiles", "waste"]

#: What each figure of the week is called, and the digits of its value; in the order of the page.
_TILES = {
    "waste": ("Waste of mounted paper", 1),
    "counter waste": ("Waste by the copy counters", 1),
    "paper mounted": ("Paper mounted", 1),
    "wasted paper cost": ("Cost of wasted paper", 0),
    "web breaks": ("Web breaks", 1),
    "butts": ("Butts", 2),
    "ink use": ("Ink use, four weeks", 0),
    "days of stock": ("Shortest days of stock", 1),
    "stock-out risk": ("Stock-out risk before arrival", 1),
    "standby": ("Standby supplies", 0),
    "logs": ("Logs", 1),
}


def _figure(results: Results, name: str) -> pd.Series:
    return results["week_figures"].set_index("figure").loc[name]


def _shown_figures(results: Results) -> list[str]:
    """Return the figures that the page shows: the counters' waste stands in where that of all paper is not known."""
    known = np.isfinite(_figure(results, "waste")["value"])
    return [name for name in _TILES if name != "counter waste" or not known]


def headline(results: Results) -> Block:
    """Return the worst state of the week's figures, how many things need action, and what the week cost."""
    shown = _shown_figures(results)
    state = worst(_figure(results, name)["state"] for name in shown)
    unknown = [name for name in unknown_figures(results) if name in shown]
    needs = needs_words(results)
    if results["to_do"].empty:
        needs = (
            "nothing needs action" if not unjudged_words(results) else "no action follows from what is logged"
        )
    lead = f"{state.capitalize()}: {needs}. {_waste_words(results)}"
    untrue = results["exceptions"][results["exceptions"]["kind"] == "implausible logs"]
    if len(untrue):
        first = untrue.iloc[0]
        what = f"{logged(first['subject'])}, {logged(first['why'], 200)}"
        lead = f"The logs cannot be true: {what}. {needs.capitalize()}."
    copies = results.logs["runs"].loc[_of_week(results), "copies_good"].sum()
    runs = int(_of_week(results).sum())
    detail = [f"{runs} runs printed {quantity(copies, '', 0)} net good copies." if runs else ""]
    cost = float(_figure(results, "wasted paper cost")["value"])
    if np.isfinite(cost):
        money = quantity(cost, results.logs.plant.currency, 0)
        detail.append(f"Wasted paper cost {money} in the week.")
    if unknown:
        detail.append(f"Unknown: {', '.join(unknown)}.")
    return headline_block(lead, " ".join(part for part in detail if part))


def _of_week(results: Results) -> pd.Series:
    week = last_week(results.logs)
    days = results.logs["runs"]["date"]
    return (days >= week) & (days < week + pd.Timedelta(weeks=1))


def _waste_words(results: Results) -> str:
    week = day_words(last_week(results.logs))
    if not _of_week(results).any():
        return f"Nothing was printed in the week of {week}."
    for name, words in (("waste", "Waste"), ("counter waste", "Waste by the counters")):
        row = _figure(results, name)
        if np.isfinite(row["value"]):
            usual = (
                f", {per_cent(row['weeks_13'])} over {weeks_words(results, 13)}"
                if np.isfinite(row["weeks_13"])
                else ""
            )
            return (
                f"{words} {per_cent(row['value'])} in the week of {week}{usual}, target {row['target']:g} %."
            )
    return f"Waste is unknown in the week of {week}."


def tiles(results: Results) -> Block:
    """Return the week's figures with their states, the target and the reason."""
    return tiles_block([_tile(results, name) for name in _shown_figures(results)])


def _tile(results: Results, name: str) -> Tile:
    row = _figure(results, name)
    label, digits = _TILES[name]
    unit = str(row["unit"])
    if unit == "tests overdue" and row["value"] == 1:
        unit = "test overdue"
    # Breaks that are counted, not held against reels, are whole.
    digits = 0 if unit.startswith("in ") else digits
    short = unit if unit in ("%", "t") or len(unit) == 3 else ""
    parts = []
    if np.isfinite(row["low"]):
        parts.append(
            f"95 % interval {quantity(row['low'], digits=digits)} to {quantity(row['high'], digits=digits)}"
        )
    if np.isfinite(row["target"]) and name not in ("ink use", "standby", "logs"):
        parts.append(f"target {row['target']:g}" + (f" {short}" if short else ""))
    for column, words in (
        ("last_week", "week before"),
        ("last_year", "last year"),
        ("weeks_13", weeks_words(results, 13)),
    ):
        # A figure of several weeks is itself what 13 weeks say.
        if np.isfinite(row[column]) and not (column == "weeks_13" and row[column] == row["value"]):
            of_week = "last week" if column == "last_week" and name in _SEVERAL else words
            parts.append(f"{of_week} {quantity(row[column], short, digits)}")
    numbers = ", ".join(parts)
    why = spoken(str(row["why"]), results.logs.as_of)
    detail = ". ".join(
        part for part in (numbers[:1].upper() + numbers[1:], logged(why, 400) if why else "") if part
    )
    return Tile(label, float(row["value"]), unit, detail, str(row["state"]), digits)


#: Figures of several weeks.
_SEVERAL = ("web breaks", "butts", "ink use")


def exceptions(results: Results) -> Block:
    """Return what departs from its own past by more than chance, or from the plant's own policy."""
    table = results["exceptions"]
    if table.empty:
        return note(f"What is logged raises no exception.{unjudged_words(results)}")
    table = table.assign(
        severity=table["kind"].map({name: kind.severity for name, kind in KINDS.items()}),
        words=table["kind"].map({name: kind.words for name, kind in KINDS.items()}),
        what=[
            f"{quantity(size)} {unit}" if np.isfinite(size) else ""
            for size, unit in zip(table["size"], table["unit"], strict=True)
        ],
        why=[spoken(why, results.logs.as_of) for why in table["why"]],
    ).sort_values(["severity", "cost", "exception"], ascending=[True, False, True], na_position="last")
    noun = "exception" if len(table) == 1 else "exceptions"
    return sheet(
        table,
        name="exceptions",
        caption=f"{len(table)} {noun}, the most pressing first",
        columns=(
            "words: what; subject: where; state <state>; week: since the week of <date>; "
            f"what: how much <text>; cost: cost [{results.logs.plant.currency}] .0; "
            "cost_basis: of that; why: why"
        ),
        limit=20,
        file="exceptions",
    )


def inks(results: Results) -> Block:
    """Return use against expectation of each ink, last week and over four weeks."""
    watch = results["ink_watch"]
    use = _figure(results, "ink use")
    if not np.isfinite(use["value"]):
        return note(f"Ink use is unknown. {spoken(str(use['why']), results.logs.as_of)}.")
    raised = results["exceptions"]
    raised = raised[raised["kind"].isin([kind.name for kind in KINDS.values() if kind.figure == "ink use"])]
    rows = []
    for ink, intervals in watch.groupby("ink"):
        week = last_days(results, 7, intervals, "read_at")
        month = last_days(results, 28, intervals, "read_at")
        known = month[month["z"].notna()]
        flagged = month.loc[month["signal"] != "", "signal"]
        expected = known["expected_kg"].sum()
        of_chart = "unknown" if not expected > 0 else "watch" if len(flagged) else "in control"
        rows.append(
            {
                "ink": ink,
                "week": week["used_kg"].sum(min_count=1),
                "expected": week["expected_kg"].sum(min_count=1),
                "month": 100 * known["used_kg"].sum() / expected if expected > 0 else np.nan,
                "state": worst([of_chart, *raised.loc[raised["subject"] == ink, "state"]]),
                "signal": flagged.iloc[-1] if len(flagged) else "",
            }
        )
    return sheet(
        pd.DataFrame(rows),
        name="inks",
        caption=_ink_words(results),
        columns=(
            "ink; week: used in seven days [kg] .0; expected: expected [kg] .0; "
            "month: four weeks, used of expected [%] .0; state <state>; signal: last signal"
        ),
        file="ink_watch",
    )


def _ink_words(results: Results) -> str:
    row = _figure(results, "ink use")
    if row["state"] == "in control":
        return f"All inks were used as expected in the last four weeks ({row['value'] - 100:+.1f} %)"
    why = logged(spoken(str(row["why"]), results.logs.as_of), 400)
    return (
        f"Ink use in the last four weeks: {why}"
        if row["why"]
        else "Ink use in the last four weeks is unknown"
    )


def waste(results: Results) -> Block:
    """Return waste by week and press over a year, with the target."""
    weeks = last_weeks(results, 52, results["paper_balance"])
    if weeks["waste_pct"].isna().all():
        row = _figure(results, "waste")
        why = logged(spoken(str(row["why"]), results.logs.as_of), 400)
        return note(f"Waste of mounted paper is unknown in the last {weeks_words(results, 52)}. {why}.")
    target = results.logs.plant.targets.waste_pct
    by_press = weeks.groupby("press")["waste_pct"].mean()
    words = ", ".join(f"{logged(press)} {per_cent(share)}" for press, share in by_press.items())
    return exhibit(
        figures.lines_by(
            weeks, x="week", y="waste_pct", by="press", unit="waste [% of mounted paper]", target=target
        ),
        name="waste",
        finding=f"Waste over {weeks_words(results, 52)}, mean of the weeks: {words}; target {target:g} %.",
        table=weeks.sort_values(["week", "press"], ascending=[False, True]),
        columns=declared("paper_balance", "week", "press", "runs", "mounted_kg", "waste_pct"),
        limit=30,
        file="paper_balance",
    )


def standby(results: Results) -> Block:
    """Return the standby supplies: how long each lasts against what is wanted, and whether its test is overdue."""
    if not results.logs.has("standby"):
        return note(
            "Standby supplies are unknown. Log them in standby: what each lasts, and when it was tested."
        )
    table = standby_hours(results.logs)
    wanted = results.logs.plant.policy.standby_hours
    late = results["exceptions"].loc[results["exceptions"]["kind"] == "standby test", "subject"]
    short = table["lasts_hours"] < wanted
    table["state"] = np.where(
        table["supply"].isin(late),
        "act",
        np.where(short, "watch", np.where(table["tested_on"].isna(), "unknown", "in control")),
    )
    # What a supply lasts is a promise only as long as it is tested.
    untested = table["supply"].isin(late) | table["tested_on"].isna()
    table["lasts"] += np.where(untested & (table["lasts"] != ""), ", if it works: no test in time", "")
    return sheet(
        table,
        name="standby",
        caption=f"Standby supplies: {len(late)} of {len(table)} tests overdue, {int(short.sum())} last less than the "
        f"{wanted:g} h wanted",
        columns=(
            "supply; state <state>; kind; lasts; tested_on: last test <date>; "
            "test_due_on: next test due <date>; contact"
        ),
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    mounted, waste_row = _figure(results, "paper mounted"), _figure(results, "waste")
    week = last_week(results.logs)
    print(
        f"week of {week:%Y-%m-%d}: mounted {tonnes(1000 * mounted['value'])}, waste {waste_row['value']:.1f} %"
    )
    print(f"{len(results['exceptions'])} exceptions")
