"""Rules between tables."""

from __future__ import annotations

from ..plant import Plant
from .rows import Rows

__all__ = ["check_between_tables"]


def check_between_tables(tables: dict[str, Rows], plant: Plant) -> None:
    """Check the tables against each other."""
