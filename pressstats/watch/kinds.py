"""The kinds of exceptions: what each is called, what to do about it, who does it, how pressing it is.

One registry, so that a kind without an action or an owner cannot reach a page: rows of ``exceptions`` are made
with the names that stand here, and a name that does not is an error where the row is made.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs
    from ..plant import Plant

__all__ = ["KINDS", "NEWS_DAYS", "PLANNED", "Kind", "action_of", "is_news", "kind_of", "owner_of", "raised"]

#: How pressing a matter is, the most pressing first (common practice, no source): what the numbers themselves or
#: tonight's edition hang on, what a supplier or a test is waited for, what costs every night, what can wait.
_TONIGHT, _THIS_WEEK, _COSTS, _LATER, _TIDYING = 1, 2, 3, 4, 5
#: Days from as-of within which each of these is wanted done (common practice, no source).
_DAYS = {_TONIGHT: 1, _THIS_WEEK: 3, _COSTS: 7, _LATER: 14, _TIDYING: 28}

_TO_DATE, _A_YEAR, _BY_END, _ORDER = "to date", "a year", "by its end", "order value"


@dataclass(frozen=True)
class Kind:
    """One kind of exception."""

    name: str  # as it stands in ``exceptions.kind``
    words: str  # what pages call it
    action: str  # what to do, a sentence without its full stop; ``{subject}`` is what it concerns
    desk: str  # who does it where ``[owners]`` of ``plant.toml`` names nobody
    severity: int  # how pressing it is: 1 is the most
    # ``act``, or ``watch`` where looking at it is all that it asks for; a single exception may say otherwise
    state: str = "act"
    # of what its cost is: ``to date``, ``a year``, ``by its end``, or ``order value``; empty where it has none
    cost_basis: str = ""
    action_below: str = ""  # what to do where its size is negative; empty where the sign changes nothing
    caution: str = ""  # what to keep in mind where the work can hurt somebody; empty where it cannot
    together: bool = False  # whether several of one kind are one thing to do
    # Which parts of the logs it is derived from, ``paper``, ``ink`` or ``demand``, parted by blanks: where one
    # of them cannot be true, it is not told; empty where it stands by itself
    part: str = ""
    # Figure of the week that is never calmer than an exception of this kind; empty where no figure is about it, and
    # for what is not known, a state of its own
    figure: str = ""

    @property
    def key(self) -> str:
        """Name of the kind as a key of ``[owners]``."""
        return re.sub(r"\W+", "_", self.name)

    @property
    def within_days(self) -> int:
        """Days from as-of within which it is wanted done."""
        return _DAYS[self.severity]


_MACHINE = "Stopped, isolated and by the maker's manual: work on presses and reelstands is for trained people"
_INK = "Spilt ink and solvents: as the safety data sheets say; tanks are entered or opened by trained people only"
_FIRE = (
    "Stacked paper is fire load, reels weigh about a tonne: local fire code, insurer and floor load decide"
)
_STANDBY = "Tests, isolation and generators belong to qualified people"

# fmt: off
_ALL = (
    Kind(
        "implausible logs", "Implausible logs",
        "Correct what is logged of {subject}, a unit, a column or rows that are missing, then publish again",
        "shift desk", _TONIGHT, together=True, figure="logs",
    ),
    Kind(
        "days of stock low", "Days of stock low",
        "See that the open order of {subject} comes in time; else bring an order forward or use what may stand in",
        "purchasing", _TONIGHT, together=True, part="demand", figure="days of stock",
    ),
    Kind(
        "delivery late", "Delivery late",
        "Ring the supplier for a new day: {subject}", "purchasing", _TONIGHT, together=True, figure="days of stock",
    ),
    Kind(
        "standby test", "Standby test overdue",
        "Have the standby supply tested: {subject}", "technical services", _THIS_WEEK, caution=_STANDBY,
        together=True, figure="standby",
    ),
    Kind(
        "stock unknown", "Stock unknown",
        "Count {subject}, or dip the tanks, and log it", "paper store", _THIS_WEEK, together=True,
    ),
    Kind(
        "count in doubt", "Count in doubt",
        "Count {subject} again before the next call-off", "paper store", _THIS_WEEK, together=True, part="demand",
        figure="days of stock",
    ),
    Kind(
        "ink leak", "Ink leak",
        "Look for a leak or a supply left open: {subject}", "ink store", _THIS_WEEK, cost_basis=_TO_DATE,
        caution=_INK, part="ink", figure="ink use",
    ),
    Kind(
        "ink step", "Sudden change of an ink's level",
        "Look for a spill or a delivery to another tank, and check the gauge: {subject}",
        "ink store", _COSTS, cost_basis=_TO_DATE,
        action_below="Log the delivery that is missing, or check the gauge: {subject}",
        caution=_INK, part="ink", figure="ink use",
    ),
    Kind(
        "ink drift", "Film weight",
        "Have film weight measured, then the ducts looked at: {subject}",
        "pressroom", _COSTS, cost_basis=_TO_DATE,
        action_below="Check densities on the printed copies, and that every delivery is logged: {subject}",
        caution=_MACHINE, part="ink", figure="ink use",
    ),
    Kind(
        "film weight change", "Film weight changed",
        "Have film weight measured, then the ducts looked at: {subject}",
        "pressroom", _COSTS, cost_basis=_TO_DATE,
        action_below="Check densities on the printed copies, and that every delivery is logged: {subject}",
        caution=_MACHINE, part="ink", figure="ink use",
    ),
    Kind(
        "ink change", "Ink use changed",
        "Check gauge, dips and deliveries of {subject}, then look for a leak, then at the ducts",
        "ink store", _COSTS, cost_basis=_TO_DATE,
        action_below="Check that every delivery of {subject} is logged, then gauge and dips",
        caution=_INK, part="ink", figure="ink use",
    ),
    Kind(
        "ink use", "Ink use",
        "Check dips, gauge and deliveries of {subject} before the ducts",
        "ink store", _LATER, state="watch", cost_basis=_TO_DATE,
        action_below="Check that every delivery of {subject} is logged, then gauge and dips",
        part="ink", figure="ink use",
    ),
    Kind(
        "ink misread dip", "Misread dip",
        "Dip {subject} again and correct the logged level; no ink was lost",
        "ink store", _LATER, state="watch", part="ink", figure="ink use",
    ),
    Kind(
        "grammage change", "Grammage changed",
        "Ask the supplier what its paper of {subject} weighs now, and correct it in materials",
        "purchasing", _LATER, state="watch", cost_basis=_TO_DATE, together=True, part="paper", figure="waste",
    ),
    Kind(
        "start-up waste", "Start-up waste",
        "Go through the start-up routine of {subject} with its crews: plates, register, ink presets",
        "pressroom", _COSTS, cost_basis=_TO_DATE,
        action_below="Ask the crews of {subject} what became better and keep it; check its waste counter",
        part="paper", figure="waste",
    ),
    Kind(
        "running waste", "Running waste",
        "Look at restarts and folder settings of {subject}", "pressroom", _COSTS, cost_basis=_TO_DATE,
        action_below="Ask the crews of {subject} what became better and keep it; check its waste counter",
        caution=_MACHINE, part="paper", figure="waste",
    ),
    Kind(
        "web breaks", "Web breaks",
        "Show {subject} the counts of its web breaks, and agree what changes",
        "purchasing", _COSTS, cost_basis=_TO_DATE, part="paper", figure="web breaks",
    ),
    Kind(
        "breaking stand", "Web breaks of a reelstand",
        "Have tension and rollers of {subject} looked at", "pressroom", _COSTS, cost_basis=_TO_DATE, caution=_MACHINE,
        part="paper", figure="web breaks",
    ),
    Kind(
        "transport damage", "Transport damage",
        "Send {subject} the reel numbers, the kilograms and pictures, and claim",
        "purchasing", _THIS_WEEK, cost_basis=_TO_DATE,
        caution="A damaged reel may burst or fall: move it as the store's rules say",
        part="paper", figure="waste",
    ),
    Kind(
        "claim", "Claim that runs out",
        "Send {subject} the claim with its evidence", "purchasing", _COSTS, state="watch", cost_basis=_TO_DATE,
        part="paper",
    ),
    Kind(
        "contract", "Contract outside its tolerance",
        "Shift call-offs, or have the contract changed: {subject}", "purchasing", _COSTS, state="watch",
        cost_basis=_BY_END, part="demand",
    ),
    Kind(
        "unexplained paper", "Unexplained paper",
        "Look for a mount or a weight that was not logged on {subject}; all runs off alike: paper may have changed",
        "shift desk", _LATER, state="watch", cost_basis=_TO_DATE,
        action_below="Look for a mount logged twice or a remainder too light on {subject}; all runs off alike: "
        "paper may have changed",
        part="paper", figure="waste",
    ),
    Kind(
        "butts", "Butts",
        "Have the splice setting of {subject} checked", "pressroom", _LATER, state="watch", cost_basis=_A_YEAR,
        caution=_MACHINE, together=True, part="paper", figure="butts",
    ),
    Kind(
        "store losses", "Store losses",
        # What the store loses is outside the paper balance, and how much was mounted is right all the same.
        "Check stripping in the store and the scale: {subject}", "paper store", _LATER, state="watch",
        cost_basis=_TO_DATE, part="paper",
    ),
    Kind(
        "log gap", "Gap in the logs",
        "Ask the shift to log again: {subject}", "shift desk", _LATER, together=True, figure="logs",
    ),
    Kind(
        "days of stock high", "Days of stock high",
        # What there is much of says nothing of the shortest days of stock.
        "Let {subject} run down before the next call-off", "purchasing", _TIDYING, state="watch", cost_basis=_A_YEAR,
        caution=_FIRE, together=True, part="demand",
    ),
)

_PLANNED = (
    Kind(
        "emergency supply", "Emergency order",
        "Place an emergency order: {subject}", "purchasing", _TONIGHT, cost_basis=_ORDER,
    ),
    Kind(
        "orders due", "Orders due",
        "Order {subject}", "purchasing", _THIS_WEEK, cost_basis=_ORDER,
    ),
    Kind(
        "stock-out risk", "May run out",
        "Ask whether the open orders of {subject} come on their day or earlier",
        "purchasing", _THIS_WEEK, together=True,
    ),
    Kind(
        "nothing on order", "May run out, nothing on order",
        "Look again at {subject}: nothing of it is on order", "purchasing", _THIS_WEEK, together=True,
    ),
)

# fmt: on
#: Every kind of exception by its name.
KINDS: dict[str, Kind] = {kind.name: kind for kind in _ALL}
#: What the order plan asks for, by its name: to do, but no exception.
PLANNED: dict[str, Kind] = {kind.name: kind for kind in _PLANNED}


def kind_of(name: str) -> Kind:
    """Return the kind of exception, or of what the plan asks for, that is called `name`; else a KeyError."""
    kind = KINDS.get(name) or PLANNED.get(name)
    if kind is None:
        raise KeyError(f"no kind of exception is called {name!r}: register it in watch/kinds.py")
    return kind


def owner_of(plant: Plant, name: str, asked: str = "") -> str:
    """Return who is asked about a kind of exception.

    As ``[owners]`` says of the kind, else whom the logs name, else as it says of its desk, else that desk.
    """
    kind = kind_of(name)
    return plant.owners.get(kind.key, asked or plant.owners.get(kind.desk.replace(" ", "_"), kind.desk))


def action_of(name: str, size: float) -> str:
    """Return what to do about an exception of that kind and size; ``{subject}`` is still to be filled in."""
    kind = kind_of(name)
    return kind.action_below if size < 0 and kind.action_below else kind.action


#: A signal is news while it is not older than this.
NEWS_DAYS = 28


def is_news(logs: Logs, days: pd.Series) -> pd.Series:
    """Say of each day or time whether it is at most four weeks old at as-of."""
    return days > logs.as_of - pd.Timedelta(days=NEWS_DAYS)


def raised(  # noqa: PLR0913 -- a column of the row each
    logs: Logs,
    kind: str,
    subject: str,
    why: str,
    *,
    size: float = np.nan,
    unit: str = "",
    cost: float = np.nan,
    week: pd.Timestamp | None = None,
    state: str = "",
    asked: str = "",
    part: str = "",
    by: pd.Timestamp | None = None,
    assumed: str = "",
) -> dict[str, Any]:
    """Return one row of ``exceptions``, without its number and with ``part``.

    `cost` is to date, a year's or an order's, as the kind says [currency], `assumed` the price in it that the plant has
    not set; `week` is the first day of the week since which it is so, `by` the day by which it must be done where that
    is fixed; `state`, `asked` and so on stand where it is not what its kind says. The first part of `why`, to its first
    semicolon, stands by itself: with the subject before it, it is what a figure of the week says.
    """
    about = kind_of(kind)
    return {
        "kind": kind,
        "subject": subject,
        "week": pd.NaT if week is None else week,
        "size": size,
        "unit": unit,
        "cost": cost,
        "cost_basis": f"{about.cost_basis}{assumed}" if np.isfinite(cost) else "",
        "state": state or about.state,
        "owner": owner_of(logs.plant, kind, asked),
        "by": pd.NaT if by is None else by,
        "why": why,
        "part": part or about.part,
    }
