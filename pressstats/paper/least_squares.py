"""Least squares whose errors are shared by the rows that had paper of one reel, or are webs of one run."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg, sparse

__all__ = ["LinkedFit", "linked_least_squares"]


@dataclass(frozen=True)
class LinkedFit:
    """Least-squares estimates; their errors are asked of few fits, and cost more than all else.

    `row` says which row had paper of which `reel`, `run` which run each row is of (numbers from 0).
    """

    estimate: np.ndarray
    design: np.ndarray
    response: np.ndarray
    row: np.ndarray
    reel: np.ndarray
    run: np.ndarray

    @cached_property
    def influence(self) -> np.ndarray:
        """By how much each estimate moves with each row's response."""
        return np.asarray(self.design @ np.linalg.inv(self.design.T @ self.design))

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the estimates."""
        # A row that alone tells a term leaves nothing over.
        without = 1 - np.minimum(np.einsum("ij,ij->i", self.influence, self.design), 1 - 1e-9)
        scores = self.influence * ((self.response - self.design @ self.estimate) / without)[:, None]
        rows, reels = len(self.run), int(self.reel.max(initial=-1)) + 1
        links = np.r_[self.row, np.arange(rows)], np.r_[self.reel, reels + self.run]
        shape = rows, reels + int(self.run.max(initial=-1)) + 1
        clusters = sparse.csr_matrix((np.ones(len(links[0])), links), shape)
        return _at_least(scores.T @ (((clusters @ clusters.T) > 0) @ scores), scores.T @ scores)

    def freedom(self, weights: np.ndarray) -> float:
        """Return the degrees of freedom of the variance of a weighted sum of terms.

        A sum that hangs on few rows has few, however many rows there are (Satterthwaite; Imbens and Kolesar 2016).
        """
        squares = (self.influence @ weights) ** 2
        rows, terms = self.design.shape
        return min(float(rows - terms), float(squares.sum() ** 2 / (squares**2).sum()))


def linked_least_squares(
    design: np.ndarray, response: np.ndarray, row: np.ndarray, reel: np.ndarray, run: np.ndarray | None = None
) -> LinkedFit:
    """Return least-squares estimates where rows that share a reel or a run are dependent.

    `row` and `reel`, shape (links,), say which row had paper of which reel; `run`, shape (rows,), the run of each
    row (reels and runs are whole numbers from 0), whose copies one counter counts (without it each row is a run).
    The covariance is a sandwich: products of scores, of residuals that each row has without itself (HC3, MacKinnon
    and White 1985), are summed over all pairs of rows that share a reel or a run. Clusters that overlap can make
    that sum small or negative where rows are few, so no sum of terms has a smaller variance than with each row a
    cluster of its own.
    """
    estimate, *_ = np.linalg.lstsq(design, response, rcond=None)
    return LinkedFit(estimate, design, response, row, reel, np.arange(len(response)) if run is None else run)


def _at_least(covariance: np.ndarray, least: np.ndarray) -> np.ndarray:
    """Return the covariance with which each weighted sum has at least the variance that `least` gives it."""
    try:
        ratio, vectors = linalg.eigh((covariance + covariance.T) / 2, least)
    except linalg.LinAlgError:  # a fit without residuals has no variance to hold against
        return np.asarray(least)
    back = least @ vectors
    return np.asarray((back * np.maximum(ratio, 1.0)) @ back.T)
