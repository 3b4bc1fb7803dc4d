"""Entries of the cache: an archive by digest, whole or absent. Who finds one waits for nobody."""

from __future__ import annotations

import logging
import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from .archive import read_archive, write_archive

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

__all__ = ["cached"]

_LOG = logging.getLogger(__name__)
#: Room that all entries take together at most [byte]: some forty plants.
_BYTES_MOST = 500_000_000


def cached(digest: str, compute: Callable[[], Any], given: Mapping[str, object]) -> Any:
    """Return what `compute` returns, from the cache where it has been computed before.

    Whoever asks while the same is computed waits for it; nobody else waits. Where the cache cannot be read or written,
    `compute` is called all the same, and one line of the log says why.

    Parameters
    ----------
    digest : str
        Hexadecimal digest of everything that the answer depends on.
    compute : callable
        Computes the answer.
    given : mapping
        Parts of the answer that the caller has, by name; they are not kept.
    """
    from filelock import FileLock
    from platformdirs import user_cache_path

    folder = Path(os.environ.get("PRESSSTATS_CACHE") or user_cache_path("pressstats"))
    entry = folder / f"{digest}.zip"
    answer = _found(entry, given)
    if answer is not None:
        return answer
    # A lock for 256 digests, not for each, so that locks are never in need of clearing away.
    lock = FileLock(folder / f"{digest[:2]}.lock")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except OSError as error:
        _LOG.warning("Results are not kept: %s cannot be written (%s).", folder, error.strerror or error)
        return compute()
    try:
        answer = _found(entry, given)
        if answer is None:
            answer = compute()
            _keep(entry, answer, given)
    finally:
        lock.release()
    return answer


def _found(entry: Path, given: Mapping[str, object]) -> Any:
    """Return what an entry holds; None where there is none, or none that can be read."""
    try:
        answer = read_archive(entry, given)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except Exception as error:  # noqa: BLE001 -- damage surfaces in many ways; what was kept is computed again
        _LOG.warning("Results are computed again: %s cannot be read (%s).", entry, error)
        with suppress(OSError):
            entry.unlink()
        return None
    # The entry that was used least lately is the first to go.
    with suppress(OSError):
        os.utime(entry)
    return answer


def _keep(entry: Path, answer: Any, given: Mapping[str, object]) -> None:
    """Write an entry beside its place, then put it there, so that nobody sees a part of one."""
    aside = entry.with_suffix(f".{uuid4().hex}")
    try:
        aside.touch(mode=0o600)
        write_archive(aside, answer, given)
        aside.replace(entry)
    except (OSError, TypeError, ValueError) as error:
        _LOG.warning("Results are not kept: %s cannot be written (%s).", entry, error)
        with suppress(OSError):
            aside.unlink(missing_ok=True)
    # Another process may clear away at the same time.
    with suppress(OSError):
        _make_room(entry.parent)


def _make_room(folder: Path) -> None:
    """Remove entries that were not used for the longest time, down to the room there is."""
    entries = sorted(((path.stat(), path) for path in folder.glob("*.*")), key=lambda one: -one[0].st_mtime)
    taken = 0
    for about, path in entries:
        taken += about.st_size
        if taken > _BYTES_MOST and path.suffix != ".lock":
            path.unlink(missing_ok=True)
