"""What is not known of a lasting change: which term changed, and on which day; and what that does to the present terms.

Film weight and idle loss can stand in for each other where an ink prints about as much every day. What may have
happened is therefore averaged over (Hoeting and others 1999, Statistical Science 14:382; from memory): film weight
alone, idle loss alone or both, at each dip that the readings allow, weighted by prior and marginal likelihood. Sizes
have a proper prior, so that two terms must explain clearly more than one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .banded import whiten
from .model import InkFit, dip_pattern, term_columns, window_columns
from .windows import Window

__all__ = ["KINDS", "SIZE", "doubt_of_changes", "log_evidence", "size_scale"]

#: What may have changed for good, with its prior: ducts, inks, papers and blankets change film weight; what is lost
#: without printing changes by a leak or other habits; both on one day is rare. Common practice, no source.
KINDS: dict[tuple[str, ...], float] = {("solid_m2",): 0.8, ("days",): 0.15, ("solid_m2", "days"): 0.05}
#: Standard deviation of a change, as a share of use. Common practice, no source: lasting ones are some per cent.
SIZE = 0.1


def size_scale(fit: InkFit, exposure: str) -> float:
    """Return the prior standard deviation of a change: of film weight [g/m2], or of idle loss [kg/day]."""
    return SIZE * float(fit.rows["used_kg"].sum() / _scaled(fit, exposure).sum())


def _scaled(fit: InkFit, exposure: str) -> np.ndarray:
    return fit.rows[exposure].to_numpy(dtype=float) / (1000.0 if exposure == "solid_m2" else 1.0)


def log_evidence(coefficient: np.ndarray, statistic: np.ndarray, scale: float) -> np.ndarray:
    """Return the log of the Bayes factor of one more term against none, its size drawn from N(0, scale^2).

    Parameters
    ----------
    coefficient, statistic : ndarray, shape (any,)
        Its estimate and squared statistic.
    scale : float
        Standard deviation of the prior.
    """
    power = np.divide(statistic, coefficient**2, out=np.zeros_like(statistic), where=coefficient != 0)
    told = scale**2 * power
    return 0.5 * statistic * told / (1 + told) - 0.5 * np.log1p(told)


def doubt_of_changes(
    fit: InkFit, allowed: Sequence[np.ndarray], windows: Sequence[Sequence[Window]]
) -> np.ndarray:
    """Return the covariance that unknown kinds and dates of changes add to terms and windows.

    Parameters
    ----------
    fit : InkFit
        The model with the changes in it.
    allowed : sequence of ndarray of int
        For each change, the rows after which it may have happened.
    windows : sequence of sequence of Window
        For each change, its terms in `fit`.

    Returns
    -------
    ndarray, shape (terms and windows, terms and windows)
        About the estimates of `fit`; positive semidefinite.
    """
    doubt = np.zeros((len(fit.fit.estimate), len(fit.fit.estimate)))
    for places, own in zip(allowed, windows, strict=True):
        doubt += _of_one(fit, places, own)
    value, vector = np.linalg.eigh(doubt)
    return (vector * np.maximum(value, 0.0)) @ vector.T


def _of_one(fit: InkFit, places: np.ndarray, own: Sequence[Window]) -> np.ndarray:
    """Return what one change adds, all others as they are."""
    known = len(fit.terms)
    others = [window for window in fit.windows if window not in own]
    base = np.column_stack([term_columns(fit.rows, fit.terms), window_columns(fit.rows, others)])
    before = np.arange(len(fit.rows))[:, None] <= places[None, :]
    columns = {what: _scaled(fit, what)[:, None] * before for what in ("solid_m2", "days")}
    diagonal, beside = dip_pattern(fit.rows)
    variance = fit.fit.dip_variance * diagonal + fit.fit.scatter_variance * fit.scatter
    together = np.column_stack([base, fit.rows["used_kg"], columns["solid_m2"], columns["days"]])
    white, _ = whiten(variance, fit.fit.dip_variance * beside, together)
    terms, response, rest = np.split(white, [base.shape[1], base.shape[1] + 1], axis=1)
    inverse = np.linalg.inv(terms.T @ terms)
    on_terms = inverse @ (terms.T @ np.column_stack([response, rest]))
    free = np.column_stack([response, rest]) - terms @ on_terms
    column = {"solid_m2": 1 + np.arange(len(places)), "days": 1 + len(places) + np.arange(len(places))}
    days = _scaled(fit, "days")[places + 1]
    # Where each term and window of the fit is found among: terms, other windows, change of film and of idle loss.
    spot = [*range(known)]
    for window in fit.windows:
        there = {"solid_m2": base.shape[1], "days": base.shape[1] + 1}[window.exposure]
        spot.append(known + others.index(window) if window in others else there)
    logs, means, spreads = [], [], []
    for kind, prior in KINDS.items():
        scale = np.array([size_scale(fit, what) for what in kind])
        at = [base.shape[1] + ("solid_m2", "days").index(what) for what in kind]
        for number in range(len(places)):
            mine = [column[what][number] for what in kind]
            changed = np.linalg.inv(free[:, mine].T @ free[:, mine] + np.diag(scale**-2.0))
            product = free[:, mine].T @ free[:, 0]
            size, shared = changed @ product, on_terms[:, mine]
            mean, spread = np.zeros(base.shape[1] + 2), np.zeros((base.shape[1] + 2,) * 2)
            mean[: base.shape[1]], mean[at] = on_terms[:, 0] - shared @ size, size
            spread[: base.shape[1], : base.shape[1]] = inverse + shared @ changed @ shared.T
            spread[np.ix_(at, at)] = changed
            spread[: base.shape[1], at] = -shared @ changed
            spread[at, : base.shape[1]] = -(shared @ changed).T
            fitted = 0.5 * product @ size + 0.5 * np.linalg.slogdet(changed)[1] - np.log(scale).sum()
            logs.append(fitted + np.log(prior * days[number]))
            means.append(mean[spot])
            spreads.append(spread[np.ix_(spot, spot)])
    weight = np.exp(np.array(logs) - max(logs))
    weight /= weight.sum()
    away = np.array(means) - fit.fit.estimate
    total = np.einsum("n,nij->ij", weight, np.array(spreads) + away[:, :, None] * away[:, None, :])
    return total - fit.fit.covariance
