"""What the manager's weekly page shows."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..exhibits import Block, Shown, Tile, folded, heads, logged, note, quantity, sheet, states, together
from ..exhibits import headline as headline_block
from ..exhibits import tiles as tiles_block
from ..geometry import paper_kg
from ..nights import unusual_pages
from ..watch import KINDS, last_week, weeks_logged, worst
from ..watch.states import ACT, WATCH
from .common import (
    by_default,
    counted,
    day_cell,
    day_cells,
    day_words,
    per_cent,
    spoken,
    tonnes,
    weeks_words,
)
from .weekly_actions import needs_words, unjudged_words, unknown_figures, worst_words
from .weekly_sheet import latest_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["coming", "exceptions", "headline", "key_figures", "tiles"]

#: What each figure of the week is called, and the digits of its value; those with a tile, in the order of the page.
_TILES = {
    "waste": ("Waste of mounted paper", 1),
    "counter waste": ("Waste by the copy counters", 1),
    "wasted paper cost": ("Cost of wasted paper", 0),
    "paper mounted": ("Paper mounted", 1),
    "web breaks": ("Web breaks", 1),
    "ink use": ("Ink use, four weeks", 0),
    "days of stock": ("Shortest days of stock", 1),
}
#: The others, a line each below the tiles.
_LINES = {
    "stock-out risk": ("Stock-out risk before the next order", 2),
    "standby": ("Standby supplies", 0),
    "butts": ("Butts", 2),
    "logs": ("Logs", 1),
}
_NAMES = _TILES | _LINES
#: Weeks of the small lines in the tiles.
_LINE_WEEKS = 13
#: Papers that have a column of their own in the week ahead.
_PAPERS = 5
#: Where a reason names exceptions: they stand among what is to do.
_SEE = re.compile(r"(^|; )see [^;]*$")
#: Materials due on a day that are named.
_DUE = 4


def _figure(results: Results, name: str) -> pd.Series:
    return results["week_figures"].set_index("figure").loc[name]


def _shown_figures(results: Results) -> list[str]:
    """Return the figures that the page shows: the counters' waste stands in where that of all paper is not known."""
    known = np.isfinite(_figure(results, "waste")["value"])
    return [name for name in _NAMES if name != "counter waste" or not known]


def headline(results: Results) -> Block:
    """Return the worst state of the week's figures, how many things need action, and what the week cost."""
    shown = _shown_figures(results)
    state = worst([*(_figure(results, name)["state"] for name in shown), *results["to_do"]["state"]])
    unknown = [name for name in unknown_figures(results) if name in shown]
    needs = needs_words(results)
    if results["to_do"].empty:
        needs = (
            "nothing needs action" if not unjudged_words(results) else "no action follows from what is logged"
        )
    lead = f"{state.capitalize()}: {needs}. {worst_words(results, _red(results, shown, state))}".rstrip()
    untrue = results["exceptions"][results["exceptions"]["kind"] == "implausible logs"]
    if len(untrue):
        first = untrue.iloc[0]
        what = f"{logged(first['subject'])}, {logged(first['why'], 200)}"
        lead = f"The logs cannot be true: {what}. {needs.capitalize()}."
    copies = results.logs["runs"].loc[_of_week(results), "copies_good"].sum()
    runs = int(_of_week(results).sum())
    detail = [_waste_words(results)]
    if runs:
        detail.append(f"{counted(runs, 'run')} printed {quantity(copies, '', 0)} net good copies.")
    detail += [latest] if (latest := latest_words(results)) else []
    if unknown:
        detail.append(f"Unknown: {', '.join(unknown)}.")
    return headline_block(logged(lead, 600), " ".join(detail), _title(results))


def _red(results: Results, shown: list[str], state: str) -> dict[str, str]:
    """Return why the figures in the state of the headline are in it, by their names; nothing where all is well."""
    reasons = {}
    for name in shown if state in (WATCH, ACT) else []:
        row = _figure(results, name)
        if row["state"] == state:
            because, own, _ = _parted(results, row)
            reasons[name] = f"{_NAMES[name][0].lower()}: {because}" if own else because
    return reasons


