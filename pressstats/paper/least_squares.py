"""Least squares whose errors are shared by the rows that had paper of one reel."""

from __future__ import annotations

import numpy as np
from scipy import sparse

__all__ = ["linked_least_squares"]


def linked_least_squares(
    design: np.ndarray, response: np.ndarray, row: np.ndarray, reel: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return least-squares estimates and their covariance where rows that share a reel are dependent.

    `row` and `reel`, shape (links,), say which row had paper of which reel. Products of scores are summed over all
    pairs of rows that share a reel (sandwich covariance), times rows / (rows - terms); where each row has one reel
    this is the cluster-robust covariance. Where the sum is not positive, as overlapping clusters allow, each row is
    its own cluster.
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
