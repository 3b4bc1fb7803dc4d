"""Lasting changes that somebody has to hear of: paper that nobody announced, and start-up waste that rose."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

import pandas as pd

from .raising import raised

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["change_exceptions"]

#: Paper that changed longer ago is no news: the balance has long been reckoned with it.
_PAPER_DAYS = 91
#: Start-up waste that has stayed higher for longer than the year it is judged by is what that press takes.
_STARTUP_DAYS = 364
#: Days within which a change is dated, so that its day is told with "about".
_ABOUT = 7


def change_exceptions(
    logs: Logs, regimes: pd.DataFrame, announced: frozenset[str] = frozenset()
) -> Iterator[dict[str, Any]]:
    """Yield the changes of the present regimes that ask for somebody, but for grammages that were `announced`."""
    if regimes.empty:
        return
    for (measure, subject), spells in regimes.groupby(["measure", "subject"], sort=True):
        rows = spells.sort_values("from").to_dict("records")
        if len(rows) < 2:
            continue
        now, before = rows[-1], rows[-2]
        size = float(now["estimate"] - before["estimate"])
        days = (logs.as_of - now["from"]).days
        change = partial(
            raised,
            logs,
            subject=str(subject),
            week=logs.plant.week_start(now["from"]),
            size=size,
            unit=now["unit"],
            cost=now["cost_since"],
        )
        dated = _dated(now)
        if measure == "grammage" and days <= _PAPER_DAYS and subject not in announced:
            share = 100 * size / before["estimate"]
            yield change(
                "grammage change",
                why=f"a square metre weighs {now['estimate']:.2f} g, {share:+.1f} % against before; {dated}; 95 % "
                f"interval {now['ci_low']:.2f} to {now['ci_high']:.2f} g; neither materials nor what was "
                "received says so, the balance is reckoned with it",
            )
        if measure == "start-up waste" and days <= _STARTUP_DAYS and size > 0:
            yield change(
                "start-up waste",
                why=f"start-up waste {now['estimate']:.1f} kg per web started, {before['estimate']:.1f} before; "
                f"{dated}; 95 % interval {now['ci_low']:.1f} to {now['ci_high']:.1f} kg",
            )


def _dated(regime: dict[Any, Any]) -> str:
    low, high = regime["dated_low"], regime["dated_high"]
    if pd.isna(low) or high - low <= pd.Timedelta(days=_ABOUT):
        return f"since {'' if pd.isna(low) or low == high else 'about '}{regime['from']:%Y-%m-%d}"
    return f"since a day between {low:%Y-%m-%d} and {high:%Y-%m-%d}"