def _title(results: Results) -> str:
    """Return what the page is called: its week. Weeks are numbered by ISO 8601 where they start on Monday."""
    first = last_week(results.logs)
    last = first + pd.Timedelta(days=6)
    month = f" {first:%B}" if first.month != last.month else ""
    days = f"{first.day}{month} to {last.day} {last:%B}"
    return f"Week {first.isocalendar().week}, {days}" if first.day_of_week == 0 else f"Week of {days}"


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
            parts = [f"target {row['target']:g} %{by_default(results, name)}"]
            for column, when in (
                ("last_week", "the week before"),
                ("last_year", "last year"),
                ("weeks_13", f"over {weeks_words(results, 13)}"),
            ):
                if np.isfinite(row[column]):
                    parts.append(f"{per_cent(row[column])} {when}")
            cost = float(_figure(results, "wasted paper cost")["value"])
            money = f"; it cost {quantity(cost, results.logs.plant.currency, 0)}" if np.isfinite(cost) else ""
            return f"{words} {per_cent(row['value'])} ({', '.join(parts)}){money}."
    return f"Waste is unknown in the week of {week}."


def tiles(results: Results) -> Block:
    """Return the week's figures with their states: six with their past, the others a line each."""
    shown = _shown_figures(results)
    # Where the counters stand in, waste of all paper is told in a line: six tiles fit a sheet.
    lines = [name for name in shown if name in _LINES or (name == "waste" and "counter waste" in shown)]
    first = tiles_block([_tile(results, name) for name in shown if name not in lines])
    rest = states([_line(results, name) for name in lines])
    return together(first, rest)


def _tile(results: Results, name: str) -> Tile:
    row = _figure(results, name)
    label, digits = _NAMES[name]
    unit = str(row["unit"])
    # Breaks that are counted, not held against reels, are whole.
    digits = 0 if unit.startswith("in ") else digits
    history = results["week_history"]
    past = history.loc[history["figure"] == name, "value"].tail(_LINE_WEEKS).tolist()
    compared = [(words, quantity(number, "", digits)) for words, number in _compared(results, row)]
    if np.isfinite(row["target"]) and name != "ink use":
        compared.append((f"target{by_default(results, name)}", f"{row['target']:g}"))
    if np.isfinite(row["low"]):
        low, high = (quantity(row[name], digits=digits) for name in ("low", "high"))
        compared.append(("95 % interval", f"{low} to {high}"))
    because, detail = _reasons(results, row)
    return Tile(
        label,
        float(row["value"]),
        unit,
        detail,
        str(row["state"]),
        digits,
        tuple(compared),
        tuple(past),
        float(row["target"]),
        because,
    )


def _compared(results: Results, row: pd.Series) -> list[tuple[str, float]]:
    """Return the numbers that a figure is held against, with what each is called."""
    weeks = weeks_logged(results.logs, 13)
    # Sums over weeks stand as the mean of one, so that they can be held against the week.
    share, quarter = (weeks, f"{weeks}-week mean") if row.name in _SUMS else (1, weeks_words(results, 13))
    columns = {
        # A figure of several weeks is itself what 13 weeks say; what its last week alone did stands beside it.
        "last_week": ("this week alone" if row.name in _SEVERAL else "week before", row["last_week"]),
        "last_year": ("last year", row["last_year"]),
        "weeks_13": (quarter, row["weeks_13"] / share),
    }
    return [
        (words, float(number))
        for column, (words, number) in columns.items()
        if np.isfinite(number) and not (column == "weeks_13" and number == row["value"])
    ]


def _reasons(results: Results, row: pd.Series) -> tuple[str, str]:
    """Return why a figure is in its state where that is not fine, and what else is said of it: of many parts the first.

    Exceptions that make its state are the reason; where there are none, what its own rule says first. Their names
    alone, which stand among what is to do, are left out.
    """
    because, _, clauses = _parted(results, row)
    if len(clauses) > _PARTS + 1:
        clauses[_PARTS:] = [f"{len(clauses) - _PARTS} more"]
    return tuple(
        logged(words[:1].upper() + words[1:], 400) if words else "" for words in (because, "; ".join(clauses))
    )


