"""Weeks in which an ink has a term of its own: drifts and leaks that ended, and the time before lasting changes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Window"]


@dataclass(frozen=True)
class Window:
    """Some weeks between two dips in which an ink has a term of its own.

    It multiplies ``solid_m2`` (film weight differs) or ``days`` (a leak). `lasting`: the weeks are all those before a
    change that lasts, and the term is what was different then.
    """

    exposure: str
    since: pd.Timestamp
    until: pd.Timestamp
    lasting: bool = False
