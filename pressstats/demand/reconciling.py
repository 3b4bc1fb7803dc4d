"""Forecasts of sums and of their parts, made to agree."""

from __future__ import annotations

import numpy as np

__all__ = ["reconcile"]


def reconcile(base: np.ndarray, summing: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return forecasts that add up, as near to those given as their variances allow.

    Parameters
    ----------
    base : ndarray, shape (series, ...)
        Forecasts of sums and parts, made each for itself.
    summing : ndarray, shape (series, parts)
        Which parts each series adds up.
    variance : ndarray, shape (series,)
        Variance of each forecast, above 0; all alike for ordinary least squares.

    Returns
    -------
    ndarray, shape (series, ...)
        Coherent forecasts: `summing` times the parts that lie nearest by weighted least squares.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the series do not tell the parts.

    Notes
    -----
    Hyndman, Ahmed, Athanasopoulos, Shang (2011), Computational Statistics and Data Analysis 55:2579 (from memory).
    """
    flat = np.asarray(base, dtype=float).reshape(len(base), -1)
    weighted = summing / np.asarray(variance, dtype=float)[:, None]
    parts = np.linalg.solve(weighted.T @ summing, weighted.T @ flat)
    return (summing @ parts).reshape(np.shape(base))
