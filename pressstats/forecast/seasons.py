"""What part of a series is the time of year? Decomposition of many series at once.

Short years of whole steps (twelve months): trend by a local linear smoother, season by the mean of the same
step of all years, late years weighing more, shrunk towards no season as far as its scatter among years asks
for (Miller & Williams 2003, *International Journal of Forecasting* 19:669); a step that lies far from trend
and season counts less (Cleveland et al. 1990, *Journal of Official Statistics* 6:3).
Long years, or years that are no whole number of steps (52.18 weeks), take harmonics, each shrunk by its own
uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .peaks import peaks
from .preparing import bridge, median_of_known

__all__ = ["Season", "decompose", "harmonics", "local_trend"]

#: Factor of the weight of a year against the next one; chosen on M1 and on held-out ends of training parts. All alike:
#: MASE +.4 %, MSIS +.6 %.
_MEMORY = 0.75
#: Reach of the trend smoother, years to both sides. Half MASE +.1 %, double +.1 %: hardly told apart.
_REACH = 1.0
#: Reach of the trend that narrow peaks stand out from, years to both sides. Half or double tells nothing.
_NARROW = 0.25
#: Turns in which harmonics and narrow peaks are told apart. One: MASE +.6 %, four -.1 %.
_TURNS = 2
#: Harmonics of a long year at most, and years that a history must span before they are taken. Two: MASE -.1 % (-.3 to
#: +.1), eight +.4 %; without any season +30 %, from three years +13 %.
_HARMONICS = 4
_YEARS_LEAST = 1.5


@dataclass(frozen=True)
class Season:
    """Seasonal terms of many series, and what is left without them."""

    adjusted: np.ndarray  # (series, times): values without season, gaps bridged
    terms: np.ndarray  # (series, horizon): seasonal summands of the steps ahead
    # (series, horizon): how far departures of a date are beyond chance, 1 or more; 1 where nothing is narrow
    strength: np.ndarray
    # (series,): parameters of a long year for each value seen; 0 of short years, whose scatter errors are
    # calibrated with
    spent: np.ndarray


def decompose(values: np.ndarray, seen: np.ndarray, period: int, horizon: int) -> Season:
    """Take the season off series whose year has a whole number of steps; none for less than a year and a half."""
    times = values.shape[1]
    weights = seen.astype(float)
    recency = _MEMORY ** ((times - 1 - np.arange(times)) // period)
    step_of_year = np.arange(times) % period
    trend = _yearly_mean(values, weights, period)
    robust = np.ones_like(values)
    terms = np.zeros((len(values), period))
    for turn in range(3):
        if turn == 0:
            # Half years at the ends have no whole year about them.
            usable = weights * _inside(seen, period)
            few = usable.sum(axis=1) < period
            usable[few] = weights[few]
        else:
            usable = weights * robust
        terms = _terms(values - trend, usable * recency, period)
        if turn == 2:
            break
        adjusted = values - terms[:, step_of_year]
        trend = local_trend(adjusted, weights * robust, _REACH * period + 1)
        robust = _robust(adjusted - trend, seen)
    terms[seen.sum(axis=1) < _YEARS_LEAST * period] = 0.0
    following = terms[:, (times + np.arange(horizon)) % period]
    nothing = np.zeros(len(values))
    return Season(bridge(values - terms[:, step_of_year], seen), following, np.ones_like(following), nothing)


def harmonics(
    values: np.ndarray, seen: np.ndarray, period: float, horizon: int, groups: np.ndarray | None = None
) -> Season:
    """Take the season off series whose year is long or no whole number of steps; none for less than a year and a half.

    Each pair of sine and cosine is shrunk by 1 - 2 v / a^2 (not below 0), a^2 being its squared amplitude and v
    the variance of each coefficient, from the spectrum of a first-order autoregression of the rest. Series of
    one group share the dates of narrow peaks; by default each has its own.
    """
    count, times = values.shape
    groups = np.arange(count) if groups is None else groups
    first = seen.argmax(axis=1)
    long = times - first >= _YEARS_LEAST * period
    smooth, trend = np.zeros((count, times + horizon)), values.copy()
    spent, narrow_spent = np.zeros(count), np.zeros(count)
    narrow, strength = np.zeros((count, times + horizon)), np.ones((count, times + horizon))
    for _ in range(_TURNS):
        # Slow terms depend on the length of the series alone, never on what it is run together with.
        for start in np.unique(first[long]):
            rows = (first == start) & long
            smooth[rows, start:], trend[rows, start:], spent[rows] = _harmonic_season(
                values[rows, start:] - narrow[rows, start:times], seen[rows, start:], period, horizon
            )
        rest = values - smooth[:, :times] - trend
        narrow, strength, narrow_spent = peaks(rest, seen & long[:, None], period, horizon, groups)
    season = smooth + narrow
    share = (spent + narrow_spent) / np.maximum(seen.sum(axis=1), 1)
    return Season(bridge(values - season[:, :times], seen), season[:, times:], strength[:, times:], share)


def _harmonic_season(
    values: np.ndarray, seen: np.ndarray, period: float, horizon: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the season of series of one length, shape (series, times + horizon), the trend, parameters kept."""
    times = values.shape[1]
    order = min(_HARMONICS, int(period / 2))
    number = seen.sum(axis=1).astype(float)
    steps = np.arange(-times, horizon) + 1.0
    angle = 2.0 * np.pi * np.arange(1, order + 1) / period
    basis = np.concatenate([np.sin(angle[:, None] * steps), np.cos(angle[:, None] * steps)])
    weights = seen.astype(float)
    design = np.concatenate([basis[:, :times], _slow(times, period)])
    robust = np.ones_like(values)
    for turn in range(2):
        load = weights * robust
        normal = (design[None, :, :] * load[:, None, :]) @ design.T
        # A small ridge keeps histories with long gaps well posed.
        ridge = 1e-3 * normal[:, 0, 0] + 1e-9
        rows = np.arange(len(design))
        normal[:, rows, rows] += ridge[:, None]
        right = (load * values) @ design.T
        solved = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        rest = values - solved @ design
        if turn == 0:
            robust = _robust(rest, seen)
    pair = seen[:, 1:] & seen[:, :-1]
    power = np.maximum((rest**2 * load).sum(axis=1) / np.maximum(load.sum(axis=1), 1.0), 1e-12)
    both = (pair * rest[:, 1:] * rest[:, :-1]).sum(axis=1) / np.maximum(pair.sum(axis=1), 1)
    memory = np.clip(both / power, 0.0, 0.9)[:, None]
    freedom = np.maximum(number - len(design), 1.0)
    innovation = (power * (1.0 - memory[:, 0] ** 2) * number / freedom)[:, None]
    spectrum = innovation / (1.0 - 2.0 * memory * np.cos(angle) + memory**2)
    variance = 2.0 * spectrum / np.maximum(number, 1.0)[:, None]
    square = solved[:, :order] ** 2 + solved[:, order : 2 * order] ** 2
    kept = np.clip(1.0 - 2.0 * variance / np.maximum(square, 1e-300), 0.0, 1.0)
    kept[number < 4 * order + 4] = 0.0
    season = (solved[:, : 2 * order] * np.concatenate([kept, kept], axis=1)) @ basis
    left = values - season[:, :times]
    robust = np.ones_like(values)
    for _ in range(2):
        trend = local_trend(left, weights * robust, _NARROW * period)
        robust = _robust(left - trend, seen)
    return season, local_trend(left, weights * robust, _NARROW * period), 2.0 * kept.sum(axis=1)


