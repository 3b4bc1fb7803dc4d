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

#: Exceptions named beside a figure that is in its state by itself, or subjects besides the first.
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

    Where they, not its own number, make its state, the reason says so, with the number of the one that costs most:
    nobody could tell it from the figure.
    """
    kinds = [kind.name for kind in KINDS.values() if kind.figure == figure.figure]
    concerning = exceptions[exceptions["kind"].isin(kinds)]
    if concerning.empty:
        return {}
    state = worst([figure.state, *concerning["state"]])
    if state == figure.state:
        reason = f"see {', '.join(concerning['exception'].head(_NAMED))}"
    else:
        reason = f"{state} because of {_first_of(concerning[concerning['state'] == state])}"
    return {"state": state, "why": f"{figure.why}; {reason}".removeprefix("; ")}


def _first_of(exceptions: pd.DataFrame) -> str:
    """Return subject and number of the exception that costs most, of some, and what else they are about."""
    rows = exceptions.sort_values("cost", ascending=False, kind="stable")
    others = rows["subject"].iloc[1:].tolist()
    named = [*others[:_NAMED], *([f"{len(others) - _NAMED} more"] if len(others) > _NAMED else [])]
    first = f"{rows['subject'].iloc[0]}: {rows['why'].iloc[0].split('; ')[0]}"
    return f"{first} (also {', '.join(named)})" if named else first
