"""Is the model of an ink enough? Each doubt is an extension of it with a test of its own.

Film weight may depend on coverage (thin tints take less than solids in proportion), on the press, the title or the
production mode, may creep over the years or follow the season. Each extension is tested by
generalised least squares (Wald, F) over the variances that the readings allow, all of an ink together by Holm's
rule (1979, Scandinavian Journal of Statistics 6:65), so that looking often does not find more than there is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from .banded import whiten
from .model import InkFit, dip_pattern

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["EXTENSIONS", "adequacy", "influence", "robust_estimate", "whitened_model"]

#: What is doubted, in words.
EXTENSIONS = {
    "coverage": "film weight depends on coverage",
    "press": "presses differ",
    "title": "titles differ",
    "production": "straight and collect differ",
    "time": "film weight creeps with time",
    "season": "film weight follows the season",
}
#: An extension that fewer intervals than this speak of is not tested.
_ROWS_MINIMUM = 30
#: Days of printing from which a season is tested: of less than three quarters of a year it would be carried through
#: months that nobody saw.
SEASON_DAYS = 0.75 * 365.25


def whitened_model(fit: InkFit, extra: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Return design (windows and `extra` included) and response with their covariance removed."""
    return _whitened(fit, fit.fit.dip_variance, fit.fit.scatter_variance, extra)


def _whitened(
    fit: InkFit, dip_variance: float, scatter_variance: float, extra: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray]:
    diagonal, beside = dip_pattern(fit.rows)
    design = fit.design if extra is None else np.column_stack([fit.design, extra])
    columns = np.column_stack([design, fit.rows["used_kg"].to_numpy()])
    both, _ = whiten(dip_variance * diagonal + scatter_variance * fit.scatter, dip_variance * beside, columns)
    return both[:, :-1], both[:, -1]


def adequacy(logs: Logs, exposure: pd.DataFrame, fits: dict[str, InkFit]) -> pd.DataFrame:
    """Test every extension of every ink.

    Parameters
    ----------
    logs : Logs
        The logs.
    exposure : DataFrame
        Result of :func:`pressstats.ink.ink_exposure`.
    fits : dict of InkFit
        Models by ink.

    Returns
    -------
    DataFrame, shape (inks x extensions, 7)
        ink, extension, terms (added), statistic (F), p_value, p_adjusted (Holm, within the ink) and change_pct: the
        largest difference in film weight that the extension finds [% of the model's]. Extensions that the logs cannot
        test (one press, one title, a season of less than three quarters of a year) are left out.
    """
    about = _about_runs(logs)
    tables = [
        _of_ink(fit, exposure[exposure["ink"] == ink], about) for ink, fit in fits.items() if fit.by_area
    ]
    columns = ["ink", "extension", "terms", "statistic", "p_value", "p_adjusted", "change_pct"]
    return pd.concat(tables, ignore_index=True)[columns] if tables else pd.DataFrame(columns=columns)


def _about_runs(logs: Logs) -> pd.DataFrame:
    runs = logs["runs"].set_index("run_id")
    day = (runs["finished_at"] - runs["finished_at"].min()) / pd.Timedelta(days=1)
    angle = 2 * np.pi * runs["finished_at"].dt.day_of_year / 365.25
    page_m2 = runs["page_width_mm"] * runs["page_height_mm"] / 1e6
    return pd.DataFrame(
        {
            "press": runs["press"],
            "title": runs["title"],
            "production": runs["production"],
            "paged_m2": runs["copies_gross"] * runs["pages"] * page_m2,
            "time": (day - day.mean()) / 365.25,
            "sine": np.sin(angle),
            "cosine": np.cos(angle),
        }
    )


def _of_ink(fit: InkFit, exposure: pd.DataFrame, about: pd.DataFrame) -> pd.DataFrame:
    runs = exposure.merge(about, left_on="run_id", right_index=True)
    rows = []
    if len(fit.rows) >= _ROWS_MINIMUM:
        for extension in EXTENSIONS:
            factors = _factors(extension, runs)
            extra = (
                np.column_stack([_per_interval(fit.rows, runs, factor) for factor in factors])
                if factors
                else None
            )
            tested = _wald(fit, extra) if extra is not None else None
            if tested is not None:
                rows.append((fit.ink, extension, *tested))
    table = pd.DataFrame(rows, columns=["ink", "extension", "terms", "statistic", "p_value", "change_pct"])
    return table.assign(p_adjusted=_holm(table["p_value"].to_numpy(dtype=float)))


