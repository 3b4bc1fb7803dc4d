"""How wrong will a forecast be? Learnt from what it missed at past origins, for every horizon.

The size of an error is a gamma regression on what can be known beforehand (horizon, the spread that the
smoothing model implies, how far the methods disagree, the naive error, narrow peaks), pooled over series and
origins. Errors divided by their size are then pooled by horizon, and their quantiles make the interval: the
width is calibrated on forecasts, never on a fit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from .combining import combine, member_errors, member_weights
from .rolling import Rolled, least_known

__all__ = [
    "OUTLYING",
    "PROBABILITIES",
    "Combined",
    "Judgement",
    "combined",
    "error_shape",
    "fresh_share",
    "judge",
    "quantile_factors",
    "regress_sizes",
]

#: Probabilities at which shapes of errors are held; others lie on lines in normal scores between them.
PROBABILITIES = np.array(
    [
        *(0.005, 0.01, 0.025, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5),
        *(0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 0.975, 0.99, 0.995),
    ]
)
#: Logarithm of the mean absolute error in units of the naive error: constant, log horizon, log implied spread, log
#: disagreement, log late over usual one-step error, log strength of narrow peaks. Prior, worth `_PRIOR_ERRORS` errors;
#: fitted to M1, the last one to weekly series (`tests/bench/bench_weeks.py`, other seeds than it tells). Without one
#: of them MSIS, of the horizon -1.5 %, then +3.9, +2.1, +1.6, +.5 %; the prior alone +14 %, none at all -.2 % (-1.4 to
#: +1.1).
_PRIOR = np.array([-0.06, 0.19, 0.64, 0.09, 0.27, 0.15])
_PRIOR_ERRORS = 50.0
#: Values through which a line hardly misses. None, or double, tells nothing here: it is for histories of a few values.
_LINE = 3.0
#: Values that the usual spread and disagreement (logarithm of the latter, in naive errors) are worth. Nor do these,
#: for the same reason.
_TELLING = 3.0
_USUAL_APART = -1.5
#: Quantiles of absolute scaled errors on M1, and how many errors they are worth. They alone: MSIS +2.3 %, none +1.2 %.
_SHAPE_AT = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99])
_SHAPE = np.array([0.0, 0.14, 0.28, 0.43, 0.59, 0.76, 0.95, 1.19, 1.55, 2.15, 2.75, 3.7, 4.52])
_SHAPE_ERRORS = 30.0
#: Errors counted beyond this many times their size are held there in the regressions. At half MSIS -.2 %, double +.1
#: %.
OUTLYING = 6.0
#: Share of symmetric quantiles in the shape: past drifts to one side need not go on. None: MSIS -1.2 %, all +2.3 %.
_SYMMETRY = 0.5


@dataclass(frozen=True)
class Judgement:
    """Forecast from one origin, and how far to trust it."""

    # (series, horizon): combined forecast [unit of the series]; blank where there is none
    point: np.ndarray
    size: np.ndarray  # (series, horizon): expected absolute error [unit of the series]
    shape: np.ndarray  # (horizon, probabilities): quantiles of the error divided by its size [1]
    weights: np.ndarray  # (methods, series): weight of each method [1]
    # (origins, series, horizon): past errors divided by their size [1]; blank where unknown
    scores: np.ndarray
    worth: float  # horizons that the past origins span: how many independent error vectors they are worth


@dataclass(frozen=True)
class Combined:
    """What the methods said together from one origin and from those before it."""

    rolled: Rolled
    rows: np.ndarray  # (origins,): those before it and, last, itself, among the origins of `rolled`
    usable: np.ndarray  # (origins, series): whether errors of that origin tell of this one's
    weights: np.ndarray  # (methods, series): weight of each method [1]
    said: np.ndarray  # (origins, series, horizon): combined forecasts [unit of the series]
    away: np.ndarray  # (origins, series, horizon): how far the methods lie from them [unit of the series]

    def part(self) -> Rolled:
        """Return what was rolled, of these origins."""
        return _rows(self.rolled, self.rows)


def combined(rolled: Rolled, row: int, past: np.ndarray, lag: int) -> Combined:
    """Return the combined forecast of origin `row`, methods weighed by their errors from the origins `past` known then.

    `lag` is the steps in a year, for how long a history past origins need.
    """
    origin = int(rolled.origins[row])
    rows = np.append(past, row)
    part = _rows(rolled, rows)
    usable = part.number >= least_known(part.number[-1], lag)
    usable[-1] = False
    errors, _ = member_errors(part, origin, usable)
    weights = member_weights(errors, np.isfinite(part.forecasts[:, -1]).all(axis=2))
    said, away = combine(part.forecasts, weights)
    return Combined(rolled, rows, usable, weights, said, away)


def judge(one: Combined) -> Judgement:
    """Return the combined forecast with the errors of its past origins, as far as known then."""
    part, said = one.part(), one.said
    origin = int(part.origins[-1])
    naive = _floored(part.naive, part.number, np.abs(part.history[:, :origin]))
    features = _features(part, one.away, naive)
    known = part.known_at(origin)[:, None, :] & one.usable[:, :, None]
    missed = np.where(known, part.came() - said, np.nan) / naive[:, :, None]
    known = np.isfinite(missed) & np.isfinite(features).all(axis=-1)
    missed = np.where(known, missed, np.nan)
    coefficients = regress_sizes(features[known], np.abs(missed[known]), _PRIOR, _PRIOR_ERRORS)
    size = np.exp(features @ coefficients)
    scores = missed / size
    shape = error_shape(scores, part.origins)
    return Judgement(
        said[-1],
        size[-1] * naive[-1][:, None],
        shape,
        one.weights,
        scores[:-1],
        float((fresh_share(part.origins, part.horizon) * known.any(axis=(1, 2))).sum()),
    )


def quantile_factors(shape: np.ndarray, probabilities: np.ndarray) -> np.ndarray:
    """Return quantiles of scaled errors, shape (n, horizon), at any probabilities above 0 and below 1.

    On straight lines in normal scores between those of `PROBABILITIES`, beyond the outermost along the last line.
    """
    horizon = len(shape)
    scores = ndtri(np.asarray(probabilities, dtype=float))
    if scores.ndim == 1:
        scores = np.repeat(scores[:, None], horizon, axis=1)
    knots = ndtri(PROBABILITIES)
    left = np.clip(np.searchsorted(knots, scores) - 1, 0, len(knots) - 2)
    share = (scores - knots[left]) / (knots[left + 1] - knots[left])
    ahead = np.arange(horizon)
    low, high = shape[ahead, left], shape[ahead, left + 1]
    return low + share * (high - low)


def _rows(rolled: Rolled, rows: np.ndarray) -> Rolled:
    by_origin = ("origins", "spread", "naive", "number", "calm", "strength")
    of_rows = {name: getattr(rolled, name)[rows] for name in by_origin}
    return replace(rolled, **of_rows, forecasts=rolled.forecasts[:, rows])


def _floored(naive: np.ndarray, number: np.ndarray, history: np.ndarray) -> np.ndarray:
    """Return naive errors drawn a little towards what is usual, so that few values cannot pretend to be sure."""
    with np.errstate(invalid="ignore"):
        seen = np.isfinite(history)
        level = np.where(seen, history, 0.0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    ratio = naive[-1][level > 0] / level[level > 0]
    ratio = ratio[np.isfinite(ratio)]
    usual = max(float(np.median(ratio)) if len(ratio) else 0.0, 0.1) * level
    few = 2.0
    held = np.where(np.isfinite(naive), naive, usual)
    return np.maximum((number * held + few * usual) / (number + few), 1e-300)


def _features(part: Rolled, away: np.ndarray, naive: np.ndarray) -> np.ndarray:
    """Return what the size of an error depends on, shape (origins, series, horizon, 6)."""
    unit = naive[:, :, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.log(np.clip(part.spread / unit, 0.05, 50.0))
        apart = np.log(np.clip(away / unit, 0.01, 50.0))
    # A handful of values tells little of either: they are drawn to what is usual.
    spare = np.maximum(part.number - _LINE, 0.0)[:, :, None]
    share = spare / (spare + _TELLING)
    spread, apart = share * spread, share * apart + (1.0 - share) * _USUAL_APART
    ahead = np.broadcast_to(np.log(np.arange(1, part.horizon + 1)), spread.shape)
    with np.errstate(divide="ignore"):
        late = np.log(np.clip(part.calm, 0.1, 10.0))
    late = np.broadcast_to(late[:, :, None], spread.shape)
    return np.stack([np.ones_like(spread), ahead, spread, apart, late, np.log(part.strength)], axis=-1)


def regress_sizes(features: np.ndarray, sizes: np.ndarray, prior: np.ndarray, worth: float) -> np.ndarray:
    """Return coefficients of the log of the mean size, drawn to a prior worth some observations."""
    coefficients = prior.copy()
    if not len(sizes):
        return coefficients
    normal = features.T @ features
    scale = worth * np.maximum(np.diag(normal) / len(sizes), 0.05)
    for _ in range(12):
        expected = np.exp(features @ coefficients)
        working = np.log(expected) + np.minimum(sizes / np.maximum(expected, 1e-300), OUTLYING) - 1.0
        coefficients = np.linalg.solve(normal + np.diag(scale), features.T @ working + scale * prior)
    return coefficients


def fresh_share(origins: np.ndarray, horizon: int) -> np.ndarray:
    """Return the share of the steps that each origin looks at alone, the last one's being 1."""
    gaps = np.append(np.diff(origins), horizon)
    return np.minimum(gaps / horizon, 1.0)


