"""Ink that departs from what its model expects."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..prices import ink_prices
from .charts import ewma_run_length
from .ink import LASTING_NEWS_DAYS
from .raising import is_news, raised

if TYPE_CHECKING:
    from ..ink import Finding
    from ..logs import Logs

__all__ = ["ink_exceptions"]

#: A step by what it did: took ink away (true) or brought some (false).
_STEPS = {
    True: "the level fell at once: a spill, a gauge set anew, or a delivery logged that did not go into the tank",
    False: "the level rose at once: a delivery nobody logged, or a gauge set anew",
}
_WORDS = {
    "film weight change": "film weight went to another level and stayed there",
    "misread dip": "one dip does not fit those before and after it",
    "drift": "film weight has changed",
    "leak": "ink goes without printing: a leak, or a supply left open",
    "change": "more or less ink went than the model explains, and the dips do not tell which kind of cause",
}
_TANKS = "check dips, gauge, deliveries and the tank for a leak before blaming the ducts"


def ink_exceptions(logs: Logs, watch: pd.DataFrame, findings: Sequence[Finding]) -> Iterator[dict[str, Any]]:
    """Yield what was found of each ink in the last four weeks; where nothing was, a signal of its chart."""
    price = ink_prices(logs)
    for ink, intervals in watch.groupby("ink"):
        worth = float(price.get(ink, np.nan))
        news = [one for one in findings if one.ink == ink and _is_news(logs, one)]
        for finding in news:
            misread = finding.kind == "misread dip"
            words = _STEPS[finding.extra_kg > 0] if finding.kind == "step" else _WORDS[finding.kind]
            dated = f"{finding.since:%Y-%m-%d} to {finding.until:%Y-%m-%d}"
            if finding.lasting:
                dated = f"since between {finding.dated_low:%Y-%m-%d} and {finding.dated_high:%Y-%m-%d}"
            lasting = finding.kind == "film weight change"
            yield raised(
                logs,
                finding.kind if lasting else f"ink {finding.kind}",
                str(ink),
                f"{words} ({dated}); {_TANKS}",
                size=finding.size if misread else finding.extra_kg,
                unit="kg read too high" if misread else "kg",
                # A misread dip cost nothing, since no ink was lost; a level that rose at once saved nothing.
                cost=np.nan
                if misread or (finding.kind == "step" and finding.extra_kg < 0)
                else finding.extra_kg * worth,
                week=logs.plant.week_start(finding.since),
            )
        recent = intervals[is_news(logs, intervals["read_at"]) & intervals["signal"].isin(["high", "low"])]
        if recent.empty or news:
            continue
        signal = recent["signal"].iloc[-1]
        same = recent[recent["signal"] == signal]
        extra = float((same["used_kg"] - same["expected_kg"]).sum())
        # A surprise looks back further than its own interval: where the two disagree no size is told.
        extra = extra if (extra > 0) == (signal == "high") else np.nan
        why = (
            f"use is {'above' if signal == 'high' else 'below'} what film weight, starts and idle days explain, at "
            f"{len(same)} of the dips of the last four weeks (chance does that about once in "
            f"{ewma_run_length():.0f} dips); {_TANKS}"
        )
        week = logs.plant.week_start(same["read_at"].iloc[0])
        yield raised(logs, "ink use", str(ink), why, size=extra, unit="kg", cost=extra * worth, week=week)


def _is_news(logs: Logs, one: Finding) -> bool:
    """Say whether somebody should hear of a finding: one that lasts is news by its beginning, others by their end."""
    if one.lasting:
        lasts = bool(is_news(logs, pd.Series([one.until])).iloc[0])
        return lasts and (logs.as_of - one.since).days <= LASTING_NEWS_DAYS
    return bool(is_news(logs, pd.Series([one.until])).iloc[0])
