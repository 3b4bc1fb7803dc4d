"""How a table and its columns are declared.

A :class:`Column` states once what a column is called, what it holds, in which unit and within which
limits; a :class:`Table` puts columns together under a key. Everything that reads, checks, converts
or publishes a table asks these declarations, so a limit is never written in two places.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import pandas as pd

__all__ = ["Column", "Table", "count", "date", "limits", "month_of", "number", "text", "time"]

Kind = Literal["text", "choice", "date", "month", "time", "number", "count"]


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        Name of the column; the unit is its last part where there is one (``start_kg``).
    kind : str
        ``text`` (identifiers and words, never a number), ``choice`` (one of `choices`), ``date``, ``month`` (held as
        its first day), ``time`` (plant-local wall time), ``number`` or ``count`` (a whole number).
    unit, meaning : str
        Unit of the values as a units library spells it, empty where there is none; one line for the reader.
    low, high : float, optional
        Smallest and largest value that can be true [`unit`]; both are allowed themselves. Every number that is read
        has them.
    optional, blank : bool
        The column may be absent, and its cells blank; the column is required, a cell may be blank (not known yet).
    choices : tuple of str
        The allowed words of a ``choice`` column.
    recorded : bool
        A date or time that has happened, so it cannot lie after today.
    instead : tuple of str
        Columns any of which may be there instead of this required one.
    """

    name: str
    kind: Kind
    unit: str = ""
    meaning: str = ""
    low: float | None = None
    high: float | None = None
    optional: bool = False
    blank: bool = False
    choices: tuple[str, ...] = ()
    recorded: bool = False
    instead: tuple[str, ...] = ()

    @property
    def may_be_blank(self) -> bool:
        """Whether a single cell may be blank."""
        return self.optional or self.blank

    @property
    def is_time(self) -> bool:
        """Whether the column holds dates, months or times."""
        return self.kind in ("date", "month", "time")

    @property
    def is_number(self) -> bool:
        """Whether the column holds numbers."""
        return self.kind in ("number", "count")


@dataclass(frozen=True)
class Table:
    """A table: its columns, and those (`key`) that tell one row from another; `row` says what one row is, in words.

    Without a `required` table nothing can be done. The name of a table is also that of its file or sheet.
    """

    name: str
    row: str
    key: tuple[str, ...]
    columns: tuple[Column, ...] = ()
    required: bool = False

    def holding(self, *columns: Column) -> Table:
        """Return the table with its columns."""
        return replace(self, columns=columns)

    @cached_property
    def by_name(self) -> dict[str, Column]:
        """Columns by their name."""
        return {column.name: column for column in self.columns}

    @property
    def names(self) -> list[str]:
        """Names of the columns in their order."""
        return [column.name for column in self.columns]

    def missing_from(self, names: Iterable[str]) -> list[str]:
        """Return the required columns for which neither they nor a column instead of them is among `found`."""
        there = set(names)
        return [
            column.name
            for column in self.columns
            if not column.optional and column.name not in there and not there.intersection(column.instead)
        ]

    def empty(self) -> pd.DataFrame:
        """Return the table without rows, its columns typed as declared."""
        return self._empty.copy(deep=False)

    @cached_property
    def _empty(self) -> pd.DataFrame:
        kinds = {
            column.name: "datetime64[us]" if column.is_time else "float64" if column.is_number else "str"
            for column in self.columns
        }
        return pd.DataFrame(columns=self.names).astype(kinds)

    def __getitem__(self, name: str) -> Column:
        """Return the column called `name`; raise ``KeyError`` if there is none."""
        return self.by_name[name]


def text(name: str, meaning: str = "", **more: Any) -> Column:
    """Return a column of text; `more` as for :class:`Column`, here and below."""
    return Column(name, "text", "", meaning, **more)


def date(name: str, meaning: str = "", **more: Any) -> Column:
    """Return a column of dates."""
    return Column(name, "date", "", meaning, **more)


def time(name: str, meaning: str = "", **more: Any) -> Column:
    """Return a column of times."""
    return Column(name, "time", "", meaning, **more)


def number(name: str, unit: str = "", meaning: str = "") -> Column:
    """Return a column of numbers."""
    return Column(name, "number", unit, meaning)


def limits(name: str, unit: str, meaning: str) -> tuple[Column, Column]:
    """Return two columns of the limits of an interval: `name` followed by ``low`` and by ``high``."""
    return number(f"{name}low", unit, meaning), number(f"{name}high", unit, meaning)


def count(name: str, meaning: str = "") -> Column:
    """Return a column of whole numbers."""
    return Column(name, "count", "", meaning)


def month_of(days: pd.Series) -> pd.Series:
    """Return the month of each day or time, as columns of kind ``month`` hold it: its first day.

    Examples
    --------
    >>> month_of(pd.Series(pd.to_datetime(["2025-03-31 23:10"]))).iloc[0]
    Timestamp('2025-03-01 00:00:00')
    """
    return days.dt.to_period("M").dt.to_timestamp().astype("datetime64[us]")
