"""What departs from its past or model: waste, paper that nothing explains, ink, and changes that last."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..prices import ink_prices, newsprint_price
from .charts import ewma_run_length
from .ink import LASTING_NEWS_DAYS
from .kinds import is_news, raised
from .waste import MEASURES, step_of

if TYPE_CHECKING:
    from ..ink import Finding
    from ..logs import Logs

__all__ = ["change_exceptions", "ink_exceptions", "unexplained_exceptions", "waste_exceptions"]

#: Weeks in which the change of a level is looked for.
_JUDGED_WEEKS = 2 * 52
#: Standard deviations of all errors beyond which paper is not explained by them. Two presses have eight chances in
#: four weeks: at 3 one plant in fifty would have an alarm every month, at 3.5 one in 270 (normal errors).
_UNEXPLAINED_SIGMA = 3.5


def waste_exceptions(logs: Logs, chart: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Yield presses whose start-up or running waste is outside its limits."""
    for (press, measure), weeks in chart.groupby(["press", "measure"]):
        last = weeks.iloc[-1]
        if last["signal"] == "" or not is_news(logs, weeks["week"]).iloc[-1]:
            continue
        unit, words = MEASURES[str(measure)]
        judged = weeks.tail(_JUDGED_WEEKS)
        since, size = step_of(judged)
        excess, later = judged["excess_kg"], judged["week"] >= since
        # The baseline may hold part of the change: what it costs is told against the level before it.
        usual = float(excess[~later].mean()) if (~later).any() else 0.0
        kg = float((excess[later] - usual).sum())
        side = "above" if last["signal"] == "high" else "below"
        moved = f"{abs(size):.2g} {unit} {'higher' if size > 0 else 'lower'}"
        why = (
            f"{words} {moved} since the week of {since:%Y-%m-%d}; it is {side} the limits of the same titles' past "
            f"year (by chance once in {ewma_run_length():.0f} weeks)"
        )
        price = _press_price(logs, str(press), since)
        # What became less is looked at, not acted on.
        state = "watch" if size < 0 else ""
        yield raised(
            logs, words, str(press), why, size=size, unit=unit, cost=kg * price, week=since, state=state
        )


def _press_price(logs: Logs, press: str, since: pd.Timestamp) -> float:
    """Return the price of the last receipts of what a press has mounted since a day [currency / kg]."""
    runs = logs["runs"]
    return newsprint_price(logs, runs.loc[(runs["press"] == press) & (runs["date"] >= since), "run_id"])


def unexplained_exceptions(logs: Logs, limits: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Yield weeks and presses with more paper unexplained than errors of measuring leave."""
    row: Any
    for row in limits[is_news(logs, limits["week"]) & (limits["z"].abs() > _UNEXPLAINED_SIGMA)].itertuples():
        extra = row.unexplained_kg - row.threading_kg
        why = (
            f"{extra:+.0f} kg unexplained, paper threaded left out; {abs(row.z):.1f} times the standard deviation of "
            "weighing, counting and grammage errors"
        )
        cost = extra * _press_price(logs, row.press, row.week)
        yield raised(
            logs, "unexplained paper", row.press, why, size=extra, unit="kg", cost=cost, week=row.week
        )


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
