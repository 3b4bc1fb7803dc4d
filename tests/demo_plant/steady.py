"""What a plant does where nothing is planted: a scenario overrides what it changes."""

from __future__ import annotations

import datetime as dt
from random import Random
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .titles import Title

__all__ = ["Steady"]


class Steady:
    """A plant that changes nothing: every ratio is one."""

    #: Scatter of copies, pages and coverage, as a multiple of the invented plant's own.
    noise = 1.0
    #: Of so many runs, one has copies handed out at the press and entered nowhere; 0: none.
    handed_out_every = 1213
    #: Presses change places and stand still for maintenance on some nights.
    presses_change = True

    def publishes(self, title: Title, day: dt.date) -> bool:
        """Return whether `title` is alive on `day`: a title may be closed or opened."""
        return True

    def copies_ratio(self, title: Title, day: dt.date) -> float:
        """Return the copies of `title` on `day` as a multiple of trend, weekday and season."""
        return 1.0

    def pages_more(self, title: Title, day: dt.date) -> float:
        """Return the pages of `title` on `day` beyond weekday and advertising season."""
        return 0.0

    def pages_added(self, title: Title, day: dt.date) -> int:
        """Return the pages of `title` on `day` beyond those that its usual limits allow."""
        return 0

    def grammage_ratio(self, material: str, supplier: str, day: dt.date) -> float:
        """Return what a reel received on `day` weighs a metre as a multiple of its material."""
        return 1.0

    def butt_ratio(self, day: dt.date) -> float:
        """Return the paper left on cores at splices on a publication date as a multiple of each stand's own."""
        return 1.0

    def delivers(self, supplier: str, day: dt.date) -> bool:
        """Return whether a mill is ordered from on `day`."""
        return True

    def numbers(self, usual: Random, key: str) -> Random:
        """Return the random numbers of one run: the next ones, or numbers of its own by its key."""
        return usual
