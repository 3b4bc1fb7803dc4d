"""Copies and pages by title and weekday: level, trend that damps, season of 365.25 days, Christmas, Easter, holidays.

One weighted regression for each title: recent issues count more, odd ones (promotions) less, and the
level of the last weeks is carried on, fading with the distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Trend", "fit_trend"]

_YEAR = 365.25
#: Days after which an issue counts half.
_HALF = 420.0
#: Days over which the trend, and the level of the last weeks, fade.
_TREND_FADES, _LEVEL_FADES = 500.0, 90.0
#: Share that each older issue counts less in the level of the last weeks.
_LEVEL_SHARE = 0.06
#: How far the trend of a year may move a title, in its spread: over one year it looks like any part of a season.
_TREND_WIDTH = 0.15
#: How far Christmas and Easter may move a title, in its spread.
_FEAST_WIDTH = 1.0
_HUBER = 2.0
#: Issues about a value that tell what is left of one; 30 to 120 do as well (`bench_demand.py december`).
_NEAR = 60
_REWEIGHTINGS = 4


@dataclass(frozen=True)
class Trend:
    """A fitted title."""

    coefficients: np.ndarray  # of weekdays, trend, season, feasts and holiday
    weekdays: np.ndarray  # weekdays that were seen, Monday 0
    pairs: int  # pairs of sine and cosine of the year
    level: float  # how far the last weeks lie above the regression
    said: np.ndarray  # (issues,): what the regression says of the issues of the last year, in rising order
    rest: np.ndarray  # (issues,): what it leaves of each

    def left_near(self, values: np.ndarray) -> np.ndarray:
        """Return what is left of the past issues of which nearly as much was said, shape (values, issues).

        A title that is nearly always as thick is so most surely out of season.
        """
        count = min(_NEAR, len(self.said))
        first = np.clip(np.searchsorted(self.said, values) - count // 2, 0, len(self.said) - count)
        return np.asarray(self.rest[first[:, None] + np.arange(count)])

    def at(
        self, days: np.ndarray, weekday: np.ndarray, holiday: np.ndarray, feasts: np.ndarray
    ) -> np.ndarray:
        """Return what is expected on days since the last known; a weekday never seen takes the mean of the others."""
        design = _design(days, weekday, holiday, feasts, self.weekdays, self.pairs)
        return np.asarray(
            design @ self.coefficients + self.level * np.exp(-np.maximum(days, 0) / _LEVEL_FADES)
        )


def _design(
    days: np.ndarray,
    weekday: np.ndarray,
    holiday: np.ndarray,
    feasts: np.ndarray,
    weekdays: np.ndarray,
    pairs: int,
) -> np.ndarray:
    one = (weekday[:, None] == weekdays).astype(float)
    one[~one.any(axis=1)] = 1 / len(weekdays)
    # The trend goes on from today ever more slowly.
    ahead = np.maximum(days, 0)
    trend = np.where(days > 0, _TREND_FADES * (1 - np.exp(-ahead / _TREND_FADES)), days) / _YEAR
    turn = 2 * np.pi * days[:, None] / _YEAR * np.arange(1, pairs + 1)
    return np.column_stack([one, trend, np.sin(turn), np.cos(turn), feasts, holiday.astype(float)])


def fit_trend(
    values: np.ndarray, days: np.ndarray, weekday: np.ndarray, holiday: np.ndarray, feasts: np.ndarray
) -> Trend:
    """Fit a title's copies in logarithms, or pages, on days counted back from the last one known (0 or negative).

    A season needs three quarters of a year, and all its waves a year.
    """
    weekdays = np.unique(weekday)
    span = float(days[-1] - days[0]) if len(days) else 0.0
    pairs = 3 if span >= 0.95 * _YEAR else 1 if span >= 0.75 * _YEAR else 0
    design = _design(days, weekday, holiday, feasts, weekdays, pairs)
    weight = 0.5 ** (-days / _HALF)
    spread = max(float(values.std()), 1e-9)
    # In units of their spread, about half of which is scatter. A little of a prior: trend, season and holiday are
    # nothing until issues say otherwise, and a trend seen over a few months is hardly one.
    width = np.full(design.shape[1], 1e3)
    width[len(weekdays)] = _TREND_WIDTH * min(span / _YEAR, 2.0) + 1e-3
    width[len(weekdays) + 1 : -1] = 0.6
    width[-1 - feasts.shape[1] : -1] = _FEAST_WIDTH
    width[-1] = 2.0
    penalty = np.diag(0.25 / width**2)
    scaled_values = values / spread
    robust, about = np.ones(len(values)), feasts.any(axis=1)
    coefficients = np.zeros(design.shape[1])
    for _ in range(_REWEIGHTINGS):
        both = weight * robust
        scaled = design * both[:, None]
        coefficients = spread * np.linalg.solve(scaled.T @ design + penalty, scaled.T @ scaled_values)
        rest = values - design @ coefficients
        scale = np.full(len(values), 1.4826 * float(np.median(np.abs(rest))) + 1e-6 * spread)
        if about.any():
            # A few lines leave more there than chance does elsewhere; that makes no oddity of a feast.
            scale[about] = np.maximum(scale[about], np.sqrt(np.mean(rest[about] ** 2)))
        robust = np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(rest), 1e-12))
    rest = values - design @ coefficients
    age = np.arange(len(values))[::-1]
    near = robust * (1 - _LEVEL_SHARE) ** age
    # A level of few issues is drawn to none.
    level = float((near * rest).sum() / (near.sum() + 4.0))
    said, rest = (values - rest)[days > -_YEAR], rest[days > -_YEAR]
    order = np.argsort(said, kind="stable")
    return Trend(coefficients, weekdays, pairs, level, said[order], rest[order])
