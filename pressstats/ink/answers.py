"""What a fitted ink says: its table, the use it expects, what surprises it, what a run would take."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..tables import as_published
from .banded import whiten
from .model import TERMS, InkFit, dip_pattern, fit_film, ink_design, scatter_weight
from .variances import half_width

__all__ = ["expected_use", "ink_model", "predict_use", "surprises"]


def ink_model(intervals: pd.DataFrame, fits: dict[str, InkFit]) -> pd.DataFrame:
    """Return the published table ``ink_model``.

    Parameters
    ----------
    intervals : DataFrame
        Result of :func:`pressstats.ink.judge_inks`.
    fits : dict of InkFit
        Result of :func:`pressstats.ink.judge_inks`.

    Returns
    -------
    DataFrame, shape (inks x 3, 7)
        Published columns; 95 % intervals, uncertainty of the variances included.
        An ink without a fit is blank, but for film weight where start-up and standing alone cannot be told apart.
    """
    parts = []
    for ink, rows in intervals.groupby("ink", sort=True):
        nothing = np.full(len(TERMS), np.nan)
        fit = fits.get(str(ink)) or fit_film(str(ink), rows[rows["why"] == ""])
        estimate, error, half = nothing, nothing, nothing
        if fit is not None:
            estimate, error, half = fit.estimate, fit.std_error, fit.interval()
        parts.append(
            pd.DataFrame(
                {
                    "ink": ink,
                    "term": list(TERMS),
                    "estimate": estimate,
                    "std_error": error,
                    "ci_low": estimate - half,
                    "ci_high": estimate + half,
                    "readings": float((rows["why"] == "").sum()),
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
    return pd.Series((ink_design(exposure) * mine).sum(axis=1), exposure.index)


def surprises(fit: InkFit) -> np.ndarray:
    """Return each interval's residual given those before it, of variance 1, shape (intervals,).

    Drifts and leaks that have a term of their own are left in: a chart is to show them.
    """
    diagonal, beside = dip_pattern(fit.rows)
    residual = fit.rows["used_kg"].to_numpy() - ink_design(fit.rows) @ fit.estimate
    variance = fit.fit.dip_variance * diagonal + fit.fit.scatter_variance * fit.scatter
    whitened, _ = whiten(variance, fit.fit.dip_variance * beside, residual)
    return whitened


def predict_use(fit: InkFit, exposure: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Predict the use of any set of runs, the sources of uncertainty kept apart.

    Parameters
    ----------
    fit : InkFit
        The model of the ink.
    exposure : DataFrame, shape (rows, any)
        Rows with solid_m2 [m2], solid_squared [m4], starts and days [day], each an interval.
    level : float
        Probability of the interval.

    Returns
    -------
    DataFrame, shape (rows, 7)
        mean, parameter_sd, scatter_sd, dip_sd (of a difference of two dips), low, high [kg] for
        the use itself, and measured_half, the half width for the use as two dips would show it.

    Raises
    ------
    ValueError
        If the fit tells film weight alone.
    """
    if fit.joint:
        raise ValueError(f"start-up and standing of {fit.ink} are not known: nothing can be predicted")
    design, spread, terms = ink_design(exposure), fit.spread, len(TERMS)
    mean = design @ fit.estimate
    away = spread.estimate[:, :terms] @ design.T - mean
    given = np.einsum("ij,njk,ik->ni", design, spread.covariance[:, :terms, :terms], design)
    scatter = np.outer(spread.scatter_variance, scatter_weight(exposure, fit.estimate))
    dip = np.outer(spread.dip_variance, np.full(len(exposure), 2.0))
    half = half_width(away, given + scatter, spread, level)
    return pd.DataFrame(
        {
            "mean": mean,
            "parameter_sd": np.sqrt(spread.weight @ (given + away**2)),
            "scatter_sd": np.sqrt(spread.weight @ scatter),
            "dip_sd": np.sqrt(spread.weight @ dip),
            "low": mean - half,
            "high": mean + half,
            "measured_half": half_width(away, given + scatter + dip, spread, level),
        },
        index=exposure.index,
    )
