"""What a quantity costs: one rule for all money.

What was used is valued at what was paid, what will be bought at the price agreed for the day of its order, what is
wasted at the price of the last receipts. Every page says which of the three it uses.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .logs import once

if TYPE_CHECKING:
    from .logs import Logs

__all__ = [
    "agreed_price",
    "agreed_words",
    "ink_prices",
    "is_agreed",
    "newsprint_price",
    "paper_prices",
    "price_breaks",
    "price_words",
    "receipt_prices",
    "receipts",
    "run_prices",
]

#: What newsprint of a plant costs is the mean over what was mounted in so many days before as-of.
_MIX_DAYS = 91


# --- what will be bought ------------------------------------------------------------------------


def price_breaks(
    logs: Logs, material: str, day: pd.Timestamp, supplier: str | None = None
) -> list[tuple[float, float]]:
    """Return the quantities from which another price holds for every unit of an order placed on a day.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed, ``terms`` where there are several suppliers.
    material : str
        The material.
    day : Timestamp
        Day on which the order is placed: an order keeps the price of that day, however late it comes. A price that
        has been agreed and becomes valid later holds for orders from that later day on.
    supplier : str, optional
        Who is ordered from; by default the supplier in ``materials``.

    Returns
    -------
    list of (float, float)
        Quantity [unit of the material] and price [currency / unit], in rising order, the first from 0. Where a
        supplier has agreed prices of its own, those that name no supplier do not hold for it. The newest agreement
        that has a price for so little holds: a later one for large orders only leaves it. Before any agreement the
        price of the supplier's newest terms by that day, else that of ``materials``.

    Raises
    ------
    KeyError
        If the material is not listed.
    """
    # Asked for each order on each day: on bare arrays, since frames of a few rows take far longer to cut.
    listed = logs.arrays("materials")
    row = np.flatnonzero(listed["material"] == material)
    if not len(row):
        raise KeyError(material)
    wanted = listed["supplier"][row[0]] if supplier is None else supplier
    of_terms = _terms_price(logs, material, day, wanted)
    breaks = [(0.0, of_terms if np.isfinite(of_terms) else float(listed["unit_price"][row[0]]))]
    if not logs.has("prices"):
        return breaks
    agreed = logs.arrays("prices")
    valid_from, suppliers = agreed["valid_from"], agreed["supplier"]
    rows = np.flatnonzero((agreed["material"] == material) & (valid_from <= day.to_datetime64()))
    unnamed = pd.isna(suppliers[rows])
    own = ~unnamed
    own[own] = False if pd.isna(wanted) else suppliers[rows[own]] == wanted
    rows = rows[own if own.any() else unnamed]
    quantity = agreed["from_quantity"].astype(float)
    rows = rows[np.lexsort((quantity[rows], valid_from[rows]))]
    steps, prices = quantity[rows], agreed["unit_price"][rows].astype(float)
    for step in np.unique(np.append(steps, 0.0)):
        valid = prices[steps <= step]
        price = float(valid[-1]) if len(valid) else breaks[0][1]
        if step == 0:
            breaks[0] = (0.0, price)
        elif price != breaks[-1][1]:
            breaks.append((float(step), price))
    return breaks


def _terms_price(logs: Logs, material: str, day: pd.Timestamp, supplier: str) -> float:
    """Return the price of a supplier's newest terms by a day [currency / unit]; blank where they name none."""
    if not logs.has("terms"):
        return float("nan")
    terms = logs.arrays("terms")  # in the order of its key, so the newest of a supplier stands last
    rows = (terms["material"] == material) & (terms["valid_from"] <= day.to_datetime64())
    rows = np.flatnonzero(rows & (terms["supplier"] == supplier))
    return float(terms["unit_price"][rows[-1]]) if len(rows) else float("nan")


