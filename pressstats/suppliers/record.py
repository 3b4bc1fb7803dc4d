"""The published table ``supplier_record``: what each supplier delivered of each material, and what it truly costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from ..offers import contracts, offered_soon, offers
from ..orders import LeadTimes, call_offs
from ..prices import agreed_price, is_agreed, receipts
from ..tables import as_published
from .quality import FEWEST_LOTS, paper_quality, supplier_lateness
from .truecost import true_costs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ..logs import Logs

__all__ = ["premiums", "supplier_quality", "supplier_record"]

_BOTH = ["supplier", "material"]
_NORMAL_95 = float(special.ndtri(0.975))
#: Waste is sold at the mean price of so many days before as-of.
_SOLD_DAYS = 365


def supplier_quality(logs: Logs, history: pd.DataFrame, grammages: pd.DataFrame) -> pd.DataFrame:
    """Return lateness, quality, price and true cost of each supplier of each material, known before any order is.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; without them, no rows.
    history : DataFrame
        Result of :func:`pressstats.reels.mount_history`; without rows where no mount is logged.
    grammages : DataFrame
        ``by_supplier`` of :class:`pressstats.paper.PaperWeights`.

    Returns
    -------
    DataFrame, shape (supplier x material, 29)
        The columns of :func:`pressstats.suppliers.paper_quality`, and kind (of the material), loads, on_time_pct,
        days_late_mean [day], late_chance, late_loads, other_loads, price [currency / unit of the material],
        true_cost_per_t, true_ci_low, true_ci_high, paper_cost_per_t [currency / t]; one row for each who can
        deliver it at as-of, has delivered it or whose reels ran. The price is that agreed at as-of for a full load;
        where none is agreed, that of its last invoices, else of who is listed in ``materials`` the one there.
        `late_chance` is that a load comes more than ``[policy] cover_days_minimum`` after its day: so long lasts the
        stock that is kept below everything else, and what comes later must be stood in for by express, at
        ``expedite_cost_per_t``.

    Examples
    --------
    >>> quality = supplier_quality(logs, study.mount_history, weighed.weights.by_supplier)
    >>> quality.loc[quality["kind"] == "newsprint", ["supplier", "material", "price"]].head(1)
        supplier material  price
    0   Eastmill    N1200   0.52
    """
    offered = offers(logs, logs.as_of)
    came = _received(logs)
    pairs = [frame[_BOTH] for frame in (offered, came, history)]
    table = pd.concat(pairs).dropna().drop_duplicates().sort_values(_BOTH, ignore_index=True)
    table["kind"] = logs.of_material(table["material"], "kind")
    table = table[table["kind"].notna()].reset_index(drop=True)
    nominal = table.drop_duplicates("material").set_index("material").index.to_series()
    nominal = logs.of_material(nominal, "grammage_gsm")
    table = table.merge(paper_quality(history, grammages, nominal), on=_BOTH, how="left")
    loads = came.groupby(_BOTH)["load"].nunique().rename("loads").astype("float64")
    table = table.join(loads, on=_BOTH)
    table["loads"] = table["loads"].fillna(0.0) if logs.has("deliveries") else np.nan
    reaches = logs.plant.policy.cover_days_minimum
    late = supplier_lateness(LeadTimes(logs), sorted(set(table["supplier"])), reaches)
    table = table.merge(late, on="supplier", how="left")
    table["price"] = _prices(logs, table, offered)
    return table.join(true_costs(_paper(table), logs.plant.policy, _sold_at(logs)))


def _paper(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with a price of newsprint only: of nothing else is a true cost told."""
    return table.assign(price=table["price"].where(table["kind"] == "newsprint"))


