"""Least squares for use between dips: errors of dips shared by neighbours, scatter that grows with use.

Use of interval i is the level before, plus deliveries, less the level after. The error of a dip enters two
successive intervals with opposite sign, and the use itself scatters about what was printed, so

    V = dip variance x D + scatter variance x W,

D tridiagonal (2 on the diagonal and -1 beside it, where one tank is dipped at both ends), W diagonal. Both
variances are estimated by restricted maximum likelihood (Patterson and Thompson 1971, Biometrika 58:545),
one of them profiled out, the other searched in one dimension. Everything is banded, so the cost
of a fit is linear in the number of intervals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

__all__ = ["BandedFit", "fit_banded", "restricted_likelihood", "whiten"]


@dataclass(frozen=True)
class BandedFit:
    """A fit by generalised least squares with banded covariance.

    `dip_variance` is of one dip [kg2], `scatter_variance` of use per unit of the scatter of an interval,
    `log_likelihood` restricted, `likelihood` full at the same variances (for tests of terms), `whitened` residuals of
    variance 1.
    """

    estimate: np.ndarray
    covariance: np.ndarray
    dip_variance: float
    scatter_variance: float
    log_likelihood: float
    likelihood: float
    whitened: np.ndarray

    @property
    def std_error(self) -> np.ndarray:
        """Standard errors, shape (terms,)."""
        return np.sqrt(np.diag(self.covariance))


def whiten(dip: np.ndarray, beside: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, float]:
    """Return columns with the covariance of the rows removed (inverse Cholesky factor), and its log-determinant.

    `dip` is the diagonal of the covariance and `beside` the values beside it; raises LinAlgError if it is not
    positive definite.
    """
    bands = np.zeros((2, len(dip)))
    bands[0], bands[1, :-1] = dip, beside
    factor = linalg.cholesky_banded(bands, lower=True, check_finite=False)
    whitened = linalg.solve_banded((1, 0), factor, columns, check_finite=False)
    return whitened, 2 * float(np.log(factor[0]).sum())


def restricted_likelihood(
    share: float,
    design: np.ndarray,
    response: np.ndarray,
    dip: tuple[np.ndarray, np.ndarray],
    scatter: np.ndarray,
) -> tuple[float, float, np.ndarray, np.ndarray, np.ndarray, float]:
    """Evaluate the fit in which `share` (0 to 1) of the variance is scatter and the rest dip error.

    `dip` holds the diagonal of D and the values beside it, `scatter` the diagonal of W. Returns the restricted
    log-likelihood (overall variance profiled out), that variance, estimates, and for an overall variance of 1
    information (design' inverse(V) design), whitened residuals and the log-determinant of V.
    """
    diagonal, beside = dip
    scale_dip, scale_scatter = diagonal.mean(), scatter.mean()
    rows, terms = design.shape
    bands = (1 - share) * diagonal / scale_dip + share * scatter / scale_scatter
    both, log_determinant = whiten(
        bands, (1 - share) * beside / scale_dip, np.column_stack([design, response])
    )
    whitened_design, whitened_response = both[:, :terms], both[:, terms]
    estimate, *_ = np.linalg.lstsq(whitened_design, whitened_response, rcond=None)
    residual = whitened_response - whitened_design @ estimate
    information = whitened_design.T @ whitened_design
    variance = float(residual @ residual) / (rows - terms)
    _, log_information = np.linalg.slogdet(information)
    log_likelihood = -0.5 * (
        (rows - terms) * (np.log(2 * np.pi * variance) + 1) + log_determinant + log_information
    )
    return log_likelihood, variance, estimate, information, residual, log_determinant


def fit_banded(
    design: np.ndarray,
    response: np.ndarray,
    dip: tuple[np.ndarray, np.ndarray],
    scatter: np.ndarray,
    share: float | None = None,
) -> BandedFit:
    """Fit by generalised least squares, both variances by restricted maximum likelihood.

    `response` is use [kg]; `dip` holds the diagonal of D and the values beside it (0 between intervals that share no
    dip), `scatter` what the scatter of each interval grows with (positive); `share` of scatter is searched where it
    is not given.
    """
    # Imported where it is used: a page that only shows results should not pay for it.
    from scipy import optimize

    def loss(value: float) -> float:
        return -restricted_likelihood(value, design, response, dip, scatter)[0]

    if share is None:
        inner = optimize.minimize_scalar(loss, bounds=(0.0, 1.0), method="bounded", options={"xatol": 1e-5})
        # The search never touches the ends, where there is only dip error or only scatter.
        share = float(min((loss(value), value) for value in (float(inner.x), 0.0, 1.0))[1])
    log_likelihood, variance, estimate, information, residual, log_determinant = restricted_likelihood(
        share, design, response, dip, scatter
    )
    rows, terms = design.shape
    full = variance * (rows - terms) / rows
    likelihood = -0.5 * (rows * (np.log(2 * np.pi * full) + 1) + log_determinant)
    return BandedFit(
        estimate=estimate,
        covariance=variance * np.linalg.inv(information),
        dip_variance=variance * (1 - share) / float(dip[0].mean()),
        scatter_variance=variance * share / float(scatter.mean()),
        log_likelihood=log_likelihood,
        likelihood=likelihood,
        whitened=residual / np.sqrt(variance),
    )
