"""The published table ``week_figures``: the figures of the week, none calmer than the exceptions that concern it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ..tables import as_published
from .kinds import KINDS
from .paper_figures import paper_figures
from .reel_figures import reel_figures
from .states import worst
from .supply_figures import supply_figures

if TYPE_CHECKING:
    from .figure import WeekFigure, WeekInputs

__all__ = ["week_figures"]

#: Exceptions named beside a figure.
_NAMED = 3


def week_figures(week: WeekInputs) -> pd.DataFrame:
    """Return the published table ``week_figures``.

    A figure that is not known is blank, its state ``unknown``, and `why` says what to log.
    """
    figures = (*paper_figures(week), *reel_figures(week), *supply_figures(week))
    rows = [one.as_row() | _with_exceptions(one, week.exceptions) for one in figures]
    return as_published(pd.DataFrame(rows), "week_figures")


def _with_exceptions(figure: WeekFigure, exceptions: pd.DataFrame) -> dict[str, str]:
    """Return state and reason of a figure with the exceptions that concern it.

    Where they, not its own number, make its state, the reason says so: nobody could tell it from the number.
    """
    kinds = [kind.name for kind in KINDS.values() if kind.figure == figure.figure]
    concerning = exceptions[exceptions["kind"].isin(kinds)].sort_values("state", kind="stable")
    if concerning.empty:
        return {}
    state = worst([figure.state, *concerning["state"]])
    told = f"{state} because of" if state != figure.state else "see"
    if state != figure.state:
        concerning = concerning[concerning["state"] == state]
    # One kind is named once, with all that it is about.
    first = concerning.head(_NAMED)
    named = [
        f"{kind}: {', '.join(rows['subject'])}"
        if (rows["subject"] != "").all()
        else ", ".join(rows["exception"])
        for kind, rows in first.groupby("kind", sort=False)
    ]
    named += [f"{len(concerning) - _NAMED} more"] if len(concerning) > _NAMED else []
    return {"state": state, "why": f"{figure.why}; {told} {', '.join(named)}".removeprefix("; ")}
