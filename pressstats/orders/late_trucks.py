"""How late what a supplier brings on a day may come before something of it runs out, and what runs out first."""

from __future__ import annotations

from collections.abc import Iterable
from copy import copy
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..tables import OUTPUTS, as_published
from .leadtimes import serves_from

if TYPE_CHECKING:
    from .scenarios import Scenarios

__all__ = ["LATE_DAYS", "LATE_SCENARIOS", "late_trucks"]

#: Share of scenarios in which all that a truck brings must last until it has come: 19 of 20, as elsewhere.
_SURE = 0.95
#: Days after its promised day that are looked at: later than that it will long have been ordered anew.
LATE_DAYS = 28
#: Scenarios that it is counted in: a chance of a twentieth is known within a point and a half.
LATE_SCENARIOS = 1000
_LASTS = f"nothing on it runs out within {LATE_DAYS} days of its promised day"


def late_trucks(fresh: Scenarios, quantity: np.ndarray, open_rows: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``late_trucks``.

    Parameters
    ----------
    fresh : Scenarios
        Scenarios that the plan was not made from.
    quantity : ndarray, shape (sources of all materials, ORDERS)
        Orders of the plan [unit of the material].
    open_rows : DataFrame
        Result of :func:`pressstats.orders.open_orders`.

    Returns
    -------
    DataFrame, shape (suppliers and days, of what is on order and to order next, 12)
        Columns of the published table. What a supplier brings on one day is late together, on however many trucks it
        comes. All other orders come as late as their suppliers do, and those of the plan
        stay as they are: what somebody would rush or order anew once a truck is missed is not counted in.

    Notes
    -----
    What runs out before a truck has come, on whatever day that is, runs out in the scenarios without that truck. One
    count without it therefore answers for every day that it may come on.
    """
    cases = fresh.few(LATE_SCENARIOS)
    rows = [_on_order(cases, quantity, truck) for truck in range(len(cases.trucks))]
    counted = {name for lines, _ in cases.trucks for name in lines["delivery_id"]}
    for (supplier, promised), lines in open_rows[~open_rows["delivery_id"].isin(counted)].groupby(
        [open_rows["supplier"].fillna("").astype("str"), "promised_on"]
    ):
        why = "later than anything ever came: nobody counts on it"
        rows.append(_row(supplier, promised, "not counted on", lines["material"], why=why))
    if not (rows := [*rows, *_to_order(cases, quantity)]):
        return OUTPUTS["late_trucks"].empty()
    kinds = OUTPUTS["late_trucks"].empty().dtypes.to_dict()
    return as_published(pd.DataFrame(rows).astype(kinds), "late_trucks")


def _row(supplier: Any, promised: Any, state: str, materials: Any, **found: Any) -> dict[str, Any]:
    """Return a row of the published table, what was not found blank."""
    blank = {
        "trucks": np.nan,
        "latest_on": pd.NaT,
        "days_late": np.nan,
        "runs_out": "",
        "issue": pd.NaT,
        "chance_promised": np.nan,
        "chance_week_late": np.nan,
        "why": "",
    }
    names = "; ".join(dict.fromkeys(str(name) for name in materials))
    head = {"supplier": supplier, "promised_on": promised, "state": state, "materials": names}
    return head | blank | found


def _on_order(cases: Scenarios, quantity: np.ndarray, truck: int) -> dict[str, Any]:
    """Return the row of the open orders of a supplier and day."""
    lines, _ = cases.trucks[truck]
    without = copy(cases)
    without.come = [
        come - brought
        for come, brought in zip(cases.come, cases.brought(cases.trucks[truck : truck + 1]), strict=True)
    ]
    head = (lines["supplier"].iloc[0], lines["promised_on"].iloc[0], "on order", lines["material"])
    trucks = _trucks(cases, head[0], zip(lines["material"], lines["quantity"], strict=True))
    return _held(without, quantity, head) | {"trucks": trucks}


def _trucks(cases: Scenarios, supplier: str, lines: Iterable[tuple[str, float]]) -> float:
    """Return on how many trucks at least materials come from a supplier; blank where a load of one is not known."""
    loads = {
        one.name: source.load
        for one in cases.planned
        for source in one.sources
        if source.supplier == supplier
    }
    # A load and a little more is one load of whole packs.
    return float(np.ceil(sum(much / (loads.get(name) or np.nan) for name, much in lines) - 0.05))


def _to_order(cases: Scenarios, quantity: np.ndarray) -> list[dict[str, Any]]:
    """Return the rows of what is ordered first, of each supplier and day together."""
    ordered = np.flatnonzero(quantity.any(axis=0))
    if not len(ordered):
        return []
    arriving: dict[tuple[str, int], list[tuple[int, str]]] = {}
    for one in cases.planned:
        for row, source in enumerate(one.sources, one.first_row):
            if quantity[row, ordered[0]] > 0:
                promised = int(source.due[ordered[0]]) - serves_from(0, source.rest)
                arriving.setdefault((source.supplier, promised), []).append((row, one.name))
    found = []
    for (supplier, promised), lines in arriving.items():
        without = quantity.copy()
        without[[row for row, _ in lines], ordered[0]] = 0.0
        head = (supplier, cases.days[promised], "to order", [name for _, name in lines])
        trucks = _trucks(cases, supplier, [(name, quantity[row, ordered[0]]) for row, name in lines])
        found.append(_held(cases, without, head) | {"trucks": trucks})
    return found


def _held(without: Scenarios, quantity: np.ndarray, head: tuple[Any, ...]) -> dict[str, Any]:
    """Return the row of a truck from the scenarios and the orders without it."""
    names = set(head[3])
    places = [place for place, one in enumerate(without.planned) if one.name in names]
    if not places:
        return _row(*head, why="stock or use of what is on it is not known")
    days = without.days
    due = (head[1] - days[0]).days
    if due + LATE_DAYS >= len(days):
        return _row(*head, why="promised for a day beyond what the plan looks ahead")
    until = min(max(due, 0) + LATE_DAYS + 8, len(days) - 1)
    stocks = without.run_out(without.stocks(quantity, until))
    # The first day on which each runs out, `until` where it does not.
    first = np.array([np.where(stocks[p].any(axis=1), stocks[p].argmax(axis=1), until) for p in places])
    serves = np.array([serves_from(0, without.planned[p].sources[0].rest) for p in places])

    def out_by(day: int) -> np.ndarray:
        """Say what has run out, shape (materials, scenarios), before what is received on a day serves an issue."""
        return first < (day + serves)[:, None]

    # Days on which something is received, from the first that can still be, to so long after its promise.
    receives = np.unique(without.receives[: max(due, 0) + LATE_DAYS + 1])
    receives = receives[receives + serves.max() <= until]
    chance = np.array([out_by(int(day)).any(axis=0).mean() for day in receives])
    found: dict[str, Any] = {
        "chance_promised": float(out_by(int(without.receives[max(due, 0)])).any(axis=0).mean()),
        "chance_week_late": float(out_by(int(without.receives[max(due + 7, 0)])).any(axis=0).mean()),
    }
    held = np.flatnonzero(chance <= 1 - _SURE)
    if len(held) == len(receives):
        return _row(*head, **found, why=_LASTS)
    if len(held):
        latest = days[int(receives[held[-1]])]
        found |= {"latest_on": latest, "days_late": float((latest - head[1]).days)}
    else:
        found["why"] = "no day is soon enough"
    # What is likeliest to run out if it comes on the next day that receives, and the first issue that lacks any of it.
    worst = int(out_by(int(receives[len(held)])).mean(axis=1).argmax())
    found["runs_out"] = without.planned[places[worst]].name
    found["issue"] = days[int(np.sort(first.min(axis=0))[int((1 - _SURE) * first.shape[1])])]
    return _row(*head, **found)
