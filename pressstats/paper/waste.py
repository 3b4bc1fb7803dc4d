"""Waste of any set of runs, by one rule: what headlines, tiles, charts and exceptions of waste stand on.

Waste is summed over the runs whose reel records are complete, and how many of how many those are goes with
it. Where they printed too little of the paper, waste is not known: a few runs say nothing of a week.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from .balance import STREAMS

__all__ = ["KNOWN_SHARE", "counter_waste", "runs_of", "waste_by", "waste_totals"]

#: Waste of a set of runs is known where those with complete reel records printed this share of its area.
KNOWN_SHARE = 0.5
#: What is summed over runs, in the order of the totals, and what these are told from besides.
_SUMMED = ("mounted_kg", *STREAMS, "good_grammage_kg", "breaks")
_ADDED = tuple(dict.fromkeys((*_SUMMED, "grammage_kg", "area_m2")))


def waste_totals(runs: pd.DataFrame) -> pd.Series:
    """Return mounted paper, streams and waste of a set of runs, rows of :func:`pressstats.paper.run_balance`.

    Returns
    -------
    Series
        mounted_kg, every stream, good_grammage_kg and wasted_kg [kg], breaks, waste_pct [% of mounted], all of the
        runs with complete reel records; runs (how many those are), of_runs, known_share (their share of the printed
        area). Blank where that share is less than `KNOWN_SHARE`, or nothing was printed.
    """
    return pd.Series(_totals(runs))


def _totals(runs: pd.DataFrame) -> dict[str, float]:
    """Return what :func:`waste_totals` returns; a Series for each of hundreds of weeks takes ten times as long."""
    whole = (runs["has_reels"] & runs["good_kg"].notna()).to_numpy(dtype=bool)
    area = float(runs["area_m2"].sum())
    counted = {name: runs[name].to_numpy(dtype=float)[whole] for name in _ADDED}
    share = float(np.nansum(counted["area_m2"])) / area if area > 0 else float("nan")
    known = whole.any() and share >= KNOWN_SHARE
    # A stream that is not weighed in one of the runs would be too small a sum.
    sums = {name: float(counted[name].sum()) if known else float("nan") for name in _SUMMED}
    for name in ("grammage_kg", "good_grammage_kg"):
        some = known and np.isfinite(counted[name]).any()
        sums[name] = float(np.nansum(counted[name])) if some else float("nan")
    heavier = 0.0 if np.isnan(sums["good_grammage_kg"]) else sums["good_grammage_kg"]
    sums["wasted_kg"] = sums["mounted_kg"] - sums["good_kg"] - heavier
    with np.errstate(divide="ignore", invalid="ignore"):
        sums["waste_pct"] = float(100 * np.float64(sums["wasted_kg"]) / sums["mounted_kg"])
    return sums | {"runs": float(whole.sum()), "of_runs": float(len(runs)), "known_share": share}


def waste_by(runs: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return waste by columns `by` of the runs, each group a row by the rule of :func:`waste_totals`."""
    runs = runs[list(dict.fromkeys([*by, "has_reels", *_ADDED]))]
    rows = [
        dict(zip(by, names, strict=True)) | _totals(group) for names, group in runs.groupby(by, sort=True)
    ]
    if not rows:
        return pd.DataFrame(columns=[*by, *_totals(runs)])
    table = pd.DataFrame(rows)
    return table.astype({name: "float64" for name in table.columns if name not in by})


def counter_waste(runs: pd.DataFrame) -> float:
    """Return what the press counters alone tell of waste: start-up, running and uncounted copies of a set of runs.

    Returns
    -------
    float
        Their share of the gross copies, by printed area [%]; no reel, nominal grammage or price is needed. Strip,
        butts and scrap are not in it, so it is less than waste of mounted paper. Blank without a run.
    """
    known = runs.dropna(subset=["area_m2", "spoiled_m2"])
    area = float(known["area_m2"].sum())
    return 100 * float(known["spoiled_m2"].sum()) / area if area > 0 else float("nan")


def runs_of(totals: pd.Series) -> str:
    """Return how many runs :func:`waste_totals` stand on, in words; empty where it is all of them."""
    counted, of_all = int(totals["runs"]), int(totals["of_runs"])
    return "" if counted == of_all else f"of {counted} of {of_all} runs"
