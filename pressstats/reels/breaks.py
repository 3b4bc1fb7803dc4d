"""Web breaks per 100 reels, with exact Poisson intervals and limits that chance alone would keep."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from ..logs import Logs
from ..paper import length_m, mount_weights
from ..tables import as_published

__all__ = ["breaks", "chance_of_excess", "poisson_interval"]

_FACTORS = ("supplier", "material", "reelstand", "press")


def poisson_interval(events: np.ndarray | pd.Series, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Return the exact (Garwood) interval of the mean of a Poisson count.

    Parameters
    ----------
    events : array, shape (rows,)
        Counts.
    level : float
        Least probability with which the interval holds the mean.

    Returns
    -------
    low, high : ndarray, shape (rows,)
        Limits of the mean; the low one of 0 events is 0.

    Notes
    -----
    Garwood (1936), Biometrika 28:437: half the quantiles of chi-square with twice the count of
    degrees of freedom, which are those of the gamma distribution.
    """
    count = np.asarray(events, dtype=float)
    tail = (1 - level) / 2
    low = np.where(count > 0, special.gammaincinv(np.maximum(count, 1), tail), 0.0)
    high = special.gammaincinv(count + 1, 1 - tail)
    return low, high


def chance_of_excess(events: float, reels: float, other_events: float, other_reels: float) -> float:
    """Return how often chance alone gives a rate that differs as much as these two do.

    Parameters
    ----------
    events, other_events : float
        Breaks of the one and of all the others.
    reels, other_reels : float
        Reels of the one and of all the others.

    Returns
    -------
    float
        Two-sided p-value of the exact conditional (binomial) test of equal rates.
    """
    # Imported here: it takes half a second, which no page that only shows results should pay.
    from scipy import stats

    total = int(events + other_events)
    if total == 0:
        return 1.0
    return float(stats.binomtest(int(events), total, reels / (reels + other_reels)).pvalue)


def breaks(logs: Logs, grammage: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``breaks``.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.
    grammage : DataFrame
        Published table ``grammage``, for the kilometres; nominal where it is blank.

    Returns
    -------
    DataFrame, shape (levels of supplier, material, reelstand and press, 8)
        Published columns. Reels are distinct reels mounted; the interval is exact Poisson.
    """
    columns = ["by", "level", "reels", "breaks", "per_100_reels", "ci_low", "ci_high", "km"]
    if not logs.has("reel_mounts"):
        return as_published(pd.DataFrame(columns=columns), "breaks")
    mounts = mount_weights(logs)
    mounts["press"] = mounts["run_id"].map(logs["runs"].set_index("run_id")["press"])
    mounts["reel"] = mounts.groupby(["supplier", "reel_id"]).ngroup()
    mounts["break"] = (mounts["ended_by"] == "web_break").astype("float64")
    mounts["km"] = _kilometres(logs, mounts, grammage)
    parts = []
    for factor in _FACTORS:
        grouped = mounts.groupby(factor)
        part = grouped.agg(reels=("reel", "nunique"), breaks=("break", "sum"))
        part["km"] = grouped["km"].sum(min_count=1)
        parts.append(part.rename_axis("level").reset_index().assign(by=factor))
    table = pd.concat(parts, ignore_index=True)
    low, high = poisson_interval(table["breaks"])
    per_100 = 100 / table["reels"]
    table["per_100_reels"] = table["breaks"] * per_100
    table["ci_low"], table["ci_high"] = low * per_100, high * per_100
    return as_published(table.astype({"reels": "float64"}), "breaks")


def _kilometres(logs: Logs, mounts: pd.DataFrame, grammage: pd.DataFrame) -> pd.Series:
    if not logs.has("materials"):
        return pd.Series(np.nan, mounts.index)
    known = grammage.set_index("material")
    gsm = known["effective_gsm"].fillna(known["nominal_gsm"])
    width = logs["materials"].set_index("material")["width_mm"]
    metres = length_m(
        mounts["net_kg"],
        mounts["material"].map(width).astype("float64"),
        mounts["material"].map(gsm).astype("float64"),
    )
    return metres / 1000