def _parted(results: Results, row: pd.Series) -> tuple[str, bool, list[str]]:
    """Return the reason for a state that is not fine, whether it is the figure's own, and the other parts."""
    clauses = _SEE.sub("", spoken(str(row["why"]), results.logs.as_of)).split("; ")
    if " because of " in clauses[-1]:
        return clauses.pop().split(" because of ", 1)[1], False, clauses
    own = row["state"] in (WATCH, ACT)
    return clauses.pop(0) if own else "", own, clauses


def _line(results: Results, name: str) -> Tile:
    row = _figure(results, name)
    label, digits = _NAMES[name]
    unit = str(row["unit"])
    if unit == "tests overdue" and row["value"] == 1:
        unit = "test overdue"
    parts = []
    if np.isfinite(row["target"]) and name == "stock-out risk":
        parts = [f"target {row['target']:g}{by_default(results, name)}"]
    parts += [f"{words} {quantity(number, '', digits)}" for words, number in _compared(results, row)]
    numbers = f"({', '.join(parts)})" if parts else ""
    because, reasons = _reasons(results, row)
    detail = ". ".join(part for part in (numbers, reasons) if part)
    return Tile(label, float(row["value"]), unit, detail, str(row["state"]), digits, because=because)


#: Parts of a reason that are told before they are counted.
_PARTS = 2
#: Figures of several weeks, and those that are a sum over weeks.
_SEVERAL = ("web breaks", "butts", "ink use")
_SUMS = ("paper mounted", "wasted paper cost")


def coming(results: Results) -> Block:
    """Return the seven days ahead: issues, pages, copies, newsprint by grammage and width, what is closed and due."""
    days = results["coming_days"].copy()
    if days.empty:
        return note("The week ahead is not known: nothing that is booked or forecast can be told.")
    as_of, paper = results.logs.as_of, results["coming_paper"]
    by_paper = _by_paper(results)
    names = [str(name) for name in by_paper]
    for number, name in enumerate(names):
        days[f"paper{number}"] = by_paper[name].reindex(days["date"]).to_numpy()
    columns = heads("day <text>; issues .0; pages .0; copies .0")
    columns += [Shown(f"paper{number}", name, "t", 1) for number, name in enumerate(names)]
    days["day"] = [day_cell(day, as_of) for day in days["date"]]
    nothing = "No delivery due" if results.logs.has("deliveries") else ""
    days["remarks"] = [
        ". ".join(
            part[:1].upper() + part[1:]
            for part in (
                event,
                closed.replace("no receipts", "goods-in closed"),
                _due_words(due, _due_sum(results, day)),
                _as_booked(results, day),
            )
            if part
        )
        or nothing
        for day, event, closed, due in zip(
            days["date"], days["event"], days["closed"], days["due"], strict=True
        )
    ]
    total = paper["kg"].sum() / 1000
    expected = int((days["issues"] - days["booked"]).sum())
    words = f"{counted(days['issues'].sum(), 'issue')}, {quantity(days['copies'].sum(), '', 0)} copies"
    words += " as booked" if days["booked"].sum() > 0 else ""
    words += f", about {quantity(total, 't', 0)} of newsprint expected" if total > 0 else ""
    words += f"; {counted(expected, 'issue is', 'issues are')} not booked but expected" if expected else ""
    words += "" if results.logs.has("deliveries") else "; what is due is unknown"
    return sheet(
        days,
        name="coming",
        caption=f"{days['day'].iloc[0]} to {days['day'].iloc[-1]}: {words}",
        columns=[*columns, *heads("remarks <text>")],
        file="coming_days",
    )


def _by_paper(results: Results) -> pd.DataFrame:
    """Return newsprint by day [t], a column for each grammage and width; of many, those that most is used of."""
    paper = results["coming_paper"]
    if paper.empty:
        return pd.DataFrame()
    sort = paper["material"].map(_papers(results)).astype("str")
    tonnes_of = paper["kg"].groupby([paper["date"], sort]).sum().unstack() / 1000
    sums = tonnes_of.sum()
    most = sums[sums > 0].nlargest(_PAPERS if (sums > 0).sum() <= _PAPERS else _PAPERS - 1).index
    shown = tonnes_of[[name for name in dict.fromkeys(_papers(results).values()) if name in most]]
    rest = tonnes_of.drop(columns=most).sum(axis=1)
    return shown.assign(**{"other papers": rest}) if rest.sum() > 0 else shown


