"""What is on hand: the last count or dip, plus deliveries, less use since."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..ink import expected_use, tank_levels
from .leadtimes import supplier_of

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["REFUSED", "on_order", "open_orders", "refuse_stock", "stock_on_hand"]

_STOCK = {"material": "str", "quantity": "float64", "counted_on": "datetime64[us]", "why": "str"}
#: How the reason of a stock begins that is not told, since the logs cannot be true.
REFUSED = "refused: "
_CONTRADICTION = "more was used since the count than was there: count again"
_NOTHING_LOGGED = "no deliveries are logged: what came since the {} of {:%Y-%m-%d} is unknown"


def on_order(logs: Logs, open_rows: pd.DataFrame, materials: pd.Series) -> np.ndarray:
    """Return what is on order of each of `materials`, by the rows of :func:`open_orders` [unit of the material].

    Without ``deliveries`` nobody knows what is on order; with it, no open order means none. One of unknown quantity
    leaves the sum unknown.
    """
    none = 0.0 if logs.has("deliveries") else np.nan
    ordered = open_rows.astype({"quantity": "float64"}).groupby("material")["quantity"].sum(skipna=False)
    return ordered.reindex(materials, fill_value=none).to_numpy(dtype=float)


def open_orders(logs: Logs) -> pd.DataFrame:
    """Return the rows of ``deliveries`` that are neither delivered nor cancelled.

    Returns
    -------
    DataFrame, shape (open rows, 5)
        delivery_id, material, supplier (that of record where none is named), quantity [unit of the material],
        promised_on.
    """
    columns = ["delivery_id", "material", "supplier", "quantity", "promised_on"]
    if not logs.has("deliveries"):
        return pd.DataFrame(columns=columns)
    rows = logs["deliveries"]
    rows = rows.loc[rows["delivered_on"].isna() & rows["cancelled_on"].isna(), columns].reset_index(drop=True)
    return rows.assign(supplier=supplier_of(logs, rows))


def refuse_stock(logs: Logs, stock: pd.DataFrame, implausible: pd.DataFrame) -> pd.DataFrame:
    """Take stock for unknown where it, or the use that it is held against, rests on logs that cannot be true.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``.
    stock : DataFrame
        Result of :func:`stock_on_hand`.
    implausible : DataFrame
        Result of :func:`pressstats.watch.implausible`: subject, what, suspect, refuses. Where ``ink`` is refused for
        one ink, that ink alone is; ``everything`` and ``demand`` refuse every material.

    Returns
    -------
    DataFrame
        `stock`, its quantity blank where refused and `why` saying so: nothing is ordered on it, and nothing is said
        to last.
    """
    table = stock.copy()
    if implausible.empty or table.empty:
        return table
    listed = logs["materials"].set_index("material").reindex(table["material"])
    for row in implausible[implausible["refuses"] != ""].itertuples():
        hit = np.full(len(table), row.refuses in ("everything", "demand"))
        if row.refuses == "paper":
            hit = (listed["kind"] == "newsprint").to_numpy()
        elif row.refuses == "ink":
            named = (listed["ink"] == row.subject).fillna(False).to_numpy(dtype=bool)
            hit = named if named.any() else (listed["kind"] == "ink").to_numpy()
        hit = hit & ~table["why"].str.startswith(REFUSED).to_numpy(dtype=bool)
        table.loc[hit, "quantity"] = np.nan
        table.loc[hit, "why"] = (
            f"{REFUSED}{row.subject}, {row.what} cannot be true; {row.suspect or 'look at it'}"
        )
    return table


def stock_on_hand(
    logs: Logs, runs: pd.DataFrame, exposure: pd.DataFrame, model: pd.DataFrame, daily: pd.Series
) -> pd.DataFrame:
    """Return what is on hand of each material at the end of as-of.

    Parameters
    ----------
    logs : Logs
        The logs.
    runs : DataFrame
        Result of :func:`pressstats.paper.run_balance`.
    exposure, model : DataFrame
        Results of :func:`pressstats.ink.ink_exposure` and :func:`pressstats.ink.ink_model`.
    daily : Series, index material
        Mean use a day lately [unit of the material], for what has no counter.

    Returns
    -------
    DataFrame, shape (materials, 4)
        material, quantity [unit of the material], counted_on, why (empty, or why the quantity is
        blank). A count is of the day's end, after its deliveries and before the night's printing,
        so runs dated that day or before are already used; with `counted_at`, those finished by then.
        Without ``deliveries`` a count or dip tells the stock of its own day alone.
    """
    if not logs.has("materials"):
        return pd.DataFrame(columns=list(_STOCK)).astype(_STOCK)
    materials = logs["materials"]
    dipped = logs["tank_readings"]["ink"].unique() if logs.has("tank_readings") else []
    rows = []
    for material in materials.itertuples():
        if material.kind == "ink" and material.ink in dipped:
            quantity, counted_on, why = _ink(logs, material.ink, exposure, model)
            if material.unit != "kg":
                quantity, why = np.nan, "dipped in kg, but not bought in kg"
            elif (materials["ink"] == material.ink).sum() > 1:
                quantity, why = np.nan, "its tanks hold another material too"
        else:
            quantity, counted_on, why = _counted(logs, material, runs, daily)
        rows.append((material.material, quantity, counted_on, why))
    return pd.DataFrame(rows, columns=list(_STOCK)).astype(_STOCK)


def _ink(
    logs: Logs, ink: str, exposure: pd.DataFrame, model: pd.DataFrame
) -> tuple[float, pd.Timestamp | None, str]:
    """Return the last level of all tanks, plus what was filled in since, less what was used since."""
    levels, filled = tank_levels(logs, ink)
    if levels.empty:
        return np.nan, None, "its tanks were never dipped together"
    read_at, level = levels["read_at"].iloc[-1], float(levels["level_kg"].iloc[-1])
    day = read_at.normalize()
    if day < logs.as_of and not logs.has("deliveries"):
        return np.nan, day, _NOTHING_LOGGED.format("dip", day)
    came = filled.loc[filled["at"] > read_at, "quantity_kg"].sum(skipna=False)
    if np.isnan(came):
        return np.nan, day, "a delivery since the dip is of unknown ink or weight"
    printed = exposure[(exposure["ink"] == ink) & (exposure["finished_at"] > read_at)]
    days = (logs.as_of + pd.Timedelta(days=1) - read_at) / pd.Timedelta(days=1)
    since = printed[["solid_m2", "starts"]].sum(skipna=False).to_frame().T
    used = float(expected_use(since.assign(ink=ink, days=max(days, 0.0)), model).iloc[0])
    if np.isnan(used) and (len(printed) or days > 1):
        return np.nan, day, "use since the dip is not known"
    total = level + came - max(np.nan_to_num(used), 0.0)
    return (total, day, "") if total >= 0 else (np.nan, day, _CONTRADICTION)


def _counted(
    logs: Logs, listed: Any, runs: pd.DataFrame, daily: pd.Series
) -> tuple[float, pd.Timestamp | None, str]:
    """Return the last count plus receipts less use since; `listed` is the row of ``materials``."""
    material, kind = listed.material, listed.kind
    if not logs.has("stock_counts"):
        return np.nan, None, "no table stock_counts"
    counts = logs["stock_counts"]
    counts = counts[counts["material"] == material].sort_values("counted_on")
    if counts.empty:
        return np.nan, None, "never counted"
    count = counts.iloc[-1]
    day = count["counted_on"]
    if day < logs.as_of and not logs.has("deliveries"):
        return np.nan, day, _NOTHING_LOGGED.format("count", day)
    came = _received_since(logs, material, count)
    later = logs["runs"]
    if pd.isna(count["counted_at"]):
        later = later[later["date"] > day]
    else:
        later = later[later["finished_at"] > count["counted_at"]]
    if kind in ("newsprint", "plate") and (logs.lost_nights > day).any():
        return np.nan, day, "a run since the count was set aside: count again"
    if kind == "newsprint" and listed.unit != "kg":
        used, why = np.nan, "weighed in kg, but not bought in kg"
    elif kind == "newsprint":
        used, why = _newsprint_used(logs, material, runs, later["run_id"], day)
    elif kind == "plate":
        used = later["plates"].sum(skipna=False) if len(later) else 0.0
        why = "runs without plates logged" if np.isnan(used) else ""
    else:
        used = float(daily.get(material, np.nan)) * (logs.as_of - day).days if logs.as_of > day else 0.0
        why = "use unknown" if np.isnan(used) else ""
    quantity = count["quantity"] + came - used
    return (np.nan, day, _CONTRADICTION) if quantity < 0 else (quantity, day, why)


def _received_since(logs: Logs, material: str, count: pd.Series) -> float:
    if not logs.has("deliveries"):
        return 0.0
    rows = logs["deliveries"]
    rows = rows[(rows["material"] == material) & rows["delivered_on"].notna()]
    later = rows["delivered_on"] > count["counted_on"]
    if pd.notna(count["counted_at"]):
        later |= (rows["delivered_on"] == count["counted_on"]) & (rows["delivered_at"] > count["counted_at"])
    return float(rows.loc[later, "quantity"].sum())


def _newsprint_used(
    logs: Logs, material: str, runs: pd.DataFrame, since: pd.Series, counted_on: pd.Timestamp
) -> tuple[float, str]:
    if since.empty:
        return 0.0, ""
    if not logs.has("reel_mounts"):
        return np.nan, f"what was used since the count of {counted_on:%Y-%m-%d} is unknown: log reel_mounts"
    webs = logs["run_webs"]
    own_runs = since[since.isin(webs.loc[webs["material"] == material, "run_id"])]
    complete = runs.set_index("run_id")["has_reels"]
    if not complete.reindex(own_runs).all():
        return np.nan, "runs since the count lack reel records: count again"
    mounts = logs["reel_mounts"]
    mounts = mounts[mounts["material"] == material]
    mounts = mounts[mounts["run_id"].isin(since)]
    return float((mounts["start_kg"] - mounts["returned_kg"]).sum()), ""
