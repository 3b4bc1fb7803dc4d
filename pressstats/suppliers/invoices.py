"""Deliveries that were invoiced dearer than agreed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..prices import price_breaks

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["overpriced"]

#: Invoices are rounded: a smaller excess over the agreed price is none, as a share of it.
_ROUNDED = 0.001


def overpriced(logs: Logs) -> pd.DataFrame:
    """Return deliveries invoiced over what was agreed: the columns of ``claims``; kg is blank, nothing is missing.

    Only what was agreed counts, in ``prices`` or in ``terms``: the price of the list is nobody's promise. Of an order
    the price of its day holds, for the quantity that ``[policy] price_breaks_by`` names. An agreement that was made
    after the order and holds from before it is left out: whether it was meant for that order is not logged.
    """
    blank = pd.DataFrame(columns=["supplier", "delivery_id", "reel_id", "why", "kg", "cost", "seen_on"])
    if not logs.has("deliveries") or not logs.has("materials"):
        return blank
    rows = logs["deliveries"]
    rows = rows[rows["delivered_on"].notna() & rows["unit_price"].notna() & rows["ordered_on"].notna()]
    record = logs.of_material(rows["material"], "supplier")
    rows = rows.assign(
        supplier=rows["supplier"].fillna(record),
        ordered=rows["quantity_ordered"].fillna(rows["quantity"]),
    )
    rows = rows[rows["supplier"].notna()]
    rows = rows.assign(whole=_compared(logs, rows))
    agreements = _Agreements(logs)
    asked = zip(rows["material"], rows["supplier"], rows["ordered_on"], rows["whole"], strict=True)
    agreed = np.array([agreements.price(*order) for order in asked], dtype=float)
    excess = rows["unit_price"].to_numpy() - agreed
    out = excess > _ROUNDED * agreed
    rows, agreed, excess = rows[out], agreed[out], excess[out]
    why = [
        f"invoiced at {row.unit_price:.4f}, agreed {price:.4f}"
        for row, price in zip(rows.itertuples(), agreed, strict=True)
    ]
    return rows.assign(
        reel_id=None, why=why, kg=np.nan, cost=excess * rows["quantity"], seen_on=rows["delivered_on"]
    )


def _compared(logs: Logs, rows: pd.DataFrame) -> pd.Series:
    """Return the quantity that price breaks of each row are compared with."""
    by = logs.plant.policy.price_breaks_by
    if by == "row":
        return rows["ordered"]
    order = rows["order_id"].fillna("of its own: " + rows["delivery_id"])
    keys = [order, rows["supplier"], logs.of_material(rows["material"], "unit")]
    if by == "material":
        keys.append(rows["material"])
    # What was ordered together counts, whether or not all of it has come.
    return rows["ordered"].groupby(keys).transform("sum")


class _Agreements:
    """What was agreed with each supplier, looked up once between two changes of it."""

    def __init__(self, logs: Logs) -> None:
        self._logs = logs
        self._tables = {name: logs[name] for name in ("prices", "terms") if logs.has(name)}
        self._days = {
            str(material): np.sort(pd.concat([rows["valid_from"] for rows in parts]).unique())
            for material, parts in self._by_material().items()
        }
        self._known: dict[tuple[str, str, int], tuple[list[tuple[float, float]], Any]] = {}

    def _by_material(self) -> dict[str, list[pd.DataFrame]]:
        found: dict[str, list[pd.DataFrame]] = {}
        for table in self._tables.values():
            for material, rows in table.groupby("material"):
                found.setdefault(str(material), []).append(rows)
        return found

    def price(self, material: str, supplier: str, day: pd.Timestamp, quantity: float) -> float:
        """Return what was agreed for an order; blank where nothing was, or nobody can tell."""
        begun = self._days.get(material)
        since = 0 if begun is None else int(np.searchsorted(begun, day.to_datetime64(), side="right"))
        if since == 0:
            return np.nan
        key = (material, supplier, since)
        if key not in self._known:
            self._known[key] = self._looked_up(material, supplier, day)
        breaks, agreed_on = self._known[key]
        if not breaks or agreed_on > day:
            return np.nan
        return [price for least, price in breaks if least <= max(quantity, 0.0)][-1]

    def _looked_up(
        self, material: str, supplier: str, day: pd.Timestamp
    ) -> tuple[list[tuple[float, float]], Any]:
        """Return the price breaks of a day, none where nothing is agreed, and when the last of them was agreed."""
        holds, last = False, pd.NaT
        if "prices" in self._tables:
            prices = self._tables["prices"]
            own = (prices["material"] == material) & (prices["valid_from"] <= day)
            own &= prices["supplier"].isna() | (prices["supplier"] == supplier)
            holds, last = bool(own.any()), prices.loc[own, "agreed_on"].max()
        if "terms" in self._tables and not holds:
            terms = self._tables["terms"]
            own = (terms["material"] == material) & (terms["supplier"] == supplier)
            own &= terms["valid_from"] <= day
            holds = bool(own.any()) and bool(pd.notna(terms.loc[own, "unit_price"].iloc[-1]))
        return (price_breaks(self._logs, material, day, supplier) if holds else []), last
