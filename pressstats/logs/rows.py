"""Cells into typed values, and the rules a column declares, each as a mask of the rows that break it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from pandas.arrays import ArrowStringArray

from ..tables import INKS, INPUTS, Column
from .keys import as_mask, codes_of, combined_codes, positions_in
from .problems import Chosen, LogsError, Names, Problems, Rules
from .typed import as_text
from .units import OF_MATERIAL, factor_of
from .values import Bad, blank_cells, choices_of, numbers_of, texts_of, times_of, translated

if TYPE_CHECKING:
    from ..plant import Plant
    from .raw import RawTable

__all__ = ["Rows", "convert", "number_identifiers", "to_material_units"]

_TEXT = pd.StringDtype("pyarrow", na_value=np.nan)  # what pandas calls "str"

_EARLIEST, _LATEST = np.datetime64("1950-01-01", "us"), np.datetime64("2100-01-01", "us")
#: Days that a recorded date may lie after today: a run printed this evening bears tomorrow's date.
_AHEAD = {("runs", "date"): 1}


#: Columns by which rows are found in other tables.
_IDENTIFIERS = ("run_id", "reel_id", "web", "material", "supplier", "title")

#: Required columns whose cell may be unknown all the same: the row counts, with a warning.
_USED_UNKNOWN = {("deliveries", "ordered_on")}


@dataclass
class Rows:
    """Rows of one table, typed, and the rules that they broke.

    `values` holds every declared column: a pyarrow array of string for text and choices, a numpy array of
    datetime64[us] or float64 else. `live` masks rows still in use (not set aside, not after as-of, not a repetition),
    `duplicate` those that repeat another one, `listed` those whose problems may be listed; `times` is what each tells
    of when it was, NaT where tables are not cut.
    """

    raw: RawTable
    values: dict[str, Any]
    problems: Problems
    live: np.ndarray
    duplicate: np.ndarray
    listed: np.ndarray
    times: np.ndarray
    _codes: dict[str, np.ndarray] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.raw)

    def __getitem__(self, column: str) -> Any:
        return self.values[column]

    @cached_property
    def key(self) -> np.ndarray:
        """Key of each row as one whole number, see `combined_codes`; no key column ever changes."""
        return combined_codes([self.codes(name) for name in self.raw.table.key])

    @cached_property
    def order(self) -> np.ndarray:
        """Positions of all rows in the order of the key."""
        rising = (np.diff(self.key) >= 0).all()
        return np.arange(len(self)) if rising else np.argsort(self.key, kind="stable")

    def codes(self, column: str) -> np.ndarray:
        """Return a column as whole numbers that sort as it does, see `codes_of`; only of columns that never change.

        Identifiers have the same number in all tables, see `number_identifiers`.
        """
        if column not in self._codes:
            self._codes[column] = codes_of(self.values[column])
        return self._codes[column]

    def number(self, column: str, codes: np.ndarray) -> None:
        """Hold the codes of a column that were found beside those of other tables."""
        self._codes[column] = codes

    def blank(self, column: str) -> np.ndarray:
        """Return a mask of the blank cells of a column."""
        values = self.values[column]
        return as_mask(pc.is_null(values)) if isinstance(values, pa.Array) else pd.isna(values)

    def is_in(self, column: str, *words: str) -> np.ndarray:
        """Return a mask of the cells of a column of text that are one of some words."""
        return as_mask(pc.is_in(self.values[column], pa.array(words)))

    def warn(
        self, rows: Chosen, columns: Names, rules: Rules, told: Any = None, rejects: bool = False
    ) -> None:
        """Note rows that are used all the same; a rule of all is filled in with what is `told` of each row there is."""
        if told is not None:
            rules = [str(rules).format(one) for one in told[rows]]
        self.problems.add(rows, columns, rules, rejects)

    def reject(self, rows: Chosen, columns: Names, rules: Rules, told: Any = None) -> None:
        """Set rows aside; as for :meth:`warn`."""
        self.warn(rows, columns, rules, told, rejects=True)
        self.live[rows] = False

    def frame(self, rows: np.ndarray | None = None) -> pd.DataFrame:
        """Return the rows at the positions `rows` (all where None) as a table with a fresh index."""
        taken = None if rows is None else pa.array(rows)
        columns: dict[str, Any] = {}
        for name, values in self.values.items():
            if isinstance(values, pa.Array):
                words = values if taken is None else values.take(taken)
                columns[name] = ArrowStringArray(words.cast(pa.large_string()), dtype=_TEXT)
            else:
                columns[name] = values if rows is None else values[rows]
        return pd.DataFrame(columns, copy=False)


def _convert_number(
    cells: pa.Array, column: Column, table: str, plant: Plant, problems: Problems
) -> np.ndarray:
    if not (pa.types.is_floating(cells.type) or pa.types.is_integer(cells.type)):
        cells = as_text(cells, plant.format.decimal)
    values, bad = numbers_of(cells, plant.format.decimal)
    _add_bad(problems, column, bad)
    units = plant.units.get(table, {}).get(column.name)
    if units and OF_MATERIAL not in column.unit:  # those wait until materials are known
        values = values * factor_of(table, column, units[""])
    unit = f" {column.unit}" if column.unit not in ("", OF_MATERIAL) else ""
    rule = f"out of limits; from {column.low:,.10g} to {column.high:,.10g}{unit}"
    problems.add((values < column.low) | (values > column.high), column.name, rule)
    if column.kind == "count":
        problems.add((values != np.floor(values)) & ~np.isnan(values), column.name, "a whole number")
    return values


def _convert_time(
    cells: pa.Array, column: Column, table: str, plant: Plant, today: np.datetime64, problems: Problems
) -> np.ndarray:
    if not pa.types.is_timestamp(cells.type):
        cells = as_text(cells, plant.format.decimal)
    values, bad = times_of(cells, column.kind, plant.format.dates, plant.zone)
    rejects = (table, column.name) not in _USED_UNKNOWN
    _add_bad(problems, column, bad, rejects)
    wrong = (values < _EARLIEST) | (values >= _LATEST)
    problems.add(wrong, column.name, "no plausible year", rejects)
    if column.recorded:
        ahead = _AHEAD.get((table, column.name), 0)
        future = (values >= today + np.timedelta64(ahead + 1, "D")) & ~wrong
        problems.add(future, column.name, "lies after today", rejects)
        wrong |= future
    if wrong.any():
        values = np.where(wrong, np.datetime64("NaT", "us"), values)
    return values


def _add_bad(problems: Problems, column: Column, bad: Bad, rejects: bool = True) -> None:
    if bad:
        problems.add(list(bad), column.name, list(bad.values()), rejects)


def _convert_text(cells: pa.Array, column: Column, problems: Problems) -> pa.Array:
    if column.kind == "choice":
        words, bad = choices_of(cells, column.choices)
        _add_bad(problems, column, bad)
        return words
    texts = texts_of(cells)
    if column.name == "ink":
        # The four process inks in any capitals are themselves, not spot colours of another name.
        lower = pc.utf8_lower(texts)
        texts = pc.if_else(pc.is_in(lower, pa.array(INKS, lower.type)), lower, texts)
    return texts


def convert(raw: RawTable, plant: Plant, today: np.datetime64) -> Rows:
    """Type every cell of a table and apply the rules its columns declare; `today` is the last day that can be recorded.

    There is a problem for every broken rule; a date that cannot be true is blank in `values`. Raises LogsError if a
    unit declared in ``plant.toml`` cannot be converted.
    """
    count, problems, values = len(raw), Problems(), {}
    broken = np.zeros(count, dtype=bool)
    if raw.broken:
        broken[list(raw.broken)] = True
        problems.add(list(raw.broken), "", [rule for _, rule in raw.broken.values()])
    for column in raw.table.columns:
        cells = raw.columns.get(column.name)
        if cells is None:
            values[column.name] = _all_blank(column, count)
            continue
        if column.is_number:
            typed: Any = _convert_number(cells, column, raw.table.name, plant, problems)
        elif column.is_time:
            typed = _convert_time(cells, column, raw.table.name, plant, today, problems)
        else:
            cells = as_text(cells, plant.format.decimal)
            if words := plant.values.get(raw.table.name, {}).get(column.name):
                cells = translated(cells, words)
            typed = _convert_text(cells, column, problems)
        values[column.name] = typed
        if not column.may_be_blank and _has_blank(typed):
            # An order whose day nobody can read is still on its way: forgotten, it would be ordered again.
            kept = (raw.table.name, column.name) in _USED_UNKNOWN
            problems.add(blank_cells(cells) & ~broken, column.name, "must not be blank", rejects=not kept)
    if "finished_at" in raw.clocks:
        values["finished_at"] = _rolled_over(values["started_at"], values["finished_at"])
    duplicate, listed = np.zeros(count, dtype=bool), np.ones(count, dtype=bool)
    times = np.full(count, np.datetime64("NaT", "us"))
    return Rows(raw, values, problems, ~problems.rejected(count), duplicate, listed, times)


def _rolled_over(starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return the ends, a day later where a clock time alone put them before the start, less than a day."""
    early = starts - ends
    over = (early > np.timedelta64(0, "s")) & (early < np.timedelta64(1, "D"))
    return np.where(over, ends + np.timedelta64(1, "D"), ends)


