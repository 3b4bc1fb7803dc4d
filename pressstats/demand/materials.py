"""From issues to materials: make-up, waste, reel ends, ink, plates, and what counts alone tell.

What a copy takes is learned from the last half year before the day from which one looks ahead, and
nothing later: waste at each start and on the run, paper mounted over paper printed, coverage of a page,
film weight, starts and standing of each ink, plates of a page.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .whatif import WhatIf

if TYPE_CHECKING:
    from .drivers import Expected
    from .recipe import Recipe, RunPast

__all__ = ["driver_days"]

#: Weeks from which the terms of an ink are learned.
_INK_WEEKS = 104
#: Weeks of a material of its own that weigh as much as all newsprint together.
_OWN_WEEKS = 4.0
#: Runs of a title from which its own waste, coverage and plates are believed.
_OWN_RUNS = 8
#: A plate's life is looked for among these impressions; common practice, no source: about 25,000.
_LIVES = (np.inf, 100_000.0, 75_000.0, 50_000.0, 35_000.0, 25_000.0)


class _Ahead:
    """Issues to come as arrays, with the runs that they may learn from."""

    def __init__(self, recipe: Recipe, expected: Expected, now: np.datetime64, assumed: WhatIf) -> None:
        table = expected.issues
        self.recipe, self.now, self.assumed = recipe, now, assumed
        self.pages = expected.pages
        self.mean_pages = expected.pages.mean(axis=1)
        self.day = table["day"].to_numpy().astype("datetime64[D]")
        self.weekday = (self.day.astype(int) + 3) % 7
        self.runs = table["runs"].to_numpy(dtype=float)
        names = table["title"].to_numpy(dtype=object)
        #: Rows of each title, with the title that it learns from.
        self.groups = [
            (assumed.like.get(title, title), np.flatnonzero(names == title)) for title in dict.fromkeys(names)
        ]
        self.lately = recipe.runs.lately(now)
        self.share = self._colour_share(table["colour_share"].to_numpy(dtype=float))
        self.gross = self._gross(table["copies"].to_numpy(dtype=float))

    def own(self, title: str) -> np.ndarray:
        """Return the positions of a title's late runs; of all where it has too few."""
        runs = self.recipe.runs
        number = runs.titles.get(title, -1)
        rows = np.arange(self.lately.start, self.lately.stop)
        of_title = rows[runs.title[rows] == number]
        return of_title if len(of_title) >= _OWN_RUNS else rows

    def _colour_share(self, share: np.ndarray) -> np.ndarray:
        """Return colour pages of all pages; where neither title nor plan tells, as in the runs it learns from."""
        runs, result = self.recipe.runs, share.copy()
        for title, rows in self.groups:
            own = self.own(title)
            own = own[np.isfinite(runs.colour_pages[own])]
            if len(own):
                usual = runs.colour_pages[own].sum() / runs.pages[own].sum()
                result[rows] = np.where(np.isfinite(share[rows]), share[rows], usual)
        return result

    def _gross(self, copies: np.ndarray) -> np.ndarray:
        """Return gross copies: the copies, what runs over them, and what each start spoils."""
        gross = copies.copy()
        for title, rows in self.groups:
            over, startup = _waste(self.recipe.runs, self.own(title))
            waste = copies[rows] * (over - 1) + self.runs[rows] * startup * self.assumed.startup
            gross[rows] += waste * self.assumed.waste
        return gross

    def by_day(self, values: np.ndarray, days: np.ndarray) -> np.ndarray:
        """Return sums of `values` by day, shape of `days`."""
        return np.bincount((self.day - days[0]).astype(int), weights=values, minlength=len(days))


