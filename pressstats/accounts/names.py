"""What a misspelt name was probably meant to be."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["nearest"]


def nearest(name: str, known: Iterable[str]) -> str:
    """Return how an error goes on after a name that is not known: its nearest, else all that there are."""
    there = sorted(set(known))
    found = difflib.get_close_matches(name, there, 1, cutoff=0.5)
    return f": did you mean {found[0]}?" if found else f": there are {', '.join(there) or 'none'}"
