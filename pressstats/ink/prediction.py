"""What a fitted ink says: its table, the use it expects, what surprises it, what a run would take."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..tables import as_published
from .banded import whiten
from .model import COMBINED, TERMS, InkFit, dip_pattern, scatter_weight, term_columns
from .variances import half_width

__all__ = ["expected_use", "ink_model", "predict_use", "scatter_of", "surprises"]


def ink_model(intervals: pd.DataFrame, fits: dict[str, InkFit]) -> pd.DataFrame:
    """Return the published table ``ink_model``.

    Parameters
    ----------
    intervals, fits
        Results of :func:`pressstats.ink.judge_inks`.

    Returns
    -------
    DataFrame, shape (inks x terms, 7)
        Published columns; 95 % intervals, uncertainty of the variances included. A term that cannot be told from
        others is blank, and one of ``COMBINED`` stands for them in a row of its own. An ink without a fit is blank.
    """
    parts = []
    for ink, rows in intervals.groupby("ink", sort=True):
        fit = fits.get(str(ink))
        rows_of_terms = pd.DataFrame({"term": list(TERMS)})
        values = pd.DataFrame(columns=["term", "estimate", "std_error", "ci_low", "ci_high"], dtype="float64")
        readings = float((rows["why"] == "").sum())
        if fit is not None:
            half = fit.interval()
            values = pd.DataFrame(
                {
                    "term": list(fit.terms),
                    "estimate": fit.estimate,
                    "std_error": fit.std_error,
                    "ci_low": fit.estimate - half,
                    "ci_high": fit.estimate + half,
                }
            )
            rows_of_terms = pd.DataFrame({"term": list(dict.fromkeys([*TERMS, *fit.terms]))})
            readings = readings if fit.by_area else float(len(fit.rows))
        parts.append(rows_of_terms.merge(values, on="term", how="left").assign(ink=ink, readings=readings))
    columns = ["ink", "term", "estimate", "std_error", "ci_low", "ci_high", "readings"]
    return as_published(pd.concat(parts) if parts else pd.DataFrame(columns=columns), "ink_model")


def expected_use(exposure: pd.DataFrame, model: pd.DataFrame) -> pd.Series:
    """Return the ink that the model expects for each row of exposure, by the terms of the present [kg].

    Parameters
    ----------
    exposure : DataFrame, shape (rows, any)
        Rows with ink, solid_m2 [m2], starts and days [day].
    model : DataFrame
        Published table ``ink_model``.

    Returns
    -------
    Series, shape (rows,)
        Expected use [kg], blank where the model or the exposure is. What a combined term counts by the week is in
        `days` alone.
    """
    every = [*TERMS, *COMBINED]
    terms = model.pivot(index="ink", columns="term", values="estimate").reindex(columns=every)
    of_ink = terms.reindex(exposure["ink"]).to_numpy()
    known = np.isfinite(of_ink)
    kg = np.where(known, term_columns(exposure, every) * of_ink, 0.0).sum(axis=1)
    return pd.Series(np.where(known.any(axis=1), kg, np.nan), exposure.index)


def surprises(fit: InkFit) -> np.ndarray:
    """Return each interval's residual given those before it, of variance 1, shape (intervals,).

    Each is held against the terms of its own time. Drifts and leaks that ended are left in: a chart is to show them.
    """
    diagonal, beside = dip_pattern(fit.rows)
    residual = fit.rows["used_kg"].to_numpy() - fit.expected(fit.rows)
    variance = fit.fit.dip_variance * diagonal + fit.fit.scatter_variance * fit.scatter
    whitened, _ = whiten(variance, fit.fit.dip_variance * beside, residual)
    return whitened


def scatter_of(fit: InkFit, exposure: pd.DataFrame) -> np.ndarray:
    """Return what the scatter variance of each row is proportional to, shape (rows,)."""
    if not fit.by_area:
        return exposure["days"].to_numpy(dtype=float)
    # By the estimates that the scatter variance was fitted with.
    estimate = fit.fit.estimate
    start = estimate[fit.terms.index("startup_kg_per_run")] if "startup_kg_per_run" in fit.terms else 0.0
    return scatter_weight(exposure, np.array([estimate[0], start, 0.0]))


def predict_use(fit: InkFit, exposure: pd.DataFrame) -> pd.DataFrame:
    """Predict the use of any set of runs, the sources of uncertainty kept apart.

    Parameters
    ----------
    fit : InkFit
        The model of the ink.
    exposure : DataFrame, shape (rows, any)
        Rows with solid_m2 [m2], solid_squared [m4], starts and days [day], each an interval.

    Returns
    -------
    DataFrame, shape (rows, 7)
        mean, parameter_sd, scatter_sd, dip_sd (of a difference of two dips), low, high (95 %) [kg] for the use itself,
        and measured_half, the half width for the use as two dips would show it.
    """
    spread, terms = fit.spread, len(fit.terms)
    design = term_columns(exposure, fit.terms)
    mean = design @ fit.estimate
    away = spread.estimate[:, :terms] @ design.T - design @ fit.fit.estimate[:terms]
    given = np.einsum("ij,njk,ik->ni", design, spread.covariance[:, :terms, :terms], design)
    given += np.diag(fit.doubtful(design))
    scatter = np.outer(spread.scatter_variance, scatter_of(fit, exposure))
    dip = np.outer(spread.dip_variance, np.full(len(exposure), 2.0))
    half = half_width(away, given + scatter, spread)
    return pd.DataFrame(
        {
            "mean": mean,
            "parameter_sd": np.sqrt(spread.weight @ (given + away**2)),
            "scatter_sd": np.sqrt(spread.weight @ scatter),
            "dip_sd": np.sqrt(spread.weight @ dip),
            "low": mean - half,
            "high": mean + half,
            "measured_half": half_width(away, given + scatter + dip, spread),
        },
        index=exposure.index,
    )