def premiums(logs: Logs, quality: pd.DataFrame) -> dict[tuple[str, str], float]:
    """Return what a kilogram of each supplier costs beyond its price, as far as it is known to differ.

    Parameters
    ----------
    logs : Logs
        The logs.
    quality : DataFrame
        Result of :func:`pressstats.suppliers.supplier_quality`.

    Returns
    -------
    dict of (str, str) to float
        By supplier and material, over the least of the material [currency / kg]: weight, waste and web breaks. Lateness
        is not in it, since orders are planned on the lateness of each supplier itself. Only materials that more than
        one supplier can deliver soon are there; a supplier of whom nothing is known costs as much as the mean of
        those that are, and so do all where fewer than two are known.

    Notes
    -----
    A difference d from the mean with standard error e counts as d x d2 / (d2 + e2): in full where it is sure, by half
    where it is as large as its error, hardly where it is smaller.

    Examples
    --------
    >>> premiums(logs, quality)
    {('Eastmill', 'N1200'): 0.0, ('Northmill', 'N1200'): 0.0}
    """
    # Neither late nor ever late: a premium is of the paper alone.
    table = _paper(quality).assign(late_chance=0.0, late_loads=0.0, other_loads=1.0)
    paper = logs.plant.policy.model_copy(update={"expedite_cost_per_t": 0.0})
    costs = true_costs(table, paper, _sold_at(logs)) - 1000 * table[["price"]].to_numpy()
    table = table[_BOTH].assign(
        extra=costs["true_cost_per_t"] / 1000,
        error=(costs["true_ci_high"] - costs["true_ci_low"]) / (2 * _NORMAL_95) / 1000,
    )
    offered = offered_soon(logs)
    offered = offered[offered["material"].isin(logs.listed("newsprint"))]
    found: dict[tuple[str, str], float] = {}
    for material, of_material in offered.merge(table, on=_BOTH, how="left").groupby("material"):
        if len(of_material) < 2:
            continue
        error = np.maximum(of_material["error"], 1e-9)
        mean = (
            (of_material["extra"] / error**2).sum() / (1 / error**2).sum()
            if of_material["extra"].notna().sum() > 1
            else 0.0
        )
        apart = (
            of_material["extra"] - mean
            if of_material["extra"].notna().sum() > 1
            else of_material["extra"] * 0.0
        )
        sure = (apart**3 / (apart**2 + error**2)).fillna(0.0)
        for supplier, extra in zip(of_material["supplier"], sure - sure.min(), strict=True):
            found[str(supplier), str(material)] = float(extra)
    return found


def _received(logs: Logs) -> pd.DataFrame:
    """Return supplier, material and load of what was delivered."""
    if not logs.has("deliveries"):
        return pd.DataFrame({name: pd.Series(dtype="str") for name in [*_BOTH, "load"]})
    rows = logs["deliveries"]
    rows = rows[rows["delivered_on"].notna()]
    record = logs.of_material(rows["material"], "supplier")
    return rows.assign(
        supplier=rows["supplier"].fillna(record), load=rows["load"].fillna(rows["delivery_id"])
    )[[*_BOTH, "load"]]


def _prices(logs: Logs, table: pd.DataFrame, offered: pd.DataFrame) -> np.ndarray:
    """Return what is agreed at as-of for a full load, else what was invoiced last, else what is listed of a supplier.

    Blank of a supplier who has no terms where others have, and of whom nothing of this is known.
    """
    invoiced = _invoiced(logs)
    on_list = logs.of_material(table["material"], "supplier")
    load = offered.set_index(_BOTH)["load_quantity"]
    listed = logs.of_material(table["material"], "load_quantity")
    has_terms = set(logs["terms"]["material"]) if logs.has("terms") else set()
    prices = []
    for row, full, name in zip(table[_BOTH].itertuples(index=False), listed, on_list, strict=True):
        pair = (str(row.supplier), str(row.material))
        if pair not in load.index and row.material in has_terms:
            prices.append(np.nan)
        elif not is_agreed(logs, pair[1], pair[0]) and (pair in invoiced.index or name != row.supplier):
            prices.append(float(invoiced.get(pair, np.nan)))
        else:
            quantity = float(load[pair]) if pair in load.index else float(full)
            prices.append(agreed_price(logs, pair[1], logs.as_of, quantity, pair[0]))
    return np.array(prices, dtype=float)


def _invoiced(logs: Logs) -> pd.Series:
    """Return the mean price by weight of the last day on which a supplier invoiced a material [currency / unit]."""
    came = receipts(logs)
    came = came[came["invoiced"]].dropna(subset=_BOTH)
    last = came[came["day"] == came.groupby(_BOTH)["day"].transform("max")]
    paid = last.assign(paid=last["quantity"] * last["unit_price"]).groupby(_BOTH)[["paid", "quantity"]].sum()
    return paid["paid"] / paid["quantity"]


