"""Forecasts of sums and of their parts, made to agree."""

from __future__ import annotations

import numpy as np

__all__ = ["reconcile"]


def reconcile(base: np.ndarray, summing: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return forecasts that add up, as near to those given as their variances allow (weighted least squares).

    Shapes: base (series, ...), of sums and parts; `summing` (series, parts), which parts each series adds up;
    variance (series,), above 0. Hyndman, Ahmed, Athanasopoulos, Shang (2011), Computational Statistics and Data
    Analysis 55:2579 (from memory).
    """
    flat = np.asarray(base, dtype=float).reshape(len(base), -1)
    weighted = summing / np.asarray(variance, dtype=float)[:, None]
    parts = np.linalg.solve(weighted.T @ summing, weighted.T @ flat)
    return (summing @ parts).reshape(np.shape(base))