def agreed_price(
    logs: Logs, material: str, day: pd.Timestamp, quantity: float, supplier: str | None = None
) -> float:
    """Return the price of an order of `quantity` placed on `day` [currency / unit]; see :func:`price_breaks`.

    Blank where the material is not listed; of an unknown quantity that of the smallest.
    """
    if not logs.has("materials") or material not in logs.arrays("materials")["material"]:
        return float("nan")
    breaks = price_breaks(logs, material, day, supplier)
    ordered = 0.0 if np.isnan(quantity) else max(quantity, 0.0)
    return [price for least, price in breaks if least <= ordered][-1]


def is_agreed(logs: Logs, material: str, supplier: str | None = None) -> bool:
    """Return whether a price of a supplier is agreed at as-of, in `prices` or `terms`: a list price is no promise."""
    if not isinstance(supplier, str):
        supplier = str(logs.of_material(pd.Series([material]), "supplier").iloc[0])
    if np.isfinite(_terms_price(logs, material, logs.as_of, supplier)):
        return True
    if not logs.has("prices"):
        return False
    agreed = logs["prices"]
    agreed = agreed[(agreed["material"] == material) & (agreed["valid_from"] <= logs.as_of)]
    return bool((agreed["supplier"].isna() | (agreed["supplier"] == supplier)).any())


def agreed_words(logs: Logs, bought: pd.DataFrame) -> str:
    """Return at which prices the rows of `bought` (material, and supplier where known) are valued, in words."""
    pairs = bought[[name for name in ("material", "supplier") if name in bought]].drop_duplicates()
    agreed = [is_agreed(logs, *pair) for pair in pairs.itertuples(index=False)]
    if all(agreed):
        return "at the prices agreed"
    return (
        "at the prices agreed, else as listed"
        if any(agreed)
        else "at list prices (no agreed price is logged)"
    )


# --- what was paid ------------------------------------------------------------------------------


@once
def receipts(logs: Logs) -> pd.DataFrame:
    """Return what came of each material, in the order of time.

    Returns delivery_id, material, supplier, day, quantity [unit of the material], unit_price [currency / unit] as
    invoiced, else as agreed for the order, blank where neither is known, and invoiced (whether it was); no rows without
    ``deliveries``.
    """
    kinds = {"delivery_id": "str", "material": "str", "supplier": "str", "day": "datetime64[us]"}
    kinds |= {"quantity": "float64", "unit_price": "float64", "invoiced": "bool"}
    if not logs.has("deliveries"):
        return pd.DataFrame(columns=list(kinds)).astype(kinds)
    rows = logs["deliveries"]
    rows = rows[rows["delivered_on"].notna() & (rows["quantity"] > 0)]
    rows = rows.sort_values(["delivered_on", "delivery_id"], kind="stable")
    price = rows["unit_price"].to_numpy(dtype=float, copy=True)
    bare = np.isnan(price)
    if bare.any():
        price[bare] = _as_agreed(logs, rows[bare])
    came = rows[["delivery_id", "material", "supplier", "delivered_on", "quantity"]]
    came = came.rename(columns={"delivered_on": "day"}).assign(unit_price=price, invoiced=~bare)
    return came.reset_index(drop=True).astype(kinds)


def _as_agreed(logs: Logs, rows: pd.DataFrame) -> np.ndarray:
    """Return what was agreed for the orders of some rows of ``deliveries``."""
    if not logs.has("prices"):
        return logs.of_material(rows["material"], "unit_price").to_numpy()
    ordered = rows["ordered_on"].fillna(rows["delivered_on"])
    sizes = rows["quantity_ordered"].fillna(rows["quantity"])
    suppliers = [name if isinstance(name, str) else None for name in rows["supplier"]]
    orders = zip(rows["material"], ordered, sizes, suppliers, strict=True)
    return np.array([agreed_price(logs, *order) for order in orders], dtype=float)