def local_trend(values: np.ndarray, weights: np.ndarray, reach: float) -> np.ndarray:
    """Return a local linear smooth with tricube weights up to `reach` steps; a mean where one side has no weight."""
    half, times = int(reach), values.shape[1]
    lag = np.arange(-half, half + 1)
    kernel = np.clip(1.0 - np.abs(lag / reach) ** 3, 0.0, None) ** 3
    # Moved along once for all sums: this is where forecasts spend their time.
    padded = np.zeros((2, len(values), times + 2 * half))
    padded[:, :, half : half + times] = weights, weights * values
    sums, moments, share = (np.zeros((2, *values.shape)) for _ in range(3))
    s2 = np.zeros_like(values)
    for place, weight, moment, square in zip(
        range(len(lag)), kernel, kernel * lag, kernel * lag**2, strict=True
    ):
        if weight == 0.0:
            continue
        moved = padded[:, :, place : place + times]
        sums += np.multiply(moved, weight, out=share)
        if moment != 0.0:
            moments += np.multiply(moved, moment, out=share)
            s2 += np.multiply(moved[0], square, out=share[0])
    (s0, t0), (s1, t1) = sums, moments
    determinant = s0 * s2 - s1 * s1
    fine = determinant > 1e-9 * s0 * s2 + 1e-12
    linear = (s2 * t0 - s1 * t1) / np.where(fine, determinant, 1.0)
    mean = t0 / np.maximum(s0, 1e-12)
    return np.where(fine, linear, mean)


