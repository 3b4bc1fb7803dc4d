"""Reel ends: what stays on the core at a splice, in kg, metres and money, and by what it differs.

Only mounts that ended by a splice count for the length left: a butt exists only where there was a
splice. What a failed splice leaves is lost too, but tells nothing of the setting.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from ..geometry import reel_length_m
from ..prices import paper_prices
from ..tables import as_published
from .chain import mount_ends
from .mount_history import unlogged_runs
from .pooling import PooledMeans, pooled_means

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = [
    "both_lengths",
    "butts",
    "caliper_um",
    "ends_by",
    "ends_cost",
    "half_width",
    "logged_years",
    "reel_ends",
    "stand_means",
]

_FAILED = "failed_splice"
_WORDS = ["run_id", "reelstand", "material", "supplier", "press", "title", "crew", "ended_by"]
_NUMBERS = ["hour", "butt_kg", "butt_mm", "butt_m", "depth_m", "unit_price"]


def butts(logs: Logs, history: pd.DataFrame) -> pd.DataFrame:
    """Return each splice with what it left on the core.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts`` and ``materials``; without them there is no row.
    history : DataFrame
        Result of :func:`pressstats.reels.mount_history`: metres are reckoned with what its paper weighed then.

    Returns
    -------
    DataFrame, shape (splices, 15)
        run_id, date, reelstand, material, supplier, press, title, crew, ended_by, hour (of the splice), butt_kg [kg],
        butt_mm [mm], butt_m [m] from weight, width and grammage, depth_m [m] from depth, core and caliper, unit_price
        of the last receipts [currency / kg].
    """
    if not logs.has("reel_mounts") or not logs.has("materials"):
        kinds = dict.fromkeys(_WORDS, "str") | {"date": "datetime64[us]"} | dict.fromkeys(_NUMBERS, "float64")
        return pd.DataFrame(columns=list(kinds)).astype(kinds)
    spliced = history["ended_by"].isin(["splice", _FAILED])
    ends = history.loc[spliced, [*_WORDS, "date", "butt_kg", "butt_mm", "kg_per_m"]].copy()
    ends["hour"] = mount_ends(logs)[spliced].dt.hour.astype("float64")
    ends["butt_m"] = ends["butt_kg"] / ends["kg_per_m"]
    core = logs.plant.reel.core_diameter_mm
    ends["depth_m"] = reel_length_m(core + 2 * ends["butt_mm"], core, caliper_um(logs, ends["material"]))
    ends["unit_price"] = ends["material"].map(paper_prices(logs)).astype("float64")
    return ends[[*_WORDS, "date", *_NUMBERS]].reset_index(drop=True)


def logged_years(logs: Logs) -> float:
    """Return how long reels were logged [years of 365.25 days]: runs without any reel record count not."""
    runs = logs["runs"]
    days = (runs["date"].max() - runs["date"].min()).days + 1
    share = 1.0
    if logs.has("reel_mounts"):
        share = 1 - len(unlogged_runs(logs)) / len(runs)
    return days / 365.25 * share


def reel_ends(logs: Logs, ends: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``reel_ends`` of the splices of :func:`butts`; a year is of days with reels logged.

    The interval is Student's t on the metres left at good splices, blank with fewer than two of them. Lost a year:
    also what failed splices left; an end that nobody weighed counts as the mean of its like.
    """
    good = ends[ends["ended_by"] == "splice"]
    grouped = good.groupby(["reelstand", "material"])
    table = grouped.agg(
        splices=("butt_kg", "count"),
        butt_kg_mean=("butt_kg", "mean"),
        butt_m_mean=("butt_m", "mean"),
        spread=("butt_m", "std"),
    ).reset_index()
    half = half_width(table["spread"], table["splices"])
    table["butt_m_ci_low"] = (table["butt_m_mean"] - half).clip(lower=0).where(half.notna())
    table["butt_m_ci_high"] = table["butt_m_mean"] + half
    kg = _with_unweighed(ends)
    lost = pd.DataFrame(
        {
            "reelstand": ends["reelstand"],
            "material": ends["material"],
            "lost_kg_per_year": kg,
            "lost_cost_per_year": kg * ends["unit_price"],
        }
    )
    lost = (
        lost.groupby(["reelstand", "material"])[["lost_kg_per_year", "lost_cost_per_year"]].sum(min_count=1)
        / logged_years(logs)
    ).reset_index()
    table = table.merge(lost, on=["reelstand", "material"], how="outer")
    table["splices"] = table["splices"].fillna(0)
    return as_published(table.astype({"splices": "float64"}), "reel_ends")


