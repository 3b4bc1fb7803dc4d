"""What a square metre weighed when: lasting changes of grammage of a material, or of one supplier's paper.

A material is weighed by one regression: net kilograms on the printed area, with a slope for each spell of
time between changes and, where suppliers differ, for each supplier, beside terms per start and per break
that all share. Changes are looked for in the weekly sums of what the regression without them leaves over.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from .dating import Change, changes_of
from .least_squares import LinkedFit, linked_least_squares

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SMALLEST_SHARE", "Spell", "WeighedMaterial", "WeighedWebs", "supplier_slopes", "weigh"]

#: A smaller lasting change is within what moisture and batches do to sound paper (a point of moisture is a
#: hundredth of its weight; common practice, no source).
SMALLEST_SHARE = 0.005
#: Suppliers differ where equal slopes have less chance than this, and by the smallest change at least.
SUPPLIERS_CHANCE = 0.001
#: A supplier with a smaller share of the rows, or fewer rows, has no slope of its own.
_SUPPLIER_SHARE, _SUPPLIER_ROWS = 0.05, 24
#: A row belongs to the supplier who has this share of its paper.
_MAINLY = 0.8
#: Days either side of a change in which suppliers are compared.
_SPAN = np.timedelta64(56, "D")
#: Rows that a slope of its own needs.
_SPELL_ROWS = 6
#: Days whose mix of suppliers is the present one.
_MIX_DAYS = 28


@dataclass(frozen=True)
class WeighedWebs:
    """Weighed webs of one material, a row each.

    `area` is printed [1000 m2], `net` is paper [kg], `terms` what else takes paper (ones for the start, breaks, and
    what is not weighed), `shares` that of each supplier; `row` and `reel` say which row had paper of which reel,
    `run` the run of each row (without it each is a run). `fits` keeps what was fitted, by spells.
    """

    date: np.ndarray
    area: np.ndarray
    net: np.ndarray
    terms: np.ndarray
    shares: pd.DataFrame
    row: np.ndarray
    reel: np.ndarray
    run: np.ndarray | None = None
    fits: dict[tuple, WeighedMaterial] = field(default_factory=dict, repr=False)

    def only(self, kept: np.ndarray) -> WeighedWebs:
        """Return the rows that are `kept`."""
        position = np.cumsum(kept) - 1
        linked = kept[self.row]
        return WeighedWebs(
            self.date[kept],
            self.area[kept],
            self.net[kept],
            self.terms[kept],
            self.shares[kept],
            position[self.row[linked]],
            self.reel[linked],
            None if self.run is None else self.run[kept],
        )


@dataclass(frozen=True)
class Spell:
    """One slope: the paper of some suppliers (none named: of all) between two changes."""

    suppliers: tuple[str, ...]
    begins: Change | None
    ends: Change | None

    def share(self, webs: WeighedWebs) -> np.ndarray:
        """Return which share of each row's area belongs to the spell."""
        part = webs.shares[list(self.suppliers)].sum(axis=1).to_numpy() if self.suppliers else 1.0
        inside = np.ones(len(webs.date), dtype=bool)
        if self.begins is not None:
            inside &= webs.date >= self.begins.day
        if self.ends is not None:
            inside &= webs.date < self.ends.day
        return np.where(inside, part, 0.0)


@dataclass(frozen=True)
class WeighedMaterial:
    """The regression of one material.

    Slopes of the spells [g/m2] come first in `fit`, then kilograms of each further term. `reels` is how many
    each slope stands on, `mix` the share of each present spell in the paper of the last weeks (0 for past ones).
    """

    spells: list[Spell]
    fit: LinkedFit
    reels: np.ndarray
    mix: np.ndarray

    @property
    def estimate(self) -> np.ndarray:
        """Estimates of all terms."""
        return self.fit.estimate

    @property
    def covariance(self) -> np.ndarray:
        """Their covariance."""
        return self.fit.covariance

    @property
    def rows(self) -> int:
        """Rows of the regression."""
        return len(self.fit.response)

    def term(self, number: int) -> tuple[float, float, float, float]:
        """Return estimate, standard error and 95 % limits of one term."""
        weights = np.zeros(len(self.estimate))
        weights[number] = 1.0
        return self.sum_of(weights)

    def present(self) -> tuple[float, float, float, float]:
        """Return estimate, standard error and 95 % limits of the present grammage."""
        return self.sum_of(np.concatenate([self.mix, np.zeros(len(self.estimate) - len(self.spells))]))

    def sum_of(self, weights: np.ndarray) -> tuple[float, float, float, float]:
        """Return estimate, standard error and 95 % limits (Student's t) of a weighted sum of terms.

        A slope of a short spell stands on few reels: their number bounds the degrees of freedom.
        """
        value = float(weights @ self.estimate)
        variance = float(weights @ self.covariance @ weights)
        freedom = self.fit.freedom(weights)
        used = self.reels[weights[: len(self.spells)] > 0]
        if len(self.spells) > 1 and len(used):
            fewest = float(max(used.min(), 2.0))
            freedom = min(freedom, fewest - 1)
            variance *= fewest / (fewest - 1)
        error = float(np.sqrt(max(variance, 0.0)))
        half = float(special.stdtrit(freedom, 0.975)) * error
        return value, error, value - half, value + half


