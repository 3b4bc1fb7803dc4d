"""Waste that departs from its own past, and paper that nothing explains."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from ..prices import newsprint_price
from .charts import ewma_run_length
from .raising import is_news, raised
from .waste import MEASURES, step_of

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs

__all__ = ["unexplained_exceptions", "waste_exceptions"]

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
