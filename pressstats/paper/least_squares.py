"""Least squares whose errors are shared by the rows that had paper of one reel."""

from __future__ import annotations

import numpy as np
from scipy import sparse

__all__ = ["linked_least_squares"]


def linked_least_squares(
    design: np.ndarray, response: np.ndarray, row: np.ndarray, reel: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Fit least squares whose errors are dependent between rows that share a reel.

    Parameters
    ----------
    design : ndarray, shape (rows, terms)
        Regressors, of full column rank.
    response : ndarray, shape (rows,)
        Response.
    row, reel : ndarray of int, shape (links,)
        Which row had paper of which reel.

    Returns
    -------
    estimate : ndarray, shape (terms,)
        Least-squares estimates.
    covariance : ndarray, shape (terms, terms)
        Sandwich covariance: products of scores are summed over all pairs of rows that share a
        reel, times rows / (rows - terms). Where each row has one reel this is the ordinary
        cluster-robust covariance. Where the sum is not positive, as overlapping clusters allow,
        each row is taken as its own cluster.
    """
    rows, terms = design.shape
    estimate, *_ = np.linalg.lstsq(design, response, rcond=None)
    scores = design * (response - design @ estimate)[:, None]
    bread = np.linalg.inv(design.T @ design)
    _, number = np.unique(reel, return_inverse=True)
    has = sparse.csr_matrix((np.ones(len(row)), (row, number)), shape=(rows, number.max() + 1))
    shares = (has @ has.T) > 0
    factor = rows / (rows - terms)
    covariance = factor * bread @ (scores.T @ (shares @ scores)) @ bread
    if np.linalg.eigvalsh(covariance).min() <= 0:
        covariance = factor * bread @ (scores.T @ scores) @ bread
    return estimate, covariance
