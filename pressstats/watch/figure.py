"""One figure of the week, what it is made from, and the weeks that it is of: the last, the last 13, of last year."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..paper import waste_totals
from .plausible import is_refused
from .states import UNKNOWN

if TYPE_CHECKING:
    from ..logs import Logs
    from .exceptions import ExceptionInputs

__all__ = ["LAST_YEAR", "Period", "WeekFigure", "WeekInputs", "last_week", "of_period", "weeks_logged"]

#: Weeks back to the same week of last year.
LAST_YEAR = 52


@dataclass(frozen=True)
class Period:
    """Some whole weeks before the end of as-of."""

    weeks: int = 1
    back: int = 0  # weeks between their end and the last whole week's


def last_week(logs: Logs) -> pd.Timestamp:
    """Return the first day of the last whole week at the end of as-of."""
    return logs.plant.week_start(logs.as_of + pd.Timedelta(days=1)) - pd.Timedelta(weeks=1)


def weeks_logged(logs: Logs, most: int) -> int:
    """Return over how many of the last `most` whole weeks there are logs at all: one at least."""
    first = logs.plant.week_start(logs["runs"]["date"].min())
    return max(1, min(most, (last_week(logs) - first).days // 7 + 1))


def of_period(logs: Logs, frame: pd.DataFrame, period: Period, column: str = "week") -> pd.DataFrame:
    """Return the rows of `frame` whose day or time, in `column`, lies in the period."""
    end = last_week(logs) + pd.Timedelta(weeks=1 - period.back)
    return frame[(frame[column] >= end - pd.Timedelta(weeks=period.weeks)) & (frame[column] < end)]


@dataclass(frozen=True)
class WeekFigure:
    """One figure; see ``week_figures`` in :mod:`pressstats.tables.outputs` for its columns."""

    figure: str
    value: float = np.nan
    unit: str = ""
    low: float = np.nan
    high: float = np.nan
    last_week: float = np.nan
    last_year: float = np.nan
    weeks_13: float = np.nan
    target: float = np.nan
    state: str = ""
    why: str = ""

    def as_row(self) -> dict[str, Any]:
        """Return the figure by the columns of its table."""
        return asdict(self)


@dataclass(frozen=True)
class WeekInputs:
    """What the figures of the week are reckoned from."""

    logs: Logs
    # Result of :func:`pressstats.paper.run_balance`, with the price of each run's paper (`run_prices`)
    runs: pd.DataFrame
    found: ExceptionInputs  # the tables that exceptions were drawn from
    exceptions: pd.DataFrame  # published table ``exceptions``
    # Probability of running out before the next order can arrive; empty where it is not known
    risk: pd.Series
    paid: float = np.nan  # what was paid for the newsprint of the last whole week, by its book [currency]

    def runs_of(self, period: Period) -> pd.DataFrame:
        """Return the balance of the runs of a period."""
        return of_period(self.logs, self.runs, period)

    @cached_property
    def mounts(self) -> pd.DataFrame:
        """Week of the run of each mount, number of its reel among all of them, and whether a web break ended it."""
        mounts = self.logs["reel_mounts"]
        return pd.DataFrame(
            {
                "week": mounts["run_id"].map(self.runs.set_index("run_id")["week"]),
                "reel": mounts.groupby(["supplier", "reel_id"], dropna=False).ngroup(),
                "broke": mounts["ended_by"] == "web_break",
            }
        )

    @cached_property
    def counted(self) -> pd.DataFrame:
        """Week of each run, and the web breaks that its press counter tells."""
        runs = self.logs["runs"]
        weeks = runs["run_id"].map(self.runs.set_index("run_id")["week"])
        return pd.DataFrame({"week": weeks, "web_breaks": runs["web_breaks"]})

    def refused(self, parts: str) -> bool:
        """Say whether nothing may be told of some parts of the logs, parted by blanks."""
        return is_refused(self.found.implausible, parts)

    def raised(self, *kinds: str) -> pd.DataFrame:
        """Return the exceptions of some kinds."""
        return self.exceptions[self.exceptions["kind"].isin(kinds)]

    def unknown(self, figure: str, unit: str, why: str, target: float = np.nan) -> WeekFigure:
        """Return a figure that is not known, and why."""
        return WeekFigure(figure, unit=unit, target=target, state=UNKNOWN, why=why)

    def no_paper(self, weeks: int) -> str:
        """Say why nothing is known of the paper of the last weeks; empty where something is."""
        runs = self.runs_of(Period(weeks))
        if self.refused("paper"):
            return "what the logs say of paper cannot be true"
        if runs.empty:
            since = "the week of" if weeks == 1 else f"the {weeks} weeks to that of"
            return f"nothing was printed in {since} {last_week(self.logs):%Y-%m-%d}"
        if not self.logs.has("reel_mounts"):
            return "no reel records: log reel_mounts"
        if not self.logs.has("materials"):
            return "no nominal grammage: log materials"
        known = waste_totals(runs)
        if np.isnan(known["waste_pct"]):
            return f"only {known['runs']:.0f} of {len(runs)} runs have complete reel records"
        return ""
