"""How a typed cell is spelled: as the plant spells its exports, so that one set of rules reads all of them."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from ..plant import Plant

__all__ = ["as_text", "is_text", "plain", "spelled"]

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


def is_text(kind: pa.DataType) -> bool:
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
    if is_text(kind) or pa.types.is_string_view(kind) or pa.types.is_fixed_size_binary(kind):
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