def _sold_at(logs: Logs) -> float:
    """Return what a kilogram of strip was sold for in the last year [currency / kg], 0 where no kind holds it."""
    if not logs.has("waste_sold"):
        return 0.0
    kinds = [kind for kind, waste in logs.plant.waste.items() if "strip" in waste.holds]
    sold = logs["waste_sold"]
    sold = sold[
        sold["kind"].isin(kinds) & (sold["sold_on"] > logs.as_of - pd.Timedelta(days=_SOLD_DAYS))
    ].dropna(subset=["kg", "unit_price"])
    return float((sold["kg"] * sold["unit_price"]).sum() / sold["kg"].sum()) if sold["kg"].sum() > 0 else 0.0


def supplier_record(logs: Logs, quality: pd.DataFrame, odds: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return the published table ``supplier_record``.

    Parameters
    ----------
    logs : Logs
        The logs.
    quality : DataFrame
        Result of :func:`pressstats.suppliers.supplier_quality`.
    odds : DataFrame, optional
        supplier, material, contract_from, chance_below and chance_above of contracts, as ``contracts`` of
        :class:`pressstats.orders.OrderPlan`: they rest on the demand ahead and on what will be ordered, so they come
        with the order plan. Without it the column is blank, and says so.

    Returns
    -------
    DataFrame
        The published table; what is blank is named in `why`.

    Examples
    --------
    >>> supplier_record(logs, quality)[["supplier", "material", "loads"]].head(1)
        supplier material  loads
    0   Eastmill    N1200    0.0
    """
    table = quality.join(_contracts(logs), on=_BOTH)
    table["chance_outside_tolerance"] = np.nan
    if odds is not None and len(odds):
        odds = odds[odds["contract_from"] <= logs.as_of]
        outside = odds.set_index(_BOTH)[["chance_below", "chance_above"]].sum(axis=1)
        table["chance_outside_tolerance"] = outside.reindex(pd.MultiIndex.from_frame(table[_BOTH])).to_numpy()
    table["why"] = ["; ".join(_reasons(row, logs)) for row in table.itertuples()]
    return as_published(table.astype({"why": "str"}), "supplier_record")


def _contracts(logs: Logs) -> pd.DataFrame:
    """Return contract_drawn and contract_quantity of each contract that runs at as-of.

    What was received since its first day counts, and open orders that are promised by its last.
    """
    terms = contracts(logs)
    terms = terms[(terms["contract_from"] <= logs.as_of) & (terms["contract_to"] >= logs.as_of)]
    table = terms.set_index(_BOTH)[["contract_quantity"]]
    if not logs.has("deliveries"):
        return table.assign(contract_drawn=np.nan)
    called = call_offs(logs, LeadTimes(logs).forgotten).merge(
        terms[[*_BOTH, "contract_from", "contract_to"]], on=_BOTH
    )
    inside = (called["day"] >= called["contract_from"]) & (called["day"] <= called["contract_to"])
    drawn = called[inside].groupby(_BOTH)[["quantity"]].sum()
    table = table.join(drawn).rename(columns={"quantity": "contract_drawn"})
    return table.fillna({"contract_drawn": 0.0})


def _reasons(row: Any, logs: Logs) -> Iterator[str]:
    """Yield why something of a row is blank."""
    about = dict(zip(row._fields, row, strict=True))

    def blank(name: str) -> bool:
        return bool(pd.isna(about[name]))

    if blank("on_time_pct"):
        yield "no delivery has come yet" if logs.has("deliveries") else "no deliveries are logged"
    if blank("price") and logs.has("terms") and (logs["terms"]["material"] == about["material"]).any():
        yield "it has no terms any more"
    elif blank("price"):
        yield "no price of it is known: none is agreed, none was invoiced"
    if not blank("contract_quantity") and blank("chance_outside_tolerance"):
        yield "no order plan tells the chance of ending outside its tolerance"
    if about["kind"] != "newsprint":
        return
    if blank("reels"):
        yield "none of its reels was mounted"
        return
    if blank("strip_pct"):
        yield f"fewer than {FEWEST_LOTS} of its deliveries were stripped and weighed"
    if blank("heavier_pct"):
        yield "too little of its paper ran by itself to weigh it on the press"
