"""Lasting changes of level in a series by week: how many there are, when each began, and how large it is.

A series moves for many reasons that are no change: errors of weighing, reels that differ, paper of one
delivery that is alike, moisture that comes and goes with the season. So a change is weighed by the
likelihood ratio of a series with it against one without it, where both may explain what they see by
scatter, by slow correlated movement and by a yearly wave, whichever makes them likeliest. A step is
accepted only where no slow movement explains it nearly as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import lapack

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["DATING_LIMIT", "SHIFT_LIMIT", "Shift", "date_shift", "level_shifts"]

#: Twice the log-likelihood ratio from which a change is accepted. `bench_paper.py alarms` measures how
#: often undisturbed series of a year reach it.
SHIFT_LIMIT = 20.0
#: Twice the log-likelihood that a day may lack against the likeliest one, to belong to a 95 % interval of
#: the day of change: -2 ln(1 - sqrt(.95)), the limit of Hansen (2000), Econometrica 68:575, table I (from memory).
DATING_LIMIT = 7.352
#: Fewest weeks of a level.
_WEEKS_LEAST = 2
_SHIFTS_MOST = 8
_YEAR_WEEKS = 52.18
#: Slow movement: its variance against the scatter of a mean week, and the weeks in which it fades to a half.
_SHARES = (0.25, 1.0, 4.0)
_HALF_LIVES = (2.0, 8.0, 52.0)


@dataclass(frozen=True)
class Shift:
    """A lasting change of level: where the later level begins, and twice the log-likelihood ratio against none."""

    place: int
    statistic: float


def level_shifts(
    level: np.ndarray,
    information: np.ndarray,
    week: np.ndarray,
    smallest: float = 0.0,
    limit: float = SHIFT_LIMIT,
) -> list[Shift]:
    """Return the lasting changes of a series.

    Parameters
    ----------
    level : ndarray, shape (n,)
        Values in order of time, none of them blank.
    information : ndarray, shape (n,)
        What each value stands on: the variance of its error is inverse to this.
    week : ndarray, shape (n,)
        Number of each value's week, growing.
    smallest : float
        A smaller change is none [unit of `level`].
    limit : float
        Twice the log-likelihood ratio from which a change is accepted.

    Returns
    -------
    list of Shift
        In order of time; empty where fewer than eight values are given.

    Notes
    -----
    Changes are added one by one, the likeliest first, and each is then moved to where it is likeliest beside the
    others. Slow movement is an autoregression of first order; its share and its half-life are those of the greatest
    likelihood with and without the change.
    """
    if len(level) < 8:
        return []
    whitened = _Whitened(level, information, week)
    places: list[int] = []
    while len(places) < _SHIFTS_MOST:
        further, likelihood = _best(whitened, places, smallest)
        if further is None or 2 * (likelihood - whitened.likelihood(places)) < limit:
            break
        places.append(further)
        if len(places) > 1:
            places = _moved(whitened, places, smallest)
    # A change that the later ones have made needless goes.
    kept = []
    for start in sorted(places):
        others = [other for other in places if other != start]
        statistic = 2 * (whitened.likelihood(places) - whitened.likelihood(others))
        if statistic >= limit:
            kept.append(Shift(start, statistic))
    return kept


def _moved(whitened: _Whitened, places: list[int], smallest: float) -> list[int]:
    """Return the places, each moved to where it is likeliest beside the others."""
    for _ in range(2):
        for start in places:
            others = [other for other in places if other != start]
            best, _ = _best(whitened, others, smallest)
            places = [*others, start if best is None else best]
    return places


def _best(whitened: _Whitened, places: list[int], smallest: float) -> tuple[int | None, float]:
    """Return the likeliest further place, and the log-likelihood with it."""
    likelihoods, sizes = whitened.scan(places)
    n = len(likelihoods)
    edges = np.array([0, *places, n])
    near = np.abs(np.arange(n)[:, None] - edges[None, :]).min(axis=1) < _WEEKS_LEAST
    likelihoods = np.where(near | (np.abs(sizes) < smallest), -np.inf, likelihoods)
    best = int(np.argmax(likelihoods))
    return (best, float(likelihoods[best])) if np.isfinite(likelihoods[best]) else (None, -np.inf)


class _View:
    """A series seen through one covariance of its errors: scatter, and a share of slow movement.

    Slow movement less what is left of it a value later is independent of the past, so differences of that kind, made
    by a matrix of two diagonals B, have a covariance of three, whose Cholesky factor C has two. C^-1 B whitens as the
    inverse of the Cholesky factor of the whole covariance does, in time that grows with the number of values alone.
    """

    def __init__(self, scatter: np.ndarray, remains: np.ndarray, share: float) -> None:
        self.remains = remains  # of slow movement since the value before; none before the first
        beside = remains[1:] * scatter[:-1]
        diagonal = scatter + share * (1 - remains**2)
        diagonal[1:] += remains[1:] * beside
        factor, _ = lapack.dpbtrf(np.vstack([diagonal, np.append(-beside, 0.0)]), lower=True)
        self.factor = factor
        self.log_root = float(np.log(factor[0]).sum())

    def whitened(self, columns: np.ndarray) -> np.ndarray:
        """Return columns, shape (n, any), as independent errors of unit variance show them."""
        differences = columns.copy()
        differences[1:] -= self.remains[1:, None] * columns[:-1]
        return np.asarray(lapack.dtbtrs(self.factor, differences, uplo="L")[0])

    def of_steps(self, seen: np.ndarray) -> np.ndarray:
        """Return the product of each whitened step with whitened columns, both of shape (n, any)."""
        back = np.asarray(lapack.dtbtrs(self.factor, seen, uplo="L", trans="T")[0])
        back[:-1] -= self.remains[1:, None] * back[1:]
        return back[::-1].cumsum(axis=0)[::-1]

    def step_powers(self) -> np.ndarray:
        """Return the sum of squares of each whitened step, shape (n,).

        A whitened step is zero before its place, and each value follows from the one before it: what the squares from
        a value on add up to is a polynomial of second degree in the value before, whose coefficients follow from those
        a value later.
        """
        first = 1 / self.factor[0]
        slope, start = -self.factor[1, :-1] * first[1:], (1 - self.remains[1:]) * first[1:]
        square = _from_behind(slope**2, np.ones(len(first)))
        linear = _from_behind(slope, np.append(2 * slope * start * square[1:], 0.0))
        constant = np.append((start * (start * square[1:] + linear[1:]))[::-1].cumsum()[::-1], 0.0)
        return first**2 * square + linear * first + constant


def _from_behind(factor: np.ndarray, add: np.ndarray) -> np.ndarray:
    """Return values, shape (n,), each of which is `add` and the value behind it times `factor`, shape (n - 1,)."""
    bands = np.vstack([np.append(0.0, -factor), np.ones(len(add))])
    return np.asarray(lapack.dtbtrs(bands, add[:, None], uplo="U")[0][:, 0])


class _Whitened:
    """A series seen through each of the covariances that its errors may have."""

    def __init__(self, level: np.ndarray, information: np.ndarray, week: np.ndarray) -> None:
        n = len(level)
        self.n = n
        columns = [np.ones(n)]
        if week[-1] - week[0] >= _YEAR_WEEKS:
            turn = 2 * np.pi * week / _YEAR_WEEKS
            columns += [np.cos(turn), np.sin(turn)]
        self.level, self.columns = level, np.column_stack(columns)
        scatter = np.mean(information) / information
        gaps = np.diff(week, prepend=-np.inf)
        self.views = [_View(scatter, np.zeros(n), 0.0)]
        self.views += [
            _View(scatter, 0.5 ** (gaps / half), share) for share in _SHARES for half in _HALF_LIVES
        ]
        self.powers = [view.step_powers() for view in self.views]
        self.known: dict[tuple[int, ...], float] = {}

    def likelihood(self, places: list[int]) -> float:
        """Return the greatest log-likelihood with changes at `places`, up to a constant."""
        key = tuple(sorted(places))
        if key not in self.known:
            self.known[key] = max(
                float(self._value(left @ left, view.log_root))
                for view, (_, left) in zip(self.views, self._fitted(places), strict=True)
            )
        return self.known[key]

    def scan(self, places: list[int]) -> tuple[np.ndarray, np.ndarray]:
        """Return the log-likelihood and the size of a further change at each place, shapes (n,)."""
        best = np.full(self.n, -np.inf)
        sizes = np.zeros(self.n)
        for view, powers, (basis, left) in zip(self.views, self.powers, self._fitted(places), strict=True):
            products = view.of_steps(np.column_stack([left, basis]))
            power = np.maximum(powers - (products[:, 1:] ** 2).sum(axis=1), 1e-12)
            size = products[:, 0] / power
            value = self._value(np.maximum(left @ left - size**2 * power, 0.0), view.log_root)
            better = value > best
            best, sizes = np.where(better, value, best), np.where(better, size, sizes)
        return best, sizes

    def _fitted(self, places: list[int]) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Give for each view a basis of what is fitted with changes at `places`, and what it leaves of the series."""
        steps = np.arange(self.n)[:, None] >= np.array(places, dtype=int)[None, :]
        together = np.column_stack([self.level, self.columns, steps])
        for view in self.views:
            seen = view.whitened(together)
            basis, _ = np.linalg.qr(seen[:, 1:])
            yield basis, seen[:, 0] - basis @ (basis.T @ seen[:, 0])

    def _value(self, squares: np.ndarray, log_root: float) -> np.ndarray:
        # A series without any scatter has no likelihood: its squares stop at the least that a number holds.
        return -0.5 * self.n * np.log(np.maximum(squares, 1e-18) / self.n) - log_root


