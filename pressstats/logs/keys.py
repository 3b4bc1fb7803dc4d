"""Columns as whole numbers that sort as they do, where cells of one stand in another, and arrow answers as masks."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

__all__ = ["as_mask", "cells_at", "codes_of", "combined_codes", "differ", "found_at", "positions_in"]


def codes_of(values: np.ndarray | pa.Array) -> np.ndarray:
    """Return whole numbers from 0 that sort as `values` do, text by code point; blank comes first."""
    if isinstance(values, pa.Array):
        encoded = values.dictionary_encode()
        rank = np.empty(len(encoded.dictionary) + 1, dtype=np.int64)
        rank[pc.array_sort_indices(encoded.dictionary).to_numpy()] = np.arange(1, len(rank))
        rank[-1] = 0
        return rank[pc.fill_null(encoded.indices, len(rank) - 1).to_numpy()]
    if values.dtype.kind == "M":
        blank = np.isnat(values)
        whole = values.astype("datetime64[us]").astype(np.int64)
        seconds, rest = np.divmod(whole, 1_000_000)
        if len(whole) and not blank.all() and not rest[~blank].any():
            return np.where(blank, 0, seconds - seconds[~blank].min() + 1)
    return np.unique(values, return_inverse=True)[1].astype(np.int64)


def combined_codes(columns: list[np.ndarray]) -> np.ndarray:
    """Return one whole number per row that sorts as the key of all `columns` of codes, the first sorting first."""
    combined = columns[0]
    for codes in columns[1:]:
        size = int(codes.max(initial=0)) + 1
        if int(combined.max(initial=0)) >= 2**62 // size:
            combined = np.unique(combined, return_inverse=True)[1].astype(np.int64)
        if int(combined.max(initial=0)) >= 2**62 // size:
            codes = np.unique(codes, return_inverse=True)[1].astype(np.int64)
            size = int(codes.max(initial=0)) + 1
        combined = combined * size + codes
    return combined


def differ(codes: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Return a mask of codes of text that are other than those beside them, neither being blank."""
    return (codes != others) & (codes > 0) & (others > 0)


def found_at(codes: np.ndarray, known: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return the first of `rows`, whose codes of text are `known`, with each of the codes, -1 for none and blank."""
    first = np.full(max(int(codes.max(initial=0)), int(known.max(initial=0))) + 1, -1)
    first[known[::-1]] = rows[::-1]  # of several the last one written stays
    first[0] = -1
    return first[codes]


def positions_in(cells: pa.Array, known: pa.Array, rows: np.ndarray | None = None) -> np.ndarray:
    """Return where each cell is first found among `known` (or which of `rows`), -1 where it is not or is blank."""
    if not len(known):
        return np.full(len(cells), -1, dtype=np.int64)
    position = pc.index_in(cells, value_set=known, skip_nulls=True)
    at = pc.fill_null(position, -1).to_numpy().astype(np.int64)
    if rows is None:
        return at
    return np.where(at >= 0, rows[at], -1)


def cells_at(cells: pa.Array, at: np.ndarray) -> pa.Array:
    """Return the cells at some positions, null where a position is -1."""
    return cells.take(pa.array(at, mask=at < 0))


def as_mask(flags: pa.Array | pa.ChunkedArray) -> np.ndarray:
    """Return a mask from an arrow array of bool; null is false."""
    mask: np.ndarray = pc.fill_null(flags, False).to_numpy(zero_copy_only=False)
    return mask
