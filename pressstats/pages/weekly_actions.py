"""What the manager's page tells to do this week, and the cautions beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..exhibits import Block, Shown, heads, note, sheet
from ..exhibits import caution as caution_block
from ..watch import KINDS
from .common import number_words, spoken

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["actions", "caution", "needs_words", "unjudged_words", "unknown_figures"]


def needs_words(results: Results) -> str:
    """Return how many things need action: as many as are listed."""
    count = len(results["to_do"])
    return "one thing needs action" if count == 1 else f"{number_words(count)} things need action"


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
    """Return what to do this week, the most pressing first: the action, who, by when, why, and money."""
    table = results["to_do"]
    if table.empty:
        unjudged = unjudged_words(results)
        if unjudged:
            return note(f"What is logged asks for nothing beyond the routine.{unjudged}")
        return note("Nothing to do beyond the routine.")
    needs = needs_words(results)
    return sheet(
        table.assign(
            by=[spoken(f"{day:%Y-%m-%d}", results.logs.as_of) for day in table["by"]],
            why=[spoken(why, results.logs.as_of) for why in table["why"]],
            cost=[
                _money(cost, basis) for cost, basis in zip(table["cost"], table["cost_basis"], strict=True)
            ],
        ),
        name="to-do",
        caption=f"{needs[0].upper()}{needs[1:]}, the most pressing first",
        columns=[
            *heads("do: what to do; state <state>; who; by <text>"),
            Shown("cost", f"cost [{results.logs.plant.currency}]", kind="text"),
            *heads("why"),
        ],
        limit=max(len(table), 1),
        file="to_do",
    )


def _money(cost: float, basis: str) -> str:
    return f"{cost:,.0f} {basis}".replace(",", "\u202f").replace("-", "\u2212") if np.isfinite(cost) else ""


def caution(results: Results) -> Block:
    """Return the cautions of what is to be done, each once; where nothing can hurt, who does such work at all."""
    raised = results["exceptions"].set_index("exception")["kind"]
    kinds = {
        str(raised[name])
        for names in results["to_do"]["exception"]
        for name in str(names).split("; ")
        if name in raised.index
    }
    cautions: dict[str, list[str]] = {}
    for kind in KINDS.values():
        if kind.name in kinds and kind.caution:
            cautions.setdefault(kind.caution, []).append(kind.words)
    if not cautions:
        return caution_block(
            "Work on presses, reelstands, tanks and electrical supplies is for trained and, for isolation and "
            "generators, qualified people, by the maker's manual and local rules."
        )
    return caution_block(" ".join(f"**{', '.join(words)}.** {text}." for text, words in cautions.items()))
