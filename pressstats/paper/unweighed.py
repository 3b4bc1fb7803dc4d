"""Strip and butts where no mount is weighed for them: what the regression says, beside what was sold as waste."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import month_of
from .runs import is_weighed, threading_counts

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["UNWEIGHED_WORDS", "sold_streams", "unweighed_streams"]

#: What each term of the regression stands for, where it is not weighed.
UNWEIGHED_WORDS = {"new reel": "white waste", "splice": "butts", "reel": "white waste and butts"}


def unweighed_streams(runs: pd.DataFrame, threading: pd.DataFrame, mounts: pd.DataFrame) -> pd.DataFrame:
    """Return what unweighed strip and butts took, as estimated.

    Parameters
    ----------
    runs : DataFrame
        Rows of :func:`pressstats.paper.run_balance`: of which time.
    threading : DataFrame
        ``threading`` of :func:`pressstats.paper.paper_weights`.
    mounts : DataFrame
        Result of :func:`pressstats.paper.mount_weights`.

    Returns
    -------
    DataFrame, shape (terms, 5)
        term (``new reel``, ``splice``, or ``reel`` for both), reels (how many), kg, ci_low, ci_high (95 %) [kg]; none
        where all is weighed. A material without an estimate is left out of both.
    """
    inside = mounts["run_id"].isin(runs["run_id"])
    materials, counts = mounts.loc[inside, "material"], threading_counts(mounts)
    rows = []
    for term, terms in threading[threading["term"].isin(UNWEIGHED_WORDS)].groupby("term", sort=False):
        count = counts[str(term)][inside].astype(float).groupby(materials).sum()
        number = count.reindex(terms["material"]).fillna(0.0).to_numpy()
        kg = float((number * terms["estimate"]).sum())
        half = float(np.sqrt(((number * (terms["ci_high"] - terms["estimate"])) ** 2).sum()))
        rows.append((str(term), number.sum(), kg, kg - half, kg + half))
    return pd.DataFrame(rows, columns=["term", "reels", "kg", "ci_low", "ci_high"])


def sold_streams(
    logs: Logs, runs: pd.DataFrame, threading: pd.DataFrame, mounts: pd.DataFrame
) -> pd.DataFrame:
    """Return the waste sold by month beside the streams that it holds.

    Parameters
    ----------
    logs : Logs
        The logs; ``[waste.KIND] holds`` of ``plant.toml`` says which streams a kind holds.
    runs, threading, mounts : DataFrame
        As for :func:`unweighed_streams`.

    Returns
    -------
    DataFrame, shape (months x kinds, 5)
        month, kind, sold_kg [kg], holds (the streams), stream_kg (what they took that month, as weighed, else as
        estimated; blank where a stream is neither) [kg]. Bales leave when the bay is full: single months differ, a
        year should not.
    """
    columns = ["month", "kind", "sold_kg", "holds", "stream_kg"]
    if not logs.has("waste_sold"):
        return pd.DataFrame(columns=columns)
    month_of_run = month_of(runs["date"])
    sold = logs["waste_sold"].assign(month=month_of(logs["waste_sold"]["sold_on"]))
    rows = []
    for (month, kind), sales in sold.groupby(["month", "kind"]):
        held = logs.plant.waste[str(kind)].holds if str(kind) in logs.plant.waste else ()
        if "plates" in held:
            continue
        printed = runs[month_of_run == month]
        known = [_stream_kg(name, printed, threading, mounts) for name in held]
        whole = np.nan if not held else float(np.sum(known))
        rows.append((month, str(kind), float(sales["kg"].sum()), ", ".join(held), whole))
    return pd.DataFrame(rows, columns=columns)


def _stream_kg(name: str, runs: pd.DataFrame, threading: pd.DataFrame, mounts: pd.DataFrame) -> float:
    column = f"{name}_kg"
    if column not in ("strip_kg", "reel_end_kg") or is_weighed(mounts, column):
        return float(runs[column].sum(min_count=1))
    estimated = unweighed_streams(runs, threading, mounts).set_index("term")["kg"]
    both = estimated.get("reel", np.nan)
    # Of strip and butts together the whole stands with the strip, which is nearly all of it.
    if np.isfinite(both):
        return float(both) if column == "strip_kg" else 0.0
    return float(estimated.get("new reel" if column == "strip_kg" else "splice", np.nan))
