"""What part of each material each supplier is likely to deliver, and what is to come of it, month by month."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..offers import contracts, offers
from .leadtimes import supplier_of

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["received_since", "supplier_deliveries", "supplier_parts"]

#: What parts are told by, the firmest first.
ALONE, CONTRACTS, CONTINUED, PLAN = "alone", "contracts", "continued", "plan"
AGREED, ALIKE = "agreed", "alike"


def supplier_parts(logs: Logs, plan: pd.DataFrame, months: pd.DatetimeIndex) -> pd.DataFrame:
    """Return what part of each material each supplier is likely to deliver, month by month.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``terms`` where a material can be had of several suppliers.
    plan : DataFrame
        Published table ``order_plan``.
    months : DatetimeIndex
        First days of months.

    Returns
    -------
    DataFrame, shape (rows, 5)
        material, month, supplier, part (those of a material and month add up to 1), by: ``alone`` where nobody else
        offers it; ``contracts`` by the yearly quantities of the contracts that run in the month, where each that offers
        it has one, or ``continued`` where one of these is not logged but taken to go on; else ``plan``, by what the
        plan orders of each, within the shares agreed; else ``agreed``, by the middle of those; else ``alike``.
        Terms known by as-of that begin later hold from their day on.

    Examples
    --------
    >>> supplier_parts(logs, results["order_plan"], pd.DatetimeIndex(["2026-01-01"])).head(2)
       material      month   supplier  part         by
    0  N45-1260 2026-01-01  Brantelow  0.45  contracts
    1  N45-1260 2026-01-01    Okkerin  0.30  contracts
    """
    rows = []
    ordered = plan.groupby(["material", "supplier"])["quantity"].sum()
    agreed = contracts(logs)
    for month in months:
        day = max(month, logs.as_of)
        found = offers(logs, day).dropna(subset="supplier").drop(columns=list(agreed.columns[2:-1]))
        runs = agreed[(agreed["contract_from"] <= day) & (day <= agreed["contract_to"])]
        found = found.merge(runs, on=["material", "supplier"], how="left")
        for material, offered in found.groupby("material"):
            own_orders = ordered.reindex(
                pd.MultiIndex.from_product([[material], offered["supplier"]])
            ).fillna(0.0)
            parts, by = _parts(offered, own_orders.to_numpy(dtype=float))
            rows += [
                (material, month, name, part, by)
                for name, part in zip(offered["supplier"], parts, strict=True)
            ]
    kinds = {"material": "str", "month": "datetime64[us]", "supplier": "str", "part": "float64", "by": "str"}
    return pd.DataFrame(rows, columns=list(kinds)).astype(kinds)


def supplier_deliveries(plan: pd.DataFrame, open_rows: pd.DataFrame, supplier: str) -> pd.Series:
    """Return what is on order and planned of a supplier, by material and month of delivery.

    Parameters
    ----------
    plan : DataFrame
        Published table ``order_plan``.
    open_rows : DataFrame
        Result of :func:`pressstats.orders.open_orders`.
    supplier : str
        The supplier; nobody else's rows count.

    Returns
    -------
    Series, index material and month (its first day)
        Quantity [unit of the material]. Open orders without a day promised are left out.

    Examples
    --------
    >>> supplier_deliveries(results["order_plan"], results.open_orders, "Vosgard").head(1)
    material  month
    N45-1260  2025-10-01    18340.0
    """
    planned = plan.rename(columns={"due_on": "day"})
    rows = pd.concat([planned, open_rows.rename(columns={"promised_on": "day"})], ignore_index=True)
    rows = rows[(rows["supplier"] == supplier) & rows["day"].notna()]
    day = rows["day"].astype("datetime64[us]")
    month = (day - pd.to_timedelta(day.dt.day - 1, unit="D")).rename("month")
    return rows["quantity"].astype("float64").groupby([rows["material"], month]).sum(min_count=1)


def received_since(logs: Logs, supplier: str, first: pd.Timestamp) -> pd.Series:
    """Return what came of a supplier from a day on, by material.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``.
    supplier : str
        The supplier; nobody else's rows count.
    first : Timestamp
        First day.

    Returns
    -------
    Series, index material
        Quantity [unit of the material]: 0 where nothing came, blank where ``deliveries`` are not logged.

    Examples
    --------
    >>> received_since(logs, "Vosgard", pd.Timestamp("2025-01-01")).head(1)
    material
    N45-1260    804767.0
    """
    names = pd.Index(logs["materials"]["material"], name="material")
    if not logs.has("deliveries"):
        return pd.Series(np.nan, names)
    rows = logs["deliveries"]
    own_rows = rows[(supplier_of(logs, rows) == supplier) & (rows["delivered_on"] >= first)]
    return own_rows.groupby("material")["quantity"].sum().reindex(names, fill_value=0.0).astype("float64")


def _parts(offered: pd.DataFrame, ordered: np.ndarray) -> tuple[np.ndarray, str]:
    """Return the part of each that offers a material on a day, and what it is told by."""
    if len(offered) == 1:
        return np.ones(1), ALONE
    days = (offered["contract_to"] - offered["contract_from"]).dt.days + 1
    daily = (offered["contract_quantity"] / days).to_numpy(dtype=float)
    if (daily > 0).all():
        return daily / daily.sum(), CONTINUED if offered["assumed"].any() else CONTRACTS
    least = offered["share_minimum_pct"].fillna(0.0).to_numpy(dtype=float) / 100
    most = offered["share_maximum_pct"].fillna(100.0).to_numpy(dtype=float) / 100
    agreed = bool((least > 0).any() or (most < 1).any())
    if ordered.sum() > 0:
        return _within(ordered / ordered.sum(), least, most), PLAN
    middle = (least + most) / 2
    return middle / middle.sum(), AGREED if agreed else ALIKE


def _within(parts: np.ndarray, least: np.ndarray, most: np.ndarray) -> np.ndarray:
    """Return parts moved alike until each is within its limits and all add up to 1; as near as limits allow."""
    low, high = -1.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if np.clip(parts + middle, least, most).sum() < 1 else (low, middle)
    found = np.clip(parts + high, least, most)
    return found / found.sum()