def _has_blank(typed: Any) -> bool:
    return bool(typed.null_count if isinstance(typed, pa.Array) else pd.isna(typed).any())


def _all_blank(column: Column, count: int) -> Any:
    if column.is_number:
        return np.full(count, np.nan)
    if column.is_time:
        return np.full(count, np.datetime64("NaT", "us"))
    return pa.nulls(count, pa.string())


def number_identifiers(tables: dict[str, Rows]) -> None:
    """Give the words of identifiers the same numbers in all tables: words are slow to look up row by row."""
    for name in _IDENTIFIERS:
        has = [rows for rows in tables.values() if name in rows.values]
        if has:
            codes = codes_of(pa.concat_arrays([rows[name] for rows in has]))
            ends = np.cumsum([len(rows) for rows in has])
            for rows, own in zip(has, np.split(codes, ends[:-1]), strict=True):
                rows.number(name, own)


def to_material_units(tables: dict[str, Rows], plant: Plant) -> None:
    """Convert what is logged in another unit than that of its material, by kind of material where that is declared.

    A unit declared for all kinds leaves alone what it cannot be of: plates in a column of tonnes stay plates. Raises
    LogsError where it converts nothing, or without `materials`.
    """
    for name, units in plant.units.items():
        for column in INPUTS[name].columns if name in tables else ():
            if column.name in units and OF_MATERIAL in column.unit:
                if "materials" not in tables:
                    raise LogsError(f"plant.toml: units.{name}.{column.name} needs the table materials")
                rows = tables[name]
                rows.values[column.name] = rows[column.name] * _factors(
                    rows, column, units[column.name], tables["materials"]
                )


def _factors(rows: Rows, column: Column, units: dict[str, str], materials: Rows) -> np.ndarray:
    """Return the factor of each row of a table."""
    name, kinds, own = rows.raw.table.name, materials["kind"].to_pylist(), materials["unit"].to_pylist()
    known, converted, trouble = np.ones(len(materials) + 1), False, None
    for at, (kind, unit) in enumerate(zip(kinds, own, strict=True)):
        logged_in = units.get(kind, units.get(""))
        if logged_in and unit:
            try:
                known[at] = factor_of(name, column, logged_in, unit)
                converted = True
            except LogsError as error:
                trouble = error
                if kind in units:
                    raise
    if trouble and not converted:
        raise trouble
    # A material that is not listed is found at -1, the last: its row is set aside elsewhere.
    return known[positions_in(rows["material"], pa.array(materials["material"]))]
