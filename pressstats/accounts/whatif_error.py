"""How far off the share of a material's use may be that an assumption is told to change."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..demand import Expected, Recipe, WhatIf

__all__ = ["TitleErrors", "film_error", "ink_terms", "makeup_draws", "unprinted", "waste_error"]

#: Past origins of a year, four weeks apart, at which the share of titles was forecast; fewer than three tell nothing.
_ORIGINS, _APART, _LEAST = 13, 28, 3
#: Draws of the pages of all issues together.
_DRAWS, _SEED = 200, 20240229
#: Share of the issues assumed below which their pages were never printed.
_PRINTED = 0.5


class TitleErrors:
    """How far off the share of titles was at past origins of the last year, each with what was known then.

    What an origin expected is the same whichever titles are asked about: it is worked out once.
    """

    def __init__(self, recipe: Recipe) -> None:
        self._recipe = recipe
        self._origins: dict[int, list[tuple[np.ndarray, np.ndarray, np.ndarray]]] = {}

    def of(self, titles: Iterable[str], days: int) -> float:
        """Return the relative error of the share that some titles have in all pages printed, of so many days ahead.

        Root mean square over the origins. How much is printed in all is no part of it: the forecast's own limits hold
        that. Short logs tell it of four weeks ahead; blank where fewer than three origins have come to their end.
        """
        for ahead in (days, _APART):
            errors = self._errors(set(titles), ahead)
            if len(errors) >= _LEAST:
                return float(np.sqrt(np.mean(np.square(errors))))
        return float("nan")

    def _errors(self, wanted: set[str], days: int) -> list[float]:
        runs = self._recipe.runs
        numbers = [number for title, number in runs.titles.items() if title in wanted]
        printed = np.nan_to_num(runs.ordered * runs.pages)
        own = np.isin(runs.title, numbers)
        if days not in self._origins:
            self._origins[days] = self._expected(days)
        errors = []
        for titles, pages, inside in self._origins[days]:
            share = pages[np.isin(titles, list(wanted))].sum() / pages.sum()
            came = printed[inside & own].sum() / printed[inside].sum()
            if share > 0 and came > 0:
                errors.append(np.log(came / share))
        return errors

    def _expected(self, days: int) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Return of each origin the titles and pages of the issues expected, and which runs came of those days."""
        recipe, runs, origins = self._recipe, self._recipe.runs, []
        last = recipe.drivers.last.astype("datetime64[D]")
        for turn in range(_ORIGINS):
            known = last - np.timedelta64(days + _APART * turn, "D")
            if known < runs.day[0] + np.timedelta64(2 * _APART, "D"):
                break
            first = pd.Timestamp(known) + pd.Timedelta(days=1)
            ahead = pd.date_range(first, periods=days, freq="D", unit="us")
            expected = recipe.drivers.expected(pd.Timestamp(known), ahead)
            pages = expected.issues["copies"].to_numpy(dtype=float) * expected.pages.mean(axis=1)
            inside = (runs.day > known) & (runs.day <= known + np.timedelta64(days, "D"))
            origins.append((expected.issues["title"].to_numpy(dtype=object), pages, inside))
        return origins


def makeup_draws(
    recipe: Recipe,
    known: pd.Timestamp,
    since: pd.DatetimeIndex,
    looked_at: pd.DatetimeIndex,
    assumed: WhatIf,
    expected: Expected,
) -> pd.DataFrame:
    """Return draws of the change of each newsprint less their mean, as a share of its use, shape (draws, materials).

    Pages go into webs in jumps: what a title takes of one width depends on the pages that each issue happens to have,
    each by itself, and its widths err against each other. A width whose change is nothing in the mean may jump as well.
    """
    closed = recipe.drivers.calendar.closed(since.to_numpy().astype("datetime64[D]"))
    now, areas = np.datetime64(known, "D"), []
    concerned = {*assumed.copies, *assumed.pages, *assumed.closed, *assumed.like}
    for one in (expected, assumed.issues(expected, since[~closed])):
        day = pd.DatetimeIndex(one.issues["day"])
        inside = day.isin(looked_at) & assumed.holds_on(day)
        issues, pages = one.issues[inside], one.pages[inside]
        total = np.zeros((_DRAWS, len(recipe.configuration.materials)))
        for title, rows in issues.groupby("title").indices.items():
            if title not in concerned:
                continue
            # The same draws on both sides: what differs is what is assumed.
            drawn = np.random.default_rng(_SEED).integers(0, pages.shape[1], (len(rows), _DRAWS))
            area = recipe.configuration.per_copy(
                assumed.like.get(str(title), str(title)), np.take_along_axis(pages[rows], drawn, 1), now
            )
            total += np.einsum("i,idm->dm", issues["copies"].to_numpy(dtype=float)[rows], area)
        areas.append(total)
    inside = pd.DatetimeIndex(expected.issues["day"]).isin(looked_at)
    issues, pages = expected.issues[inside], expected.pages[inside]
    use = np.zeros(len(recipe.configuration.materials))
    for title, rows in issues.groupby("title").indices.items():
        area = recipe.configuration.per_copy(str(title), pages[rows], now).mean(axis=1)
        use += issues["copies"].to_numpy(dtype=float)[rows] @ area
    change = areas[1] - areas[0]
    share = (change - change.mean(axis=0)) / np.where(use > 0, use, np.inf)
    return pd.DataFrame(share, columns=recipe.configuration.materials)


