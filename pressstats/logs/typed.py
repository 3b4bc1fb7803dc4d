"""How a typed cell is spelled: as the plant spells its exports, so that one set of rules reads all of them."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

__all__ = ["as_text", "spelled"]


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
