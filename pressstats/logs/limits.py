"""What of a logs folder is opened, and how much a file of it may hold: more is refused before it takes time or memory.

No plant exports as much: sixty years of reel mounts are half a million rows.
"""

from __future__ import annotations

import stat
from pathlib import Path

__all__ = [
    "BROKEN",
    "CELLS",
    "COLUMNS",
    "FILE_BYTES",
    "ROWS",
    "TEXT_BYTES",
    "TooMuchError",
    "check_lines",
    "check_shape",
    "check_sizes",
    "leads_out",
    "no_file",
]

ROWS = 1_000_000  # a file or sheet; a sheet has no more
COLUMNS = 1_000
BROKEN = 100_000  # lines of a text that are no rows
CELLS = 50_000_000  # a text or Parquet file
FILE_BYTES = 200_000_000
_ALL_BYTES = 1_000_000_000
TEXT_BYTES = 400_000_000  # of all cells of a file, once it is unpacked
_LINE_BYTES = 1_000_000

_NO_FILES = {
    stat.S_IFDIR: "a folder",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}


class TooMuchError(ValueError):
    """A file holds more than a plant exports; the message says of what."""


def no_file(path: Path) -> str:
    """Return what stands in the place of a file, empty where it is one; nothing is opened to tell."""
    try:
        kind = stat.S_IFMT(path.stat().st_mode)
    except OSError as error:
        return "a link that leads to no file" if path.is_symlink() else f"out of reach ({error.strerror})"
    return "" if kind == stat.S_IFREG else _NO_FILES.get(kind, "no file")


def leads_out(path: Path) -> bool:
    """Return whether a link leads out of its folder."""
    return path.is_symlink() and path.resolve().parent != path.parent.resolve()


def check_sizes(paths: list[Path]) -> None:
    """Raise TooMuchError, with the name of a file, where one of them or all together are too large to be logs."""
    total = 0
    for path in paths:
        size = path.stat().st_size
        total += size
        if size > FILE_BYTES:
            raise TooMuchError(
                f"{path.name}: {size:,} bytes, and a file of logs has at most {FILE_BYTES:,}; export it in parts"
            )
        if total > _ALL_BYTES:
            raise TooMuchError(f"{path.parent}: more than {_ALL_BYTES:,} bytes in all files together")


def check_lines(data: bytes) -> None:
    """Raise TooMuchError where a text has too many lines, or too long ones, to be a table."""
    if len(data) > ROWS and max(data.count(b"\n"), data.count(b"\r")) > ROWS:
        raise TooMuchError(f"more than {ROWS:,} lines")
    start = 0
    while start + _LINE_BYTES < len(data):
        # The last line break that one of a permitted length can end with: what lies before it need not be looked at.
        end = max(data.rfind(mark, start, start + _LINE_BYTES + 1) for mark in (b"\n", b"\r"))
        if end < 0:
            raise TooMuchError(f"a line of more than {_LINE_BYTES:,} bytes")
        start = end + 1


def check_shape(rows: int, columns: int) -> None:
    """Raise TooMuchError where a table has more rows, columns or cells than an export has."""
    for count, most, what in (
        (rows, ROWS, "rows"),
        (columns, COLUMNS, "columns"),
        (rows * columns, CELLS, "cells"),
    ):
        if count > most:
            raise TooMuchError(f"{count:,} {what}, and an export has at most {most:,}")
