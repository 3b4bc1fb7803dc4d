"""Figures of the week: waste, paper mounted and what the waste cost."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from ..paper import counter_waste, runs_of, waste_by, waste_totals
from ..prices import price_words
from .figure import LAST_YEAR, Period, WeekFigure, WeekInputs, weeks_logged
from .states import ACT, IN_CONTROL, UNKNOWN, WATCH, waste_state

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["mounted_tonnes", "paper_figures", "waste_share", "wasted_cost"]

_WEEK, _BEFORE, _YEAR, _QUARTER = Period(), Period(1, 1), Period(1, LAST_YEAR), Period(13)


def paper_figures(week: WeekInputs) -> Iterator[WeekFigure]:
    """Yield waste, counter waste, paper mounted and the cost of wasted paper."""
    waste = _waste(week)
    yield waste
    yield _counter_waste(week, waste.state)
    why = week.no_paper(1)
    currency = week.logs.plant.currency
    if why:
        yield week.unknown("paper mounted", "t", why)
        yield week.unknown("wasted paper cost", currency, why)
        return
    tonnes = [mounted_tonnes(week.runs_of(one)) for one in _PERIODS]
    lacking = _lacking(week)
    valued = price_words(week.logs)
    paid = valued if "no receipt" in valued else "was paid for it"
    words = [lacking, f"{week.paid:,.0f} {currency} {paid}" if np.isfinite(week.paid) else ""]
    yield WeekFigure(
        "paper mounted", tonnes[0], "t", last_week=tonnes[1], last_year=tonnes[2], weeks_13=tonnes[3],
        why="; ".join(word for word in words if word),
    )  # fmt: skip
    cost = [wasted_cost(week.runs_of(one)) for one in _PERIODS]
    if np.isnan(cost[0]):
        why = "no price of what was mounted is known: log materials or deliveries"
        yield week.unknown("wasted paper cost", currency, why)
        return
    words = [valued, lacking]
    yield WeekFigure(
        "wasted paper cost", cost[0], currency, last_week=cost[1], last_year=cost[2], weeks_13=cost[3],
        why="; ".join(word for word in words if word),
    )  # fmt: skip


def waste_share(runs: pd.DataFrame) -> float:
    """Return waste of a set of runs [% of mounted paper]."""
    return float(waste_totals(runs)["waste_pct"])


def mounted_tonnes(runs: pd.DataFrame) -> float:
    """Return the paper that a set of runs mounted [t]."""
    return float(waste_totals(runs)["mounted_kg"]) / 1000


def wasted_cost(runs: pd.DataFrame) -> float:
    """Return what the waste of a set of runs cost, each run's paper at its own price [currency]."""
    if np.isnan(waste_totals(runs)["wasted_kg"]):
        return np.nan
    counted = runs[runs["has_reels"] & runs["good_kg"].notna()]
    wasted = counted["mounted_kg"] - counted["good_kg"] - counted["good_grammage_kg"].fillna(0.0)
    return float((wasted * counted["price"]).sum(skipna=False))


_PERIODS = (_WEEK, _BEFORE, _YEAR, _QUARTER)


def _lacking(week: WeekInputs) -> str:
    """Say how many runs of the week are counted, where not all are."""
    counted = runs_of(waste_totals(week.runs_of(_WEEK)))
    return f"{counted}: the others lack complete reel records" if counted else ""


def _waste(week: WeekInputs) -> WeekFigure:
    target = week.logs.plant.targets.waste_pct
    if week.refused("paper"):
        return week.unknown("waste", "%", week.no_paper(1), target)
    shares = [waste_share(week.runs_of(one)) for one in _PERIODS]
    quarter = week.runs_of(_QUARTER)
    presses = {str(press): of_press for press, of_press in quarter.groupby("press", sort=True)}
    sustained = {press: float(waste_totals(of_press)["waste_pct"]) for press, of_press in presses.items()}
    over = {press: _weeks_over(of_press, target) for press, of_press in presses.items()}
    state = waste_state(shares[0], shares[3], list(sustained.values()), [n for n, _ in over.values()], target)
    words = [week.no_paper(1) or _lacking(week)]
    spans = ("the week", f"{weeks_logged(week.logs, 13)} weeks")
    over_all = [span for span, share in zip(spans, (shares[0], shares[3]), strict=True) if share > target]
    words += [f"over the target in {' and over '.join(over_all)}"] if over_all else []
    words += [
        f"{press} was over the target in {over[press][0]} of {over[press][1]} weeks, {sustained[press]:.1f} % over all"
        for press in presses
        if waste_state(np.nan, np.nan, [sustained[press]], [over[press][0]], target) in (ACT, WATCH)
    ]
    return WeekFigure(
        "waste", shares[0], "%", last_week=shares[1], last_year=shares[2], weeks_13=shares[3], target=target,
        state=state, why="; ".join(word for word in words if word),
    )  # fmt: skip


def _weeks_over(runs: pd.DataFrame, target: float) -> tuple[int, int]:
    """Return in how many weeks a press was over the target, and of how many its waste is known."""
    weeks = waste_by(runs, ["week"])["waste_pct"].dropna()
    return int((weeks > target).sum()), len(weeks)


def _counter_waste(week: WeekInputs, of_all: str) -> WeekFigure:
    """Return waste from the counters alone: part of all waste, so below the target it says nothing good by itself."""
    target = week.logs.plant.targets.waste_pct
    if week.refused("paper"):
        return week.unknown("counter waste", "%", week.no_paper(1), target)
    shares = [counter_waste(week.runs_of(one)) for one in _PERIODS]
    if np.isnan(shares[0]):
        runs = week.runs_of(_WEEK)
        why = week.no_paper(1) if runs.empty else "no webs: log run_webs"
        return week.unknown("counter waste", "%", why, target)
    state = waste_state(shares[0], shares[3], [], [], target)
    if state == IN_CONTROL and of_all == UNKNOWN:
        state = UNKNOWN
    over = "over the target; " if state in (ACT, WATCH) else ""
    return WeekFigure(
        "counter waste", shares[0], "%", last_week=shares[1], last_year=shares[2], weeks_13=shares[3], target=target,
        state=state, why=f"{over}start-up, running waste and count difference only, without white waste and butts",
    )  # fmt: skip
