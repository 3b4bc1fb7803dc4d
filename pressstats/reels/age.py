"""How old reels are on the floor, and how old they are when they are mounted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["new_in_store", "passed_over", "reel_ages"]

_REEL = ["supplier", "reel_id"]
_COLUMNS = ["material", "reels", "oldest", "passed_over", "mounted", "age_q50", "age_q95"]


def reel_ages(logs: Logs, chain: pd.DataFrame, days: int = 91) -> pd.DataFrame:
    """Return the age of reels by material.

    Parameters
    ----------
    logs : Logs
        Logs with ``reels``; ``reel_mounts`` where mounts are logged.
    chain : DataFrame
        Result of :func:`pressstats.reels.reel_chain`.
    days : int
        Days up to as-of whose mounts are counted.

    Returns
    -------
    DataFrame, shape (materials, 7)
        material, reels (received, never mounted, and known to be in the store), oldest (age of the oldest of them
        [day]), passed_over (how many of them :func:`passed_over` names), mounted (reels mounted for the first time in
        these days), age_q50, age_q95 (their age then: half of them and one in twenty were older [day]). Blank where
        there is no such reel; one that came before a run without reel records may have been used up in it, and is not
        counted.
    """
    if not logs.has("reels"):
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in _COLUMNS}).astype(
            {"material": "str"}
        )
    new, mounted = _received(logs, chain, days)
    age = (mounted["first_mounted"] - mounted["received_on"]).dt.days.astype("float64")
    by_material = age.groupby(mounted["material"])
    table = pd.DataFrame(
        {
            "reels": new.groupby("material").size(),
            "oldest": (logs.as_of - new.groupby("material")["received_on"].min()).dt.days,
            "passed_over": _passed(new, mounted).groupby("material").size(),
            "mounted": by_material.size(),
            "age_q50": by_material.quantile(0.5),
            "age_q95": by_material.quantile(0.95),
        }
    ).astype("float64")
    counts = ["reels", "passed_over", "mounted"]
    table[counts] = table[counts].fillna(0.0)
    return table.rename_axis("material").reset_index()[_COLUMNS].astype({"material": "str"})


def passed_over(logs: Logs, chain: pd.DataFrame, days: int = 91) -> pd.DataFrame:
    """Return supplier, reel_id, material, received_on of reels in the store that came a week before some mounted since.

    The oldest stand first; `logs`, `chain` and `days` are those of :func:`reel_ages`.
    """
    columns = [*_REEL, "material", "received_on"]
    if not logs.has("reels"):
        return pd.DataFrame(columns=columns)
    passed = _passed(*_received(logs, chain, days))
    return passed[columns].sort_values(["received_on", *_REEL], ignore_index=True)


def new_in_store(logs: Logs, chain: pd.DataFrame) -> pd.DataFrame:
    """Return supplier, reel_id, material, received_on of reels that lie in the store unmounted, the oldest first."""
    columns = [*_REEL, "material", "received_on"]
    if not logs.has("reels"):
        return pd.DataFrame(columns=columns).astype({"received_on": "datetime64[us]"})
    new, _ = _received(logs, chain, 1)
    return new[columns].sort_values(["received_on", *_REEL], ignore_index=True)


def _passed(new: pd.DataFrame, mounted: pd.DataFrame) -> pd.DataFrame:
    last = mounted.groupby("material")["received_on"].max().reindex(new["material"]).to_numpy()
    return new[new["received_on"].to_numpy() <= last - np.timedelta64(7, "D")]


def _received(logs: Logs, chain: pd.DataFrame, days: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the reels that were never mounted and are known to lie there, and those mounted first in these days."""
    received = logs["reels"][[*_REEL, "received_on"]].dropna()
    known = chain.merge(received, on=_REEL)
    new = known[(known["mounts"] == 0) & known["in_store_kg"].notna()]
    return new, known[known["first_mounted"] > logs.as_of + pd.Timedelta(days=1 - days)]
