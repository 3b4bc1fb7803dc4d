"""Film weight, start-up and standing use of each ink, by generalised least squares between dips.

Use between two dips = film weight [g/m2 of solid] x area of solid + start-up [kg] x runs in which the ink prints +
standing [kg/day] x days. Errors of dips are shared by neighbouring intervals and the use of a run
scatters in proportion to itself; both variances come from restricted maximum likelihood (see ``banded``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from .banded import BandedFit, fit_banded
from .variances import VarianceSpread, half_width, variance_spread

__all__ = [
    "TERMS",
    "InkFit",
    "Window",
    "dip_pattern",
    "fit_film",
    "fit_ink",
    "inflation",
    "ink_design",
    "scatter_weight",
    "window_columns",
]

#: Terms of the model, each with the exposure it multiplies.
TERMS = {
    "film_g_m2": "solid_m2",
    "startup_kg_per_run": "starts",
    "standing_kg_per_day": "days",
}
#: Fewer intervals than this say nothing of three terms and two variances.
_ROWS_MINIMUM = 12
#: Beyond this variance inflation the intervals cannot tell a term from the others.
_INFLATION_MAXIMUM = 1000.0


@dataclass(frozen=True)
class Window:
    """Some weeks in which an ink has a term of its own.

    Attributes
    ----------
    exposure : str
        What the term multiplies: ``solid_m2`` (film weight differs) or ``days`` (a leak).
    since, until : Timestamp
        Dips at its ends.
    """

    exposure: str
    since: pd.Timestamp
    until: pd.Timestamp


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
        Variance inflation of each term by the others.
    windows : tuple of Window
        Weeks with a term of their own, after the three terms.
    joint : bool
        Start-up and standing cannot be told apart: one term per day stands for both, and they are blank.
    """

    ink: str
    rows: pd.DataFrame
    fit: BandedFit
    scatter: np.ndarray
    inflation: np.ndarray
    windows: tuple[Window, ...] = ()
    joint: bool = False

    @property
    def known(self) -> int:
        """How many of the three terms the intervals tell: 3, or film weight alone."""
        return 1 if self.joint else len(TERMS)

    @property
    def estimate(self) -> np.ndarray:
        """Film weight, start-up and standing, shape (3,)."""
        return self._padded(self.fit.estimate[: self.known])

    def _padded(self, values: np.ndarray) -> np.ndarray:
        return np.append(values, np.full(len(TERMS) - self.known, np.nan))

    @cached_property
    def spread(self) -> VarianceSpread:
        """The fit at every share of scatter that the readings allow."""
        pattern = dip_pattern(self.rows)
        mean_dip = self.fit.dip_variance * float(pattern[0].mean())
        mean_scatter = self.fit.scatter_variance * float(self.scatter.mean())
        share = mean_scatter / (mean_dip + mean_scatter)
        response = self.rows["used_kg"].to_numpy()
        return variance_spread(self.design, response, pattern, self.scatter, share)

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the three terms, uncertainty of the variances included, shape (3, 3)."""
        known = self.spread.total_covariance(self.fit.estimate)[: self.known, : self.known]
        return np.pad(known, (0, len(TERMS) - self.known), constant_values=np.nan)

    @property
    def std_error(self) -> np.ndarray:
        """Standard errors of the three terms, shape (3,)."""
        return np.sqrt(np.diag(self.covariance))

    @cached_property
    def design(self) -> np.ndarray:
        """Regressors of the fit, shape (intervals, terms and windows)."""
        return _whole_design(self.rows, self.windows, self.joint)

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
        """Return the half width of the interval of each term, shape (3,)."""
        known, spread = self.known, self.spread
        away = spread.estimate[:, :known] - self.fit.estimate[:known]
        variance = np.diagonal(spread.covariance, axis1=1, axis2=2)[:, :known]
        return self._padded(half_width(away, variance, spread, level))


def ink_design(rows: pd.DataFrame) -> np.ndarray:
    """Return the regressors of the three terms, shape (rows, 3): 1000 m2 of solid, runs, days."""
    return np.column_stack([rows["solid_m2"] / 1000, rows["starts"], rows["days"]])


def _whole_design(rows: pd.DataFrame, windows: Sequence[Window], joint: bool) -> np.ndarray:
    design = ink_design(rows)
    return np.column_stack([design[:, [0, 2]] if joint else design, window_columns(rows, windows)])


def window_columns(rows: pd.DataFrame, windows: Sequence[Window]) -> np.ndarray:
    """Return the regressors of `windows`, shape (rows, windows): 1000 m2 of solid, or days."""
    columns = [
        rows[window.exposure].where((rows["since"] >= window.since) & (rows["read_at"] <= window.until), 0.0)
        / (1000 if window.exposure == "solid_m2" else 1)
        for window in windows
    ]
    return np.column_stack(columns) if columns else np.zeros((len(rows), 0))


def dip_pattern(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return how the errors of dips enter the intervals.

    Parameters
    ----------
    rows : DataFrame, shape (intervals, any)
        Intervals in order of time, with since and read_at.

    Returns
    -------
    diagonal : ndarray, shape (intervals,)
        2: a dip at each end.
    beside : ndarray, shape (intervals - 1,)
        -1 where the next interval begins at the dip that ends this one, else 0.
    """
    shared = rows["read_at"].to_numpy()[:-1] == rows["since"].to_numpy()[1:]
    return np.full(len(rows), 2.0), np.where(shared, -1.0, 0.0)


