"""What is not known of lasting changes: which term changed, on which day, and whether one was too small to be found.

Film weight and idle loss can stand in for each other where an ink prints about as much every day. What may have
happened is therefore averaged over (Hoeting and others 1999, Statistical Science 14:382; from memory): film weight
alone, idle loss alone or both, at each dip that the readings allow, weighted by prior and marginal likelihood. Sizes
have a proper prior, so that two terms must explain clearly more than one. That nothing more has changed is one model
among these: where the readings allow a change that they do not show, the present is less sure.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .banded import whiten
from .model import InkFit, dip_pattern, term_columns, window_columns

if TYPE_CHECKING:
    from .score_tests import ScoreTestsByShare
    from .windows import Window

__all__ = ["EXPOSURES", "KINDS", "RATE", "SIZE", "SMALL", "doubt_of_changes", "log_evidence", "size_scale"]

#: What may have changed for good, with its prior: ducts, inks, papers and blankets change film weight; what is lost
#: without printing changes by a leak or other habits; both on one day is rare. Common practice, no source.
KINDS: dict[tuple[str, ...], float] = {("solid_m2",): 0.8, ("days",): 0.15, ("solid_m2", "days"): 0.05}
#: Standard deviation of a change that was found, as a share of use. Common practice, no source: some per cent.
SIZE = 0.1
#: Changes that were not found: how many a day (one a year), and their standard deviation. Common practice, no source;
#: chosen so that the present is held where such a change is planted (tests/bench/bench_ink.py unfound).
RATE = 1 / 365.25
SMALL = 0.03
#: Places of a change that are looked at one by one, more than three years of daily dips: beyond, neighbours stand for
#: each other, which a change of years ago can bear, and memory grows with the dips instead of their square.
_PLACES = 1200
#: What a change multiplies.
EXPOSURES = ("solid_m2", "days")


def size_scale(fit: InkFit, exposure: str, size: float = SIZE) -> float:
    """Return the prior standard deviation of a change: of film weight [g/m2], or of idle loss [kg/day]."""
    return size * float(fit.rows["used_kg"].sum() / _scaled(fit, exposure).sum())


def _scaled(fit: InkFit, exposure: str) -> np.ndarray:
    return fit.rows[exposure].to_numpy(dtype=float) / (1000.0 if exposure == "solid_m2" else 1.0)


def log_evidence(coefficient: np.ndarray, statistic: np.ndarray, scale: float) -> np.ndarray:
    """Return the log of the Bayes factor of one more term against none, its size drawn from N(0, scale^2)."""
    power = np.divide(statistic, coefficient**2, out=np.zeros_like(statistic), where=coefficient != 0)
    gain = scale**2 * power
    return 0.5 * statistic * gain / (1 + gain) - 0.5 * np.log1p(gain)


def doubt_of_changes(
    fit: InkFit,
    score_tests: ScoreTestsByShare,
    allowed: Sequence[np.ndarray],
    windows: Sequence[Sequence[Window]],
    free: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return what unknown kinds and dates of changes, and one that was not found, do to terms and windows.

    For each change `allowed` are the rows after which it may have happened and `windows` its terms in `fit`; `free`
    are rows after which there may be one that was not found. Returns the mean over all of these models, less the
    estimates of `fit`, and what they add to the covariance about their mean (positive semidefinite).
    """
    diagonal, beside = dip_pattern(fit.rows)
    own_variances = (
        fit.fit.dip_variance * diagonal + fit.fit.scatter_variance * fit.scatter,
        fit.fit.dip_variance * beside,
    )
    mixed = [
        _mixed(fit, [_with_change(fit, own_variances, places, own, SIZE)])
        for places, own in zip(allowed, windows, strict=True)
    ]
    if len(free):
        # Without a further change the model is itself, whatever the share of scatter.
        log = np.logaddexp.reduce(np.array(score_tests.against) / 2)
        parts: list[_Models] = [(np.array([log]), fit.fit.estimate[None], fit.fit.covariance[None])]
        for one, against in zip(score_tests.by_share, score_tests.against, strict=True):
            log_weight, mean, spread = _with_change(fit, (one.diagonal, one.beside), free, (), SMALL)
            parts.append((log_weight + np.log(RATE) + against / 2, mean, spread))
        mixed.append(_mixed(fit, parts))
    count = len(fit.fit.estimate)
    shift = sum((one for one, _ in mixed), np.zeros(count))
    value, vector = np.linalg.eigh(sum((one for _, one in mixed), np.zeros((count, count))))
    return shift, (vector * np.maximum(value, 0.0)) @ vector.T