def weigh(webs: WeighedWebs) -> WeighedMaterial:
    """Fit one material, its changes in time and its suppliers' differences included; one slope where there are none."""
    whole: list[tuple[str, ...]] = [()]
    changes: dict[tuple[str, ...], list[Change]] = {(): _changes(webs, whole, ())}
    large = _large_suppliers(webs)
    if len(large) > 1:
        groups = _groups(webs, large)
        differ, replaced = _differ(webs, changes[()], large), _replaced(webs, changes[()])
        if differ or len(replaced):
            own = {group: _changes(webs, groups, group) for group in groups}
            begun = [change.day for changed in own.values() for change in changed]
            # Where a supplier's own paper changed on that day too, it was not the change of supplier.
            if differ or not any(abs(day - other) <= _SPAN for day in begun for other in replaced):
                return _fit(webs, own)
    return _fit(webs, changes)


def supplier_slopes(
    webs: WeighedWebs, fitted: WeighedMaterial
) -> list[tuple[str, float, float, float, float]]:
    """Return supplier, present slope [g/m2], its standard error and 95 % limits, of suppliers with paper enough.

    Each has a slope of its own, whether or not the slopes differ by more than chance: what is compared between
    suppliers must carry the error of each. The material's changes in time stay where they were found.
    """
    large = _large_suppliers(webs)
    if len(large) > 1 and not any(spell.suppliers for spell in fitted.spells):
        changes = [spell.begins for spell in fitted.spells if spell.begins is not None]
        fitted = _fit(webs, dict.fromkeys(_groups(webs, large), changes))
    return [
        (name, *fitted.term(number))
        for number, spell in enumerate(fitted.spells)
        if spell.ends is None
        for name in large
        if name in spell.suppliers or (not spell.suppliers and len(large) == 1)
    ]


def _groups(webs: WeighedWebs, large: list[str]) -> list[tuple[str, ...]]:
    """Return the suppliers with slopes of their own; the few reels of all others go with the last of them."""
    rest = tuple(str(name) for name in webs.shares.columns if name not in large)
    groups: list[tuple[str, ...]] = [(name,) for name in large]
    groups[-1] = groups[-1] + rest
    return groups


def _spells(changes: dict[tuple[str, ...], list[Change]]) -> list[Spell]:
    spells = []
    for group, own in changes.items():
        ends: list[Change | None] = [*own, None]
        begins: list[Change | None] = [None, *own]
        spells += [Spell(group, first, last) for first, last in zip(begins, ends, strict=True)]
    return spells


def _fit(webs: WeighedWebs, changes: dict[tuple[str, ...], list[Change]]) -> WeighedMaterial:
    """Return the fit of the slopes between `changes`: the search for changes asks for some of them twice."""
    asked = tuple((group, *own) for group, own in changes.items())
    if asked not in webs.fits:
        webs.fits[asked] = _fitted(webs, changes)
    return webs.fits[asked]


def _fitted(webs: WeighedWebs, changes: dict[tuple[str, ...], list[Change]]) -> WeighedMaterial:
    """Fit the slopes between `changes`; days on which a change may have begun or paper is mixed are left out."""
    spells = _spells(changes)
    used = webs.only(_sure(webs, changes))
    shares = np.column_stack([spell.share(used) for spell in spells])
    few = (shares > 0).sum(axis=0) < _SPELL_ROWS
    for spell in (spell for spell, lacks in zip(spells, few, strict=True) if lacks):
        # A spell too short for a slope is no spell: the change that bounds it goes.
        bound = spell.begins or spell.ends
        if bound is not None:
            own = [change for change in changes[spell.suppliers] if change is not bound]
            return _fit(webs, {**changes, spell.suppliers: own})
    design = np.column_stack([shares * used.area[:, None], used.terms])
    fit = linked_least_squares(design, used.net, used.row, used.reel, used.run)
    reels = np.array([np.count_nonzero(np.bincount(used.reel[own > 0])) for own in shares[used.row].T])
    begun = [spell.begins.day for spell in spells if spell.begins is not None]
    last = webs.date >= max([webs.date.max() - np.timedelta64(_MIX_DAYS, "D"), *begun])
    open_now = np.array([spell.ends is None for spell in spells])
    mix = np.array([(spell.share(webs) * webs.area)[last].sum() for spell in spells]) * open_now
    # Where the last days hold none of these suppliers' paper, all present slopes count alike.
    mix = mix if mix.sum() > 0 else open_now.astype(float)
    return WeighedMaterial(spells, fit, reels, mix / mix.sum())


