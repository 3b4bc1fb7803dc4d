"""Least squares whose errors are shared by the rows that had paper of one reel, or are webs of one run."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg, sparse

__all__ = ["LinkedFit", "linked_least_squares"]


@dataclass(frozen=True)
class LinkedFit:
    """Least-squares estimates, their covariance, and by how much each moves with each row's response."""

    estimate: np.ndarray
    influence: np.ndarray
    scores: np.ndarray
    clusters: sparse.csr_matrix

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the estimates: asked of few fits, it costs more than all else."""
        linked = self.scores.T @ (((self.clusters @ self.clusters.T) > 0) @ self.scores)
        return _at_least(linked, self.scores.T @ self.scores)

    def freedom(self, weights: np.ndarray) -> float:
        """Return the degrees of freedom of the variance of a weighted sum of terms.

        A sum that hangs on few rows has few, however many rows there are (Satterthwaite; Imbens and Kolesar 2016).
        """
        squares = (self.influence @ weights) ** 2
        rows, terms = self.influence.shape
        return min(float(rows - terms), float(squares.sum() ** 2 / (squares**2).sum()))


def linked_least_squares(
    design: np.ndarray, response: np.ndarray, row: np.ndarray, reel: np.ndarray, run: np.ndarray | None = None
) -> LinkedFit:
    """Return least-squares estimates where rows that share a reel or a run are dependent.

    `row` and `reel`, shape (links,), say which row had paper of which reel; `run`, shape (rows,), the run of each row,
    whose copies one counter counts (without it each row is a run). The covariance is a sandwich: products of scores,
    of residuals that each row has without itself (HC3, MacKinnon and White 1985), are summed over all pairs of rows
    that share a reel or a run. Clusters that overlap can make that sum small or negative where rows are few, so no
    sum of terms has a smaller variance than with each row a cluster of its own.
    """
    rows = len(response)
    estimate, *_ = np.linalg.lstsq(design, response, rcond=None)
    influence = design @ np.linalg.inv(design.T @ design)
    # A row that alone tells a term leaves nothing over.
    without = 1 - np.minimum(np.einsum("ij,ij->i", influence, design), 1 - 1e-9)
    scores = influence * ((response - design @ estimate) / without)[:, None]
    _, number = np.unique(reel, return_inverse=True)
    run = np.arange(rows) if run is None else np.unique(run, return_inverse=True)[1]
    clusters = sparse.csr_matrix(
        (
            np.ones(len(row) + rows),
            (np.r_[row, np.arange(rows)], np.r_[number, number.max(initial=-1) + 1 + run]),
        ),
        shape=(rows, int(number.max(initial=-1)) + 1 + rows),
    )
    return LinkedFit(estimate, influence, scores, clusters)


def _at_least(covariance: np.ndarray, least: np.ndarray) -> np.ndarray:
    """Return the covariance with which each weighted sum has at least the variance that `least` gives it."""
    try:
        ratio, vectors = linalg.eigh((covariance + covariance.T) / 2, least)
    except linalg.LinAlgError:  # a fit without residuals has no variance to hold against
        return np.asarray(least)
    back = least @ vectors
    return np.asarray((back * np.maximum(ratio, 1.0)) @ back.T)
