"""What can be claimed from a supplier, and by what evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from ..offers import offers
from ..tables import as_published
from .invoices import overpriced

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["claims"]

#: Of plants where every delivery is sound, so many may have one claimed for by its strip, and by its quantity.
_CHANCE = 0.025
#: Deliveries of a supplier from which is known how they differ; stripped reels from which is known how one did.
_FEWEST_DELIVERIES, _FEWEST_REELS = 12, 4
#: Scale of the median absolute deviation of a normal distribution, and the readings that it is worth.
_NORMAL_MAD, _MAD_EFFICIENCY = 1.4826, 0.37
#: Least spread of the logarithm of depth between deliveries: strips entered by habit, all the same, do vary.
_LEAST_SPREAD = 0.1
#: Reels with a length on the label from which the grammage of a delivery is known.
_FEWEST_LABELS = 3
#: Difference from nominal grammage that the mean of a delivery may have (common practice, no source).
_GRAMMAGE_TOLERANCE = 0.04
_COLUMNS = ["supplier", "delivery_id", "reel_id", "why", "kg", "cost", "seen_on"]
_KEY = _COLUMNS[:3]


def claims(logs: Logs, whole: pd.DataFrame, damaged: pd.DataFrame) -> pd.DataFrame:
    """Return what can be claimed from suppliers, as the published table ``claims``.

    Parameters
    ----------
    logs : Logs
        The logs; what is not logged is not claimed for.
    whole : DataFrame
        Reels with their strip (:func:`pressstats.reels.new_reels`).
    damaged : DataFrame
        Single reels to claim for: ``claims`` of :class:`pressstats.reels.ReelStudy`.

    Returns
    -------
    DataFrame
        The published table: reels short of weight or with damaged outer layers; deliveries of which all reels lose more
        to stripping than others of that supplier, that are short of what was ordered, heavier or lighter than nominal
        by more than the tolerance, or dearer than agreed. Several reasons for one reel or delivery share a row, kg and
        cost added up; a cost is blank where nobody is out of pocket by what is logged.

    Notes
    -----
    Limits are set so that of plants with sound deliveries only, 5 % have a reel listed, and 2.5 % each a delivery by
    strip and by quantity. Deliveries are judged against the others of their supplier by funnel limits with
    additive over-dispersion (Spiegelhalter 2005, Statistics in Medicine 24:1185, from memory): deliveries differ by
    more than their reels make of it, since reels of one lorry share its roads.

    Examples
    --------
    >>> claims(logs, new_reels(logs, study.mount_history), study.claims)[["supplier", "reel_id"]].shape
    (0, 2)
    """
    parts = [
        _of_reels(damaged),
        _stripped(whole, damaged),
        _short(logs),
        _off_grammage(logs),
        overpriced(logs),
    ]
    parts = [part[_COLUMNS] for part in parts if len(part)]
    if not parts:
        return as_published(pd.DataFrame(columns=_COLUMNS), "claims")
    rows = pd.concat(parts, ignore_index=True)
    grouped = rows.groupby(_KEY, dropna=False, sort=False)
    table = grouped.agg(why=("why", "; ".join), seen_on=("seen_on", "max"))
    table[["kg", "cost"]] = grouped[["kg", "cost"]].sum(min_count=1)
    kinds = {"why": "str", "kg": "float64", "cost": "float64", "seen_on": "datetime64[us]"}
    return as_published(table.reset_index().astype(kinds), "claims")


def _of_reels(listed: pd.DataFrame) -> pd.DataFrame:
    """Return the reels to claim for, as the study of reels lists them."""
    return listed.assign(kg=listed["claim_kg"], cost=listed["claim_cost"], seen_on=_day(listed["mounted_at"]))


def _day(times: pd.Series) -> pd.Series:
    return times.dt.normalize().astype("datetime64[us]")


def _reach(chance: float, readings: float) -> float:
    """Return how many robust standard deviations chance reaches, the deviation taken from so many readings."""
    return -float(special.stdtrit(max(_MAD_EFFICIENCY * (readings - 1), 0.5), chance))


def _stripped(whole: pd.DataFrame, listed: pd.DataFrame) -> pd.DataFrame:
    """Return deliveries whose reels all lose more to stripping than others of that supplier.

    Reels that are claimed for by themselves are left out: what they lose is not claimed for twice.
    """
    alone = pd.MultiIndex.from_frame(listed[["supplier", "reel_id"]])
    rows = whole[~pd.MultiIndex.from_frame(whole[["supplier", "reel_id"]]).isin(alone)]
    rows = rows[(rows["depth_mm"] > 0) & rows["delivery_id"].notna()]
    rows = rows.assign(log=np.log(rows["depth_mm"]))
    found = []
    judged = 0
    for supplier, own_reels in rows.groupby("supplier"):
        by = own_reels.groupby("delivery_id")["log"].agg(["mean", "count"])
        by = by[by["count"] >= _FEWEST_REELS]
        if len(by) < _FEWEST_DELIVERIES:
            continue
        judged += len(by)
        usual = float(by["mean"].median())
        within = (own_reels["log"] - own_reels.groupby("delivery_id")["log"].transform("mean")).std()
        chance = within**2 / by["count"]
        # What deliveries differ by beyond what their reels make of it: the same for large and small ones.
        between = (_NORMAL_MAD * float((by["mean"] - usual).abs().median())) ** 2 - float(chance.median())
        score = (by["mean"] - usual) / np.sqrt(chance + max(between, _LEAST_SPREAD**2))
        found.append(by.assign(supplier=supplier, usual=usual, score=score, of=len(by)))
    if not found:
        return rows.iloc[:0].assign(**dict.fromkeys(_COLUMNS))
    table = pd.concat(found).reset_index()
    limits = np.array([_reach(_CHANCE / judged, count) for count in table["of"]])
    out = table[table["score"] > limits]
    reels = rows.merge(out[["supplier", "delivery_id", "usual"]], on=["supplier", "delivery_id"])
    reels["kg"] = reels["strip_kg"] * (1 - np.exp(reels["usual"]) / reels["depth_mm"])
    reels["cost"] = reels["kg"] * reels["unit_price"]
    reels["depth"], reels["usual_mm"] = np.exp(reels["log"]), np.exp(reels["usual"])
    claimed = reels.groupby(["supplier", "delivery_id"], as_index=False).agg(
        kg=("kg", "sum"),
        cost=("cost", "sum"),
        seen_on=("mounted_at", "max"),
        depth=("depth", "median"),
        usual=("usual_mm", "first"),
        reels=("reel_id", "size"),
    )
    why = [
        f"its {row.reels} other reels lose {row.depth:.1f} mm to stripping, {row.usual:.1f} mm is usual"
        for row in claimed.itertuples()
    ]
    return claimed.assign(reel_id=None, why=why, seen_on=_day(claimed["seen_on"]))


def _short(logs: Logs) -> pd.DataFrame:
    """Return deliveries in kilograms that lack more than half a pack of what was ordered.

    What is still on order of the same order is to come, and an order that came in parts is judged as a whole. A
    supplier whose packs are lighter than listed is short of nothing: it is judged by its other deliveries.
    """
    blank = pd.DataFrame(columns=_COLUMNS)
    if not logs.has("deliveries") or not logs.has("materials"):
        return blank
    rows = logs["deliveries"]
    rows = rows[(logs.of_material(rows["material"], "unit") == "kg") & rows["cancelled_on"].isna()]
    record = logs.of_material(rows["material"], "supplier")
    rows = rows.assign(supplier=rows["supplier"].fillna(record))
    order = rows["order_id"].fillna("of its own: " + rows["delivery_id"])
    group = [order, rows["supplier"], rows["material"]]
    whole = rows.groupby(group)["quantity"].transform("sum")
    waits = rows["delivered_on"].isna().groupby(group).transform("any")
    packs = offers(logs, logs.as_of).set_index(["supplier", "material"])["pack_quantity"]
    pack = rows[["supplier", "material"]].join(packs, on=["supplier", "material"])["pack_quantity"]
    pack = pack.fillna(logs.of_material(rows["material"], "pack_quantity"))
    wanted = rows["quantity_ordered"]
    rows = rows.assign(pack=pack, kg=wanted - rows["quantity"])
    rows = rows[~waits & (wanted > 0) & (whole < wanted - pack / 2)]
    return _standing_out(logs, rows)


def _standing_out(logs: Logs, rows: pd.DataFrame) -> pd.DataFrame:
    """Return which deliveries lack more than half a pack, and more than the supplier's packs differ by."""
    every = logs["deliveries"]
    every = every[every["delivered_on"].notna() & (every["quantity_ordered"] > 0)]
    ratio = every["quantity"] / every["quantity_ordered"]
    kept = np.zeros(len(rows), dtype=bool)
    columns = ["supplier", "material", "pack", "quantity_ordered", "quantity"]
    for position, (supplier, material, pack, wanted, quantity) in enumerate(rows[columns].to_numpy()):
        own = ((every["supplier"] == supplier) & (every["material"] == material)).to_numpy()
        usual, limit = 1.0, 0.75 * pack
        if own.sum() >= _FEWEST_DELIVERIES:
            usual = min(float(ratio[own].median()), 1.0)
            # Weights of packs add up: what a delivery is off by grows with the root of its size.
            off = (every["quantity"] - usual * every["quantity_ordered"])[own]
            off = off / np.sqrt(every["quantity_ordered"][own])
            spread = _NORMAL_MAD * float((off - off.median()).abs().median())
            reach = _reach(_CHANCE / len(every), float(own.sum()))
            limit = max(0.5 * pack, reach * spread * np.sqrt(wanted))
        kept[position] = usual * wanted - quantity > limit
    rows = rows[kept]
    why = [
        f"{row.quantity:,.0f} kg came of {row.quantity_ordered:,.0f} kg ordered: ask for the rest, or for credit where "
        "all was invoiced"
        for row in rows.itertuples()
    ]
    return rows.assign(reel_id=None, why=why, cost=np.nan, seen_on=rows["delivered_on"])


