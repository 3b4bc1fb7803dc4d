"""What every method would have said at past weeks, and which of them is to be believed.

Four methods: last year's same week; the direct forecast of each material's own weeks, all newsprint and its
widths made to agree; the drivers (issues, make-up, waste, ink); and the mean of the last two. What is published of
each material is the one that missed least, up to 13 weeks ahead, in what was known when it is chosen.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..beside import beside
from ..forecast import Judgement, backtest, calibrated, mean_kept
from .issues import titles_changed
from .materials import driver_days
from .reconciling import reconcile
from .turn import turn_factor, turn_share

if TYPE_CHECKING:
    from .recipe import Recipe

__all__ = ["CHOICE", "HORIZON", "METHODS", "MethodBacktest", "backtest_methods"]

METHODS = ("seasonal naive", "direct", "drivers", "direct and drivers")
#: Weeks ahead: the broken week and month, then twelve months.
HORIZON = 58
#: Horizons on which methods are compared.
CHOICE = 13
YEAR = 365.25 / 7
#: Weeks after which each season has been seen once.
_YEAR_SEEN = 52
#: Errors of origins that had not seen a season, over those of origins that had; on simulated plants.
_SEASONLESS = 1.2
#: Weeks from which the direct method knows seasons of its own.
_OWN_SEASON = 78
#: Fewer weeks than this tell no method from another.
_WEEKS_MINIMUM = 26
#: Weeks of five years: errors of forecasts that were made before say little of today's, and cost as much to find out.
_LOOKED_BACK = 260
#: Weeks of ten years: what the first of those forecasts had seen. Of older ones no season of today's is learned.
_REMEMBERED = 520
#: Losses of the methods on simulated plants, against that of the first (tests/bench/bench_demand.py december), and how
#: many horizons of a plant's own origins they are worth; and how many its materials together are worth beside one.
_USUAL_LOSSES = np.array([1.0, 0.85, 0.72, 0.73])
_USUAL_LOOKS, _COMMON_LOOKS = 8.0, 8.0
#: Titles that begin or end a year up to which that is no part of what is usual.
_CHANGES_A_YEAR = 2.0
#: Weeks that the usual change is worth beside a material's own, and the least it can be of its level.
_CHANGE_WEEKS, _CHANGE_LEAST = 2.0, 0.05


@dataclass(frozen=True)
class MethodBacktest:
    """Forecasts of every method from every past origin, beside what came."""

    weeks: pd.DatetimeIndex  # (n,): first days of the weeks of the history
    names: list[str]
    actual: np.ndarray  # (materials, n): use [unit of the material]; blank where unknown
    origins: np.ndarray  # (origins,): an origin o has seen the first o weeks; the last one, n, is today's
    # (methods, origins, materials, HORIZON): forecast of week o + h, h from 0 [unit of the material]; blank
    # where a method has none
    forecasts: np.ndarray
    # (origins, materials): mean absolute difference to a year earlier in what the origin had seen: the unit of
    # errors
    naive: np.ndarray
    # (changes, 2): for each title that began or ended: the first week that was another, and how many weeks are
    # seen when that is known (:func:`pressstats.demand.issues.titles_changed`)
    changes: np.ndarray = field(default_factory=lambda: np.zeros((0, 2), dtype=int))

    def missed(self) -> np.ndarray:
        """Return what came less what was said, shape of `forecasts` [unit of the material]."""
        target = self.origins[:, None] + np.arange(HORIZON)
        n = self.actual.shape[1]
        came = np.where(target < n, self.actual[:, np.minimum(target, n - 1)], np.nan)
        return np.asarray(np.swapaxes(came, 0, 1) - self.forecasts)

    def known_at(self, origin: int) -> np.ndarray:
        """Say which errors tell something when `origin` weeks are seen, shape (origins, HORIZON).

        Those of weeks seen; but who did not know yet that a title had begun or ended tells nothing of how what
        there is now is missed, unless titles come and go all the time.
        """
        week = self.origins[:, None] + np.arange(HORIZON)
        known = week < origin
        changes = self.changes[self.changes[:, 1] <= origin]
        if len(changes) <= _CHANGES_A_YEAR * max(origin / YEAR, 1.0):
            for first, since in changes:
                known &= ~((self.origins[:, None] < since) & (week >= first))
        return np.asarray(known)

    def losses(self, origin: int) -> np.ndarray:
        """Return mean absolute errors of the methods up to 13 weeks ahead, as known at `origin` [naive error].

        Once a year is seen, weeks before which no season had been tell nothing of who does well from now on.
        All methods are judged on the same weeks; blank without any error.
        """
        known = self.known_at(origin)
        if origin >= _YEAR_SEEN:
            known &= self.origins[:, None] + np.arange(HORIZON) >= _YEAR_SEEN
        missed = np.where(known[:, None, :], self.missed(), np.nan)[..., :CHOICE]
        row = min(int(np.searchsorted(self.origins, origin)), len(self.origins) - 1)
        able = np.isfinite(self.forecasts[:, row, :, 0])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # materials without any error yet
            with np.errstate(divide="ignore", invalid="ignore"):
                scaled = np.abs(missed) / self.naive[:, :, None]
            scaled = np.where(np.isfinite(scaled), scaled, np.nan)
            # A week that one method could not forecast tells nothing of how methods compare.
            every = np.where(able[:, None, :, None], np.isfinite(scaled), True).all(axis=0)
            return np.asarray(np.nanmean(np.where(every, scaled, np.nan), axis=(1, 3)))

    def chosen(self, origin: int) -> np.ndarray:
        """Return the method of each material, as it was to be chosen at `origin`, shape (materials,).

        A method's loss over that of the others is drawn to its mean over all materials, and that to what
        simulated plants show: twenty-six origins are but a few independent looks, and whoever did best in them may
        have had luck. A method must be able to forecast from there.
        """
        losses = self.losses(origin)
        row = int(np.searchsorted(self.origins, origin))
        able = np.isfinite(self.forecasts[:, row]).all(axis=2)
        since = _YEAR_SEEN if origin >= _YEAR_SEEN else 0
        looks = max(origin - CHOICE - max(int(self.origins[0]), since), 0) / CHOICE
        return pooled_losses(losses, looks, able).argmin(axis=0)

    def judged(self, origin: int, chosen: np.ndarray | None = None) -> Judgement:
        """Return the chosen forecasts from `origin` with intervals from the errors known then."""
        methods = self.chosen(origin) if chosen is None else chosen
        row = int(np.searchsorted(self.origins, origin))
        each = np.arange(len(self.names))
        target = self.origins[:, None] + np.arange(HORIZON)
        known = self.known_at(origin)
        share = turn_share(self.weeks[0] + pd.to_timedelta(7 * np.arange(target.max() + 1), unit="D"))[target]
        # Who had never seen a turn of the year tells nothing of how the next one is missed; nor does any week whose
        # season had never been seen, once half a year of others tells of the errors.
        unseen = target < _YEAR_SEEN
        known &= ~unseen if origin >= _YEAR_SEEN + 2 * CHOICE else ~(unseen & (share > 0))
        missed = np.where(known[:, None, :], self.missed()[methods, :, each].swapaxes(0, 1), np.nan)
        # An origin that saw nothing of a material missed nothing either.
        past, unit = slice(0, row), self._unit(origin)
        factor = turn_factor(np.abs(missed[past, :, :CHOICE]), share[past, :CHOICE])
        wider = 1 + (factor[:, None] - 1) * share[:, None, :]
        wider[self.origins < _YEAR_SEEN] *= _SEASONLESS
        alike = calibrated(
            self.forecasts[methods, row, each], missed[past] / wider[past], self.origins[past], unit
        )
        size = alike.size * wider[row]
        if origin < _YEAR_SEEN:
            # No week ahead has been seen before: what follows a turn of the year is no surer than the turn itself.
            size = np.maximum.accumulate(size, axis=1)
        return mean_kept(replace(alike, size=size), 0.0)

    def _unit(self, origin: int) -> np.ndarray:
        """Return naive errors as known at `origin`, shape (materials,), drawn a little to what is usual.

        Two weeks that were equal by chance, or a material that never changed, cannot pretend to be sure.
        """
        naive = self.naive[int(np.searchsorted(self.origins, origin))]
        seen = self.actual[:, :origin]
        number = np.isfinite(seen).sum(axis=1)
        level = np.abs(np.nan_to_num(seen)).sum(axis=1) / np.maximum(number, 1)
        ratio = naive[level > 0] / level[level > 0]
        ratio = ratio[np.isfinite(ratio)]
        usual = max(float(np.median(ratio)) if len(ratio) else 0.0, _CHANGE_LEAST) * level
        return np.asarray((number * naive + _CHANGE_WEEKS * usual) / (number + _CHANGE_WEEKS))


def pooled_losses(losses: np.ndarray, looks: float, able: np.ndarray) -> np.ndarray:
    """Return the losses to be believed, in logarithms against the mean of the `able` methods; infinite for others.

    `looks` is how many horizons the origins span.
    """
    usual = np.where(able, np.log(_USUAL_LOSSES)[:, None], np.nan)
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # materials without any method
        own = np.where(able & (losses > 0), np.log(losses), np.nan)
        own = np.where(np.isfinite(own) | ~able, own, np.nan)
        own, usual = own - np.nanmean(own, axis=0), usual - np.nanmean(usual, axis=0)
        complete = np.isfinite(own).sum(axis=0) == able.sum(axis=0)
        common = np.nanmean(np.where(complete, own - usual, np.nan), axis=1, keepdims=True)
    common = usual + np.nan_to_num(common) * looks / (looks + _USUAL_LOOKS)
    drawn = common + np.where(complete, np.nan_to_num(own - common), 0.0) * looks / (looks + _COMMON_LOOKS)
    return np.where(able, drawn, np.inf)


def backtest_methods(
    recipe: Recipe, newsprint: list[str], origins: np.ndarray | None = None
) -> MethodBacktest:
    """Forecast each material from every week of the second half of its history (or from `origins`), and from its end.

    Of a history of more than ten years from the weeks of the last five, with ten years before them.

    Each origin knows nothing but what it had seen; direct forecasts of `newsprint` are made to agree with their
    sum's.
    """
    history = recipe.history
    n = len(history)
    if origins is None:
        origins = np.arange(max(min(n, _WEEKS_MINIMUM), n // 2, n - _LOOKED_BACK), n + 1)
    changes = titles_changed(recipe.drivers.titles, recipe.drivers.last, history.index[0])
    direct_beside = beside(lambda: _direct(history, origins, newsprint, changes))
    drivers = np.stack([_drivers(recipe, int(origin)) for origin in origins])
    direct, naive, scale = direct_beside()
    both = (direct + drivers) / 2
    forecasts = np.stack([naive, direct, drivers, both])
    actual = history.to_numpy(dtype=float).T
    unseen = np.stack([~np.isfinite(actual[:, :origin]).any(axis=1) for origin in origins])
    forecasts[:, unseen] = np.nan
    return MethodBacktest(
        pd.DatetimeIndex(history.index),
        list(map(str, history.columns)),
        actual,
        origins,
        forecasts,
        scale,
        changes,
    )


def _direct(
    history: pd.DataFrame, origins: np.ndarray, newsprint: list[str], changes: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return direct and naive forecasts, shape (origins, materials, HORIZON), and naive errors."""
    values = history.to_numpy(dtype=float)
    widths = [number for number, name in enumerate(history.columns) if name in newsprint]
    summed = len(widths) > 1
    if summed:
        values = np.column_stack([values, values[:, widths].sum(axis=1)])
    # A material that nobody had used yet begins with its first use; until then it teaches nothing of others.
    begun = np.maximum.accumulate(np.nan_to_num(values) != 0, axis=0)
    series = pd.DataFrame(np.where(begun, values, np.nan), index=history.index)
    first = max(0, int(origins[0]) - _REMEMBERED)
    test = backtest(series.iloc[first:], origins - first, HORIZON, YEAR, nonnegative=True, stride=CHOICE)
    said, naive, scale = np.swapaxes(test.median, 1, 2), np.swapaxes(test.naive, 1, 2), test.scale
    # From one year nothing tells its season from a trend or a level: half of it stays as it was last year, where the
    # titles are those of last year.
    one_year = (origins >= _YEAR_SEEN) & (origins < _OWN_SEASON)
    one_year &= ~(changes[:, 1] <= origins[:, None]).any(axis=1)
    said = np.where(one_year[:, None, None] & np.isfinite(naive), (said + naive) / 2, said)
    idle = ~begun[origins - 1]
    said[idle], naive[idle], scale[idle] = 0.0, 0.0, 0.0
    if summed:
        for number in range(len(origins)):
            said[number, widths] = _agreeing(said[number, [*widths, -1]], scale[number, [*widths, -1]])
    size = history.shape[1]
    return np.maximum(said[:, :size], 0.0), naive[:, :size], scale[:, :size]


