"""Grammages of the past and the present: of each web that was printed, and as they are published."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .runs import supplier_kg

__all__ = ["grammage_regimes", "mount_grammage", "web_grammage"]


def web_grammage(regimes: pd.DataFrame, webs: pd.DataFrame, mounts: pd.DataFrame | None = None) -> pd.Series:
    """Return what a square metre of each web weighed on its day [g/m2]; blank for a material without a grammage.

    Where suppliers differ `mounts` say whose paper ran; where it is not known it is the mix of the last weeks.
    """
    result = pd.Series(np.nan, webs.index)
    for material, own in regimes.groupby("material"):
        of_material = (webs["material"] == material).to_numpy()
        dates = webs.loc[of_material, "date"]
        by_supplier = {str(supplier): _on_days(spells, dates) for supplier, spells in own.groupby("supplier")}
        if set(by_supplier) == {""}:
            result[of_material] = by_supplier[""]
            continue
        whole = pd.DataFrame(by_supplier, index=dates.index)
        share = _shares(own, mounts, list(by_supplier), dates.index, np.flatnonzero(of_material))
        # A supplier who has no paper of that time, by the estimate, is left out of the mean.
        share = share.where(whole.notna(), 0.0)
        result[of_material] = (whole.fillna(0.0) * share).sum(axis=1) / share.sum(axis=1).replace(0.0, np.nan)
    return result


def mount_grammage(regimes: pd.DataFrame, mounts: pd.DataFrame, date: pd.Series) -> pd.Series:
    """Return what a square metre of each mount's paper weighed.

    Parameters
    ----------
    regimes : DataFrame
        ``regimes`` of :func:`pressstats.paper.paper_weights`.
    mounts : DataFrame
        Rows with material and supplier.
    date : Series, index of `mounts`
        Date of each mount's run.

    Returns
    -------
    Series, index of `mounts`
        Effective grammage [g/m2]; blank for a material, or a supplier of it, without one.
    """
    result = pd.Series(np.nan, mounts.index)
    for (material, supplier), spells in regimes.groupby(["material", "supplier"]):
        inside = (mounts["material"] == material) & ((mounts["supplier"] == supplier) | (supplier == ""))
        result[inside] = _on_days(spells, date[inside])
    return result


def _on_days(spells: pd.DataFrame, dates: pd.Series) -> np.ndarray:
    """Return the estimate of the spell that each day lies in."""
    value = np.full(len(dates), np.nan)
    for spell in spells.itertuples():
        begins, ends = spell[spells.columns.get_loc("from") + 1], spell.to
        inside = np.ones(len(dates), dtype=bool)
        if pd.notna(begins):
            inside &= (dates >= begins).to_numpy()
        if pd.notna(ends):
            inside &= (dates < ends).to_numpy()
        value[inside] = spell.estimate
    return value


def _shares(
    regimes: pd.DataFrame,
    mounts: pd.DataFrame | None,
    suppliers: list[str],
    index: pd.Index,
    web_row: np.ndarray,
) -> pd.DataFrame:
    """Return whose paper ran on some webs (rows of ``web_use``), by supplier."""
    present = regimes[regimes["named"]].groupby("supplier")["present"].sum()
    usual = present.reindex(suppliers).fillna(0.0)
    if mounts is None:
        return pd.DataFrame([usual.to_numpy()] * len(index), index=index, columns=suppliers)
    by = supplier_kg(mounts, web_row).reindex(columns=suppliers, fill_value=0.0).fillna(0.0).set_axis(index)
    unknown = by.sum(axis=1) == 0
    by.loc[unknown] = usual.to_numpy()
    return by


def grammage_regimes(
    regimes: pd.DataFrame, webs: pd.DataFrame, mounts: pd.DataFrame | None, price: pd.Series
) -> pd.DataFrame:
    """Return the grammages' rows of the published table ``regimes``.

    Parameters
    ----------
    regimes : DataFrame
        ``regimes`` of :func:`pressstats.paper.paper_weights`.
    webs, mounts : DataFrame
        Results of :func:`pressstats.paper.web_use` and :func:`pressstats.paper.mount_weights`.
    price : Series
        Price of a kilogram by material [currency / kg].

    Returns
    -------
    DataFrame, shape (regimes, 12)
        The published columns. cost_since is what the paper printed in the regime weighed more than it would have
        before the change, at `price`; negative where it is lighter.
    """
    rows = []
    for (material, supplier), spells in regimes[regimes["named"]].groupby(["material", "supplier"]):
        printed = webs[webs["material"] == material]
        first = printed["date"].min()
        share = 1.0
        if supplier:
            web_row = np.flatnonzero(webs["material"] == material)
            own = regimes[regimes["material"] == material]
            kg = _shares(own, mounts, list(own["supplier"].unique()), printed.index, web_row)
            share = kg[supplier] / kg.sum(axis=1)
        before = np.nan
        for spell in spells.sort_values("from", na_position="first").to_dict("records"):
            begins = spell["from"] if pd.notna(spell["from"]) else first
            inside = printed["date"] >= begins
            inside &= (printed["date"] < spell["to"]) if pd.notna(spell["to"]) else True
            area = (printed["area_m2"] * share)[inside].sum()
            kg = area * (spell["estimate"] - before) / 1000
            rows.append(
                {
                    "measure": "grammage",
                    "subject": f"{material}, {supplier}" if supplier else material,
                    "from": begins,
                    "to": spell["to"] - pd.Timedelta(days=1) if pd.notna(spell["to"]) else pd.NaT,
                    "dated_low": spell["dated_low"],
                    "dated_high": spell["dated_high"],
                    "estimate": spell["estimate"],
                    "ci_low": spell["ci_low"],
                    "ci_high": spell["ci_high"],
                    "unit": "g/m2",
                    "cost_since": kg * float(price.get(material, np.nan)),
                    "why": _why(str(supplier), spell["estimate"], before),
                }
            )
            before = spell["estimate"]
    columns = ["measure", "subject", "from", "to", "dated_low", "dated_high", "estimate"]
    columns += ["ci_low", "ci_high", "unit", "cost_since", "why"]
    return pd.DataFrame(rows, columns=columns)


def _why(supplier: str, now: float, before: float) -> str:
    if np.isnan(before):
        return "the first that the logs know"
    size = 100 * (now / before - 1)
    words = f"{size:+.1f} % against the paper before"
    return f"{words}, of {supplier} alone" if supplier else words
