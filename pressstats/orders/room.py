"""What an order must find room for when it comes: stock that was used slower, trucks that come early, open orders."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .needs import level_needed, unhelped_stock
from .planned import ORDERS

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs
    from .scenarios import Scenarios

__all__ = ["levels", "peaks", "store_room"]

#: Share of scenarios in which an order must find room when it comes.
_ROOM = 0.95


def levels(scenarios: Scenarios, place: int) -> np.ndarray:
    """Return what would be on hand before each day's issue without the plan's orders, shape (scenarios, days).

    Below nothing by what they must have brought; what runs out before their first can come is not printed, nor owed.
    """
    return unhelped_stock(
        scenarios.planned[place].stock, scenarios.use[place], scenarios.come[place], scenarios.helped[place]
    )


def peaks(scenarios: Scenarios, place: int) -> np.ndarray:
    """Return what is on hand at most, without the plan's orders, from each one's receipt to the next one's: (ORDERS,).

    It is exceeded in one case of twenty. What is on hand on the day of an order will be known then, so that it counts
    with its mean, and only what may happen from there on with its spread.
    """
    one, level = scenarios.planned[place], levels(scenarios, place)
    last = level.shape[1] - 1
    overdue = _overdue(scenarios, place)
    arrives = np.minimum(scenarios.arrives[one.first_row], last)
    day = np.arange(level.shape[1])
    found = np.empty(ORDERS)
    for order in range(ORDERS):
        begins = arrives[:, order, None]
        ends = np.maximum(arrives[:, order + 1, None], begins + 1)
        part = slice(int(begins.min()), int(ends.max()))
        window = (day[part] >= begins) & (day[part] < ends)
        highest = np.where(window, level[:, part], -np.inf).max(axis=1)
        ordered_on = int(one.reviews[order])
        since = level[:, ordered_on] + overdue[:, ordered_on]
        found[order] = one.mean[ordered_on] + level_needed(highest - since, _ROOM)
    return found


def _overdue(scenarios: Scenarios, place: int) -> np.ndarray:
    """Return what the expected stock counts as come by each day and has not, less what came early.

    It is in the expected stock already: when it comes it must not take its room again.
    """
    return np.asarray(np.cumsum(scenarios.planned[place].expected - scenarios.come[place], axis=1))


def store_room(
    logs: Logs, scenarios: Scenarios, stock: pd.DataFrame, open_rows: pd.DataFrame
) -> list[tuple[int, float]] | None:
    """Return how much newsprint the plan may have added by each day on which some is due [kg]; None without a limit."""
    most = logs.plant.policy.newsprint_storage_maximum_kg
    places = [
        place
        for place, one in enumerate(scenarios.planned)
        if one.row["kind"] == "newsprint" and one.row["unit"] == "kg"
    ]
    if most is None or not places:
        return None
    paper = [scenarios.planned[place] for place in places]
    # What is not planned takes its floor all the same, and what is on order of it.
    rows = logs["materials"]
    others = set(rows.loc[(rows["kind"] == "newsprint") & (rows["unit"] == "kg"), "material"])
    others -= {one.name for one in paper}
    taken = stock.loc[stock["material"].isin(others), "quantity"].sum()
    taken += open_rows.loc[open_rows["material"].isin(others), "quantity"].sum()
    level = np.sum([levels(scenarios, place) for place in places], axis=0)
    mean = np.sum([one.mean for one in paper], axis=0)
    # As with each material: only what may happen between order and receipt is uncertain.
    ahead = max(int((source.due - one.reviews).max()) for one in paper for source in one.sources)
    since = np.maximum(np.arange(level.shape[1]) - ahead, 0)
    known = (level + np.sum([_overdue(scenarios, place) for place in places], axis=0))[:, since]
    held = mean[since] + np.quantile(level - known, _ROOM, axis=0) + float(taken)
    due = np.unique(np.concatenate([source.due[:ORDERS] for one in paper for source in one.sources]))
    ends = np.append(due[1:], due[-1] + 1)
    # An open order that comes between two of the plan needs its room as well.
    return [
        (int(day), max(most - float(held[day:end].max()), 0.0)) for day, end in zip(due, ends, strict=True)
    ]
