"""Keys of a table: one whole number per row that sorts as the key does, and duplicates found by it."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

__all__ = ["codes_of", "combined_codes", "positions_in"]


def codes_of(values: np.ndarray | pa.Array) -> np.ndarray:
    """Return whole numbers from 0 that sort as `values` do; blank comes first.

    Parameters
    ----------
    values : ndarray or pyarrow.Array of string, shape (rows,)
        One column. Text sorts by code point.

    Returns
    -------
    ndarray of int64, shape (rows,)
        Equal where the values are.
    """
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
    """Return one whole number per row that sorts and compares as the key made of `columns`.

    Parameters
    ----------
    columns : list of ndarray of int64, each of shape (rows,)
        Codes of the columns of the key as `codes_of` returns them, the first sorting first.

    Returns
    -------
    ndarray of int64, shape (rows,)
        The codes.
    """
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


def positions_in(cells: pa.Array, known: pa.Array, rows: np.ndarray | None = None) -> np.ndarray:
    """Return where each cell is first found among `known`.

    Parameters
    ----------
    cells : pyarrow.Array of string, shape (n,)
        What to look for.
    known : pyarrow.Array of string, shape (m,)
        Where to look.
    rows : ndarray of int, shape (m,), optional
        Positions to return instead of 0, 1, 2, ...

    Returns
    -------
    ndarray of int64, shape (n,)
        Positions, -1 where not found or blank.
    """
    if not len(known):
        return np.full(len(cells), -1, dtype=np.int64)
    found = pc.index_in(cells, value_set=known, skip_nulls=True)
    at = pc.fill_null(found, -1).to_numpy().astype(np.int64)
    if rows is None:
        return at
    return np.where(at >= 0, rows[at], -1)
