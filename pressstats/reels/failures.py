"""How splices fail where less is left on the core: the curve, its fit, and the length that costs least."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

__all__ = ["FailureCurve", "failure_curve", "failure_share", "least_cost_metres"]

#: Metres over which failures fall by a factor e: from a sheer drop to no matter at all.
_FALLS_M = np.geomspace(0.7, 400, 48)
_HEIGHTS = np.linspace(-4, 8, 121)
#: Curves each way when the likely ones are looked at more closely.
_FINE = 60
#: Half of the 95 % quantile of chi-square with one degree of freedom.
_LIKELY = float(special.chdtri(1, 0.05)) / 2
#: Lengths considered, to a step.
_LONGEST_M = 150.0
_STEP_M = 0.1
#: A likelihood ratio is trusted from so many failures on.
_FEWEST_FAILURES = 5


def failure_share(
    metres: np.ndarray | float,
    scatter: np.ndarray | float,
    sure_m: np.ndarray | float,
    falls_m: np.ndarray | float,
) -> np.ndarray:
    """Return the share of splices that fail: the mean of min(1, exp(-(L - sure_m) / falls_m)) over lengths L left.

    Lengths are normal with mean `metres` and standard deviation `scatter` [m]. Below `sure_m` [m] a splice is sure to
    fail (negative: even nothing left may do); `falls_m` [m] above it the risk falls by a factor e. As `falls_m` goes
    to 0 this is the newsvendor's problem itself: the chance that less is left than needed.
    """
    reach = (np.asarray(sure_m) - metres) / scatter
    steep = np.asarray(scatter) / falls_m
    # exp(s^2/2 + reach s) Phi(-reach - s), in logarithms so that neither factor overflows.
    above = np.exp(reach * steep + steep**2 / 2 + special.log_ndtr(-reach - steep))
    return np.asarray(np.minimum(special.ndtr(reach) + above, 1.0))


def least_cost_metres(
    metre_cost: float,
    failure_cost: float,
    scatter: float,
    sure_m: np.ndarray | float,
    falls_m: np.ndarray | float,
) -> np.ndarray:
    """Return for each failure curve the mean length to leave that costs least [m], to a tenth of a metre.

    `metre_cost` is the paper of a metre [currency / m], `failure_cost` a failed splice [currency].
    """
    metres = np.arange(0, _LONGEST_M + _STEP_M / 2, _STEP_M)
    sure, falls = np.atleast_1d(sure_m)[:, None], np.atleast_1d(falls_m)[:, None]
    cost = metre_cost * metres + failure_cost * failure_share(metres, scatter, sure, falls)
    best: np.ndarray = metres[cost.argmin(axis=1)]
    return best


@dataclass(frozen=True)
class FailureCurve:
    """How failures depend on the metres left, as far as the splices tell.

    `told` says whether they tell that it matters how much is left, `why` why not. `sure_m` and `falls_m` [m] are of
    the likeliest curve, blank where nothing failed; `likely` has those of curves that outline and fill the 95 %
    likelihood region of one quantity. `apart_m` is the standard deviation, over splices, of the length that their
    stands leave in their quarter; `failures_needed` would tell, with settings as far apart as now, if the risk halved
    with every ten metres.
    """

    told: bool
    why: str
    splices: int
    failed: int
    sure_m: float
    falls_m: float
    likely: pd.DataFrame
    apart_m: float
    failures_needed: float


def failure_curve(
    metres: np.ndarray, scatter: np.ndarray, splices: np.ndarray, failed: np.ndarray
) -> FailureCurve:
    """Fit how failures depend on the mean length left [m] of groups of splices, `failed` ones among them.

    By likelihood over a grid: a curve is within the region where twice the drop of the log-likelihood is at most the
    95 % quantile of chi-square with one degree of freedom.
    """
    count, hit = np.asarray(splices, float), np.asarray(failed, float)
    total, failures = count.sum(), hit.sum()
    mean = float((metres * count).sum() / total) if total else np.nan
    apart = float(np.sqrt((count * (metres - mean) ** 2).sum() / total)) if total else np.nan
    falls_of_ten = 10 / np.log(2)
    needed = (2.8 * falls_of_ten / apart) ** 2 if apart > 0 else np.inf
    blank = pd.DataFrame({"sure_m": [], "falls_m": []}, dtype="float64")
    if failures < 1 or failures == total:
        why = "no splice failed" if failures < 1 else "every splice failed"
        return FailureCurve(False, why, int(total), int(failures), np.nan, np.nan, blank, apart, needed)
    groups = np.asarray(metres, float), np.asarray(scatter, float), count, hit
    _, value = _likelihood(*groups, _FALLS_M, _HEIGHTS)
    # A second look, at a grid drawn close about the curves that are likely.
    near = value >= value.max() - 2 * _LIKELY
    falls_m = _about(np.log(_FALLS_M), near.any(axis=1))
    sure, value = _likelihood(*groups, np.exp(falls_m), _about(_HEIGHTS, near.any(axis=0)))
    falls = np.broadcast_to(np.exp(falls_m)[:, None], sure.shape)
    flat = failures * np.log(failures / total) + (total - failures) * np.log1p(-failures / total)
    best = np.unravel_index(value.argmax(), value.shape)
    region = value >= value.max() - _LIKELY
    # What is largest or smallest within a region is so at its edge, or nearly.
    outline = np.pad(region, 1)
    inside = outline[2:, 1:-1] & outline[:-2, 1:-1] & outline[1:-1, 2:] & outline[1:-1, :-2]
    shown = region & ~inside
    shown[::4, ::4] |= region[::4, ::4]
    likely = pd.DataFrame({"sure_m": sure[shown], "falls_m": falls[shown]})
    matters = value.max() - flat > _LIKELY and failures >= _FEWEST_FAILURES
    why = "" if matters else "not enough failed splices to tell"
    return FailureCurve(
        matters,
        why,
        int(total),
        int(failures),
        float(sure[best]),
        float(falls[best]),
        likely,
        apart,
        needed,
    )


def _likelihood(
    metres: np.ndarray,
    scatter: np.ndarray,
    count: np.ndarray,
    hit: np.ndarray,
    falls_m: np.ndarray,
    heights: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Return sure_m and the log-likelihood of each curve, shape (falls, heights)."""
    falls = falls_m[:, None]
    # Where the exponential alone would put the curve; heights lie about that.
    log_mean = special.logsumexp(
        np.log(count) - metres / falls + (scatter / falls) ** 2 / 2, axis=1, keepdims=True
    )
    sure = falls * (np.log(hit.sum()) - log_mean + heights[None, :])
    share = failure_share(
        metres[:, None, None], scatter[:, None, None], sure[None], np.broadcast_to(falls, sure.shape)[None]
    )
    share = np.clip(share, 1e-300, 1 - 1e-12)
    value = np.tensordot(hit, np.log(share), 1) + np.tensordot(count - hit, np.log1p(-share), 1)
    return sure, value


def _about(grid: np.ndarray, likely: np.ndarray) -> np.ndarray:
    """Return a finer grid over the likely part of a grid and one step beyond."""
    inside = np.flatnonzero(likely)
    low, high = max(inside[0] - 1, 0), min(inside[-1] + 1, len(grid) - 1)
    return np.linspace(grid[low], grid[high], _FINE)
