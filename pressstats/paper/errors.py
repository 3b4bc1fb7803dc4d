"""How much of the unexplained paper weighing and counting errors can account for.

The unexplained kilograms are a sum of readings: reel weights, small weighings, copy counts and the
estimated grammage. Each reading's standard deviation is in ``plant.toml``; a reading that enters
twice with opposite sign, as the remainder of a reel that stays on its stand for the next run, cancels.
Paper that is threaded at starts and breaks is counted by no counter and is expected here too. Reels of one
grammage differ among themselves; by how much is what the plant's own weeks say.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import optimize

from .in_time import web_grammage
from .runs import new_reels, web_use

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["unexplained_limits"]

#: What is heavier goes on the scale for reels (common practice, no source).
_SMALL_SCALE_KG = 40.0
#: Days after a change of paper in which part reels of the old one may still be mounted (common practice, no source).
_LEFT_OVER_DAYS = 14
#: Weeks of a press that tell how far reels of one grammage differ, and the most that they can.
_WEEKS_LEAST, _SCATTER_MOST = 26, 0.05
#: Median of the absolute value of a standard normal variable.
_MEDIAN = 0.6744897501960817


def unexplained_limits(
    logs: Logs, runs: pd.DataFrame, threading: pd.DataFrame, regimes: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Compare the unexplained paper of each week and press with what errors can explain.

    Parameters
    ----------
    logs : Logs
        The logs.
    runs : DataFrame
        Result of :func:`pressstats.paper.run_balance`.
    threading : DataFrame
        Result of :func:`pressstats.paper.threading_paper`.
    regimes : DataFrame, optional
        ``regimes`` of :func:`pressstats.paper.paper_weights`: while a change of paper may have begun, its whole size
        is an error of the grammage.

    Returns
    -------
    DataFrame, shape (weeks x presses with complete reel records, 6)
        week, press, unexplained_kg [kg], threading_kg (expected at starts and breaks, and of strip
        and butts where no mount is weighed for them) [kg], error_kg (one standard deviation of all
        errors) [kg], z (what is left over in standard deviations).
    """
    by = ["week", "press"]
    groups = runs.groupby(by)
    whole = groups["has_reels"].all()
    table = groups["unexplained_kg"].sum(min_count=1)[whole].rename("unexplained_kg").reset_index()
    table["threading_kg"] = _threading_kg(logs, runs, threading, table[by])
    if not logs.has("reel_mounts") or table.empty:
        return table.assign(error_kg=np.nan, z=np.nan)
    variance = _weighing_variance(logs, runs).add(_count_variance(logs, runs), fill_value=0.0)
    variance = variance.add(_grammage_variance(logs, threading, regimes), fill_value=0.0)
    variance = variance.add(_unweighed_variance(logs, runs, threading), fill_value=0.0)
    if regimes is not None:
        variance = variance.add(_changing_variance(logs, regimes), fill_value=0.0)
    groups_there = pd.MultiIndex.from_frame(table[by])
    measured = variance.reindex(groups_there).to_numpy()
    extra = (table["unexplained_kg"] - table["threading_kg"]).to_numpy()
    squares = _reel_squares(logs, runs).reindex(groups_there).fillna(0.0).to_numpy()
    table["error_kg"] = np.sqrt(measured + _reel_scatter(extra, measured, squares) ** 2 * squares)
    table["z"] = extra / table["error_kg"]
    return table


def _reel_scatter(extra: np.ndarray, measured: np.ndarray, squares: np.ndarray) -> float:
    """Return by which share reels of one grammage differ (standard deviation), as the weeks tell it.

    It is what makes the median week as far off as the normal distribution has it, so single bad weeks do not count;
    0 where measuring errors explain as much, or fewer than `_WEEKS_LEAST` weeks are there to tell.
    """
    known = np.isfinite(extra) & np.isfinite(measured) & (measured > 0) & (squares > 0)
    if known.sum() < _WEEKS_LEAST:
        return 0.0
    extra, measured, squares = extra[known], measured[known], squares[known]

    def too_far(scatter: float) -> float:
        return float(np.median(np.abs(extra) / np.sqrt(measured + scatter**2 * squares))) - _MEDIAN

    return (
        0.0
        if too_far(0.0) <= 0 or too_far(_SCATTER_MOST) > 0
        else float(optimize.brentq(too_far, 0.0, _SCATTER_MOST))
    )


def _reel_squares(logs: Logs, runs: pd.DataFrame) -> pd.Series:
    """Return the sum of squares of what each reel gave [kg2] by week and press."""
    mounts = logs["reel_mounts"].merge(runs[["run_id", "week", "press"]], on="run_id")
    mounts["kg"] = mounts["start_kg"] - mounts["returned_kg"]
    of_reel = mounts.groupby(["week", "press", "supplier", "reel_id"])["kg"].sum()
    return (of_reel**2).groupby(["week", "press"]).sum()


def _threading_kg(
    logs: Logs, runs: pd.DataFrame, threading: pd.DataFrame, groups: pd.DataFrame
) -> np.ndarray:
    terms = threading.pivot(index="material", columns="term", values="estimate")
    starts = web_use(logs)
    kg = starts["material"].map(terms["start"]) if "start" in terms else pd.Series(np.nan, starts.index)
    total = kg.groupby([starts["week"], starts["press"]]).sum(min_count=1)
    if logs.has("reel_mounts"):
        mounts = logs["reel_mounts"].merge(runs[["run_id", "week", "press"]], on="run_id")
        for term, counts in _events(mounts).items():
            if term in terms:
                again = (mounts["material"].map(terms[term]) * counts).groupby(
                    [mounts["week"], mounts["press"]]
                )
                total = total.add(again.sum(), fill_value=0.0)
    return total.reindex(pd.MultiIndex.from_frame(groups)).to_numpy()