def driver_days(
    recipe: Recipe,
    known: pd.Timestamp,
    days: pd.DatetimeIndex,
    what_if: WhatIf | None = None,
    terms: Mapping[str, np.ndarray] | None = None,
    expected: Expected | None = None,
) -> pd.DataFrame:
    """Return what each day ahead is expected to take of each material, from its issues, shape (days, materials).

    The days follow on each other, later than `known`; blank for a material that issues do not explain. An assumption
    that holds on some days only changes those: what a day takes depends on its own issues. `terms` are film [kg/m2],
    start-up [kg a run] and idle loss [kg a week] by ink, for those that weeks need not tell. `expected` are the issues
    of these days where they are known already.
    """
    if what_if is not None and not (holds := what_if.holds_on(days)).all():
        plain = driver_days(recipe, known, days, terms=terms, expected=expected)
        always = replace(what_if, weekdays=(), first=None, last=None)
        if not holds.any():
            return plain
        changed = driver_days(recipe, known, days, always, terms, expected)
        return changed.where(pd.Series(holds, days), plain, axis=0)
    if expected is None:
        expected = recipe.drivers.expected(known, days)
    if what_if is not None:
        closed = recipe.drivers.calendar.closed(days.to_numpy().astype("datetime64[D]"))
        expected = what_if.issues(expected, days[~closed])
    assumed = what_if or WhatIf()
    now = np.datetime64(known, "D")
    seen = int(np.searchsorted(recipe.week_ends, now, side="right"))
    columns: dict[str, np.ndarray] = {}
    if len(expected.issues):
        ahead = _Ahead(recipe, expected, now, assumed)
        span = days.to_numpy().astype("datetime64[D]")
        columns |= _newsprint(ahead, span, seen)
        columns |= _inks(ahead, span, seen, terms or {})
        columns |= _plates(ahead, span)
        columns |= _others(ahead, span, seen)
    return pd.DataFrame(columns, index=days).reindex(columns=recipe.history.columns)


def _waste(runs: RunPast, rows: np.ndarray) -> tuple[float, float]:
    """Return gross copies without start-up over copies ordered, and start-up copies of a run."""
    ordered = runs.ordered[rows].sum()
    if not ordered > 0:
        return 1.0, 0.0
    startup = np.nan_to_num(runs.startup[rows])
    return float((runs.gross[rows] - startup).sum() / ordered), float(startup.mean())


def _newsprint(ahead: _Ahead, days: np.ndarray, seen: int) -> dict[str, np.ndarray]:
    recipe = ahead.recipe
    areas = np.zeros((len(ahead.day), len(recipe.configuration.materials)))
    for title, rows in ahead.groups:
        areas[rows] = recipe.configuration.per_copy(title, ahead.pages[rows], ahead.now).mean(axis=1)
    by_material = {}
    overhead = _overhead(recipe, seen)
    for number, material in enumerate(recipe.configuration.materials):
        if material in overhead and material in recipe.grammages:
            grammage = ahead.assumed.grammage.get(material, recipe.grammages[material])
            kg = ahead.gross * areas[:, number] * grammage / 1000 * overhead[material]
            by_material[material] = ahead.by_day(kg, days)
    return by_material


def _overhead(recipe: Recipe, seen: int) -> dict[str, float]:
    """Return mounted over nominal printed kilograms of each newsprint, those of few weeks drawn to all."""
    last = slice(max(seen - 26, 0), seen)
    sums = {}
    for name, use in recipe.used.items():
        if name not in recipe.printed:
            continue
        used, printed = use[last], recipe.printed[name][last]
        known = np.isfinite(used) & np.isfinite(printed)
        if known.any():
            sums[name] = (float(used[known].sum()), float(printed[known].sum()))
    total = sum(printed for _, printed in sums.values())
    if not total > 0:
        return {}
    common = sum(used for used, _ in sums.values()) / total
    # A width that was not on the press is no part of what is usual.
    running = sum(printed > 0 for _, printed in sums.values())
    prior = _OWN_WEEKS * total / max(last.stop - last.start, 1) / running
    return {name: (used + prior * common) / (printed + prior) for name, (used, printed) in sums.items()}