def date_shift(level: np.ndarray, information: np.ndarray) -> tuple[int, int, int]:
    """Return when one change between two levels began, and between when.

    Parameters
    ----------
    level : ndarray, shape (n,)
        Values in order of time around one change, four at least.
    information : ndarray, shape (n,)
        What each value stands on: the variance of its error is inverse to this.

    Returns
    -------
    place, low, high : int
        Position of the first value of the later level: the likeliest, the first and the last of the 95 % interval
        (places that lack less than `DATING_LIMIT` of the greatest likelihood, errors normal and independent: around
        one change slow movement is the same before and after).
    """
    weight = np.cumsum(information)
    moment = np.cumsum(information * level)
    places = np.arange(1, len(level))
    before, after = weight[places - 1], weight[-1] - weight[places - 1]
    gain = (moment[places - 1] / before - (moment[-1] - moment[places - 1]) / after) ** 2
    gain *= before * after / weight[-1]
    total = (information * (level - moment[-1] / weight[-1]) ** 2).sum()
    left = np.maximum(total - gain, 0.0)
    best = int(np.argmin(left))
    # The scatter is that of the likeliest place; it is the same for all.
    scatter = max(left[best] / max(len(level) - 2, 1), 1e-18)
    inside = places[(left - left[best]) / scatter <= DATING_LIMIT]
    return int(places[best]), int(inside.min()), int(inside.max())
