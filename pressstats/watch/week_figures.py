"""The figures of the week, none calmer than the exceptions that concern it, and those of each week of a year before."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..paper import counter_waste
from ..tables import OUTPUTS, as_published
from .figure import LAST_YEAR, Period, last_week, of_period, weeks_logged
from .kinds import KINDS
from .paper_figures import mounted_tonnes, paper_figures, waste_share, wasted_cost
from .states import worst
from .supply_figures import (
    breaks_per_100,
    butts_share,
    counted_breaks,
    ink_used,
    reel_figures,
    supply_figures,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from .figure import WeekFigure, WeekInputs

__all__ = ["week_figures", "week_history"]

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


#: Of runs: the weeks that a figure is of, and how it follows from their balance.
_OF_RUNS: dict[str, tuple[int, Callable[[pd.DataFrame], float]]] = {
    "waste": (1, waste_share),
    "counter waste": (1, counter_waste),
    "paper mounted": (1, mounted_tonnes),
    "wasted paper cost": (1, wasted_cost),
    "butts": (13, butts_share),
}


def week_history(week: WeekInputs) -> pd.DataFrame:
    """Return the published table ``week_history``, each figure by the rule of ``week_figures``.

    The first is the same week of last year. A figure of several weeks is of those that end with the week; the first
    weeks of the logs are of fewer. What is refused has no rows, and what is not known of a week is blank.
    """
    weeks = weeks_logged(week.logs, LAST_YEAR + 1)
    # Numbers alone: to cut texts for each figure of each week would take most of the time.
    runs: pd.DataFrame = week.runs.select_dtypes(exclude="str")
    rows = []
    for back in reversed(range(weeks)):
        first = last_week(week.logs) - pd.Timedelta(weeks=back)
        rows += [(name, first, value) for name, value in _figures(week, runs, back).items()]
    if not rows:
        return OUTPUTS["week_history"].empty()
    return as_published(pd.DataFrame(rows, columns=["figure", "week", "value"]), "week_history")


def _figures(week: WeekInputs, runs: pd.DataFrame, back: int) -> dict[str, float]:
    """Return the figures of the week that lies so many weeks before the last; `runs` as in `week`, texts left out."""
    found: dict[str, float] = {}
    if not week.refused("paper"):
        rows = {weeks: of_period(week.logs, runs, Period(weeks, back)) for weeks in (1, 13)}
        found = {name: of(rows[weeks]) for name, (weeks, of) in _OF_RUNS.items()}
        quarter = Period(13, back)
        # Where no mount is logged the press counter stands in, as in ``week_figures``.
        breaks = breaks_per_100 if week.logs.has("reel_mounts") else counted_breaks
        found["web breaks"] = breaks(week, quarter)
    if not week.refused("ink"):
        found["ink use"] = ink_used(week, Period(4, back)) if len(week.found.ink_watch) else np.nan
    return found