def _inks(
    ahead: _Ahead, days: np.ndarray, seen: int, given: Mapping[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """Return what inks take: film on the solid area, starts, and standing every day."""
    recipe, runs = ahead.recipe, ahead.recipe.runs
    page_m2 = np.empty(len(ahead.day))
    for title, rows in ahead.groups:
        page_m2[rows] = runs.page_m2[ahead.own(title)[-1]] if len(ahead.own(title)) else np.nan
    by_material = {}
    for material, ink in recipe.inks.items():
        if material not in recipe.used or ink not in recipe.solid or ink not in runs.solid_pages:
            continue
        used = recipe.used[material][:seen]
        terms = given.get(ink)
        if terms is None:
            terms = _terms(used, recipe.solid[ink][:seen], recipe.starts[ink][:seen])
        if terms is None:
            continue
        solid, prints = _solid_pages(ahead, ink)
        area = ahead.gross * solid * page_m2 * ahead.assumed.coverage.get(ink, 1.0)
        kg = terms[0] * area + terms[1] * prints * ahead.runs
        by_material[material] = ahead.by_day(kg, days) + terms[2] / 7
    return by_material


def _solid_pages(ahead: _Ahead, ink: str) -> tuple[np.ndarray, np.ndarray]:
    """Return solid pages of a copy of each issue, and the share of runs in which the ink prints.

    Black goes by pages, every other ink by colour pages where these are logged. Blank of a title whose coverage
    is not known.
    """
    runs = ahead.recipe.runs
    solid, prints = np.zeros(len(ahead.day)), np.zeros(len(ahead.day))
    for title, rows in ahead.groups:
        own = ahead.own(title)
        covered = runs.solid_pages[ink][own]
        coloured = np.isfinite(runs.colour_pages[own]).any() and np.isfinite(ahead.share[rows]).all()
        by_colour = ink != "black" and bool(coloured)
        base = runs.colour_pages if by_colour else runs.pages
        known = np.isfinite(covered) & np.isfinite(base[own])
        own, covered = own[known], covered[known]
        if not len(own):
            solid[rows] = np.nan
            continue
        per_page = covered.sum() / max(base[own].sum(), 1.0)
        solid[rows] = per_page * ahead.mean_pages[rows] * (ahead.share[rows] if by_colour else 1.0)
        count = np.bincount(runs.weekday[own], minlength=7)
        hits = np.bincount(runs.weekday[own], weights=covered > 0, minlength=7)
        usual = hits.sum() / max(count.sum(), 1)
        prints[rows] = np.where(count > 0, hits / np.maximum(count, 1), usual)[ahead.weekday[rows]]
    return solid, prints


def _terms(used: np.ndarray, solid: np.ndarray, starts: np.ndarray) -> np.ndarray | None:
    """Return film [kg/m2], start-up [kg] and standing [kg a week] of an ink from its weeks; none is negative."""
    known = np.flatnonzero(np.isfinite(used) & np.isfinite(solid) & np.isfinite(starts))[-_INK_WEEKS:]
    if len(known) < 4 or not solid[known].sum() > 0:
        return None
    design = np.column_stack([solid, starts, np.ones(len(solid))])[known]
    size = np.where(design.mean(axis=0) > 0, design.mean(axis=0), 1.0)
    design, wanted = design / size, used[known]
    # Terms that weeks cannot tell apart are kept small beside the film; more of it says 1 to 3 % too much in full
    # weeks (simulated plants, one and two years known).
    ridge = 0.002 * len(known) * np.diag([0.0, 1.0, 1.0])
    gram, moment = design.T @ design + ridge, design.T @ wanted
    best, terms = np.inf, np.zeros(3)
    # Three terms: every choice of those that are not nothing is tried.
    for choice in ([0], [0, 1], [0, 2], [0, 1, 2]):
        part = np.linalg.solve(gram[np.ix_(choice, choice)], moment[choice])
        loss = float(part @ gram[np.ix_(choice, choice)] @ part - 2 * part @ moment[choice])
        if (part >= 0).all() and loss < best:
            best, terms = loss, np.zeros(3)
            terms[choice] = part
    # What the last quarter took over what these terms say: a drift goes on.
    said = (design[-13:] @ terms).sum()
    return terms / size * max(wanted[-13:].sum() / said, 0.0) if said > 0 else None


def _plates(ahead: _Ahead, days: np.ndarray) -> dict[str, np.ndarray]:
    """Return plates: of each run by its pages and colour pages, again as often as a plate's life wants."""
    recipe, runs = ahead.recipe, ahead.recipe.runs
    names = recipe.kinds.index[recipe.kinds["kind"] == "plate"]
    if len(names) != 1 or names[0] not in recipe.history:
        return {}
    life = _plate_life(runs, ahead.lately)
    wanted = np.zeros(len(ahead.day))
    for title, rows in ahead.groups:
        own = ahead.own(title)
        own = own[np.isfinite(runs.plates[own])]
        sets = _plate_sets(runs, own, life).sum()
        if not sets > 0:
            return {}
        copies = ahead.gross[rows] / ahead.runs[rows]
        share = np.nan_to_num(ahead.share[rows])
        each = ahead.mean_pages[rows] * (1 + 3 * share) * np.ceil(copies / life).clip(1)
        wanted[rows] = runs.plates[own].sum() / sets * each * ahead.runs[rows]
    return {str(names[0]): ahead.by_day(wanted, days)}


def _plate_sets(runs: RunPast, rows: np.ndarray, life: float) -> np.ndarray:
    """Return the plates of one time around the cylinder: a colour page has one of each of four inks."""
    single = runs.pages[rows] + 3 * np.nan_to_num(runs.colour_pages[rows])
    return np.asarray(single * np.ceil(runs.gross[rows] / life).clip(1))


def _plate_life(runs: RunPast, lately: slice) -> float:
    """Return after how many impressions plates are made anew, as late runs of one title tell."""
    rows = np.arange(lately.start, lately.stop)
    rows = rows[np.isfinite(runs.plates[rows])]
    losses = []
    for life in _LIVES:
        sets = _plate_sets(runs, rows, life)
        plates = np.bincount(runs.title[rows], weights=runs.plates[rows])
        each = plates / np.maximum(np.bincount(runs.title[rows], weights=sets), 1e-9)
        losses.append(float(((runs.plates[rows] - each[runs.title[rows]] * sets) ** 2).sum()))
    best = int(np.argmin(losses)) if losses else 0
    # A life is believed only where it explains clearly more than none.
    return _LIVES[best] if losses and losses[best] < 0.8 * losses[0] else np.inf


def _others(ahead: _Ahead, days: np.ndarray, seen: int) -> dict[str, np.ndarray]:
    """Return what only counts tell of: per copy, printed page or run, whichever explained the last year better."""
    recipe, runs = ahead.recipe, ahead.recipe.runs
    year = slice(max(seen - 52, 0), seen)
    week = np.searchsorted(recipe.week_ends[:seen], runs.day)
    printed = np.bincount(week, weights=runs.gross * runs.pages, minlength=seen)[:seen]
    bases = (
        (ahead.gross, recipe.copies[year]),
        (ahead.gross * ahead.mean_pages, printed[year]),
        (ahead.runs, recipe.run_count[year]),
    )
    by_material = {}
    for material in recipe.kinds.index[recipe.kinds["kind"] == "other"]:
        if material not in recipe.history:
            continue
        used = recipe.history[material].to_numpy()[year]
        best = np.inf
        for values, base in bases:
            known = np.isfinite(used) & (base > 0)
            if known.sum() < 4:
                continue
            each = used[known].sum() / base[known].sum()
            loss = float(np.abs(used[known] - each * base[known]).sum())
            if loss < best:
                best, by_material[str(material)] = loss, ahead.by_day(values * each, days)
    return by_material