def _sliding(values: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    """Return sums of neighbours times a kernel of odd length centred on each step, shape as `values`."""
    half = len(kernel) // 2
    times = values.shape[1]
    padded = np.pad(values, ((0, 0), (half, half)))
    result, share = np.zeros_like(values), np.empty_like(values)
    for shift, weight in enumerate(kernel):
        if weight != 0.0:
            result += np.multiply(padded[:, shift : shift + times], weight, out=share)
    return result


def _terms(rest: np.ndarray, weights: np.ndarray, period: int) -> np.ndarray:
    """Return shrunken mean rest by step of the year; column k belongs to steps t with t % period == k."""
    count, times = rest.shape
    missing = -times % period

    def folded(values: np.ndarray) -> np.ndarray:
        return np.pad(values, ((0, 0), (missing, 0))).reshape(count, -1, period)

    load = folded(weights)
    amount = load.sum(axis=1)
    mean = folded(rest * weights).sum(axis=1) / np.maximum(amount, 1e-12)
    mean = np.where(amount > 1e-9, mean, 0.0)
    mean -= mean.mean(axis=1, keepdims=True)
    spread = folded(rest) - mean[:, None, :]
    number = (load > 0).sum(axis=(1, 2))
    total = np.maximum(load.sum(axis=(1, 2)), 1e-12)
    noise = (load * spread**2).sum(axis=(1, 2)) / total
    noise *= number / np.maximum(number - period - 1.0, 1.0)
    each = noise[:, None] * (load**2).sum(axis=1) / np.maximum(amount, 1e-12) ** 2
    signal = np.maximum((mean**2).sum(axis=1), 1e-300)
    kept = np.clip(1.0 - (period - 3.0) / period * each.sum(axis=1) / signal, 0.0, 1.0)
    # The padding stands at the front: column k of the fold is step (k - missing) % period.
    return np.roll(mean * kept[:, None], times % period, axis=1)


def _yearly_mean(values: np.ndarray, weights: np.ndarray, period: int) -> np.ndarray:
    """Return the centred mean over one year, extended at the ends by a local line."""
    half = period // 2
    width = np.ones(2 * half + 1)
    if period % 2 == 0:
        width[[0, -1]] = 0.5
    load = _sliding(weights, width)
    mean = _sliding(values * weights, width) / np.maximum(load, 1e-12)
    whole = (load >= 0.999 * width.sum()).astype(float)
    none = whole.sum(axis=1) < 3
    whole[none] = weights[none]
    smooth = local_trend(mean, whole, _REACH * period + 1 + half)
    return np.where(whole > 0, mean, smooth)


def _inside(seen: np.ndarray, period: int) -> np.ndarray:
    """Return 1 where half a year lies on both sides within the series."""
    half = period // 2
    times = seen.shape[1]
    first = seen.argmax(axis=1)[:, None]
    steps = np.arange(times)[None, :]
    return ((steps >= first + half) & (steps < times - half)).astype(float)


def _robust(rest: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Return bisquare weights: 1 at no rest, nearly 0 beyond six times the median rest."""
    size = np.where(seen, np.abs(rest), np.nan)
    middle = median_of_known(size)
    away = np.where(seen, size, 0.0) / np.maximum(6.0 * middle[:, None], 1e-12)
    weights = np.where(away < 1.0, (1.0 - np.minimum(away, 1.0) ** 2) ** 2, 0.0) + 1e-3
    weights[middle <= 1e-12] = 1.0
    return weights


def _slow(times: int, period: float) -> np.ndarray:
    """Return terms slower than a year: a line and cosines with periods of more than 1.5 years."""
    steps = (np.arange(times) + 0.5) / times
    most = max(1, int(2.0 * times / (1.5 * period)))
    waves = [np.cos(np.pi * power * steps) for power in range(1, most)]
    return np.array([np.ones(times), steps - 0.5, *waves])
