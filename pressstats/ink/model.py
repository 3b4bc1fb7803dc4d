"""Film weight, start-up and standing use of each ink by ordinary regression between dips.

The first of the ink models: ordinary least squares on the intervals. A dip's error enters two
intervals with opposite sign, which this model does not use, so its intervals are wide but honest.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from ..tables import as_published

__all__ = ["TERMS", "expected_use", "ink_model", "judge_intervals"]

#: Terms of the model, each with the exposure it multiplies.
TERMS = {
    "film_g_m2": "solid_m2",
    "startup_kg_per_run": "starts",
    "standing_kg_per_day": "days",
}
_ROWS_MINIMUM = 12
#: Residuals beyond so many robust standard deviations are jumps, not scatter: they are set aside.
_JUMP = 6.0


def judge_intervals(intervals: pd.DataFrame) -> pd.DataFrame:
    """Say of each interval whether the model can use it.

    Parameters
    ----------
    intervals : DataFrame
        Result of :func:`pressstats.ink.ink_intervals`.

    Returns
    -------
    DataFrame, same shape
        With `why` filled where the use jumps by more than scatter (an unlogged delivery, a gauge
        set anew, a slipped digit): listed and left out of the fit, never smoothed.
    """
    judged = intervals.copy()
    for _, rows in judged.groupby("ink"):
        usable = rows[rows["why"] == ""]
        if len(usable) >= _ROWS_MINIMUM:
            judged.loc[usable.index[_jumps(usable)], "why"] = "jump"
    return judged


def _jumps(usable: pd.DataFrame) -> np.ndarray:
    """Return a mask of the intervals that lie far from a fit to all the others."""
    design, response = _design(usable), usable["used_kg"].to_numpy()
    # Figures that agree to the last digit have no scatter: rounding is no jump.
    least = 1e-4 * float(np.median(np.abs(response)))
    keep = np.ones(len(usable), dtype=bool)
    for _ in range(10):
        estimate, *_ = np.linalg.lstsq(design[keep], response[keep], rcond=None)
        residual = response - design @ estimate
        spread = stats.median_abs_deviation(residual[keep], scale="normal")
        now = np.abs(residual) <= _JUMP * max(spread, least)
        if (now == keep).all() or now.sum() < _ROWS_MINIMUM:
            break
        keep = now
    return ~keep


def ink_model(judged: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``ink_model``.

    Parameters
    ----------
    judged : DataFrame
        Result of :func:`judge_intervals`.

    Returns
    -------
    DataFrame, shape (inks x 3, 7)
        Published columns; 95 % intervals by Student's t. A term that the intervals cannot tell
        from the others (no rank, or fewer than 12 intervals) is blank.
    """
    parts = []
    for ink, rows in judged.groupby("ink", sort=True):
        usable = rows[rows["why"] == ""]
        estimate, error = _fit(usable)
        half = stats.t.ppf(0.975, max(len(usable) - len(TERMS), 1)) * error
        parts.append(
            pd.DataFrame(
                {
                    "ink": ink,
                    "term": list(TERMS),
                    "estimate": estimate,
                    "std_error": error,
                    "ci_low": estimate - half,
                    "ci_high": estimate + half,
                    "readings": float(len(usable)),
                }
            )
        )
    columns = ["ink", "term", "estimate", "std_error", "ci_low", "ci_high", "readings"]
    return as_published(pd.concat(parts) if parts else pd.DataFrame(columns=columns), "ink_model")


def expected_use(exposure: pd.DataFrame, model: pd.DataFrame) -> pd.Series:
    """Return the ink that the model expects for each row of exposure.

    Parameters
    ----------
    exposure : DataFrame, shape (rows, any)
        Rows with ink, solid_m2 [m2], starts and days [day].
    model : DataFrame
        Published table ``ink_model``.

    Returns
    -------
    Series, shape (rows,)
        Expected use [kg], blank where the model or the exposure is.
    """
    terms = model.pivot(index="ink", columns="term", values="estimate").reindex(columns=list(TERMS))
    mine = terms.reindex(exposure["ink"]).to_numpy()
    return pd.Series((_design(exposure) * mine).sum(axis=1), exposure.index)


def _design(rows: pd.DataFrame) -> np.ndarray:
    return np.column_stack([rows["solid_m2"] / 1000, rows["starts"], rows["days"]])


def _fit(usable: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    nothing = np.full(len(TERMS), np.nan)
    if len(usable) < _ROWS_MINIMUM:
        return nothing, nothing
    design = _design(usable)
    if np.linalg.matrix_rank(design / np.maximum(np.abs(design).max(axis=0), 1e-12)) < len(TERMS):
        return nothing, nothing
    response = usable["used_kg"].to_numpy()
    estimate, *_ = np.linalg.lstsq(design, response, rcond=None)
    residual = response - design @ estimate
    variance = residual @ residual / (len(response) - len(TERMS))
    return estimate, np.sqrt(variance * np.diag(np.linalg.inv(design.T @ design)))