def _agreeing(said: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return forecasts of the widths that agree with that of their sum, the last row; others as they are."""
    result = said[:-1].copy()
    # A width that never changed is sure, and what is left of the sum is for the others.
    moving = np.flatnonzero(scale[:-1] > 0)
    if np.isfinite(said).all() and len(moving) > 1 and scale[-1] > 0:
        rest = said[-1] - np.delete(result, moving, axis=0).sum(axis=0)
        summing = np.vstack([np.eye(len(moving)), np.ones(len(moving))])
        variance = scale[[*moving, -1]] ** 2
        result[moving] = reconcile(np.vstack([result[moving], rest]), summing, variance)[:-1]
    return result


def _drivers(recipe: Recipe, origin: int) -> np.ndarray:
    """Return what the drivers said at an origin, shape (materials, HORIZON)."""
    weeks = recipe.history.index
    first = weeks[0] + pd.Timedelta(days=7 * origin)
    days = pd.date_range(first, periods=7 * HORIZON, freq="D", unit="us")
    # Today more is known than the last whole week: what was printed and booked since.
    today = origin == len(weeks)
    known = (
        max(first - pd.Timedelta(days=1), pd.Timestamp(recipe.drivers.last))
        if today
        else first - pd.Timedelta(days=1)
    )
    daily = driver_days(recipe, known, days)
    return np.asarray(daily.to_numpy().reshape(HORIZON, 7, -1).sum(axis=1).T)
