"""Film weight, start-up and standing use of each ink, by generalised least squares between dips.

Use between two dips = film weight [g/m2 of solid] x area of solid + start-up [kg] x runs in which the ink prints +
standing [kg/day] x days. Errors of dips are shared by neighbouring intervals and the use of a run
scatters in proportion to itself; both variances come from restricted maximum likelihood (see ``banded``).

With the same runs every week start-up and standing are one number a week, and no reading can part them. What can be
told is estimated all the same: of the sets of terms in ``LEVELS`` the finest that the intervals can tell. A term of
``COMBINED`` stands for all terms that its level leaves blank, and holds where they keep the proportions of the past.

Terms are those of the present: a lasting change is a term of its own for the time before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .banded import BandedFit, fit_banded
from .fitted import summary_of
from .variances import VarianceSpread, half_width, variance_spread

if TYPE_CHECKING:
    from statsmodels.iolib.summary2 import Summary

    from .windows import Window

__all__ = [
    "COMBINED",
    "LEVELS",
    "TERMS",
    "InkFit",
    "dip_pattern",
    "fit_days",
    "fit_ink",
    "inflation",
    "ink_design",
    "scatter_weight",
    "term_columns",
    "window_columns",
]

#: Terms of the model, each with the exposure it multiplies.
TERMS = {
    "film_g_m2": "solid_m2",
    "startup_kg_per_run": "starts",
    "standing_kg_per_day": "days",
}
#: What stands for terms that cannot be told apart, each with the exposure it multiplies: start-up and standing
#: together; film weight with every term that is blank; all use, where pages tell nothing.
COMBINED = {
    "beyond_film_kg_per_week": "days",
    "use_g_m2": "solid_m2",
    "use_kg_per_week": "days",
}
#: Sets of terms, from the finest to what two dips tell.
LEVELS: tuple[tuple[str, ...], ...] = (
    tuple(TERMS),
    ("film_g_m2", "beyond_film_kg_per_week"),
    ("use_g_m2", "standing_kg_per_day"),
    ("use_g_m2", "startup_kg_per_run"),
    ("use_g_m2",),
    ("use_kg_per_week",),
)
#: What one unit of a term multiplies, in units of its exposure.
_SIZES = {"solid_m2": 1000.0, "starts": 1.0, "days": 1.0}
#: Fewer intervals than this say nothing of two or three terms and two variances, or of one term.
_ROWS_MINIMUM = 12
_ROWS_OF_ONE = 3
#: Beyond this variance inflation the intervals cannot tell a term from the others.
_INFLATION_MAXIMUM = 1000.0


@dataclass(frozen=True)
class InkFit:
    """The model of one ink.

    Attributes
    ----------
    ink : str
        The ink.
    rows : DataFrame, shape (intervals, any)
        Intervals of the fit, in order of time.
    fit : BandedFit
        Estimates, their covariance, variances and whitened residuals.
    scatter : ndarray, shape (intervals,)
        What the scatter variance of each interval is proportional to [kg2].
    inflation : ndarray, shape (3,)
        Variance inflation of film weight, start-up and standing by each other.
    windows : tuple of Window
        Weeks with a term of their own, after the terms.
    terms : tuple of str
        What is estimated: one of ``LEVELS``.
    shift, doubt : ndarray, optional
        How far the mean over what may have changed is from the estimates of `fit`, shape (terms and windows,), and
        what that adds to the covariance.
    """

    ink: str
    rows: pd.DataFrame
    fit: BandedFit
    scatter: np.ndarray
    inflation: np.ndarray
    windows: tuple[Window, ...] = ()
    terms: tuple[str, ...] = tuple(TERMS)
    shift: np.ndarray | None = None
    doubt: np.ndarray | None = None

    @property
    def estimate(self) -> np.ndarray:
        """The terms as they are at present, shape (terms,)."""
        return self.mean[: len(self.terms)]

    @property
    def mean(self) -> np.ndarray:
        """Terms and windows, their mean over what may have changed, shape (terms and windows,)."""
        return self.fit.estimate if self.shift is None else self.fit.estimate + self.shift

    @property
    def separate(self) -> bool:
        """Whether film weight, start-up and standing are all told apart."""
        return self.terms == LEVELS[0]

    @property
    def by_area(self) -> bool:
        """Whether use is told by what is printed, not by the calendar alone."""
        return self.terms != LEVELS[-1]

    @cached_property
    def spread(self) -> VarianceSpread:
        """The fit at every share of scatter that the readings allow."""
        response = self.rows["used_kg"].to_numpy()
        return variance_spread(self.design, response, dip_pattern(self.rows), self.scatter, self.share)

    @property
    def share(self) -> float:
        """Share of scatter in the mean variance of an interval."""
        mean_dip = self.fit.dip_variance * float(dip_pattern(self.rows)[0].mean())
        mean_scatter = self.fit.scatter_variance * float(self.scatter.mean())
        return mean_scatter / (mean_dip + mean_scatter)

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the terms, uncertainty of the variances included, shape (terms, terms)."""
        known = len(self.terms)
        given = self.spread.total_covariance(self.fit.estimate)[:known, :known]
        return given + self.doubtful(np.eye(known))

    def doubtful(self, vectors: np.ndarray) -> np.ndarray:
        """Return the covariance that doubts of lasting changes add to sums of the first terms, shape (sums, sums)."""
        known = vectors.shape[1]
        if self.doubt is None:
            return np.zeros((len(vectors), len(vectors)))
        return vectors @ self.doubt[:known, :known] @ vectors.T

    @property
    def std_error(self) -> np.ndarray:
        """Standard errors of the terms, shape (terms,)."""
        return np.sqrt(np.diag(self.covariance))

    @cached_property
    def design(self) -> np.ndarray:
        """Regressors of the fit, shape (intervals, terms and windows)."""
        return _whole_design(self.rows, self.windows, self.terms)

    @property
    def freedom(self) -> int:
        """Degrees of freedom of the residuals."""
        return max(len(self.rows) - len(self.fit.estimate), 1)

    @property
    def dip_kg(self) -> float:
        """Standard deviation of a dip of all tanks of the ink together [kg]."""
        return float(np.sqrt(self.fit.dip_variance))

    @property
    def scatter_pct(self) -> float:
        """Scatter of the use of one run, in per cent of itself."""
        return 100 * float(np.sqrt(self.fit.scatter_variance))

    def interval(self, level: float = 0.95) -> np.ndarray:
        """Return the half width of the interval of each term, shape (terms,)."""
        return self.combination(np.eye(len(self.fit.estimate))[: len(self.terms)], level)[1]

    def combination(self, vectors: np.ndarray, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """Return estimates and half widths (of probability `level`) of sums of terms and windows.

        `vectors`, shape (sums, terms and windows), say how much of each is in each sum.
        """
        spread, mean = self.spread, vectors @ self.mean
        away = spread.estimate @ vectors.T - vectors @ self.fit.estimate
        variance = np.einsum("ij,njk,ik->ni", vectors, spread.covariance, vectors)
        variance += np.diag(self.doubtful(vectors))
        return mean, half_width(away, variance, spread, level)

    def expected(self, exposure: pd.DataFrame, lasting_only: bool = True) -> np.ndarray:
        """Return what each row of exposure should have used by the terms of its own time [kg], shape (rows,).

        `lasting_only` leaves drifts and leaks that ended out of what is expected.
        """
        design = self.design_of(exposure)
        kept = [not lasting_only or window.lasting for window in self.windows]
        estimate = np.where(np.append([True] * len(self.terms), kept), self.fit.estimate, 0.0)
        return np.where(estimate != 0, design * estimate, 0.0).sum(axis=1)

    @property
    def params(self) -> pd.Series:
        """Estimates of the present by name of the term."""
        return pd.Series(self.estimate, index=list(self.terms), name=self.ink)

    @property
    def bse(self) -> pd.Series:
        """Standard errors by name of the term."""
        return pd.Series(self.std_error, index=list(self.terms), name=self.ink)

    def conf_int(self, alpha: float = 0.05) -> pd.DataFrame:
        """Return limits of probability 1 - `alpha` by name of the term, uncertainty of the variances included."""
        half = self.interval(1 - alpha)
        return pd.DataFrame({"ci_low": self.params - half, "ci_high": self.params + half})

    def predict(self, exposure: pd.DataFrame) -> pd.Series:
        """Return the use that the present terms expect of rows with solid_m2, starts and days, as ``results.ink`` [kg].

        :func:`pressstats.ink.predict_use` adds intervals.
        """
        return pd.Series(
            term_columns(exposure, self.terms) @ self.estimate, index=exposure.index, name=self.ink
        )

    def reading_covariance(self) -> np.ndarray:
        """Return the covariance of the use in the intervals of the fit, shape (intervals, intervals) [kg2].

        With it ``statsmodels.api.GLS(used, design, sigma=...)`` is the same fit.
        """
        own, beside = dip_pattern(self.rows)
        own = own * self.fit.dip_variance + self.scatter * self.fit.scatter_variance
        beside = beside * self.fit.dip_variance
        return np.diag(own) + np.diag(beside, 1) + np.diag(beside, -1)

    def summary(self) -> Summary:
        """Return estimates with their limits, and what the dips are like."""
        table = pd.DataFrame({"estimate": self.params, "std_error": self.bse}).join(self.conf_int())
        notes = {"dips": f"{len(self.rows)}", "error of a dip [kg]": f"{self.dip_kg:.1f}"}
        notes |= {"scatter of a run [%]": f"{self.scatter_pct:.1f}"}
        return summary_of(f"Use of {self.ink} ink: generalised least squares between dips", table, notes)

    def design_of(self, exposure: pd.DataFrame) -> np.ndarray:
        """Return the regressors of other rows, shape (rows, terms and windows)."""
        return _whole_design(exposure, self.windows, self.terms)


def ink_design(rows: pd.DataFrame) -> np.ndarray:
    """Return the regressors of the three terms, shape (rows, 3): 1000 m2 of solid, runs, days."""
    return term_columns(rows, tuple(TERMS))


def term_columns(rows: pd.DataFrame, terms: Sequence[str]) -> np.ndarray:
    """Return the regressors of `terms`, shape (rows, terms): 1000 m2 of solid, runs, days or weeks."""
    columns = []
    for term in terms:
        exposure = (TERMS | COMBINED)[term]
        columns.append(rows[exposure] / (7.0 if term.endswith("per_week") else _SIZES[exposure]))
    return np.column_stack(columns)


def _whole_design(rows: pd.DataFrame, windows: Sequence[Window], terms: Sequence[str]) -> np.ndarray:
    return np.column_stack([term_columns(rows, terms), window_columns(rows, windows)])


def window_columns(rows: pd.DataFrame, windows: Sequence[Window]) -> np.ndarray:
    """Return the regressors of `windows`, shape (rows, windows): 1000 m2 of solid, or days."""
    columns = [
        rows[window.exposure].where((rows["since"] >= window.since) & (rows["read_at"] <= window.until), 0.0)
        / _SIZES[window.exposure]
        for window in windows
    ]
    return np.column_stack(columns) if columns else np.zeros((len(rows), 0))


def dip_pattern(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return how errors of dips enter the intervals: 2 each, and -1 beside where the next begins at the same dip."""
    shared = rows["read_at"].to_numpy()[:-1] == rows["since"].to_numpy()[1:]
    return np.full(len(rows), 2.0), np.where(shared, -1.0, 0.0)


def scatter_weight(rows: pd.DataFrame, estimate: np.ndarray) -> np.ndarray:
    """Return the sum over the runs of each interval of their squared expected use [kg2], shape (intervals,).

    A negative film weight or start-up in `estimate` counts as 0; an interval without a run keeps a little, so that
    the covariance stays regular.
    """
    film, start = max(estimate[0], 0.0) / 1000, max(estimate[1], 0.0)
    weight = film**2 * rows["solid_squared"] + 2 * film * start * rows["solid_m2"] + start**2 * rows["starts"]
    least = 1e-4 * max(float(weight.mean()), 1e-12)
    return np.maximum(weight.to_numpy(), least)


def inflation(design: np.ndarray) -> np.ndarray:
    """Return how much the other regressors inflate the variance of each term: 1 where they are orthogonal.

    It is infinite where they determine it or it is 0. Regressors (whitened where their covariance is known) are not
    centred: the model has no constant besides the standing use.
    """
    scaled = design / np.maximum(np.linalg.norm(design, axis=0), 1e-300)
    inflated = np.full(scaled.shape[1], np.inf)
    for term in range(scaled.shape[1]):
        others = np.delete(scaled, term, axis=1)
        own = scaled[:, term] - others @ np.linalg.lstsq(others, scaled[:, term], rcond=None)[0]
        if (square := float(own @ own)) > 1e-12:
            inflated[term] = 1 / square
    return inflated


def fit_ink(ink: str, rows: pd.DataFrame, windows: Sequence[Window] = ()) -> InkFit | None:
    """Fit one ink with the finest terms that its usable intervals tell; `windows` have terms of their own.

    None with fewer than three intervals, or where no term comes out above zero.
    """
    if len(rows) < _ROWS_OF_ONE:
        return None
    inflated = inflation(ink_design(rows))
    for terms in LEVELS:
        if not _can_be_told(rows, terms, inflated):
            continue
        fit = _fit(ink, rows, windows, inflated, terms)
        # A film that is not positive is no film: the intervals cannot tell it from the rest.
        if fit.estimate[0] > 0:
            return fit
    return None


def fit_days(ink: str, rows: pd.DataFrame) -> InkFit | None:
    """Fit the use a week alone, where nothing is known of what was printed; None as of :func:`fit_ink`."""
    if len(rows) < _ROWS_OF_ONE:
        return None
    fit = _fit(ink, rows, (), np.full(len(TERMS), np.inf), LEVELS[-1])
    return fit if fit.estimate[0] > 0 else None


def _can_be_told(rows: pd.DataFrame, terms: tuple[str, ...], inflated: np.ndarray) -> bool:
    if len(rows) < (_ROWS_MINIMUM if len(terms) > 1 else _ROWS_OF_ONE):
        return False
    alone = [number for number, term in enumerate(TERMS) if term in terms]
    together = inflation(term_columns(rows, terms))
    return bool((np.append(inflated[alone], together) < _INFLATION_MAXIMUM).all())


def _windows_told(rows: pd.DataFrame, windows: Sequence[Window], terms: tuple[str, ...]) -> list[Window]:
    """Return the windows whose terms add something to the others; of use by the calendar alone none is told."""
    kept: list[Window] = []
    for window in windows if terms != LEVELS[-1] else ():
        design = _whole_design(rows, [*kept, window], terms)
        scale = np.maximum(np.linalg.norm(design, axis=0), 1e-12)
        if np.linalg.matrix_rank(design / scale) == design.shape[1]:
            kept.append(window)
    return kept


def _fit(
    ink: str, rows: pd.DataFrame, windows: Sequence[Window], inflated: np.ndarray, terms: tuple[str, ...]
) -> InkFit:
    windows = _windows_told(rows, windows, terms)
    design, response = _whole_design(rows, windows, terms), rows["used_kg"].to_numpy()
    pattern = dip_pattern(rows)
    if terms == LEVELS[-1]:
        # Every night's use is scatter here, and there are as many as days.
        scatter = rows["days"].to_numpy(dtype=float)
        return InkFit(ink, rows, fit_banded(design, response, pattern, scatter), scatter, inflated, (), terms)
    # Weights need the use that is expected, so the fit is made again with its own: three rounds settle it.
    estimate = np.array([1000 * response.sum() / max(rows["solid_m2"].sum(), 1e-9), 0.0, 0.0])
    start = terms.index("startup_kg_per_run") if "startup_kg_per_run" in terms else None
    for _ in range(3):
        scatter = scatter_weight(rows, estimate)
        fit = fit_banded(design, response, pattern, scatter)
        estimate = np.array([fit.estimate[0], 0.0 if start is None else fit.estimate[start], 0.0])
    return InkFit(ink, rows, fit, scatter, inflated, tuple(windows), terms)