def _papers(results: Results) -> dict[str, str]:
    """Return grammage and width of each newsprint in words, the light and narrow first."""
    listed = results.logs["materials"]
    listed = listed[listed["kind"] == "newsprint"].sort_values(["grammage_gsm", "width_mm"])
    sizes = zip(listed["material"], listed["grammage_gsm"], listed["width_mm"], strict=True)
    return {str(name): f"{gsm:g} g {width:g} mm" for name, gsm, width in sizes}


def _due_sum(results: Results, day: pd.Timestamp) -> str:
    """Return the newsprint due on a day and on how many trucks all comes, where that is known; else nothing."""
    due = results.open_orders
    due = due[due["promised_on"] == day]
    paper = due["material"].isin(results.logs.listed("newsprint", "kg"))
    late = results["late_trucks"]
    trucks = late.loc[(late["promised_on"] == day) & (late["state"] == "on order"), "trucks"].sum(min_count=1)
    words = [f"{tonnes(due.loc[paper, 'quantity'].sum(), 1)} of newsprint"] if paper.sum() > 1 else []
    words += [f"{counted(trucks, 'truck')} or more"] if trucks > 0 else []
    return ", ".join(words)


def _as_booked(results: Results, day: pd.Timestamp) -> str:
    """Say what paper a day takes as booked where a title has unusual pages: tonnes follow what such bookings became."""
    jobs = results["night_jobs"]
    odd = unusual_pages(results.logs, jobs[jobs["date"] == day])
    webs = results["night_webs"]
    if odd.empty or webs["run_m"].isna().any() or webs.empty:
        return ""
    gsm = webs["material"].map(results.logs["materials"].set_index("material")["grammage_gsm"])
    kg = paper_kg(webs["run_m"] * webs["width_mm"] / 1000, gsm).groupby(webs["material"]).sum()
    usual = results["coming_paper"]
    usual = usual[usual["date"] == day].set_index("material").reindex(kg.index)
    kg = kg[(kg < usual["q05"]) | (kg > usual["q95"])]
    if kg.empty:
        return ""
    booked = ", ".join(f"{_papers(results)[str(name)]} {tonnes(much, 1)}" for name, much in kg.items())
    who = ", ".join(
        f"{title} with {pages:.0f} pages (usually {usual:.0f})"
        for title, pages, usual in zip(odd["title"], odd["pages"], odd["usual"], strict=True)
    )
    return f"{booked} as booked: {who}"


def _due_words(due: str, total: str) -> str:
    """Say what is due on a day, the first materials of many; a quantity keeps its unit on its line."""
    lines = re.sub(r"(?<=\d) (?=[^\s;]+(;|$))", "\u00a0", due).split("; ")
    more = f" and {len(lines) - _DUE} more" if len(lines) > _DUE else ""
    return f"due{total and f' {total}'}: {'; '.join(lines[:_DUE])}{more}" if due else ""


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
        since=day_cells(table["week"], results.logs.as_of),
    ).sort_values(["severity", "cost", "exception"], ascending=[True, False, True], na_position="last")
    noun = "exception" if len(table) == 1 else "exceptions"
    rows = sheet(
        table,
        name="exceptions",
        caption=f"{len(table)} {noun}, the most pressing first",
        columns=(
            "words: what; subject: where; state <state>; since: since the week of <text>; "
            f"what: how much <text>; cost: cost [{results.logs.plant.currency}] .0; "
            "cost_basis: of that; why: why"
        ),
        limit=20,
        file="exceptions",
    )
    return folded(f"All exceptions, with their size: {len(table)}", rows)


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    mounted, waste_row = _figure(results, "paper mounted"), _figure(results, "waste")
    week = last_week(results.logs)
    print(
        f"week of {week:%Y-%m-%d}: mounted {tonnes(1000 * mounted['value'])}, waste {waste_row['value']:.1f} %"
    )
    print(f"{len(results['exceptions'])} exceptions")
