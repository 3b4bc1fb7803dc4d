"""How a title makes up its pages into webs: learned from the runs, with its changes.

Pages go into webs of several widths in jumps: two pages more may take a narrower web away and put a
full one in. So what an issue needs of each width is looked up by its pages, in the last run with as
many, and never taken from an average.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..logs import Logs
from ..paper import web_use

__all__ = ["MakeUp", "make_up_of"]


@dataclass(frozen=True)
class MakeUp:
    """Areas of each material by title and pages.

    Attributes
    ----------
    materials : list of str
        Materials in the order of the columns.
    day : ndarray of datetime64[D], shape (runs,)
        Publication days, in their order.
    title : ndarray of str, shape (runs,)
        Titles.
    pages : ndarray, shape (runs,)
        Pages.
    areas : ndarray, shape (runs, materials)
        Area of each material in a copy [m2].
    """

    materials: list[str]
    day: np.ndarray
    title: np.ndarray
    pages: np.ndarray
    areas: np.ndarray

    def per_copy(self, title: str, pages: np.ndarray, known: np.datetime64) -> np.ndarray:
        """Return what a copy takes of each material.

        Parameters
        ----------
        title : str
            The title; one never printed is made up as all others are.
        pages : ndarray, any shape
            Pages.
        known : datetime64[D]
            Last day whose runs are known.

        Returns
        -------
        ndarray, shape (..., materials)
            Area [m2], of the last run with the nearest number of pages; beyond the pages ever printed in
            proportion to them. Blank where no run is known.
        """
        past = int(np.searchsorted(self.day, known, side="right"))
        rows = np.flatnonzero(self.title[:past] == title)
        rows = rows if len(rows) else np.arange(past)
        if not len(rows):
            return np.full((*pages.shape, len(self.materials)), np.nan)
        # The last run of each number of pages: changes of make-up are taken up at once.
        seen, last = np.unique(self.pages[rows][::-1], return_index=True)
        areas = self.areas[rows[::-1][last]]
        above = np.clip(np.searchsorted(seen, pages), 0, len(seen) - 1)
        below = np.maximum(above - 1, 0)
        nearest = np.where(np.abs(seen[below] - pages) < np.abs(seen[above] - pages), below, above)
        found: np.ndarray = areas[nearest] * (pages / np.clip(pages, seen[0], seen[-1]))[..., None]
        return found


def make_up_of(logs: Logs) -> MakeUp:
    """Return the make-up of every run.

    Parameters
    ----------
    logs : Logs
        The logs.

    Returns
    -------
    MakeUp
        Areas by run; a run that lost a web is left out.
    """
    webs = web_use(logs)
    aside = logs.set_aside
    webs = webs[~webs["run_id"].isin(aside.loc[aside["table"] == "run_webs", "run_id"])]
    areas = webs.groupby(["run", "material"])["copy_m2"].sum().unstack(fill_value=0.0)
    runs = logs["runs"].iloc[areas.index]
    order = runs["date"].argsort(kind="stable").to_numpy()
    return MakeUp(
        list(areas.columns),
        runs["date"].to_numpy().astype("datetime64[D]")[order],
        runs["title"].to_numpy(dtype=object)[order],
        runs["pages"].to_numpy(dtype=float)[order],
        areas.to_numpy()[order],
    )
