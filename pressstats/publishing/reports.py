"""The reports: one entry per notebook. Add a notebook here, and it is published."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = ["EXPLORE", "GROUP_REPORTS", "READERS", "REPORTS", "Report", "in_reading_order", "select"]

#: Tag of cells for whoever explores: they run in JupyterLab and in the tests, and are no part of a publication.
EXPLORE = "explore"
#: Readers in the order in which a publication serves them, with the head of their part of the index.
READERS: dict[str, str] = {
    "manager": "Monday, five minutes",
    "pressroom": "Seven in the morning",
    "buyer": "What to order, and when",
    "analyst": "Where it all went, and why",
}


@dataclass(frozen=True)
class Report:
    """One report."""

    name: str  # what it is called on the command line and in the file name of its page
    title: str  # title of the page
    question: str  # the question it answers, one line
    reader: str  # who asks: one of `READERS`
    stem: str = ""  # file name of the notebook without its ending; `name` where empty

    @property
    def notebook(self) -> str:
        """File name of the notebook."""
        return f"{self.stem or self.name}.ipynb"

    @property
    def page(self) -> str:
        """File name of the page."""
        return f"{self.name}.html"


REPORTS: tuple[Report, ...] = (
    Report("log_check", "Log check", "What did the logs hold, and what had to be set aside?", "analyst"),
    Report("paper_balance", "Paper balance", "Where did every tonne of newsprint go?", "analyst"),
    Report(
        "ink_use", "Ink use", "How much ink do pages, starts and idle days take, and what changed?", "analyst"
    ),
    Report(
        "reels",
        "Reels",
        "Which reels break, what stays on cores or is torn off, which setting is best?",
        "analyst",
    ),
    Report(
        "demand", "Demand", "What will be needed, week by week, and how good were past forecasts?", "analyst"
    ),
    Report(
        "weekly_page", "The week", "Are we in control, what did the week cost, what must be done?", "manager"
    ),
    Report("last_night", "Last night", "How was last night, and what is laid out for tonight?", "pressroom"),
    Report(
        "buying_outlook", "Buying outlook", "What will we need, when must we order, how sure are we?", "buyer"
    ),
)


#: Reports of a group of plants.
GROUP_REPORTS: tuple[Report, ...] = (
    Report(
        "group", "The group", "Which plant, and which supplier, is off what its work explains?", "manager"
    ),
)


def select(reports: Sequence[Report], names: Iterable[str]) -> tuple[Report, ...]:
    """Return the reports called `names`, in the order of `reports`; all of them if none is named."""
    wanted = list(names)
    known = [report.name for report in reports]
    unknown = [name for name in wanted if name not in known]
    if unknown:
        raise ValueError(f"no report is called {', '.join(unknown)}; there are {', '.join(known)}")
    return tuple(report for report in reports if not wanted or report.name in wanted)


def in_reading_order(reports: Sequence[Report]) -> list[Report]:
    """Return the reports by reader, the manager's first."""
    return [report for reader in READERS for report in reports if report.reader == reader]