def error_shape(scores: np.ndarray, origins: np.ndarray) -> np.ndarray:
    """Return quantiles of scaled errors by horizon, shape (horizon, probabilities)."""
    horizon = scores.shape[2]
    prior = np.interp(np.abs(2 * PROBABILITIES - 1), _SHAPE_AT, _SHAPE) * np.sign(PROBABILITIES - 0.5)
    fresh = fresh_share(origins, horizon)
    result = np.empty((horizon, len(PROBABILITIES)))
    for ahead in range(horizon):
        reach = max(1, (ahead + 1) // 4)
        window = scores[:, :, max(ahead - reach, 0) : ahead + reach + 1]
        known = np.isfinite(window)
        values = window[known]
        worth = float((known.any(axis=2) * fresh[:, None]).sum())
        share = worth / (worth + _SHAPE_ERRORS)
        if not len(values):
            result[ahead] = prior
            continue
        signed = np.quantile(values, PROBABILITIES, method="median_unbiased")
        even = np.quantile(np.abs(values), np.abs(2 * PROBABILITIES - 1), method="median_unbiased")
        own = (1.0 - _SYMMETRY) * signed + _SYMMETRY * even * np.sign(PROBABILITIES - 0.5)
        result[ahead] = share * own + (1.0 - share) * prior
    return result