def _off_grammage(logs: Logs) -> pd.DataFrame:
    """Return deliveries whose reels, by their labels, are off nominal grammage by more than the tolerance."""
    if not logs.has("reels") or not logs.has("materials"):
        return pd.DataFrame(columns=_COLUMNS)
    reels = logs["reels"]
    reels = reels.dropna(subset=["delivery_id", "received_kg", "length_m"])
    if reels.empty:
        return pd.DataFrame(columns=_COLUMNS)
    width = logs.of_material(reels["material"], "width_mm")
    reels = reels.assign(
        m2=reels["length_m"] * width / 1000,
        nominal=logs.of_material(reels["material"], "grammage_gsm"),
        price=reels["delivery_id"].map(_invoiced(logs)).astype("float64"),
    ).dropna(subset=["m2", "nominal"])
    by = reels.groupby(["supplier", "delivery_id", "material"], as_index=False).agg(
        kg=("received_kg", "sum"),
        m2=("m2", "sum"),
        nominal=("nominal", "first"),
        labels=("reel_id", "size"),
        seen_on=("received_on", "max"),
        price=("price", "first"),
    )
    gsm = 1000 * by["kg"] / by["m2"]
    # What weighing a reel may be off by is not held against the paper.
    error = 3 * logs.plant.measurement.reel_kg * np.sqrt(by["labels"]) / by["kg"]
    off = gsm / by["nominal"] - 1
    out = (off.abs() > _GRAMMAGE_TOLERANCE + error) & (by["labels"] >= _FEWEST_LABELS)
    # Heavier paper prints fewer copies a tonne: what is beyond the tolerance was paid for nothing.
    beyond = (by["kg"] * (1 - (1 + _GRAMMAGE_TOLERANCE) * by["nominal"] / gsm)).where(off > 0)
    why = [
        f"{weight:.1f} g/m2 by its labels, {row.nominal:g} nominal, {100 * _GRAMMAGE_TOLERANCE:g} % allowed"
        for row, weight in zip(by.itertuples(), gsm, strict=True)
    ]
    return by.assign(reel_id=None, why=why, kg=beyond, cost=beyond * by["price"])[out]


def _invoiced(logs: Logs) -> pd.Series:
    """Return the price of each delivery as invoiced [currency / kg]."""
    if not logs.has("deliveries"):
        return pd.Series(dtype="float64")
    return logs["deliveries"].set_index("delivery_id")["unit_price"]
