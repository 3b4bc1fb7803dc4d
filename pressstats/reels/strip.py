"""What is torn off before a reel runs: strip by supplier, its depth, and reels to claim for.

A reel loses its outer layers to blows and damp on the way; the deeper they are torn, the more a ring
of large diameter takes with it. Reels far outside what is usual were damaged in transport and belong on a
claim, with their numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from ..prices import paper_prices
from .ends import caliper_um, half_width, logged_years
from .mount_history import receipts_of
from .rates import poisson_interval

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["new_reels", "strip_by_supplier", "transport_claims"]

#: Of plants without any damaged reel, so many may have one listed.
_CHANCE_OF_LISTING = 0.05
_FEWEST_OF_A_SUPPLIER = 30
#: Scale of the median absolute deviation of a normal distribution.
_NORMAL_MAD = 1.4826
#: Readings that such a deviation is worth, as a share of those it is taken from.
_MAD_EFFICIENCY = 0.37
#: Least spread of the logarithm of depth: strips entered by habit, all the same, do vary.
_LEAST_SPREAD = 0.1


def new_reels(logs: Logs, history: pd.DataFrame) -> pd.DataFrame:
    """Return each reel's first mount, with how deep the strip was.

    Parameters
    ----------
    logs : Logs
        The logs.
    history : DataFrame
        Result of :func:`pressstats.reels.mount_history`.

    Returns
    -------
    DataFrame, shape (reels first mounted whole, 14)
        supplier, reel_id, material, mounted_at, delivery_id, received_on, ended_by, start_kg, received_kg, strip_kg,
        scrapped_kg [kg], depth_mm [mm], strip_pct [% of the reel], unit_price [currency / kg].

    Notes
    -----
    Depth from the strip's length: a reel of diameter D loses pi T (D - T) of its cross-section to a strip of depth T
    (American Institute of Marine Underwriters, commodity sheet Newsprint: loss 4 T (D - T) / (D2 - C2)), solved for T
    with D from the reel's own weight.
    """
    first = history["new"].to_numpy()
    frame = history.loc[
        first, ["supplier", "material", "mounted_at", "ended_by", "start_kg", "strip_kg", "scrapped_kg"]
    ]
    names = logs["reel_mounts"]["reel_id"][first] if len(history) else pd.Series([], dtype="str")
    frame.insert(1, "reel_id", names)
    frame = frame.join(receipts_of(logs, frame))
    per_metre = history.loc[first, "kg_per_m"]
    core = logs.plant.reel.core_diameter_mm
    caliper = caliper_um(logs, frame["material"])
    # Cross-section of the paper is length times caliper; m x um = mm2 x 1000 / 1000.
    whole = core**2 + 4 * caliper * frame["start_kg"] / per_metre / np.pi
    left = whole - 4 * caliper * frame["strip_kg"] / per_metre / np.pi
    frame["depth_mm"] = (np.sqrt(whole) - np.sqrt(left.where(left >= 0))) / 2
    frame["strip_pct"] = 100 * frame["strip_kg"] / frame["start_kg"]
    frame["unit_price"] = frame["material"].map(paper_prices(logs)).astype("float64")
    columns = ["supplier", "reel_id", "material", "mounted_at", "delivery_id", "received_on", "ended_by"]
    weights = ["start_kg", "received_kg", "strip_kg", "scrapped_kg"]
    return frame[[*columns, *weights, "depth_mm", "strip_pct", "unit_price"]].reset_index(drop=True)


def strip_by_supplier(logs: Logs, history: pd.DataFrame, whole: pd.DataFrame) -> pd.DataFrame:
    """Return what stripping takes, by supplier.

    Columns supplier, reels (`whole` ones whose strip was weighed), strip_kg (their mean), ci_low, ci_high (95 %)
    [kg], strip_pct [%], depth_mm (mean), depth_q50, depth_q95 [mm], part_strip_kg (mean of a reel mounted again)
    [kg], damaged (reels that ended by damage), damaged_per_1000 with damaged_high (exact upper 95 % limit), short_kg
    (weight received less weight mounted, mean) [kg], lost_kg_per_year [kg / year], lost_cost_per_year [currency /
    year].
    """
    grouped = whole.groupby("supplier")
    table = grouped.agg(
        reels=("strip_kg", "count"),
        strip_kg=("strip_kg", "mean"),
        spread=("strip_kg", "std"),
        strip_pct=("strip_pct", "mean"),
        depth_mm=("depth_mm", "mean"),
        depth_q50=("depth_mm", "median"),
    )
    table["depth_q95"] = grouped["depth_mm"].quantile(0.95)
    # A supplier of whom only part reels were mounted has a row all the same.
    table = table.reindex(pd.Index(sorted(history["supplier"].unique()), name="supplier", dtype="str"))
    table["reels"] = table["reels"].fillna(0).astype("float64")
    half = half_width(table["spread"], table["reels"])
    table["ci_low"] = (table["strip_kg"] - half).clip(lower=0).where(half.notna())
    table["ci_high"] = table["strip_kg"] + half
    again = history[~history["new"]]
    table["part_strip_kg"] = again["strip_kg"].groupby(again["supplier"]).mean()
    mounted = whole.groupby("supplier").size().reindex(table.index)
    table["damaged"] = (history["ended_by"] == "damaged").groupby(history["supplier"]).sum().astype("float64")
    table["damaged_per_1000"] = 1000 * table["damaged"] / mounted
    table["damaged_high"] = 1000 * poisson_interval(table["damaged"])[1] / mounted
    table["short_kg"] = (whole["received_kg"] - whole["start_kg"]).groupby(whole["supplier"]).mean()
    price = history["material"].map(paper_prices(logs)).astype("float64")
    years = logged_years(logs)
    table["lost_kg_per_year"] = history["strip_kg"].groupby(history["supplier"]).sum(min_count=1) / years
    cost = (history["strip_kg"] * price).groupby(history["supplier"]).sum(min_count=1)
    table["lost_cost_per_year"] = cost / years
    columns = ["reels", "strip_kg", "ci_low", "ci_high", "strip_pct", "depth_mm", "depth_q50", "depth_q95"]
    more = ["part_strip_kg", "damaged", "damaged_per_1000", "damaged_high", "short_kg"]
    lost = ["lost_kg_per_year", "lost_cost_per_year"]
    return table.reset_index()[["supplier", *columns, *more, *lost]].astype({"reels": "float64"})


def transport_claims(whole: pd.DataFrame, weighing_kg: float) -> pd.DataFrame:
    """Return reels whose strip, or missing weight, lies far outside what is usual for their supplier, the latest first.

    Columns supplier, reel_id, material, delivery_id, received_on, mounted_at, why, depth_mm, usual_mm (median of the
    supplier) [mm], claim_kg (beyond the usual strip, or weight missing) [kg], claim_cost [currency]; `weighing_kg` is
    the standard deviation of weighing a reel.

    Depths are about lognormal. The limit is put where a plant with as many reels and no damage would have one listed
    in one case of twenty; median and median deviation keep damaged reels from widening it, and a supplier with fewer
    than thirty reels is judged by what is usual for all. A reel is short where it was lighter at its first mount than
    received by more than two weighings explain, at the same chance.
    """
    whole = whole.reset_index(drop=True)
    tail = _CHANCE_OF_LISTING / 2 / max(len(whole), 1)
    log = np.log(whole["depth_mm"].where(whole["depth_mm"] > 0))
    all_centre = log.median()
    all_spread = _NORMAL_MAD * (log - all_centre).abs().median()
    grouped = log.groupby(whole["supplier"])
    count = grouped.transform("count")
    many = count >= _FEWEST_OF_A_SUPPLIER
    centre = grouped.transform("median").where(many, all_centre)
    spread = _NORMAL_MAD * (log - centre).abs().groupby(whole["supplier"]).transform("median")
    spread = spread.where(many, all_spread).clip(lower=_LEAST_SPREAD)
    # Median and median deviation of few reels are uncertain themselves: Student's t, with their efficiencies.
    count = count.where(many, log.notna().sum())
    reach = -special.stdtrit(np.maximum(_MAD_EFFICIENCY * (count - 1), 0.5), tail)
    usual = np.exp(centre)
    deep = log > centre + reach * spread * np.sqrt(1 + np.pi / 2 / count)
    share = usual / whole["depth_mm"]
    beyond = whole["strip_kg"] * (1 - share)
    missing = whole["received_kg"] - whole["start_kg"]
    short = missing > -special.ndtri(tail) * np.sqrt(2) * weighing_kg
    table = whole[
        ["supplier", "reel_id", "material", "delivery_id", "received_on", "mounted_at", "depth_mm"]
    ].copy()
    table["usual_mm"] = usual
    table["claim_kg"] = beyond.where(deep, 0.0) + missing.where(short, 0.0)
    table["claim_cost"] = table["claim_kg"] * whole["unit_price"]
    table["why"] = np.select(
        [deep & short, deep, short],
        ["outer layers damaged, and short of weight", "outer layers damaged", "short of weight"],
        "",
    )
    table = table[deep | short].sort_values("mounted_at", ascending=False, kind="stable")
    columns = ["supplier", "reel_id", "material", "delivery_id", "received_on", "mounted_at", "why"]
    return table[[*columns, "depth_mm", "usual_mm", "claim_kg", "claim_cost"]].reset_index(drop=True)
