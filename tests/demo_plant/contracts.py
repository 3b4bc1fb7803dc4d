"""What the office has signed: whose titles are printed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .titles import CUSTOMERS, TITLES

if TYPE_CHECKING:
    from .logbook import Logbook

__all__ = ["write_titles"]


def write_titles(logbook: Logbook) -> None:
    """Write the titles with their customers."""
    for name in TITLES:
        customer = CUSTOMERS.get(name, "")
        logbook.add("titles", name, customer, "contract" if customer else "own", "3.2" if customer else "4.2")
