"""What the manager's page tells to do this week, each with the caution that belongs to it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..exhibits import Block, Shown, folded, heads, logged, note, points, sheet
from ..watch import KINDS
from .common import counted, day_cell, day_words, number_words, spoken, unbroken

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "actions",
    "further_actions",
    "needs_words",
    "other_actions",
    "unjudged_words",
    "unknown_figures",
    "worst_words",
]

#: Things to do that have their reasons on the page, and a line; whole reasons of all stand folded below it.
_SHOWN, _LINES = 6, 4
#: Characters of a reason, and of what to do, on the page; what is cut there stands whole below it.
_REASON, _DEED, _WHOLE = 150, 120, 10_000
#: Things named in the headline, and how many of them at least by what is due first.
_NAMED, _DUE = 3, 2


def needs_words(results: Results) -> str:
    """Return how many things need action, and how many a look: as many as are listed."""
    act = int((results["to_do"]["state"] == "act").sum())
    watch = len(results["to_do"]) - act
    first = _things(act, "action")
    if not watch:
        return first
    looks = f"{number_words(watch)} a look"
    return f"{first}, {looks}" if act else _things(watch, "a look")


def _things(count: int, what: str) -> str:
    return f"one thing needs {what}" if count == 1 else f"{number_words(count)} things need {what}"


def worst_words(results: Results, reasons: Mapping[str, str]) -> str:
    """Name what makes the state, then what else is due, the first first, with its day and its money.

    `reasons` are those of the figures in that state by their names; what is to do about these is not said twice.
    """
    table = results["to_do"]
    pressing = table[table["state"] == "act"]
    pressing = pressing if len(pressing) else table
    kinds = results["exceptions"].set_index("exception")["kind"].map({n: k.figure for n, k in KINDS.items()})
    said = [kinds.get(names.split("; ")[0], "") in reasons for names in pressing["exception"]]
    red = "; ".join(list(reasons.values())[:_NAMED])
    words = f"{red[:1].upper()}{red[1:]}. " if red else ""
    pressing = pressing[~np.array(said, dtype=bool)].head(max(_NAMED - len(reasons), _DUE))
    if pressing.empty:
        return words
    currency, as_of = results.logs.plant.currency, results.logs.as_of
    money = [
        _money(cost, basis, currency)
        for cost, basis in zip(pressing["cost"], pressing["cost_basis"], strict=True)
    ]
    parts = [
        f"{about} ({f'{amount}, ' if amount else ''}by {day_words(day, as_of)})"
        for about, amount, day in zip(pressing["about"], money, pressing["by"], strict=True)
    ]
    first = "; ".join(part[0].lower() + part[1:] for part in parts)
    return f"{words}Due first: {first}."


def unknown_figures(results: Results) -> list[str]:
    """Return the figures of the week that are not known, in the order of their table.

    One that has a number, and cannot be judged by it alone, is told with it.
    """
    table = results["week_figures"]
    unknown = (table["state"] == "unknown") & table["value"].isna()
    return [str(name) for name in table.loc[unknown, "figure"]]


def unjudged_words(results: Results) -> str:
    """Say which figures of the week are not known, and which have a number that cannot be judged by itself."""
    table = results["week_figures"]
    names = table.loc[table["state"] == "unknown", "figure"].tolist()
    unknown = unknown_figures(results)
    unjudged = [name for name in names if name not in unknown]
    words = f" Not known, so not looked at: {', '.join(unknown)}." if unknown else ""
    return words + (f" Not judged: {', '.join(unjudged)}." if unjudged else "")


def actions(results: Results) -> Block:
    """Return what to do this week, by its rank: the action, who, by when, why, and money."""
    table = results["to_do"]
    if table.empty:
        unjudged = unjudged_words(results)
        if unjudged:
            return note(f"What is logged asks for nothing beyond the routine.{unjudged}")
        return note("Nothing to do beyond the routine.")
    needs = needs_words(results)
    caption = f"{needs[0].upper()}{needs[1:]}: what needs action first, each by its day"
    if len(table) > _SHOWN:
        caption += f"; {len(table) - _SHOWN} more below the days of stock"
    return _listed(results, table.head(_SHOWN), "to-do", caption, _DEED, _REASON)


def other_actions(results: Results) -> Block | None:
    """Return what else is to do in a line each: the action, who, by when, and its caution where that is new."""
    as_of, cautions = results.logs.as_of, _cautions(results)
    more = results["to_do"].iloc[_SHOWN:]
    if more.empty:
        return None
    first = more.head(_LINES)
    lines = [
        f"{logged(_shortened(spoken(do, as_of), _DEED), _WHOLE)} ({logged(unbroken(who))}, by "
        f"{day_words(by, as_of)}). {caution}".strip()
        for do, who, by, caution in zip(
            first["do"], first["who"], first["by"], cautions[first.index], strict=True
        )
    ]
    left = len(more) - len(lines)
    lines += [f"{counted(left, 'more thing')} to do: at the end of the page, on a screen."] if left else []
    return points([f"**Also to do**: {lines[0]}", *lines[1:]])


def further_actions(results: Results) -> Block | None:
    """Return all that is to do with nothing cut, folded away; nothing where the page has it whole."""
    table = results["to_do"]
    cut = (table["why"].str.len() > _REASON) | (table["do"].str.len() > _DEED)
    if len(table) <= _SHOWN and not cut.any():
        return None
    words = f"All to do, with the whole of each reason: {len(table)}"
    return folded(words, _listed(results, table, "to-do-more", words))


def _listed(
    results: Results, table: pd.DataFrame, name: str, caption: str, deed: int = _WHOLE, reason: int = _WHOLE
) -> Block:
    as_of, currency = results.logs.as_of, results.logs.plant.currency
    cautions = _cautions(results)
    if reason == _WHOLE:
        # Of what the page says above them the cautions stand there.
        cautions[table.index[: _SHOWN + _LINES]] = ""
    bases = table["cost_basis"].str.partition(", ")
    shown = table.assign(
        who=[unbroken(who) for who in table["who"]],
        by=[day_cell(day, as_of) for day in table["by"]],
        do=[_shortened(spoken(words, as_of), deed) for words in table["do"]],
        why=[_shortened(spoken(why, as_of), reason) for why in table["why"]],
        cost=[_money(cost, basis) for cost, basis in zip(table["cost"], bases[0], strict=True)],
        assumed=bases[2],
        # Each caution stands once on the page, at the first thing that it belongs to.
        caution=[cautions[rank] for rank in table["rank"].index],
    )
    return sheet(
        shown,
        name=name,
        caption=caption,
        columns=[
            Shown("do", "do", below="caution"),
            *heads("state <state>; who; by <text>"),
            Shown("cost", f"money [{currency}]", kind="text", below="assumed"),
            *heads("why"),
        ],
        limit=max(len(table), 1),
        file="to_do",
    )


def _shortened(words: str, longest: int) -> str:
    """Cut what is too long at the end of a clause, outside of brackets; at a word, where it has no such end."""
    if len(words) <= longest:
        return words
    for ends in ("[;.]", ","):
        cuts = [words[: found.end()] for found in re.finditer(rf"{ends}(?= )", words[: longest - 1])]
        whole = [cut for cut in cuts if cut.count("(") == cut.count(")")]
        if whole:
            return f"{whole[-1]} …"
    return f"{words[: longest - 1].rsplit(' ', 1)[0].rstrip(' ,;')}…"


def _money(cost: float, basis: str, currency: str = "") -> str:
    if not np.isfinite(cost):
        return ""
    amount = f"{cost:,.0f}".replace(",", "\u202f").replace("-", "\u2212")
    return " ".join(part for part in (amount, currency, basis) if part)


def _cautions(results: Results) -> pd.Series:
    """Return the caution beside each thing to do, of the table's index: where work can hurt somebody, each once."""
    raised = results["exceptions"].set_index("exception")["kind"].to_dict()
    said: set[str] = set()
    found = []
    for names in results["to_do"]["exception"]:
        kinds = {raised.get(name, "") for name in str(names).split("; ")}
        words = [kind.caution for kind in KINDS.values() if kind.name in kinds and kind.caution]
        new = [text for text in dict.fromkeys(words) if text not in said]
        said |= set(new)
        found.append(" ".join(f"**Caution.** {text}." for text in new))
    return pd.Series(found, results["to_do"].index, dtype="str")
