"""How a title makes up its pages into webs: learned from the runs, with its changes.

Pages go into webs of several widths in jumps: two pages more may take a narrower web away and put a
full one in. So what an issue needs of each width is looked up by its pages, in the last run with as
many, and never taken from an average; pages never printed are those of a run with whole full webs more or fewer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..paper import web_use

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["WebConfiguration", "web_configuration"]

#: Full webs beyond the pages ever printed up to which a make-up is put together.
_WEBS_BEYOND = 2


@dataclass(frozen=True)
class WebConfiguration:
    """Areas of each material by title and pages."""

    materials: list[str]  # materials in the order of the columns
    day: np.ndarray  # (runs,): publication days, in their order
    title: np.ndarray
    pages: np.ndarray
    areas: np.ndarray  # (runs, materials): area of each material in a copy [m2]
    full_pages: np.ndarray  # (runs,): pages of the fullest web; blank where not logged
    full_areas: np.ndarray  # (runs, materials): area of that web in a copy [m2]

    def per_copy(self, title: str, pages: np.ndarray, known: np.datetime64) -> np.ndarray:
        """Return the area of each material that a copy takes [m2], shape (..., materials); blank where no run is known.

        Of the last run known with the nearest number of pages that the title may have; a title never printed is
        made up as all others are.
        """
        past = int(np.searchsorted(self.day, known, side="right"))
        rows = np.flatnonzero(self.title[:past] == title)
        rows = rows if len(rows) else np.arange(past)
        if not len(rows):
            return np.full((*pages.shape, len(self.materials)), np.nan)
        # The last run of each number of pages: changes of make-up are taken up at once.
        seen, last = np.unique(self.pages[rows][::-1], return_index=True)
        last = rows[::-1][last]
        # Beyond the pages ever printed the title goes on in its usual steps, from one or two webs less or more.
        step = float(np.diff(seen).min()) if len(seen) > 1 else 0.0
        most = max(float(np.nanmax(self.full_pages[last], initial=0.0)), step)
        more = step * np.arange(1, int(_WEBS_BEYOND * most / step) + 1) if step else np.zeros(0)
        may = np.concatenate([seen[0] - more[::-1], seen, seen[-1] + more])
        areas = self._made(may, seen, last)
        made = np.isfinite(areas).all(axis=1) & (may > 0)
        may, areas = may[made], areas[made]
        above = np.clip(np.searchsorted(may, pages), 0, len(may) - 1)
        below = np.maximum(above - 1, 0)
        nearest = np.where(np.abs(may[below] - pages) < np.abs(may[above] - pages), below, above)
        scaled: np.ndarray = areas[nearest] * (pages / np.clip(pages, may[0], may[-1]))[..., None]
        return scaled

    def _made(self, pages: np.ndarray, seen: np.ndarray, last: np.ndarray) -> np.ndarray:
        """Return the areas of pages, shape (pages, materials); blank where none is known.

        Those of the last run with as many, or of the nearest but for whole full webs.
        """
        apart = pages[:, None] - seen
        webs = np.where(apart == 0, 0.0, apart / self.full_pages[last])
        areas = self.areas[last] + webs[..., None] * np.nan_to_num(self.full_areas[last])
        able = (webs == np.round(webs)) & (areas >= -1e-9).all(axis=2)
        nearest = np.where(able, np.abs(apart), np.inf).argmin(axis=1)
        rows = np.arange(len(pages))
        return np.where(able[rows, nearest, None], areas[rows, nearest], np.nan)


def web_configuration(logs: Logs) -> WebConfiguration:
    """Return the make-up of every run; a run that lost a web is left out."""
    webs = web_use(logs)
    aside = logs.set_aside
    webs = webs[~webs["run_id"].isin(aside.loc[aside["table"] == "run_webs", "run_id"])]
    areas = webs.groupby(["run", "material"])["copy_m2"].sum().unstack(fill_value=0.0)
    fullest = (
        webs.dropna(subset="pages").sort_values("pages", kind="stable").drop_duplicates("run", keep="last")
    )
    full = fullest.pivot(index="run", columns="material", values="copy_m2").fillna(0.0)
    full = full.reindex(index=areas.index, columns=areas.columns, fill_value=0.0)
    full_pages = fullest.set_index("run")["pages"].reindex(areas.index)
    runs = logs["runs"].iloc[areas.index]
    order = runs["date"].argsort(kind="stable").to_numpy()
    return WebConfiguration(
        list(areas.columns),
        runs["date"].to_numpy().astype("datetime64[D]")[order],
        runs["title"].to_numpy(dtype=object)[order],
        runs["pages"].to_numpy(dtype=float)[order],
        areas.to_numpy()[order],
        full_pages.to_numpy(dtype=float)[order],
        full.to_numpy()[order],
    )
