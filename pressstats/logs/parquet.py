"""Cells of a Parquet file."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from .limits import TEXT_BYTES, TooMuchError, check_shape
from .typed import is_text, plain

if TYPE_CHECKING:
    from ..plant import Plant

__all__ = ["read_parquet"]


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
    words = [one.name for one in schema if is_text(one.type)]
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
            lengths = pc.binary_length(column.dictionary) if is_text(column.dictionary.type) else None
            if lengths is not None:
                total += pc.sum(lengths.take(column.indices)).as_py() or 0
    if total > TEXT_BYTES:
        raise TooMuchError(f"{total:,} bytes of text, and an export has at most {TEXT_BYTES:,}")
