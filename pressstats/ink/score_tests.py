"""How much better one more regressor would explain the use of an ink, for very many of them at once.

A candidate z has coefficient z'Pr / z'Pz and squared statistic (z'Pr)2 / z'Pz, where r are the residuals and P removes
the covariance V of the intervals and the terms that are in the model already. V is tridiagonal, so V = LL' with
a bidiagonal L: what candidates need of its inverse comes from recursions along the readings, and a
window of weeks costs no more than its own length. All of it together is linear in the readings.

What is not in the model passes for scatter: film that changed by 8 % trebles the variance of runs, by which the change
would then be judged. So each candidate is judged at several shares of scatter, and at each share what the readings say
against it without the candidate is taken off: twice the log of a ratio of likelihoods, each at its own variances.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

__all__ = ["SCATTER_RATIOS", "ScoreTests", "ScoreTestsByShare", "on_known_scale"]

#: Ratios of scatter to dip error at which candidates are judged, as multiples of the ratio without any. Without the
#: smaller ones 8 of 40 inks with film +8 % forty weeks ago, of sixty, stayed unfound, with them 1 (20 kg dips).
SCATTER_RATIOS = (1.0, 0.25, 0.0625)


def on_known_scale(statistic: np.ndarray, freedom: int) -> np.ndarray:
    """Return what a squared statistic is worth where the variance is estimated without what it tests.

    Something large inflates the variances that it is measured by, so that in a short history no statistic
    could pass its limit. Without it the variance is smaller and the statistic follows Student's t, whose
    square is put on the scale of a known variance by the approximation of Wallace (1959, Annals of
    Mathematical Statistics 30:1121; from memory).
    """
    left = max(freedom - 1, 1)
    rest = np.maximum(1 - statistic / freedom, 1e-12)
    return -left * ((8 * left + 1) / (8 * left + 3)) ** 2 * np.log(rest)


@dataclass(frozen=True)
class ScoreTests:
    """A fitted model, ready to be asked about further regressors.

    `diagonal` and `beside` are those of the covariance of the intervals [kg2], `response` is use [kg].
    """

    diagonal: np.ndarray
    beside: np.ndarray
    design: np.ndarray
    response: np.ndarray

    @cached_property
    def _factor(self) -> np.ndarray:
        bands = np.zeros((2, len(self.diagonal)))
        bands[0], bands[1, :-1] = self.diagonal, self.beside
        return linalg.cholesky_banded(bands, lower=True, check_finite=False)

    @cached_property
    def _weighted(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return inverse(V) X, inverse(V) r, and the inverse of X' inverse(V) X."""
        weighted = linalg.cho_solve_banded((self._factor, True), self.design, check_finite=False)
        inverse = np.linalg.inv(self.design.T @ weighted)
        estimate = inverse @ (weighted.T @ self.response)
        residual = self.response - self.design @ estimate
        return weighted, linalg.cho_solve_banded((self._factor, True), residual, check_finite=False), inverse

    @cached_property
    def _inverse_bands(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the diagonal of inverse(V) and the values beside it."""
        main, sub = self._factor[0], self._factor[1, :-1]
        rows = len(main)
        diagonal, beside = np.empty(rows), np.empty(rows - 1)
        diagonal[-1] = 1 / main[-1] ** 2
        for row in range(rows - 2, -1, -1):
            ratio = sub[row] / main[row]
            diagonal[row] = 1 / main[row] ** 2 + ratio**2 * diagonal[row + 1]
            beside[row] = -ratio * diagonal[row + 1]
        return diagonal, beside

    def _judge(
        self, product: np.ndarray, with_terms: np.ndarray, square: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficients and squared statistics from z'V r, z'V X and z'V z (V inverted)."""
        inverse = self._weighted[2]
        power = square - np.einsum("ij,jk,ik->i", with_terms, inverse, with_terms)
        # What the terms of the model determine has no coefficient of its own.
        possible = power > 1e-9 * np.maximum(square, 1e-300)
        coefficient = np.divide(product, power, out=np.zeros_like(product), where=possible)
        return coefficient, np.where(possible, coefficient * product, 0.0)

    def steps(self) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficient [kg] and squared statistic of a step in each interval, shape (rows,)."""
        weighted, residual, _ = self._weighted
        return self._judge(residual, weighted, self._inverse_bands[0])

    def misread(self) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficient [kg] and squared statistic of a wrong dip after each interval but the last."""
        weighted, residual, _ = self._weighted
        diagonal, beside = self._inverse_bands
        square = diagonal[:-1] + diagonal[1:] - 2 * beside
        return self._judge(residual[:-1] - residual[1:], weighted[:-1] - weighted[1:], square)

    def windows(
        self, exposure: np.ndarray, first: np.ndarray, last: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficient and squared statistic of `exposure` in each window of intervals, both ends included."""
        weighted, residual, _ = self._weighted
        product = _between(exposure * residual, first, last)
        with_terms = np.column_stack([_between(exposure * column, first, last) for column in weighted.T])
        return self._judge(product, with_terms, self._squares(exposure, first, last))

    def before(self, exposure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficient and squared statistic of `exposure` before each dip but the last, shape (rows - 1,)."""
        weighted, residual, _ = self._weighted
        product = np.cumsum(exposure * residual)[:-1]
        with_terms = np.cumsum(exposure[:, None] * weighted, axis=0)[:-1]
        main, ratio, tail = self._recursion
        value = np.empty(len(main))
        for row in range(len(main)):
            value[row] = exposure[row] / main[row] - (ratio[row] * value[row - 1] if row else 0.0)
        # All of these windows begin at the first row, so one recursion serves them.
        total = np.cumsum(value**2) + value**2 * tail
        return self._judge(product, with_terms, total[:-1])

    @cached_property
    def _recursion(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the factor's diagonal, what a value leaves in the next row, and what goes on after a window."""
        main, sub = self._factor[0], self._factor[1, :-1]
        ratio = np.append(0.0, sub / main[1:])
        # A geometric tail, whose squared length is known beforehand.
        tail = np.zeros(len(main))
        for row in range(len(main) - 2, -1, -1):
            tail[row] = ratio[row + 1] ** 2 * (1 + tail[row + 1])
        return main, ratio, tail

    def _squares(self, exposure: np.ndarray, first: np.ndarray, last: np.ndarray) -> np.ndarray:
        """Return z' inverse(V) z of each window: the squared length of inverse(L) z."""
        main, ratio, tail = self._recursion
        total, value = np.zeros(len(first)), np.zeros(len(first))
        order = np.argsort(first - last)  # the longest windows first: the others drop off at the end
        begin, end = first[order], last[order]
        running = len(begin)
        for step in range(int((last - first).max(initial=0)) + 1):
            running = int(np.searchsorted(-(end - begin), -step, side="right"))
            row = begin[:running] + step
            value[:running] = exposure[row] / main[row] - ratio[row] * value[:running] * (step > 0)
            total[:running] += value[:running] ** 2
            ends = np.flatnonzero(end[:running] == row)
            total[ends] += value[ends] ** 2 * tail[row[ends]]
        result = np.empty(len(first))
        result[order] = total
        return result


@dataclass(frozen=True)
class ScoreTestsByShare:
    """A fitted model, asked about further regressors at several shares of scatter.

    `against` is twice the restricted log-likelihood of each share without candidates, less that of the likeliest.
    """

    by_share: tuple[ScoreTests, ...]
    against: tuple[float, ...]
    freedom: int

    def ask(self, kind: str, *where: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return coefficients and squared statistics of a method of :class:`ScoreTests`, each at its best share."""
        results = [getattr(one, kind)(*where) for one in self.by_share]
        statistics = np.array(
            [on_known_scale(s, self.freedom) + off for (_, s), off in zip(results, self.against, strict=True)]
        )
        best = np.argmax(statistics, axis=0)[None]
        coefficient = np.take_along_axis(np.array([c for c, _ in results]), best, axis=0)[0]
        return coefficient, np.take_along_axis(statistics, best, axis=0)[0]


def _between(values: np.ndarray, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    sums = np.append(0.0, np.cumsum(values))
    return sums[last + 1] - sums[first]