def unprinted(
    recipe: Recipe, known: pd.Timestamp, looked_at: pd.DatetimeIndex, assumed: WhatIf, expected: Expected
) -> str:
    """Say of which titles most issues would have a number of pages that none of their runs had; empty if of none.

    What their webs would be is then put together from other runs (:class:`pressstats.demand.WebConfiguration`), and may
    jump to another width.
    """
    runs = recipe.runs
    day = pd.DatetimeIndex(expected.issues["day"])
    inside = day.isin(looked_at) & assumed.holds_on(day)
    titles = []
    for title, more in assumed.pages.items():
        pages = expected.pages[inside & (expected.issues["title"] == title).to_numpy()] + more
        printed = runs.pages[
            (runs.title == runs.titles.get(title, -1)) & (runs.day <= np.datetime64(known, "D"))
        ]
        if pages.size and np.isin(np.round(pages), printed).mean() < _PRINTED:
            titles.append(title)
    if not titles:
        return ""
    return (
        f"{', '.join(titles)}: mostly pages never printed, made up as the nearest that were, so webs may jump"
    )


def waste_error(recipe: Recipe, days: int) -> float:
    """Return the relative error of the copies that starts spoil, of so many days ahead.

    As :class:`TitleErrors` tell that of titles: what the half year before a past origin spoilt a start of each title,
    against what came.
    """
    runs, errors = recipe.runs, []
    last = recipe.drivers.last.astype("datetime64[D]")
    for turn in range(_ORIGINS):
        known = last - np.timedelta64(days + _APART * turn, "D")
        past = runs.lately(known)
        inside = np.flatnonzero((runs.day > known) & (runs.day <= known + np.timedelta64(days, "D")))
        spoilt, titles = runs.startup[past], runs.title[past]
        if known < runs.day[0] + np.timedelta64(2 * _APART, "D") or not np.isfinite(spoilt).all():
            break
        count = np.bincount(titles, minlength=len(runs.titles))
        usual = np.bincount(titles, weights=spoilt, minlength=len(runs.titles)) / np.maximum(count, 1)
        seen = inside[count[runs.title[inside]] > 0]
        came, said = runs.startup[seen].sum(), usual[runs.title[seen]].sum()
        if came > 0 and said > 0:
            errors.append(np.log(came / said))
    return float(np.sqrt(np.mean(np.square(errors)))) if len(errors) >= _LEAST else float("nan")


def ink_terms(model: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return film [kg/m2], start-up [kg a run] and idle loss [kg a week] of inks whose three terms are told apart."""
    terms = ["film_g_m2", "startup_kg_per_run", "standing_kg_per_day"]
    table = model.pivot(index="ink", columns="term", values="estimate").reindex(columns=terms).dropna()
    scale = np.array([1e-3, 1.0, 7.0])
    return {str(ink): np.maximum(row.to_numpy(dtype=float) * scale, 0.0) for ink, row in table.iterrows()}


def film_error(model: pd.DataFrame, ink: str | None) -> float:
    """Return the relative standard error of an ink's film weight; blank where it has none."""
    film = model[(model["term"] == "film_g_m2") & (model["ink"] == ink)]
    return float((film["std_error"] / film["estimate"]).max())
