"""Assumptions that differ from what is expected: more pages, fewer copies, other paper, a title less or more."""

from __future__ import annotations

import calendar
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from .drivers import DRAWS, Expected
from .issues import weekday_of

__all__ = ["WhatIf"]


@dataclass(frozen=True)
class WhatIf:
    """What is assumed otherwise.

    Parameters
    ----------
    copies : mapping of str to float
        Factor on the copies of a title.
    pages : mapping of str to float
        Pages more (or, negative, fewer) of a title.
    grammage : mapping of str to float
        Nominal grammage of a newsprint [g/m2].
    coverage : mapping of str to float
        Factor on the coverage of an ink.
    waste : float
        Factor on copies spoilt at starts and on the run.
    startup : float
        Factor on copies spoilt at starts alone.
    closed : tuple of str
        Titles that are given up.
    dropped : tuple of str
        Suppliers of newsprint that deliver none: the others share what they did. Moves no need of copies and pages,
        and is told in money by :func:`pressstats.accounts.what_if_cost` alone, as `butt_m` is.
    butt_m : float, optional
        Mean length that splices leave on the core [m].
    added : DataFrame, optional
        A new title's issues: title, weekday (Monday 0), copies, pages, and like (the title whose make-up, colour
        and waste it takes).
    weekdays : tuple of str
        Weekdays of publication on which all this holds (``"Saturday"``); every day where empty.
    first, last : str or Timestamp, optional
        Days of publication from and to which it holds.
    """

    copies: Mapping[str, float] = field(default_factory=dict)
    pages: Mapping[str, float] = field(default_factory=dict)
    grammage: Mapping[str, float] = field(default_factory=dict)
    coverage: Mapping[str, float] = field(default_factory=dict)
    waste: float = 1.0
    startup: float = 1.0
    closed: tuple[str, ...] = ()
    dropped: tuple[str, ...] = ()
    butt_m: float | None = None
    added: pd.DataFrame | None = None
    weekdays: tuple[str, ...] = ()
    first: str | pd.Timestamp | None = None
    last: str | pd.Timestamp | None = None

    def __post_init__(self) -> None:
        for name in self.weekdays:
            if name not in calendar.day_name:
                raise ValueError(f"no weekday is called {name!r}: there are {', '.join(calendar.day_name)}")
        if self.butt_m is not None and not 0 < self.butt_m < np.inf:
            raise ValueError(f"butt_m = {self.butt_m}: a length above 0 m is needed")

    def holds_on(self, days: pd.DatetimeIndex) -> np.ndarray:
        """Return whether it holds on each day, shape (days,)."""
        holds = np.ones(len(days), dtype=bool)
        if self.weekdays:
            holds &= days.day_name().isin(self.weekdays)
        if self.first is not None:
            holds &= days >= pd.Timestamp(self.first)
        if self.last is not None:
            holds &= days <= pd.Timestamp(self.last)
        return holds

    @property
    def like(self) -> dict[str, str]:
        """Titles whose make-up, colour and waste new ones take."""
        if self.added is None:
            return {}
        return dict(zip(self.added["title"], self.added["like"], strict=True))

    def issues(self, expected: Expected, days: pd.DatetimeIndex) -> Expected:
        """Return the issues under these assumptions."""
        table, pages = expected.issues, expected.pages
        known = set(table["title"])
        unknown = sorted(
            (set(self.copies) | set(self.pages) | set(self.closed) | set(self.like.values())) - known
        )
        if unknown:
            raise ValueError(
                f"no issue of {', '.join(unknown)} is expected; titles: {', '.join(sorted(known))}"
            )
        table = table.assign(copies=table["copies"] * table["title"].map(self.copies).fillna(1.0))
        more = table["title"].map(self.pages).fillna(0.0).to_numpy(dtype=float)
        pages = np.maximum(pages + more[:, None], 1.0)
        parts, drawn = [table], [pages]
        for row in () if self.added is None else self.added.itertuples():
            ahead = days.to_numpy().astype("datetime64[D]")
            ahead = ahead[weekday_of(ahead) == row.weekday]
            new = pd.DataFrame({"day": ahead, "title": row.title, "copies": float(row.copies)})
            new["colour_share"] = table.loc[table["title"] == row.like, "colour_share"].mean()
            parts.append(new.assign(runs=1.0, source="model"))
            drawn.append(np.full((len(new), DRAWS), float(row.pages)))
        table, pages = pd.concat(parts, ignore_index=True), np.concatenate(drawn)
        stay = ~table["title"].isin(self.closed).to_numpy()
        return Expected(table[stay].reset_index(drop=True), pages[stay])