def caliper_um(logs: Logs, materials: pd.Series) -> pd.Series:
    """Return the caliper of each material of a Series [um], that of the plant where its own is not known."""
    return logs.of_material(materials, "caliper_um").fillna(logs.plant.reel.caliper_um)


def half_width(spread: pd.Series, count: pd.Series) -> pd.Series:
    """Return the half width of the 95 % interval of a mean of `count` readings (Student's t)."""
    return special.stdtrit(np.maximum(count - 1, 1), 0.975) * spread / np.sqrt(count)


def _with_unweighed(ends: pd.DataFrame) -> pd.Series:
    """Return the kg of each end; one not weighed has the mean of its kind of end and material."""
    known = ends["butt_kg"]
    alike = known.groupby([ends["ended_by"], ends["material"]]).transform("mean")
    return known.fillna(alike).fillna(known.groupby(ends["ended_by"]).transform("mean"))


def ends_cost(logs: Logs, ends: pd.DataFrame) -> dict[str, float]:
    """Return what reel ends take in a year, with 95 % limits.

    Parameters
    ----------
    logs : Logs
        The logs.
    ends : DataFrame
        Result of :func:`butts`.

    Returns
    -------
    dict of float
        kg, kg_low, kg_high [kg / year], cost, cost_low, cost_high [currency / year]; blank without splices.

    Notes
    -----
    Of reels that are run out, the number follows from the paper that the presses used: what varies is what each
    leaves, about the mean of its reelstand, material and kind of end. Failed splices come by chance, so that the
    variance of their sum is the sum of squares. An end that nobody weighed adds the error of the mean that stands for
    it.
    """
    kg, years = _with_unweighed(ends), logged_years(logs)
    cost: dict[str, float] = {}
    for name, price in (("kg", 1.0), ("cost", ends["unit_price"])):
        total = float((kg * price).sum(min_count=1))
        half = special.ndtri(0.975) * math.sqrt(_variance_of_sum(ends, ends["butt_kg"] * price))
        cost |= {name: total / years, f"{name}_low": max(total - half, 0.0) / years}
        cost[f"{name}_high"] = (total + half) / years
    return cost


def _variance_of_sum(ends: pd.DataFrame, weighed: pd.Series) -> float:
    """Return the variance of what all ends together leave, of which `weighed` were read."""
    failed = ends["ended_by"] == _FAILED
    grouped = weighed[~failed].groupby([ends["reelstand"], ends["material"]])
    groups = grouped.agg(["size", "count", "var"])
    # One reading alone shows no scatter: it is taken to be that of the others.
    readings = groups["count"].where(groups["var"].notna()).sum(min_count=1)
    usual = (groups["var"] * groups["count"]).sum() / readings
    scatter = groups["var"].fillna(usual)
    size, known = groups["size"], groups["count"].clip(lower=1)
    number, of_failed = float(failed.sum()), weighed[failed].dropna()
    # Number and weight both come by chance; with every end weighed this is the sum of squares.
    by_chance = 0.0
    if len(of_failed):
        by_chance = number * of_failed.mean() ** 2 + number**2 / len(of_failed) * of_failed.var(ddof=0)
    return float((scatter * size**2 / known).sum() + by_chance)