def _events(mounts: pd.DataFrame) -> dict[str, pd.Series]:
    """Return which mounts are counted by each term of the regression beside the start."""
    ended = mounts["ended_by"]
    first = pd.Series(new_reels(mounts), mounts.index, dtype="float64")
    return {
        "break": ended.isin(["web_break", "failed_splice"]),
        "new reel": first,
        "splice": ended.isin(["splice", "failed_splice"]),
        "reel": (first + ended.isin(["splice", "failed_splice"])) / 2,
    }


def _unweighed_variance(logs: Logs, runs: pd.DataFrame, threading: pd.DataFrame) -> pd.Series:
    """Return the variance [kg2] by week and press of strip and butts that no mount is weighed for.

    Single ones scatter about as much as they are large (stripping of sound reels, butts of one splice setting:
    common practice, no source), so each counts with half of its mean for one standard deviation.
    """
    terms = threading.pivot(index="material", columns="term", values="estimate")
    mounts = logs["reel_mounts"].merge(runs[["run_id", "week", "press"]], on="run_id")
    variance = pd.Series(0.0, mounts.index)
    for term, counts in _events(mounts).items():
        if term != "break" and term in terms:
            variance += counts * (0.5 * mounts["material"].map(terms[term]).fillna(0.0)) ** 2
    return variance.groupby([mounts["week"], mounts["press"]]).sum()


def _changing_variance(logs: Logs, regimes: pd.DataFrame) -> pd.Series:
    """Return the variance [kg2] by week and press while it is not sure which of two papers was printed."""
    webs = web_use(logs)
    variance = pd.Series(0.0, webs.index)
    for _, mine in regimes[regimes["named"]].groupby(["material", "supplier"]):
        rows = mine.sort_values("from", na_position="first").to_dict("records")
        for before, now in pairwise(rows):
            begins = min(now["dated_low"], now["mixed_from"])
            # Part reels of the old paper come back for some days after.
            ends = max(now["dated_high"], now["mixed_to"], now["from"] + pd.Timedelta(days=_LEFT_OVER_DAYS))
            unsure = (webs["material"] == now["material"]) & webs["date"].between(begins, ends)
            variance[unsure] += (
                webs.loc[unsure, "area_m2"] * (now["estimate"] - before["estimate"]) / 1000
            ) ** 2
    # The webs of a week have the same doubt: their errors add up, not their variances.
    groups = [webs["week"], webs["press"]]
    return np.sqrt(variance).groupby(groups).sum() ** 2


def _weighing_variance(logs: Logs, runs: pd.DataFrame) -> pd.Series:
    """Return the variance [kg2] by week and press of every reel and small weighing."""
    measurement = logs.plant.measurement
    mounts = logs["reel_mounts"].merge(runs[["run_id", "week", "press"]], on="run_id")
    mounts = mounts.sort_values(["supplier", "reel_id", "mounted_at"], ignore_index=True)
    by = ["week", "press"]
    # The remainder of a reel and its next start are one reading when the log says the same figure.
    reel = mounts.groupby(["supplier", "reel_id"], sort=False)
    returned_before = reel["returned_kg"].shift()
    same_reading = returned_before.eq(mounts["start_kg"]) & returned_before.gt(0)
    same_group = (
        same_reading & reel["week"].shift().eq(mounts["week"]) & reel["press"].shift().eq(mounts["press"])
    )
    weighed = mounts["start_kg"].gt(0).astype(float) + mounts["returned_kg"].gt(0) - 2.0 * same_group
    loose = mounts[["strip_kg", "butt_kg", "scrapped_kg"]].fillna(0.0)
    weighed += loose.gt(_SMALL_SCALE_KG).sum(axis=1)
    small = (loose.gt(0) & loose.le(_SMALL_SCALE_KG)).sum(axis=1)
    variance = weighed * measurement.reel_kg**2 + small * measurement.butt_kg**2
    return variance.groupby([mounts[name] for name in by]).sum()


def _count_variance(logs: Logs, runs: pd.DataFrame) -> pd.Series:
    """Return the variance [kg2] by week and press of the gross counters."""
    share = logs.plant.measurement.copies_pct / 100
    gross = runs[["good_kg", "startup_kg", "running_kg", "uncounted_kg"]].sum(axis=1)
    return ((gross * share) ** 2).groupby([runs["week"], runs["press"]]).sum()


def _grammage_variance(logs: Logs, threading: pd.DataFrame, regimes: pd.DataFrame | None) -> pd.Series:
    """Return the variance [kg2] by week and press that the estimated grammages carry."""
    webs = web_use(logs)
    present = threading[threading["term"] == "grammage"].set_index("material")["std_error"]
    error = webs["material"].map(present).astype("float64")
    if regimes is not None:
        # A past grammage has its own error.
        error = web_grammage(regimes.assign(estimate=regimes["std_error"]), webs).fillna(error)
    kg = (webs["area_m2"] * error / 1000).groupby([webs["week"], webs["press"], webs["material"]]).sum()
    return (kg**2).groupby(level=["week", "press"]).sum()
