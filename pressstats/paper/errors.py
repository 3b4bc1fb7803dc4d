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

from .balance import COUNTED
from .in_time import web_grammage
from .runs import threading_counts

if TYPE_CHECKING:
    from ..logs import Logs
    from ..plant import Measurement
    from .grammage import PaperWeights

__all__ = ["unexplained_limits"]

_BY = ["week", "press"]
#: What is heavier goes on the scale for reels (common practice, no source).
_SMALL_SCALE_KG = 40.0
#: Days after a change of paper in which part reels of the old one may still be mounted (common practice, no source).
_LEFT_OVER_DAYS = 14
#: Weeks of a press that tell how far reels of one grammage differ, and the most that they can.
_WEEKS_LEAST, _SCATTER_MOST = 26, 0.05
#: Median of the absolute value of a standard normal variable.
_MEDIAN = 0.6744897501960817


def unexplained_limits(
    logs: Logs, webs: pd.DataFrame, runs: pd.DataFrame, weights: PaperWeights
) -> pd.DataFrame:
    """Compare the unexplained paper of each week and press with what errors can explain.

    Parameters
    ----------
    logs : Logs
        The logs.
    webs : DataFrame
        Result of :func:`pressstats.paper.web_use`.
    runs : DataFrame
        Result of :func:`pressstats.paper.run_balance`.
    weights : PaperWeights
        Result of :func:`pressstats.paper.paper_weights`: while a change of paper may have begun, its whole size is an
        error of the grammage.

    Returns
    -------
    DataFrame, shape (weeks x presses with complete reel records, 6)
        week, press, unexplained_kg, threading_kg (expected at starts and breaks, and of strip and butts where no mount
        is weighed for them), error_kg (one standard deviation of all errors) [kg], z (what is left over in standard
        deviations).
    """
    groups = runs.groupby(_BY)
    whole = groups["has_reels"].all()
    table = groups["unexplained_kg"].sum(min_count=1)[whole].rename("unexplained_kg").reset_index()
    known_groups = pd.MultiIndex.from_frame(table[_BY])
    terms = weights.threading.pivot(index="material", columns="term", values="estimate")
    mounts = None
    if logs.has("reel_mounts"):
        mounts = logs["reel_mounts"].merge(runs[["run_id", *_BY]], on="run_id")
    table["threading_kg"] = _threading_kg(webs, mounts, terms).reindex(known_groups).to_numpy()
    if mounts is None or table.empty:
        return table.assign(error_kg=np.nan, z=np.nan)
    variance = _weighing_variance(mounts, logs.plant.measurement)
    for part in (
        _count_variance(runs, logs.plant.measurement),
        _grammage_variance(webs, weights),
        _unweighed_variance(mounts, terms),
        _changing_variance(webs, weights.regimes),
    ):
        variance = variance.add(part, fill_value=0.0)
    measured = variance.reindex(known_groups).to_numpy()
    extra = (table["unexplained_kg"] - table["threading_kg"]).to_numpy()
    squares = _reel_squares(mounts).reindex(known_groups).fillna(0.0).to_numpy()
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

    if too_far(0.0) <= 0 or too_far(_SCATTER_MOST) > 0:
        return 0.0
    return float(optimize.brentq(too_far, 0.0, _SCATTER_MOST))


def _reel_squares(mounts: pd.DataFrame) -> pd.Series:
    """Return the sum of squares of what each reel gave [kg2] by week and press."""
    kg = mounts["start_kg"] - mounts["returned_kg"]
    of_reel = kg.groupby([mounts[name] for name in (*_BY, "supplier", "reel_id")]).sum()
    return (of_reel**2).groupby(_BY).sum()


def _threading_kg(webs: pd.DataFrame, mounts: pd.DataFrame | None, terms: pd.DataFrame) -> pd.Series:
    """Return what starts, breaks and unweighed streams are expected to take [kg] by week and press."""
    kg = webs["material"].map(terms["start"]) if "start" in terms else pd.Series(np.nan, webs.index)
    total = kg.groupby([webs["week"], webs["press"]]).sum(min_count=1)
    if mounts is not None:
        for term, counts in threading_counts(mounts).items():
            if term in terms:
                kg = mounts["material"].map(terms[term]) * counts
                total = total.add(kg.groupby([mounts["week"], mounts["press"]]).sum(), fill_value=0.0)
    return total