def _factors(extension: str, runs: pd.DataFrame) -> list[np.ndarray]:
    """Return what the film weight of each run is multiplied by, one array per added term."""
    weight = runs["solid_m2"].fillna(0.0).to_numpy()
    if extension in ("press", "title", "production"):
        # The commonest level is the reference; a level with hardly any ink says nothing.
        share = pd.Series(weight).groupby(runs[extension].to_numpy()).sum().sort_values(ascending=False)
        levels = share.index[share > 0.01 * share.sum()][1:]
        return [(runs[extension] == level).to_numpy(dtype=float) for level in levels]
    if extension == "season":
        span = np.ptp(runs["time"]) * 365.25 if len(runs) else 0.0
        return [runs["sine"].to_numpy(), runs["cosine"].to_numpy()] if span >= SEASON_DAYS else []
    values = (runs["solid_m2"] / runs["paged_m2"]).fillna(0.0) if extension == "coverage" else runs["time"]
    centred = (
        values.to_numpy() - np.average(values, weights=weight) if weight.sum() > 0 else values.to_numpy()
    )
    # In units of its own spread, so that the change it makes can be read off.
    spread = np.sqrt(np.average(centred**2, weights=weight)) if weight.sum() > 0 else 0.0
    return [centred / spread] if spread > 1e-9 else []


def _per_interval(rows: pd.DataFrame, runs: pd.DataFrame, factor: np.ndarray) -> np.ndarray:
    """Return the area of solid of the runs of each interval times `factor` [1000 m2]."""
    finished = runs["finished_at"].to_numpy()
    interval = np.searchsorted(rows["read_at"].to_numpy(), finished, side="left")
    inside = interval < len(rows)
    inside[inside] &= finished[inside] > rows["since"].to_numpy()[interval[inside]]
    weight = runs["solid_m2"].fillna(0.0).to_numpy() / 1000 * factor
    return np.bincount(interval[inside], weights=weight[inside], minlength=len(rows))


def _wald(fit: InkFit, extra: np.ndarray) -> tuple[float, float, float, float] | None:
    """Return terms, F, p and the largest change of film weight [%]; None where it cannot be told."""
    # A level that prints in no usable interval has no term.
    extra = extra[:, np.abs(extra).max(axis=0) > 0]
    if extra.shape[1] == 0:
        return None
    design, _ = whitened_model(fit, extra)
    if np.linalg.matrix_rank(design / np.linalg.norm(design, axis=0)) < design.shape[1]:
        return None
    added = extra.shape[1]
    statistic, wanted, freedom = _tested(fit, fit.fit.dip_variance, fit.fit.scatter_variance, extra)
    # The variances are not known exactly: the chance is taken over all that the readings allow.
    spread = fit.spread
    chance = 0.0
    for weight, dip, scatter in zip(spread.weight, spread.dip_variance, spread.scatter_variance, strict=True):
        chance += float(weight) * float(special.fdtrc(added, freedom, _tested(fit, dip, scatter, extra)[0]))
    change = 100 * float(np.abs(wanted).max()) / abs(fit.estimate[0]) if fit.estimate[0] else float("nan")
    return float(added), statistic, chance, change


def _tested(
    fit: InkFit, dip_variance: float, scatter_variance: float, extra: np.ndarray
) -> tuple[float, np.ndarray, int]:
    """Return F of the added terms at given variances, the terms, and degrees of freedom."""
    design, response = _whitened(fit, dip_variance, scatter_variance, extra)
    added = extra.shape[1]
    inverse = np.linalg.inv(design.T @ design)
    estimate = inverse @ (design.T @ response)
    wanted = estimate[-added:]
    residual = response - design @ estimate
    freedom = max(len(response) - design.shape[1], 1)
    scale = float(residual @ residual) / freedom
    statistic = float(wanted @ np.linalg.solve(inverse[-added:, -added:], wanted)) / added / scale
    return statistic, wanted, freedom


def _holm(p_values: np.ndarray) -> np.ndarray:
    order = np.argsort(p_values)
    stepped = p_values[order] * np.arange(len(p_values), 0, -1)
    adjusted = np.empty(len(p_values))
    adjusted[order] = np.minimum(np.maximum.accumulate(stepped), 1.0)
    return adjusted


def influence(fit: InkFit) -> pd.DataFrame:
    """Return how far film weight moves when one interval is left out.

    Returns
    -------
    DataFrame, shape (intervals, 3)
        read_at, leverage, film_shift [standard errors of the film weight], from whitened rows.
    """
    design, response = whitened_model(fit)
    inverse = np.linalg.inv(design.T @ design)
    residual = response - design @ (inverse @ (design.T @ response))
    leverage = np.einsum("ij,jk,ik->i", design, inverse, design)
    shift = (design @ inverse[:, 0]) * residual / (1 - leverage)
    return pd.DataFrame(
        {
            "read_at": fit.rows["read_at"],
            "leverage": leverage,
            "film_shift": shift / np.sqrt(inverse[0, 0]),
        }
    )


def robust_estimate(fit: InkFit) -> np.ndarray:
    """Return the terms by Huber's estimator on the whitened rows, shape (terms,)."""
    from statsmodels.robust.norms import HuberT
    from statsmodels.robust.robust_linear_model import RLM

    design, response = whitened_model(fit)
    return np.asarray(RLM(response, design, M=HuberT()).fit().params)[: len(fit.terms)]
