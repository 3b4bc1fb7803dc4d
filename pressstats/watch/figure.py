"""One figure of the week, as a row of the published table ``week_figures``."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..paper import waste_totals
from .periods import Period, last_week, of_period
from .plausible import is_refused
from .states import UNKNOWN

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs
    from .exceptions import ExceptionInputs

__all__ = ["WeekFigure", "WeekInputs"]


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
