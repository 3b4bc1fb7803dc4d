"""Short words to declare a published column or table with."""

from __future__ import annotations

from .columns import Column, Table

__all__ = ["count", "date", "number", "table", "text"]


def text(name: str, meaning: str = "") -> Column:
    """Return a column of text."""
    return Column(name, "text", "", meaning)


def date(name: str, meaning: str = "") -> Column:
    """Return a column of dates."""
    return Column(name, "date", "", meaning)


def number(name: str, unit: str = "", meaning: str = "") -> Column:
    """Return a column of numbers."""
    return Column(name, "number", unit, meaning)


def count(name: str, meaning: str = "") -> Column:
    """Return a column of whole numbers."""
    return Column(name, "count", "", meaning)


def table(name: str, row: str, key: tuple[str, ...], *columns: Column) -> Table:
    """Return a published table: what a row of it is, what tells rows apart, and its columns."""
    return Table(name, row, key, columns)
