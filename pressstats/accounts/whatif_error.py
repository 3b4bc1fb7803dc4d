"""How far off the share of a material's use may be that an assumption is told to change."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..demand import Recipe

__all__ = ["film_error", "ink_terms", "title_error"]

#: Past origins of a year, four weeks apart, at which the share of titles was forecast; fewer than three tell nothing.
_ORIGINS, _APART, _LEAST = 13, 28, 3


def title_error(recipe: Recipe, titles: Iterable[str], days: int) -> float:
    """Return the relative error of the share that some titles have in all pages printed, of so many days ahead.

    Root mean square over past origins of the last year, each with what was known then. How much is printed in all is
    no part of it: the forecast's own limits hold that. Short logs tell it of four weeks ahead; blank where fewer than
    three origins have come to their end.
    """
    for ahead in (days, _APART):
        errors = _errors(recipe, titles, ahead)
        if len(errors) >= _LEAST:
            return float(np.sqrt(np.mean(np.square(errors))))
    return float("nan")


def _errors(recipe: Recipe, titles: Iterable[str], days: int) -> list[float]:
    runs, wanted = recipe.runs, set(titles)
    number = [place for title, place in runs.titles.items() if title in wanted]
    printed = np.nan_to_num(runs.ordered * runs.pages)
    own = np.isin(runs.title, number)
    last = recipe.drivers.last.astype("datetime64[D]")
    errors = []
    for turn in range(_ORIGINS):
        known = last - np.timedelta64(days + _APART * turn, "D")
        if known < runs.day[0] + np.timedelta64(2 * _APART, "D"):
            break
        ahead = pd.date_range(pd.Timestamp(known) + pd.Timedelta(days=1), periods=days, freq="D", unit="us")
        expected = recipe.drivers.expected(pd.Timestamp(known), ahead)
        pages = expected.issues["copies"].to_numpy(dtype=float) * expected.pages.mean(axis=1)
        share = pages[expected.issues["title"].isin(wanted).to_numpy()].sum() / pages.sum()
        inside = (runs.day > known) & (runs.day <= known + np.timedelta64(days, "D"))
        came = printed[inside & own].sum() / printed[inside].sum()
        if share > 0 and came > 0:
            errors.append(np.log(came / share))
    return errors


def ink_terms(model: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return film [kg/m2], start-up [kg a run] and idle loss [kg a week] of inks whose three terms are told apart."""
    terms = ["film_g_m2", "startup_kg_per_run", "standing_kg_per_day"]
    table = model.pivot(index="ink", columns="term", values="estimate").reindex(columns=terms).dropna()
    scale = np.array([1e-3, 1.0, 7.0])
    return {str(ink): np.maximum(row.to_numpy(dtype=float) * scale, 0.0) for ink, row in table.iterrows()}


def film_error(model: pd.DataFrame, inks: Iterable[str]) -> float:
    """Return the largest relative standard error of the film weights of some inks; 0 where none is known."""
    film = model[(model["term"] == "film_g_m2") & model["ink"].isin(list(inks))]
    return float(np.nan_to_num((film["std_error"] / film["estimate"]).max()))
