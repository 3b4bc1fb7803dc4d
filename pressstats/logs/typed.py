"""Typed cells, those of Parquet too: spelled as the plant spells its exports, so that one set of rules reads all."""

from __future__ import annotations

import datetime as dt
import io
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .limits import TEXT_BYTES, TooMuchError, check_shape

if TYPE_CHECKING:
    from ..plant import Plant

__all__ = ["as_text", "plain", "read_parquet", "spelled"]

#: Wall time to the microsecond: what is finer is cut, what lies beyond is an error.
_STAMP = pc.CastOptions(pa.timestamp("us"), allow_time_truncate=True)
_NO_TEXT = "bytes that are no text"


def spelled(value: Any, decimal: str) -> str | None:  # noqa: PLR0911 -- one return a type
    """Spell one typed cell as the plant spells its exports."""
    if value is None or value == "":
        return None
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        if value != value:
            return None
        return (
            str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value).replace(".", decimal)
        )
    if isinstance(value, Decimal):
        return f"{value:f}".replace(".", decimal)
    if isinstance(value, dt.datetime):
        return value.isoformat(sep=" ")
    return str(value)


def as_text(cells: pa.Array, decimal: str | None) -> pa.Array:
    """Spell a column of typed cells as the plant spells its exports: a whole number has no decimal sign."""
    kind = cells.type
    if pa.types.is_string(kind):
        return cells
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        text = pc.replace_substring_regex(pc.cast(cells, pa.string()), r"\.0+$", "")
        text = pc.if_else(pc.equal(text, "nan"), pa.scalar(None, pa.string()), text)
        return pc.replace_substring(text, ".", decimal) if decimal else text
    if (
        pa.types.is_timestamp(kind)
        or pa.types.is_integer(kind)
        or pa.types.is_date(kind)
        or pa.types.is_boolean(kind)
    ):
        return pc.cast(cells, pa.string())
    return pa.array([spelled(value, decimal or ".") for value in cells.to_pylist()], pa.string())


def _is_text(kind: pa.DataType) -> bool:
    """Return whether a type is of words or bytes."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_binary(kind))


def plain(cells: pa.Array, plant: Plant, spoilt: dict[int, tuple[str, str]], first: int) -> pa.Array:
    """Return a typed column as it is where a log can hold its type: float64, int64, timestamp[us] or string.

    Text and rule of rows of bytes that are no text are added to `spoilt` by number, the first being `first`.
    """
    if pa.types.is_dictionary(cells.type):
        cells = cells.dictionary_decode()
    kind = cells.type
    if pa.types.is_timestamp(kind):
        try:
            if kind.tz is not None:
                whole = pc.cast(
                    cells, options=pc.CastOptions(pa.timestamp("us", kind.tz), allow_time_truncate=True)
                )
                cells = pc.local_timestamp(pc.cast(whole, pa.timestamp("us", plant.timezone)))
            return pc.cast(cells, options=_STAMP)
        except pa.ArrowInvalid:  # a time that no calendar has: told apart cell by cell, as text
            return pc.cast(cells, pa.string())
    if pa.types.is_float64(kind):
        return pc.if_else(pc.is_nan(cells), pa.scalar(None, kind), cells)
    if pa.types.is_int64(kind):
        return cells
    if _is_text(kind) or pa.types.is_string_view(kind) or pa.types.is_fixed_size_binary(kind):
        text = _decoded(cells, spoilt, first)
        return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.string()), text)
    return as_text(cells, plant.format.decimal)


def _decoded(cells: pa.Array, spoilt: dict[int, tuple[str, str]], first: int) -> pa.Array:
    try:
        text = pc.cast(cells, pa.string())
        text.validate(full=True)
        return text
    except pa.ArrowInvalid:
        values = pc.cast(cells, pa.binary()).to_pylist()
    words = [None if value is None else value.decode(errors="replace") for value in values]
    for row in np.flatnonzero(["\ufffd" in (word or "") for word in words]).tolist():
        spoilt.setdefault(row + first, (words[row] or "", _NO_TEXT))
    return pa.array(words, pa.string())


def read_parquet(data: bytes, plant: Plant) -> tuple[list[str], list[pa.Array], dict[int, tuple[str, str]]]:
    """Return names and columns, float64, int64, timestamp[us] or string, and text and rule of rows that are no text.

    Rows count from 2, as if names stood on line 1. Raises TooMuchError where the file holds more than an export does,
    ValueError where a column holds no cells, and errors of pyarrow where it is damaged.
    """
    import pyarrow.parquet as parquet  # imported here: most plants export CSV

    file = parquet.ParquetFile(io.BytesIO(data))
    about, schema = file.metadata, file.schema_arrow
    check_shape(about.num_rows, len(schema))
    groups = [about.row_group(number) for number in range(about.num_row_groups)]
    unpacked = sum(
        group.column(at).total_uncompressed_size for group in groups for at in range(about.num_columns)
    )
    if unpacked > TEXT_BYTES:
        raise TooMuchError(
            f"{unpacked:,} bytes once it is unpacked, and an export has at most {TEXT_BYTES:,}"
        )
    nested = [f"{one.name} ({one.type})" for one in schema if pa.types.is_nested(one.type)]
    if nested:
        raise ValueError(f"no cells, but lists or records in {', '.join(nested)}")
    # A word is held once, however often it stands in a column, until all are known to be no more than a log holds.
    words = [one.name for one in schema if _is_text(one.type)]
    table = parquet.ParquetFile(io.BytesIO(data), read_dictionary=words).read(use_threads=False)
    names = [name for name in table.column_names if not name.startswith("__index_level_")]
    columns = [table.column(table.column_names.index(name)).combine_chunks() for name in names]
    _check_text(columns)
    spoilt: dict[int, tuple[str, str]] = {}
    typed = [plain(column, plant, spoilt, first=2) for column in columns]
    return [name.strip() for name in names], typed, spoilt


def _check_text(columns: list[pa.Array]) -> None:
    total = 0
    for column in columns:
        if pa.types.is_dictionary(column.type):
            lengths = pc.binary_length(column.dictionary) if _is_text(column.dictionary.type) else None
            if lengths is not None:
                total += pc.sum(lengths.take(column.indices)).as_py() or 0
    if total > TEXT_BYTES:
        raise TooMuchError(f"{total:,} bytes of text, and an export has at most {TEXT_BYTES:,}")