#: Logs of weights, estimates and covariances, a row each.
_Models = tuple[np.ndarray, np.ndarray, np.ndarray]


def _mixed(fit: InkFit, parts: Sequence[_Models]) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of models less the estimates of a fit, and what they add to its covariance."""
    log, mean, spread = (np.concatenate(part) for part in zip(*parts, strict=True))
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    centre = weight @ mean
    away = mean - centre
    total = np.einsum("n,nij->ij", weight, spread + away[:, :, None] * away[:, None, :])
    return centre - fit.fit.estimate, total - fit.fit.covariance


def _thinned(places: np.ndarray, days: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return every so manieth place, with the days of all that it stands for: of decades of dips all are too many."""
    if len(places) <= _PLACES:
        return places, days
    first = np.linspace(0, len(places), _PLACES, endpoint=False).astype(int)
    middle = (first + np.append(first[1:], len(places))) // 2
    return places[middle], np.add.reduceat(days, first)


def _with_change(
    fit: InkFit,
    variances: tuple[np.ndarray, np.ndarray],
    places: np.ndarray,
    own: Sequence[Window],
    size: float,
) -> _Models:
    """Return the models in which one change happened at each place, of each kind, all others as they are."""
    known = len(fit.terms)
    others = [window for window in fit.windows if window not in own]
    base = np.column_stack([term_columns(fit.rows, fit.terms), window_columns(fit.rows, others)])
    count = base.shape[1]
    places, days = _thinned(places, _scaled(fit, "days")[places + 1])
    before = np.arange(len(fit.rows))[:, None] <= places[None, :]
    columns = [_scaled(fit, what)[:, None] * before for what in EXPOSURES]
    white, _ = whiten(*variances, np.column_stack([base, fit.rows["used_kg"], *columns]))
    terms, rest = np.split(white, [count], axis=1)
    inverse = np.linalg.inv(terms.T @ terms)
    on_terms = inverse @ (terms.T @ rest)
    rest = rest - terms @ on_terms
    # Where each term and window of the fit is found among: terms, other windows, change of film and of idle loss.
    spot = [*range(known)]
    for window in fit.windows:
        there = count + EXPOSURES.index(window.exposure)
        spot.append(known + others.index(window) if window in others else there)
    logs, means, spreads = [], [], []
    for kind, prior in KINDS.items():
        scale = np.array([size_scale(fit, what, size) for what in kind])
        which = [EXPOSURES.index(what) for what in kind]
        columns_of_kind = 1 + len(places) * np.array(which) + np.arange(len(places))[:, None]
        changing, shared = rest.T[columns_of_kind], on_terms.T[columns_of_kind].transpose(0, 2, 1)
        # In units of the prior no eigenvalue is below one, however alike two terms are in readings without errors.
        scaled = scale[:, None] * (changing @ changing.transpose(0, 2, 1)) * scale + np.eye(len(kind))
        value, vector = np.linalg.eigh(scaled)
        value = np.maximum(value, 1.0)
        vector = scale[:, None] * vector
        changed = (vector / value[:, None, :]) @ vector.transpose(0, 2, 1)
        product = changing @ rest[:, 0]
        best = np.einsum("nij,nj->ni", changed, product)
        at = count + np.array(which)
        mean = np.zeros((len(places), count + 2))
        mean[:, :count] = on_terms[:, 0] - np.einsum("nij,nj->ni", shared, best)
        mean[:, at] = best
        spread = np.zeros((len(places), count + 2, count + 2))
        spread[:, :count, :count] = inverse + shared @ changed @ shared.transpose(0, 2, 1)
        spread[:, at[:, None], at] = changed
        spread[:, :count, at] = -shared @ changed
        spread[:, at, :count] = -(shared @ changed).transpose(0, 2, 1)
        fitted = 0.5 * (product * best).sum(axis=1) - 0.5 * np.log(value).sum(axis=1)
        logs.append(fitted + np.log(prior * days))
        means.append(mean[:, spot])
        spreads.append(spread[:, spot][:, :, spot])
    return np.concatenate(logs), np.concatenate(means), np.concatenate(spreads)