@once
def receipt_prices(logs: Logs) -> pd.Series:
    """Return the price of the last receipts of each material, at which what is wasted is valued [currency / unit].

    It is the mean by weight of what came on the last day on which any came; of a material that never came the price
    agreed for an order of as-of, of the smallest size.
    """
    came = receipts(logs).dropna(subset="unit_price")
    last = came[came["day"] == came.groupby("material")["day"].transform("max")]
    worth = (last["quantity"] * last["unit_price"]).groupby(last["material"]).sum()
    prices = worth / last.groupby("material")["quantity"].sum()
    if logs.has("materials"):
        names = [name for name in logs["materials"]["material"] if name not in prices.index]
        agreed = pd.Series(
            [agreed_price(logs, name, logs.as_of, 0.0) for name in names], index=names, dtype="float64"
        )
        prices = agreed if prices.empty else pd.concat([prices, agreed]) if names else prices
    return prices.rename_axis("material").rename("unit_price")


def price_words(logs: Logs) -> str:
    """Return how what is wasted is valued, as :func:`receipt_prices` does, in words."""
    if logs.has("deliveries") and logs["deliveries"]["delivered_on"].notna().any():
        return "at the price of the last receipts"
    bought = logs["materials"] if logs.has("materials") else pd.DataFrame({"material": []})
    return f"{agreed_words(logs, bought)}, since no receipt is logged"


def ink_prices(logs: Logs) -> pd.Series:
    """Return the price of the last receipts of each ink that one material in kilograms holds [currency / kg]."""
    bought = logs.listed("ink", "kg")
    alone = bought.set_axis(logs.of_material(bought, "ink")).rename_axis("ink")
    return alone[~alone.index.duplicated(keep=False)].map(receipt_prices(logs))


def paper_prices(logs: Logs) -> pd.Series:
    """Return the price of the last receipts of each newsprint that is bought by the kilogram [currency / kg]."""
    return receipt_prices(logs).reindex(pd.Index(logs.listed("newsprint", "kg"), name="material"))


def newsprint_price(logs: Logs, run_ids: pd.Series | None = None) -> float:
    """Return the price of the last receipts of newsprint, by weight of what was mounted [currency / kg].

    It is that of the runs in `run_ids`, by default of the last 13 weeks. Where no reels are logged the webs of those
    runs count alike; blank where a price of what was mounted is not known.
    """
    if run_ids is None:
        runs = logs["runs"]
        run_ids = runs.loc[runs["date"] > logs.as_of - pd.Timedelta(days=_MIX_DAYS), "run_id"]
    price = paper_prices(logs)
    if logs.has("reel_mounts"):
        mounts = logs["reel_mounts"]
        mounts = mounts[mounts["run_id"].isin(run_ids)]
        weight = (mounts["start_kg"] - mounts["returned_kg"]).groupby(mounts["material"]).sum()
        if weight.sum() > 0:
            return float((price.reindex(weight.index) * weight)[weight > 0].sum(skipna=False) / weight.sum())
    webs = logs["run_webs"]
    return float(
        webs.loc[webs["run_id"].isin(run_ids), "material"].map(price).astype("float64").mean(skipna=False)
    )


def run_prices(logs: Logs, webs: pd.DataFrame, runs: int) -> np.ndarray:
    """Return the price of the last receipts of the paper of each run, by nominal weight of its webs.

    Parameters
    ----------
    logs : Logs
        The logs.
    webs : DataFrame
        run (position of the run), material, area_m2 and nominal_gsm of each web.
    runs : int
        Number of runs.

    Returns
    -------
    ndarray, shape (runs,)
        Price [currency / kg]; blank where that of a web is not known.
    """
    kg = webs["area_m2"] * webs["nominal_gsm"]
    cost = kg * webs["material"].map(paper_prices(logs)).astype("float64")
    sums = pd.DataFrame({"run": webs["run"], "kg": kg, "cost": cost}).groupby("run").sum(min_count=1)
    lacking = cost.isna().groupby(webs["run"]).any()
    price = (sums["cost"] / sums["kg"]).mask(lacking).reindex(range(runs))
    return np.asarray(price.to_numpy(dtype=float))
