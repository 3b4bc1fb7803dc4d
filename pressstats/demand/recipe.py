"""What turns issues into materials, gathered from the logs once: runs, coverage, and use by week."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..paper import web_use
from .configuration import WebConfiguration, web_configuration
from .drivers import Drivers, drivers_of
from .issues import weekday_of

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["Recipe", "RunPast", "recipe_of"]

_HALF_YEAR = np.timedelta64(182, "D")


@dataclass(frozen=True)
class RunPast:
    """Runs in the order of their publication days."""

    day: np.ndarray  # (runs,): publication days
    weekday: np.ndarray  # Monday 0
    title: np.ndarray  # number of the title
    titles: dict[str, int]
    ordered: np.ndarray  # copies, as gross and startup are
    gross: np.ndarray
    startup: np.ndarray
    pages: np.ndarray
    colour_pages: np.ndarray
    plates: np.ndarray
    page_m2: np.ndarray  # area of a page [m2]
    # (runs,): solid pages of a copy by ink; blank where the run's coverage is not known
    solid_pages: dict[str, np.ndarray]

    def lately(self, known: np.datetime64) -> slice:
        """Return where the runs of the last half year up to `known` stand."""
        first = np.searchsorted(self.day, known - _HALF_YEAR, side="right")
        return slice(int(first), int(np.searchsorted(self.day, known, side="right")))


@dataclass(frozen=True)
class Recipe:
    """Everything needed to turn issues into materials, as far as the logs tell."""

    history: pd.DataFrame  # (weeks, materials): weekly use (:func:`pressstats.demand.weekly_use`)
    kinds: pd.DataFrame  # kind, ink and grammage_gsm of each material
    drivers: Drivers
    configuration: WebConfiguration  # webs by title and pages
    runs: RunPast
    week_ends: np.ndarray  # (weeks,): last days of the weeks
    printed: dict[str, np.ndarray]  # (weeks,): nominal weight of the gross copies by newsprint [kg]
    solid: dict[str, np.ndarray]  # (weeks,): solid area printed by ink [m2]
    starts: dict[str, np.ndarray]  # (weeks,): runs that printed the ink
    copies: np.ndarray  # (weeks,): gross copies
    run_count: np.ndarray  # (weeks,)

    @cached_property
    def used(self) -> dict[str, np.ndarray]:
        """Weekly use by material, each of shape (weeks,): asked for at every origin."""
        return _columns(self.history)

    @cached_property
    def inks(self) -> dict[str, str]:
        """Ink of each material that is one."""
        kinds = self.kinds
        inks = kinds.loc[(kinds["kind"] == "ink") & kinds["ink"].notna(), "ink"]
        return {str(material): str(ink) for material, ink in inks.items()}

    @cached_property
    def grammages(self) -> dict[str, float]:
        """Nominal grammage of each newsprint [g/m2]."""
        grammages = self.kinds.loc[self.kinds["kind"] == "newsprint", "grammage_gsm"]
        return {str(material): float(gsm) for material, gsm in grammages.items()}


def recipe_of(logs: Logs, history: pd.DataFrame, exposure: pd.DataFrame) -> Recipe:
    """Return what turns issues into materials."""
    weeks = history.index
    webs = web_use(logs)
    printed = webs["area_m2"] * webs["nominal_gsm"] / 1000
    printed = printed.groupby([webs["week"], webs["material"]]).sum(skipna=False)
    # A week with a run of unknown coverage printed an unknown area.
    by_ink = exposure.groupby(["week", "ink"])[["solid_m2", "starts"]].sum(skipna=False)
    runs = logs["runs"]
    by_week = runs["copies_gross"].groupby(logs.plant.week_of(runs["date"])).agg(["sum", "size"])
    by_week = by_week.reindex(weeks, fill_value=0)
    return Recipe(
        history=history,
        kinds=logs["materials"].set_index("material")[["kind", "ink", "grammage_gsm"]],
        drivers=drivers_of(logs),
        configuration=web_configuration(logs),
        runs=_runs(logs),
        week_ends=weeks.to_numpy().astype("datetime64[D]") + np.timedelta64(6, "D"),
        printed=_columns(printed.unstack(fill_value=0.0).reindex(weeks, fill_value=0.0)),
        solid=_columns(by_ink["solid_m2"].unstack().reindex(weeks)),
        starts=_columns(by_ink["starts"].unstack().reindex(weeks)),
        copies=by_week["sum"].to_numpy(dtype=float),
        run_count=by_week["size"].to_numpy(dtype=float),
    )


def _columns(table: pd.DataFrame) -> dict[str, np.ndarray]:
    return {str(name): table[name].to_numpy(dtype=float) for name in table}


def _runs(logs: Logs) -> RunPast:
    runs = logs["runs"].sort_values("date", kind="stable", ignore_index=True)
    code, titles = pd.factorize(runs["title"], sort=True)
    day = runs["date"].to_numpy().astype("datetime64[D]")
    numbers = {
        name: runs[column].to_numpy(dtype=float)
        for name, column in (
            ("ordered", "copies_ordered"),
            ("gross", "copies_gross"),
            ("startup", "copies_startup_waste"),
            ("pages", "pages"),
            ("colour_pages", "colour_pages"),
            ("plates", "plates"),
        )
    }
    page_m2 = (runs["page_width_mm"] * runs["page_height_mm"] / 1e6).to_numpy(dtype=float)
    return RunPast(
        day=day,
        weekday=weekday_of(day),
        title=code,
        titles={str(name): number for number, name in enumerate(titles)},
        page_m2=page_m2,
        solid_pages=_solid_pages(logs, runs),
        **numbers,
    )


def _solid_pages(logs: Logs, runs: pd.DataFrame) -> dict[str, np.ndarray]:
    if not logs.has("coverage"):
        return {}
    coverage = logs["coverage"]
    row = pd.Index(runs["run_id"]).get_indexer(coverage["run_id"])
    aside = logs.set_aside
    lost = runs["run_id"].isin(aside.loc[aside["table"] == "coverage", "run_id"]).to_numpy()
    known = np.zeros(len(runs), dtype=bool)
    known[row[row >= 0]] = True
    by_ink = {}
    for ink, rows in coverage.groupby("ink"):
        at = row[rows.index]
        # A run with coverage of other inks only does not print this one.
        solid = np.where(known & ~lost, 0.0, np.nan)
        solid[at[at >= 0]] += rows["solid_pages"].to_numpy()[at >= 0]
        by_ink[str(ink)] = solid
    return by_ink