def ends_by(ends: pd.DataFrame, factor: str, target_m: float) -> pd.DataFrame:
    """Return how what is left at good splices is distributed at each level of a factor.

    Parameters
    ----------
    ends : DataFrame
        Result of :func:`butts`.
    factor : str
        reelstand, material, press, title, crew or hour.
    target_m : float
        Metres that are to be left on purpose [m].

    Returns
    -------
    DataFrame, shape (levels, 12)
        level, splices, mean, ci_low, ci_high (95 %), pooled (mean drawn to the others), q10, q50, q90 [m], spread
        (standard deviation), over_target (mean less target) [m], kg_over_target (all splices of the logs) [kg].
    """
    good = ends[(ends["ended_by"] == "splice") & ends["butt_m"].notna() & ends[factor].notna()]
    level = good[factor]
    if factor == "hour":
        # A night runs past midnight: its hours stand in the order in which it lives them.
        level = level.map(lambda hour: f"{hour:02.0f}:00")
    grouped = good["butt_m"].groupby(level)
    table = grouped.agg(["count", "mean", "std"]).rename(columns={"count": "splices", "std": "spread"})
    table[["q10", "q50", "q90"]] = grouped.quantile([0.1, 0.5, 0.9]).unstack().to_numpy().reshape(-1, 3)
    half = half_width(table["spread"], table["splices"])
    table["ci_low"], table["ci_high"] = table["mean"] - half, table["mean"] + half
    pooled = pooled_means(good["butt_m"].to_numpy(), level.to_numpy()).table.set_index("level")["pooled"]
    table["pooled"] = pooled
    table["over_target"] = table["mean"] - target_m
    metre = good["butt_kg"] / good["butt_m"].where(good["butt_m"] > 0)
    table["kg_over_target"] = ((good["butt_m"] - target_m) * metre).groupby(level).sum(min_count=1)
    table = table.rename_axis("level").reset_index()
    if factor == "hour" and len(table):
        noon = table["level"].str.slice(0, 2).astype(int)
        table = table.iloc[((noon + 12) % 24).argsort(kind="stable")].reset_index(drop=True)
    columns = ["level", "splices", "mean", "ci_low", "ci_high", "pooled", "q10", "q50", "q90", "spread"]
    return table[[*columns, "over_target", "kg_over_target"]].astype({"splices": "float64"})


def stand_means(ends: pd.DataFrame) -> PooledMeans:
    """Return what each reelstand leaves at good splices, by a mixed model [m]."""
    good = ends[ends["ended_by"] == "splice"]
    return pooled_means(good["butt_m"].to_numpy(), good["reelstand"].to_numpy())


def both_lengths(logs: Logs, ends: pd.DataFrame) -> pd.DataFrame:
    """Compare the metres left by weight with those by depth on the core, by material with both.

    Columns material, splices, by_weight, by_depth, difference (depth less weight), ci_low, ci_high (95 %) [m],
    caliper_um (the caliper that would bring both together) [um].
    """
    both = ends.dropna(subset=["butt_m", "depth_m"])
    both = both.assign(difference=both["depth_m"] - both["butt_m"])
    grouped = both.groupby("material")
    table = grouped.agg(
        splices=("butt_m", "size"),
        by_weight=("butt_m", "mean"),
        by_depth=("depth_m", "mean"),
        difference=("difference", "mean"),
        spread=("difference", "std"),
    )
    half = half_width(table["spread"], table["splices"])
    table["ci_low"], table["ci_high"] = table["difference"] - half, table["difference"] + half
    table = table.reset_index()
    caliper = caliper_um(logs, table["material"])
    # Depth over caliper gives length, so the caliper that agrees with the weight is in proportion.
    table["caliper_um"] = caliper * table["by_depth"] / table["by_weight"].where(table["by_weight"] > 0)
    return table.drop(columns="spread").astype({"splices": "float64"})
