"""What reading leaves: the checked tables, the problems and where everything came from."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cached_property, wraps
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

import pandas as pd

from ..tables import INPUTS

if TYPE_CHECKING:
    import numpy as np

    from ..plant import Plant

__all__ = ["Logs", "Source", "once"]

_Asked = ParamSpec("_Asked")
_Given = TypeVar("_Given")


@dataclass(frozen=True)
class Source:
    """Where rows of a table came from.

    Attributes
    ----------
    file, table, digest : str
        File name (a sheet adds its own: ``logs.xlsx[runs]``), table, SHA-256 of the file.
    rows, used, duplicates, rejected : int
        Rows within the cut, and of these those that count, that repeat another row, that were set aside.
    first, last : Timestamp or None
        First and last day that the used rows tell.
    """

    file: str
    table: str
    digest: str
    rows: int
    used: int
    duplicates: int
    rejected: int
    first: pd.Timestamp | None
    last: pd.Timestamp | None


@dataclass(frozen=True)
class Logs:
    """The logs of a plant up to a day, checked.

    Parameters
    ----------
    plant : Plant
        Description of the plant.
    tables : dict of DataFrame
        Every table that is there, cut at `as_of`, typed, with every declared column (an absent
        optional one is all blank), sorted by key with a fresh index.
    as_of : Timestamp
        Midnight of the last day included.
    rejected : DataFrame
        Rows set aside: table, file, line, column, value, rule.
    warnings : DataFrame
        Doubtful rows that are used all the same; the same columns.
    notes : DataFrame
        What is said and is no problem, such as columns that were not read; the same columns.
    set_aside : DataFrame
        Columns table, run_id: runs that lost a row of run_webs, reel_mounts or coverage to
        `rejected`, so that a sum over that table would be low.
    lost_mounts : DataFrame
        Columns supplier, reel_id, date (publication day, blank where the row does not tell it): reels of rows of
        reel_mounts that were set aside, so that nobody knows what is left of them.
    lost_nights : DatetimeIndex
        Publication day, or the nearest that the row tells, of each run that was set aside whole: what
        is added up over such a day from other tables would be low.
    lost_orders : float
        Orders of which no receipt is logged and whose row was set aside, so that nobody counts on them.
    sources : tuple of Source
        One per file and table.
    ledger : DataFrame
        What became of the rows of each table: table, read, used, set_aside, repeated, later (than as-of); what was
        read is the sum of the others.
    digest : str
        SHA-256 of all input files, ``plant.toml``, `as_of` and the version of the package.
    """

    plant: Plant
    tables: dict[str, pd.DataFrame]
    as_of: pd.Timestamp
    rejected: pd.DataFrame
    warnings: pd.DataFrame
    notes: pd.DataFrame
    set_aside: pd.DataFrame
    lost_mounts: pd.DataFrame
    lost_nights: pd.DatetimeIndex
    lost_orders: float
    sources: tuple[Source, ...]
    ledger: pd.DataFrame
    digest: str

    def has(self, table: str) -> bool:
        """Return whether the table is there."""
        return table in self.tables

    def rows_of(self, table: str) -> pd.DataFrame:
        """Return a table, without rows where it is not there."""
        return self.tables[table] if self.has(table) else INPUTS[table].empty()

    def arrays(self, table: str) -> dict[str, np.ndarray]:
        """Return the columns of a table as bare arrays, for who asks of a few rows a thousand times."""
        if table not in self.kept:
            columns = self.tables[table].items()
            self.kept[table] = {
                str(name): column.to_numpy(dtype=object) if column.dtype == "str" else column.to_numpy()
                for name, column in columns
            }
        found: dict[str, np.ndarray] = self.kept[table]
        return found

    @cached_property
    def kept(self) -> dict[Hashable, Any]:
        """What was derived from these logs and is asked for again (:func:`once`)."""
        return {}

    def of_material(self, materials: pd.Series, column: str) -> pd.Series:
        """Return a column of ``materials`` for each material of a Series; blank where it is not listed."""
        listed = self.rows_of("materials")
        codes, names = materials.factorize()
        of_name = listed.set_index("material")[column].reindex(names).array
        values = pd.Series(of_name.take(codes, allow_fill=True), materials.index, name=materials.name)
        return values.astype("float64" if INPUTS["materials"][column].is_number else "str")

    def listed(self, kind: str, unit: str | None = None) -> pd.Series:
        """Return the materials of a kind, of those counted in `unit` where it is given; none without the table."""
        listed = self.rows_of("materials")
        wanted = listed["kind"] == kind
        if unit is not None:
            wanted &= listed["unit"] == unit
        return listed.loc[wanted, "material"]

    def __getitem__(self, table: str) -> pd.DataFrame:
        """Return a table; raise ``KeyError`` if it is not there."""
        return self.tables[table]


def once(
    function: Callable[Concatenate[Logs, _Asked], _Given],
) -> Callable[Concatenate[Logs, _Asked], _Given]:
    """Return a function of logs that computes once what several parts ask of the same logs.

    Each asker has frames of its own, which share their values until one is changed.
    """

    @wraps(function)
    def kept(logs: Logs, *asked: _Asked.args, **named: _Asked.kwargs) -> _Given:
        key = (function, asked, tuple(named.items()))
        if key not in logs.kept:
            logs.kept[key] = function(logs, *asked, **named)
        found = logs.kept[key]
        if isinstance(found, tuple):
            return tuple(one.copy(deep=False) for one in found)  # type: ignore[return-value]
        own: _Given = found.copy(deep=False)
        return own

    return kept