def scatter_weight(rows: pd.DataFrame, estimate: np.ndarray) -> np.ndarray:
    """Return the sum over the runs of each interval of their squared expected use [kg2].

    Parameters
    ----------
    rows : DataFrame, shape (intervals, any)
        With solid_m2, solid_squared [m4] and starts.
    estimate : ndarray, shape (3,)
        Film weight, start-up and standing; a negative one counts as 0 here.

    Returns
    -------
    ndarray, shape (intervals,)
        Positive: an interval without a run keeps a little, so that the covariance stays regular.
    """
    film, start = max(estimate[0], 0.0) / 1000, max(estimate[1], 0.0)
    weight = film**2 * rows["solid_squared"] + 2 * film * start * rows["solid_m2"] + start**2 * rows["starts"]
    least = 1e-4 * max(float(weight.mean()), 1e-12)
    return np.maximum(weight.to_numpy(), least)


def inflation(design: np.ndarray) -> np.ndarray:
    """Return how much the other regressors inflate the variance of each term.

    Parameters
    ----------
    design : ndarray, shape (rows, terms)
        Regressors, whitened where their covariance is known. They are not centred: the model has
        no constant besides the standing use.

    Returns
    -------
    ndarray, shape (terms,)
        1 where a regressor is orthogonal to the others; infinite where they determine it or it is 0.
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
    """Fit one ink.

    Parameters
    ----------
    ink : str
        The ink.
    rows : DataFrame, shape (intervals, any)
        Its usable intervals in order of time.
    windows : sequence of Window
        Weeks that have a term of their own.

    Returns
    -------
    InkFit or None
        None where fewer than 12 intervals or collinear exposures say nothing of the terms.
    """
    if len(rows) < _ROWS_MINIMUM:
        return None
    inflated = inflation(ink_design(rows))
    return _fit(ink, rows, windows, inflated, False) if (inflated < _INFLATION_MAXIMUM).all() else None


def fit_film(ink: str, rows: pd.DataFrame) -> InkFit | None:
    """Fit film weight where start-up and standing cannot be told apart, as with the same runs every week.

    Parameters
    ----------
    ink : str
        The ink.
    rows : DataFrame, shape (intervals, any)
        Its usable intervals in order of time.

    Returns
    -------
    InkFit or None
        Its start-up and standing are blank. None where film weight cannot be told either.
    """
    if len(rows) < _ROWS_MINIMUM:
        return None
    design = ink_design(rows)
    if not (inflation(design[:, [0, 2]]) < _INFLATION_MAXIMUM).all():
        return None
    inflated = inflation(design)
    return _fit(ink, rows, (), inflated, True) if inflated[0] < _INFLATION_MAXIMUM else None


def _fit(
    ink: str, rows: pd.DataFrame, windows: Sequence[Window], inflated: np.ndarray, joint: bool
) -> InkFit:
    design, response = _whole_design(rows, windows, joint), rows["used_kg"].to_numpy()
    # Weights need the use that is expected, so the fit is made again with its own: three rounds settle it.
    estimate = np.array([1000 * response.sum() / max(rows["solid_m2"].sum(), 1e-9), 0.0, 0.0])
    pattern = dip_pattern(rows)
    for _ in range(3):
        scatter = scatter_weight(rows, estimate)
        fit = fit_banded(design, response, pattern, scatter)
        estimate = np.append(fit.estimate[0], 0.0) if joint else fit.estimate
    return InkFit(ink, rows, fit, scatter, inflated, tuple(windows), joint)