def _unweighed_variance(mounts: pd.DataFrame, terms: pd.DataFrame) -> pd.Series:
    """Return the variance [kg2] by week and press of strip and butts that no mount is weighed for.

    Single ones scatter about as much as they are large (stripping of sound reels, butts of one splice setting:
    common practice, no source), so each counts with half of its mean for one standard deviation.
    """
    variance = pd.Series(0.0, mounts.index)
    for term, counts in threading_counts(mounts).items():
        if term != "break" and term in terms:
            variance += counts * (0.5 * mounts["material"].map(terms[term]).fillna(0.0)) ** 2
    return variance.groupby([mounts["week"], mounts["press"]]).sum()


def _changing_variance(webs: pd.DataFrame, regimes: pd.DataFrame) -> pd.Series:
    """Return the variance [kg2] by week and press while it is not sure which of two papers was printed."""
    error = pd.Series(0.0, webs.index)
    for (material, _), spells in regimes[regimes["named"]].groupby(["material", "supplier"]):
        rows = spells.sort_values("from", na_position="first").to_dict("records")
        for before, now in pairwise(rows):
            begins = min(now["dated_low"], now["mixed_from"])
            # Part reels of the old paper come back for some days after.
            ends = max(now["dated_high"], now["mixed_to"], now["from"] + pd.Timedelta(days=_LEFT_OVER_DAYS))
            unsure = (webs["material"] == material) & webs["date"].between(begins, ends)
            size = webs.loc[unsure, "area_m2"] * (now["estimate"] - before["estimate"]) / 1000
            error[unsure] += size**2
    # The webs of a week have the same doubt: their errors add up, not their variances.
    return np.sqrt(error).groupby([webs["week"], webs["press"]]).sum() ** 2


def _weighing_variance(mounts: pd.DataFrame, measurement: Measurement) -> pd.Series:
    """Return the variance [kg2] by week and press of every reel and small weighing."""
    mounts = mounts.sort_values(["supplier", "reel_id", "mounted_at"], ignore_index=True)
    # The remainder of a reel and its next start are one reading when the log says the same figure.
    reel = mounts.groupby(["supplier", "reel_id"], sort=False)
    returned_before = reel["returned_kg"].shift()
    same_reading = returned_before.eq(mounts["start_kg"]) & returned_before.gt(0)
    for name in _BY:
        same_reading &= reel[name].shift().eq(mounts[name])
    weighed = mounts["start_kg"].gt(0).astype(float) + mounts["returned_kg"].gt(0) - 2.0 * same_reading
    loose = mounts[["strip_kg", "butt_kg", "scrapped_kg"]].fillna(0.0)
    weighed += loose.gt(_SMALL_SCALE_KG).sum(axis=1)
    small = (loose.gt(0) & loose.le(_SMALL_SCALE_KG)).sum(axis=1)
    variance = weighed * measurement.reel_kg**2 + small * measurement.butt_kg**2
    return variance.groupby([mounts["week"], mounts["press"]]).sum()


def _count_variance(runs: pd.DataFrame, measurement: Measurement) -> pd.Series:
    """Return the variance [kg2] by week and press of the gross counters."""
    gross = runs[list(COUNTED)].sum(axis=1)
    return ((gross * (measurement.copies_pct / 100)) ** 2).groupby([runs["week"], runs["press"]]).sum()


def _grammage_variance(webs: pd.DataFrame, weights: PaperWeights) -> pd.Series:
    """Return the variance [kg2] by week and press that the estimated grammages carry."""
    present = weights.threading[weights.threading["term"] == "grammage"].set_index("material")["std_error"]
    # A past grammage has its own error.
    own = web_grammage(weights.regimes.assign(estimate=weights.regimes["std_error"]), webs)
    error = own.fillna(webs["material"].map(present).astype("float64"))
    kg = (webs["area_m2"] * error / 1000).groupby([webs["week"], webs["press"], webs["material"]]).sum()
    return (kg**2).groupby(level=_BY).sum()
