"""Rules that one row can break by itself."""

from __future__ import annotations

from ..plant import Plant
from .rows import Rows

__all__ = ["check_each_row"]


def check_each_row(name: str, rows: Rows, plant: Plant) -> None:
    """Check each row of a table by itself."""
