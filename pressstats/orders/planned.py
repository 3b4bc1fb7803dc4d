"""Which materials can be planned, and what is known of each: stock, open orders, review and due days."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ..prices import agreed_price
from .leadtimes import LeadTimes, lead_days
from .needs import unhelped_stock

if TYPE_CHECKING:
    import pandas as pd

    from ..demand import Outlook
    from ..logs import Logs

__all__ = ["ORDERS", "Planned", "horizon", "planned_materials"]

#: Review days planned.
ORDERS = 13


@dataclass(frozen=True)
class Planned:
    """A material that can be planned.

    Attributes
    ----------
    name, supplier : str
        Material and supplier.
    row : Series
        Its row of ``materials``, unit_price being what is agreed for a load on as-of.
    stock : float
        On hand [unit of the material].
    reviews, due : ndarray of int, shape (ORDERS + 1,)
        Days, from the one after as-of, on which orders are placed, and whose issues they are the first to serve:
        the day after the promised one, since an issue is printed the evening before. One more than is planned.
    mean : ndarray, shape (days,)
        Expected stock before the printing of each day's issue without the plan's orders [unit of the material].
    daily : float
        Mean use of a day [unit of the material].
    expected : ndarray, shape (days,)
        Open orders on the days that they are promised for, as `mean` counts them [unit of the material].
    stand_in : (int, float) or None
        Place of the material that can stand in for it among those planned, and how much of that one a unit takes.
    """

    name: str
    supplier: str
    row: pd.Series
    stock: float
    reviews: np.ndarray
    due: np.ndarray
    mean: np.ndarray
    daily: float
    expected: np.ndarray
    stand_in: tuple[int, float] | None = None

    @property
    def pack(self) -> float:
        """Quantity of a pack [unit of the material]; 1 where none is told."""
        return float(self.row["pack_quantity"]) if self.row["pack_quantity"] > 0 else 1.0


def horizon(logs: Logs, times: LeadTimes) -> int:
    """Return how many days are looked ahead: the plan, and what its last order must last."""
    longest = max(lead_days(logs, times).values(), default=0) if logs.has("materials") else 0
    return 7 * (ORDERS + 1) + 2 * min(longest, 180) + 42


def planned_materials(
    logs: Logs,
    outlook: Outlook,
    stock: pd.DataFrame,
    open_rows: pd.DataFrame,
    days: pd.DatetimeIndex,
    times: LeadTimes,
    receives: np.ndarray,
    mean: np.ndarray,
) -> list[Planned]:
    """Return the materials of which stock, use and its spread are known."""
    if not logs.has("materials"):
        return []
    levels = dict(zip(stock["material"], stock["quantity"], strict=True))
    review = np.flatnonzero([name.lower() == logs.plant.policy.review_day for name in days.day_name()])
    found = []
    leads = lead_days(logs, times)
    for _, row in logs["materials"].iterrows():
        name, quantity = str(row["material"]), levels.get(row["material"], np.nan)
        if name not in outlook.names or np.isnan(quantity):
            continue
        # What is held, and what other means cost, is reckoned at the price that an order of as-of pays for a load.
        row = row.copy()
        size = float(np.nan_to_num(max(row["load_quantity"], row["order_minimum"])))
        row["unit_price"] = agreed_price(logs, name, logs.as_of, size)
        use = mean[outlook.names.index(name)]
        if (
            not np.isfinite(use).all()
            or not np.isfinite(outlook.forecast.judgement.size[outlook.names.index(name)]).all()
        ):
            continue
        supplier = str(row["supplier"]) if isinstance(row["supplier"], str) else ""
        lead = leads[name]
        reviews = review[: ORDERS + 1]
        # Nothing comes on the day that it is ordered.
        due = np.minimum(receives[np.minimum(reviews + max(lead, 1), len(days) - 1)] + 1, len(days) - 1)
        come = np.zeros(len(days))
        for order in open_rows[open_rows["material"] == name].itertuples():
            if order.delivery_id in times.forgotten:
                continue
            day = max((order.promised_on - days[0]).days, 0)
            if day < len(days) and receives[day] + 1 < len(days):
                come[receives[day] + 1] += order.quantity
        level = unhelped_stock(quantity, use, come, int(due[0]))
        found.append(Planned(name, supplier, row, quantity, reviews, due, level, float(use.mean()), come))
    return _with_stand_ins(found)


def _with_stand_ins(planned: list[Planned]) -> list[Planned]:
    """Say of each newsprint which other can stand in for it: a wider or heavier web takes more of it."""
    places = {one.name: place for place, one in enumerate(planned)}
    found = dict.fromkeys(places)
    for place, one in enumerate(planned):
        target = one.row["stands_in_for"]
        if not isinstance(target, str) or target not in places or one.row["kind"] != "newsprint":
            continue
        row = planned[places[target]].row
        size = [float(r["width_mm"]) * float(r["grammage_gsm"]) for r in (one.row, row)]
        if all(np.isfinite(size)) and size[1] > 0:
            found[target] = (place, size[0] / size[1])
    return [replace(one, stand_in=found[one.name]) for one in planned]
