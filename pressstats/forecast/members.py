"""Which methods forecast, and what does each say? Diverse ones, for no single method wins everywhere.

All run over whole batches; what a method cannot say of a series is blank. The list and all constants were
chosen on the M1 competition and on held-out ends of the training parts of M3 and Tourism. Where comments of this part
name MASE and MSIS, they tell how much larger these are with something left out or changed, as the mean over such sets
and weekly plants; sums are those of a year of demand that comes now and then (`tests/bench/bench_ablation.py`,
2026-12-01; limits in brackets).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .aggregation import aggregate, disaggregate
from .autoregression import difference_forecast, seasonal_difference_forecast
from .breaks import settled
from .intermittent import syntetos_boylan, teunter_syntetos_babai
from .preparing import Batch, ended
from .seasons import Season, decompose, harmonics
from .smoothing import Grid, akaike_weights, grid_of, smooth
from .theta import dynamic_theta

__all__ = ["MEMBERS", "Said", "member_forecasts"]

#: Names of the methods, in the order of all arrays over methods.
MEMBERS = (
    "half line theta",  # without it MASE +.1 % (0 to +.3), MSIS -.1 %
    "dynamic theta",  # -.1 % (-.3 to +.1), -.3 %
    "damped trend",  # -.4 % (-.6 to -.3), -.3 %, sums -5.2 %; its spread tells the size of errors
    "damped trend of levels",  # +.1, +.1 %, sums -4.0 %
    "autoregression",  # +.3, +.1 %
    "seasonal autoregression",  # +.6, +2.8 %
    "aggregated",  # +.7, +1.1 %
    "Syntetos-Boylan",  # sums +6.6 %
    "Teunter-Syntetos-Babai",  # sums -2.3 % (-7.2 to +1.2); it notices an end
    "mean",  # sums +6.0 %
    "seasonal naive",  # what others are judged against
)
#: Methods that say nothing of demand that comes now and then.
_OF_TRENDS = {"half line theta", "dynamic theta", "autoregression", "aggregated", "seasonal autoregression"}
#: Years with more steps than this, or with no whole number of steps, take harmonics.
_WHOLE_YEAR_MOST = 24
#: Blocks that a history must have for sums over years; with fewer, sums over quarters of a year. Four: MSIS -.1 %.
_BLOCKS_LEAST = 2
#: Series that are run together: their arrays stay in the processor's cache.
_TOGETHER = 64

#: Shares of an error that the level takes over (half of them do as well), and of the level's share that
#: the trend does, with its damping (without trends MASE +.9 %, MSIS +1.5 %).
_LEVELS = (0.02, 0.05, 0.1, 0.18, 0.28, 0.4, 0.55, 0.7, 0.85, 0.98)
_TRENDS = (
    (0.0, 0.0),
    *((0.02, 0.8), (0.1, 0.8), (0.3, 0.8)),
    *((0.02, 0.9), (0.1, 0.9), (0.3, 0.9)),
    *((0.01, 0.97), (0.05, 0.97), (0.15, 0.97)),
)
#: How sharply forecasts of several distances single out grid points: their errors overlap. At 1 MASE -.1 %, MSIS -.4 %
#: (-1.1 to +.2), at .1 +.1 and +1.8 %.
_FAR_SHARPNESS = 0.3


@dataclass(frozen=True)
class Said:
    """What the methods say of a batch."""

    # (methods, series, horizon): forecasts [unit of the series]; blank where a method does not apply
    forecasts: np.ndarray
    # (series, horizon): standard deviation of errors that the smoothing model implies [unit of the series]
    spread: np.ndarray
    # (series,): late one-step errors over those of the whole history, as root mean squares [1]
    calm: np.ndarray
    # (series, horizon): how far departures of the same dates in earlier years are beyond chance, 1 or more [1]
    strength: np.ndarray


def member_forecasts(batch: Batch, periods: tuple[float, ...], horizon: int, groups: np.ndarray) -> Said:
    """Return the forecasts of all methods in the order of ``MEMBERS``.

    `periods` are the steps in a year, or in a week and a year; series of one of the `groups` end together and
    share the dates of narrow peaks.
    """
    # Series that share something are run together.
    long = bool(periods) and not (len(periods) == 1 and _whole_period(periods))
    order = np.lexsort((batch.start, groups)) if long else np.argsort(batch.start, kind="stable")
    ends = _ends(groups[order]) if long else np.arange(1, len(order) + 1)
    sorted_batch = batch.rows(order)
    count = len(order)
    forecasts = np.full((len(MEMBERS), count, horizon), np.nan)
    spread, strength = np.empty((count, horizon)), np.empty((count, horizon))
    calm = np.empty(count)
    first = 0
    while first < count:
        last = int(ends[min(int(np.searchsorted(ends, first + _TOGETHER)), len(ends) - 1)])
        part = slice(first, last)
        first = last
        said = _of_part(_trimmed(sorted_batch.rows(part)), periods, horizon, groups[order[part]])
        forecasts[:, order[part]] = said.forecasts
        spread[order[part]] = said.spread
        calm[order[part]] = said.calm
        strength[order[part]] = said.strength
    return Said(forecasts * batch.unit[:, None], spread * batch.unit[:, None], calm, strength)


def _ends(groups: np.ndarray) -> np.ndarray:
    """Return where runs of the same number end, ascending, shape (runs,)."""
    return np.append(np.flatnonzero(np.diff(groups)) + 1, len(groups))


def _trimmed(batch: Batch) -> Batch:
    """Return the batch without the steps before any of its series has begun."""
    first = int(batch.start.min())
    later = {name: getattr(batch, name)[:, first:] for name in ("levels", "values", "seen")}
    return replace(batch, **later, start=batch.start - first)


def _calmed(batch: Batch, periods: tuple[float, ...], groups: np.ndarray) -> Batch:
    """Return the batch without slips and with its past moved to the level after the last lasting shift."""
    season, _ = _season(batch, batch.values, periods, 1, groups)
    moved = settled(season.adjusted, batch.seen) - season.adjusted
    moved[batch.intermittent] = 0.0
    if not moved.any():
        return batch
    values = batch.values + moved
    return replace(batch, values=values, levels=np.where(moved != 0.0, batch.restored(values), batch.levels))


def _of_part(raw: Batch, periods: tuple[float, ...], horizon: int, groups: np.ndarray) -> Said:
    batch = _calmed(raw, periods, groups)
    whole = _whole_period(periods)
    lag = max(1, round(periods[0])) if periods else 1
    season, base = _season(batch, batch.values, periods, horizon, groups)
    plain, _ = _season(batch, batch.levels, periods, horizon, groups)
    near = batch.with_values(season.adjusted)
    grid = grid_of(_LEVELS, _TRENDS)
    far = tuple(sorted({1, max(1, horizon // 4), max(1, horizon // 2), horizon}))
    block = _warm_up(whole or lag)

    def back(adjusted: np.ndarray) -> np.ndarray:
        return batch.restored(adjusted + season.terms)

    theta = np.array(_LEVELS)
    damped, spread, calm = _smoothed(near, block, grid, far, _FAR_SHARPNESS, horizon)
    level, _, _ = _smoothed(batch.with_values(plain.adjusted), block, grid, (1,), 1.0, horizon)
    said = {
        "half line theta": back(dynamic_theta(near.values, near.seen, near.start, theta, horizon, fixed=0.5)),
        "dynamic theta": back(dynamic_theta(near.values, near.seen, near.start, theta, horizon)),
        "damped trend": back(damped),
        "damped trend of levels": level + plain.terms,
        "autoregression": back(difference_forecast(near.values, near.seen, lag, horizon)),
        "aggregated": back(_aggregated(near, lag, grid, horizon)),
    }
    if lag > 1:
        yearly = seasonal_difference_forecast(base.adjusted, batch.seen, lag, horizon)
        said["seasonal autoregression"] = batch.restored(yearly + base.terms)
        times = batch.levels.shape[1]
        if times >= lag:
            naive = raw.levels[:, times - lag + np.arange(horizon) % lag]
            said["seasonal naive"] = np.where((times - batch.start >= lag)[:, None], naive, np.nan)
    _now_and_then(said, batch, horizon)
    most = np.abs(raw.levels).max(axis=1)[:, None, None]
    stacked = np.stack([said.get(name, np.full((len(most), horizon), np.nan)) for name in MEMBERS], axis=1)
    # A forecast far beyond anything seen is no opinion.
    stacked = np.where(np.abs(stacked) <= 5.0 * most, stacked, np.nan)
    stacked[:, 2] = np.where(np.isfinite(stacked[:, 2]), stacked[:, 2], batch.levels[:, -1:])
    size = np.where(batch.logged[:, None], np.abs(stacked[:, 2]), 1.0)
    # What follows its own values leaves too little of them, and is wrong by as much of what comes.
    spent = np.minimum(season.spent, 0.5)[:, None]
    size = size * np.sqrt((1.0 + spent) / (1.0 - spent))
    return Said(np.swapaxes(stacked, 0, 1), spread * size, calm, season.strength)


def _whole_period(periods: tuple[float, ...]) -> int:
    """Return the shortest period if its years have few and whole steps, else 0."""
    if periods and periods[0] <= _WHOLE_YEAR_MOST and periods[0] == round(periods[0]):
        return int(periods[0])
    return 0


def _season(
    batch: Batch, values: np.ndarray, periods: tuple[float, ...], horizon: int, groups: np.ndarray
) -> tuple[Season, Season]:
    """Return all seasons together, and those alone that a lag of the shortest period does not reach."""
    flat = np.zeros((len(values), horizon))
    nothing = Season(values, flat, flat + 1.0, np.zeros(len(values)))
    whole = _whole_period(periods)
    if not periods:
        return nothing, nothing
    if not whole:
        return harmonics(values, batch.seen, periods[0], horizon, groups), nothing
    short = decompose(values, batch.seen, whole, horizon)
    if len(periods) == 1:
        return short, nothing
    long = harmonics(short.adjusted, batch.seen, periods[1], horizon, groups)
    without = Season(values - (short.adjusted - long.adjusted), long.terms, long.strength, long.spent)
    return Season(long.adjusted, short.terms + long.terms, long.strength, long.spent), without


def _warm_up(lag: int) -> int:
    """Return the number of first values that the states before the first step rest on."""
    return int(min(max(2 * lag, 10), 26))


def _smoothed(
    batch: Batch, first: int, grid: Grid, far: tuple[int, ...], sharpness: float, horizon: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    level, slope = _first_line(batch, first)
    done = smooth(batch.values, batch.seen, batch.start, grid, level, slope, far, float(max(first // 2, 6)))
    weights = akaike_weights(done.criterion, sharpness)
    return done.forecast(weights, horizon), done.spread(weights, horizon), done.calm(weights)


def _first_line(batch: Batch, first: int) -> tuple[np.ndarray, np.ndarray]:
    """Return level before the first value, and slope, of a line through the first values."""
    times = batch.values.shape[1]
    steps = np.arange(min(first, times))
    places = batch.start[:, None] + steps
    inside = places < times
    places = np.minimum(places, times - 1)
    value = np.take_along_axis(batch.values, places, axis=1)
    weight = (np.take_along_axis(batch.seen, places, axis=1) & inside).astype(float)
    s0, s1, s2 = weight.sum(axis=1), weight @ steps, weight @ (steps * steps)
    y0, y1 = (weight * value).sum(axis=1), (weight * value) @ steps
    spread = s0 * s2 - s1 * s1
    slope = np.where(spread > 0, (s0 * y1 - s1 * y0) / np.where(spread > 0, spread, 1.0), 0.0)
    return (y0 - slope * s1) / np.maximum(s0, 1.0) - slope, slope


def _aggregated(batch: Batch, lag: int, grid: Grid, horizon: int) -> np.ndarray:
    """Return the mean of Theta and damped trend over blocks of a year, or of a part of one."""
    times = batch.values.shape[1]
    result = np.full((len(batch.values), horizon), np.nan)
    length = times - batch.start
    todo = np.ones(len(result), dtype=bool)
    for block in sorted({lag if lag > 1 else 4, max(2, lag // 4), 2}, reverse=True):
        long_enough = todo & (length >= _BLOCKS_LEAST * block)
        todo &= ~long_enough
        if not long_enough.any():
            continue
        part = batch.rows(long_enough)
        means, known, start = aggregate(part.values, part.seen, block)
        ahead = -(-horizon // block) + 1
        half = dynamic_theta(means, known, start, np.array(_LEVELS), ahead, fixed=0.5)
        far = tuple(sorted({1, max(1, horizon // block // 2), max(1, horizon // block)}))
        blocks = Batch(means, means, known, start, part.unit, part.logged, part.intermittent)
        damped, _, _ = _smoothed(blocks, 10, grid, far, _FAR_SHARPNESS, ahead)
        result[long_enough] = disaggregate(means[:, -1], (half + damped) / 2, block, horizon)
    return result


def _now_and_then(said: dict[str, np.ndarray], batch: Batch, horizon: int) -> None:
    """Put the methods for intermittent series in, and take out what trends and seasons say of such."""
    rows = batch.intermittent
    if not rows.any():
        return
    for name in said.keys() & _OF_TRENDS:
        said[name] = np.where(rows[:, None], np.nan, said[name])
    values, seen = batch.levels[rows], batch.seen[rows]
    number = np.maximum(seen.sum(axis=1), 1)
    flat = {
        "Syntetos-Boylan": syntetos_boylan(values, seen),
        "Teunter-Syntetos-Babai": teunter_syntetos_babai(values, seen),
        "mean": (values * seen).sum(axis=1) / number,
    }
    over = ended(values, seen)
    for name, level in flat.items():
        said[name] = np.full((len(rows), horizon), np.nan)
        # Of what has ended only methods that notice an end can tell.
        mute = over & (name != "Teunter-Syntetos-Babai")
        said[name][rows] = np.where(mute, np.nan, level)[:, None]
