"""Reel ends: what stays on the core at a splice, by reelstand and material, in kg, metres and money.

Only mounts that ended by a splice count for the length left: a butt exists only where there was a
splice, and a failed one leaves what it leaves. Stands have intervals and are never ranked by raw means.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from ..logs import Logs
from ..paper import length_m
from ..tables import as_published

__all__ = ["butts", "reel_ends", "splice_target"]


def butts(logs: Logs, grammage: pd.DataFrame) -> pd.DataFrame:
    """Return each splice with what it left on the core.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.
    grammage : DataFrame
        Published table ``grammage``; where it is blank the nominal grammage serves.

    Returns
    -------
    DataFrame, shape (splices, 9)
        run_id, date, reelstand, material, supplier, ended_by, butt_kg [kg], butt_m [m] from
        width and grammage, unit_price [currency / kg].
    """
    if not logs.has("reel_mounts") or not logs.has("materials"):
        words = dict.fromkeys(["run_id", "reelstand", "material", "supplier", "ended_by"], "str")
        numbers = dict.fromkeys(["butt_kg", "butt_m", "unit_price"], "float64")
        return pd.DataFrame(columns=[*words, "date", *numbers]).astype(words | numbers)
    mounts = logs["reel_mounts"]
    ends = mounts[mounts["ended_by"].isin(["splice", "failed_splice"])].copy()
    known = grammage.set_index("material")
    gsm = known["effective_gsm"].fillna(known["nominal_gsm"])
    materials = logs["materials"].set_index("material")
    ends["date"] = ends["run_id"].map(logs["runs"].set_index("run_id")["date"])
    ends["butt_m"] = length_m(
        ends["butt_kg"],
        ends["material"].map(materials["width_mm"]).astype("float64"),
        ends["material"].map(gsm).astype("float64"),
    )
    ends["unit_price"] = ends["material"].map(materials["unit_price"]).astype("float64")
    columns = ["run_id", "date", "reelstand", "material", "supplier", "ended_by"]
    return ends[[*columns, "butt_kg", "butt_m", "unit_price"]].reset_index(drop=True)


def reel_ends(logs: Logs, ends: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``reel_ends``.

    Parameters
    ----------
    logs : Logs
        Logs; the year is 365.25 days of the window that the runs cover.
    ends : DataFrame
        Result of :func:`butts`.

    Returns
    -------
    DataFrame, shape (reelstands x materials, 9)
        Published columns; the interval is Student's t on the metres left at good splices, blank
        with fewer than two of them.
    """
    good = ends[ends["ended_by"] == "splice"]
    grouped = good.groupby(["reelstand", "material"])
    table = grouped.agg(
        splices=("butt_kg", "count"),
        butt_kg_mean=("butt_kg", "mean"),
        butt_m_mean=("butt_m", "mean"),
        spread=("butt_m", "std"),
    ).reset_index()
    half = (
        special.stdtrit(np.maximum(table["splices"] - 1, 1), 0.975)
        * table["spread"]
        / np.sqrt(table["splices"])
    )
    table["butt_m_ci_low"] = np.maximum(table["butt_m_mean"] - half, 0).where(half.notna())
    table["butt_m_ci_high"] = table["butt_m_mean"] + half
    years = _years(logs)
    lost = ends.assign(cost=ends["butt_kg"] * ends["unit_price"]).groupby(["reelstand", "material"])
    lost_table = (lost[["butt_kg", "cost"]].sum(min_count=1) / years).reset_index()
    lost_table.columns = pd.Index(["reelstand", "material", "lost_kg_per_year", "lost_cost_per_year"])
    table = table.merge(lost_table, on=["reelstand", "material"], how="left")
    return as_published(table.astype({"splices": "float64"}), "reel_ends")


def splice_target(ends: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``splice_target`` as far as the mean length left goes.

    Parameters
    ----------
    ends : DataFrame
        Result of :func:`butts`.

    Returns
    -------
    DataFrame, shape (materials, 5)
        `current_m` is the mean left at good splices and `failure_probability` the share of
        splices that failed; `best_m` and `saving_per_year` are blank, since a best target needs
        the failure rate as a function of the length left, which this first model does not fit.
    """
    grouped = ends.groupby("material")
    good = ends[ends["ended_by"] == "splice"].groupby("material")["butt_m"].mean()
    table = pd.DataFrame(
        {"failure_probability": grouped["ended_by"].agg(lambda e: (e == "failed_splice").mean())}
    )
    table["current_m"] = good
    return as_published(table.assign(best_m=np.nan, saving_per_year=np.nan).reset_index(), "splice_target")


def _years(logs: Logs) -> float:
    days = logs["runs"]["date"]
    return ((days.max() - days.min()).days + 1) / 365.25
