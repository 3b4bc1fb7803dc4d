"""What stands in a table or frame: its columns with unit and meaning; and which tables there are."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import pandas as pd

from ..tables import FRAMES, INPUTS, OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..tables import Table

__all__ = ["describe", "described"]

#: Where a table is found, by its sort.
_SORTS: Mapping[str, tuple[str, Mapping[str, Table]]] = {
    "frame": ("results.{}", FRAMES),
    "published": ('results["{}"]', OUTPUTS),
    "logs": ('results.logs["{}"]', INPUTS),
}


def described(word: str = "") -> pd.DataFrame:
    """Return all tables, or those in whose name, row or columns a word stands.

    Parameters
    ----------
    word : str
        A word to look for, in any case; all tables where empty.

    Returns
    -------
    DataFrame, shape (tables, 5)
        table, sort (frame, published or logs), found (what to write for it), row (what a row is) and columns (their
        names; with a word only those that it stands in, if it stands in any).

    Examples
    --------
    >>> described("butt")["table"].tolist()[:2]
    ['mounts', 'reels']
    """
    rows = []
    for sort, (found, tables) in _SORTS.items():
        for table in tables.values():
            hits = [column.name for column in table.columns if _stands(word, column.name, column.meaning)]
            if hits or _stands(word, table.name, table.row):
                columns = ", ".join(hits or table.names)
                rows.append((table.name, sort, found.format(table.name), table.row, columns))
    return pd.DataFrame(rows, columns=["table", "sort", "found", "row", "columns"])


def _stands(word: str, *texts: str) -> bool:
    return any(word.lower() in text.lower() for text in texts)


def describe(name: str) -> pd.DataFrame:
    """Return the columns of a table or frame.

    Parameters
    ----------
    name : str
        Name of a frame (``"runs"``), a published table or a table of the logs, looked for in that order.

    Returns
    -------
    DataFrame, shape (columns, 4)
        column, holds (text, date, number ...), unit and meaning.

    Raises
    ------
    KeyError
        If there is no such table; the message names those that are spelt alike.

    Examples
    --------
    >>> describe("ink_watch")[["column", "unit"]].tail(4)
            column unit
    2      used_kg   kg
    3  expected_kg   kg
    4            z
    5       signal
    """
    for _, tables in _SORTS.values():
        if name in tables:
            columns = tables[name].columns
            rows = [(one.name, one.kind, one.unit, one.meaning) for one in columns]
            return pd.DataFrame(rows, columns=["column", "holds", "unit", "meaning"])
    known = [one for _, tables in _SORTS.values() for one in tables]
    near = difflib.get_close_matches(name, known, cutoff=0.5)
    raise KeyError(f"no table is called {name!r}" + (f": did you mean {' or '.join(near)}?" if near else ""))