def _sure(webs: WeighedWebs, changes: dict[tuple[str, ...], list[Change]]) -> np.ndarray:
    """Say which rows are surely of one spell: on none of the days when old and new paper may be about."""
    kept = np.ones(len(webs.area), dtype=bool)
    for group, own in changes.items():
        has = webs.shares[list(group)].sum(axis=1).to_numpy() > 0 if group else np.ones_like(kept)
        for change in own:
            unsure = has & (webs.date >= change.mixed_from) & (webs.date < change.mixed_to)
            later = webs.date >= change.day
            for side in (~later, later):
                # A young spell is estimated from what there is.
                if (kept & has & side & ~unsure).sum() >= 2 * _SPELL_ROWS:
                    kept &= ~(unsure & side)
    return kept


def _changes(webs: WeighedWebs, groups: list[tuple[str, ...]], group: tuple[str, ...]) -> list[Change]:
    """Return the changes of one group of suppliers (none named: of the material)."""
    own = np.ones(len(webs.area), dtype=bool)
    if group:
        own = webs.shares[list(group)].sum(axis=1).to_numpy() >= _MAINLY
    changes: list[Change] = []
    if own.sum() < 2 * _SPELL_ROWS:
        return changes
    number = groups.index(group)
    unchanged = _fit(webs, {one: [] for one in groups})
    slope = unchanged.estimate[min(number, len(unchanged.spells) - 1)]
    for _ in range(2):
        # Starts and breaks are judged beside the changes found, or a change would be part of them.
        fitted = _fit(webs, {one: changes if one == group else [] for one in groups})
        terms = fitted.estimate[len(fitted.spells) :]
        left = (webs.net - webs.terms @ terms - slope * webs.area)[own]
        again = changes_of(webs.date[own], left, webs.area[own], SMALLEST_SHARE * slope)
        if [change.day for change in again] == [change.day for change in changes]:
            break
        changes = again
    return changes


def _large_suppliers(webs: WeighedWebs) -> list[str]:
    """Return the suppliers with rows enough for a slope of their own, the largest first."""
    mainly = (webs.shares >= _MAINLY).sum()
    large = mainly[(mainly >= _SUPPLIER_ROWS) & (mainly >= _SUPPLIER_SHARE * len(webs.area))]
    return [str(name) for name in large.sort_values(ascending=False, kind="stable").index]


def _differ(webs: WeighedWebs, changes: list[Change], large: list[str]) -> bool:
    """Say whether the suppliers' slopes differ between the same changes (Wald test)."""
    fitted = _fit(webs, dict.fromkeys(_groups(webs, large), changes))
    contrasts = []
    for begins in [None, *changes]:
        same = [
            n
            for n, spell in enumerate(fitted.spells)
            if spell.begins is begins and fitted.reels[n] > _SPELL_ROWS
        ]
        for other in same[1:]:
            contrast = np.zeros(len(fitted.estimate))
            contrast[[same[0], other]] = 1.0, -1.0
            contrasts.append(contrast)
    if not contrasts:
        return False
    matrix = np.array(contrasts)
    apart = matrix @ fitted.estimate
    if np.abs(apart).max() < SMALLEST_SHARE * fitted.estimate[0]:
        return False
    value = apart @ np.linalg.solve(matrix @ fitted.covariance @ matrix.T, apart)
    freedom = max(fitted.rows - len(fitted.estimate), 1)
    return bool(special.fdtrc(len(apart), freedom, value / len(apart)) < SUPPLIERS_CHANCE)


def _replaced(webs: WeighedWebs, changes: list[Change]) -> list[np.datetime64]:
    """Return the changes at which most of the paper came from other suppliers than before."""
    replaced = []
    for change in changes:
        before = (webs.date < change.day) & (webs.date >= change.day - _SPAN)
        after = (webs.date >= change.day) & (webs.date < change.day + _SPAN)
        if before.any() and after.any():
            moved = webs.shares[after].mean() - webs.shares[before].mean()
            if 0.5 * moved.abs().sum() > 0.5:
                replaced.append(change.day)
    return replaced
