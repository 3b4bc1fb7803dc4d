"""A publication appears whole or not at all: built aside, put in its place by renaming."""

from __future__ import annotations

import ctypes
import datetime as dt
import filecmp
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

__all__ = [
    "alone_in",
    "building_in",
    "forget_failed",
    "keep_failed",
    "place",
    "published_weeks",
    "put_shared",
    "write_whole",
]

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
#: The lock stays, hidden: were it removed, two could hold locks on files of one name.
_BUILDING, _PREVIOUS, _LOCK = ".building-", ".previous-", ".lock"
#: How long another publication is waited for [s].
_PATIENCE = 1800.0
_RENAME_EXCHANGE, _HERE = 2, -100  # renameat2(2): both names change places, relative to the working folder


@contextmanager
def building_in(out: Path, as_of: str, tell: Callable[[str], object] = len) -> Iterator[Path]:
    """Give an empty folder inside `out`, and take it away again unless it has been placed.

    Meanwhile nobody else builds in `out`: who comes second waits, and is told so. What a publication that was killed
    left behind is put in order first. Raises TimeoutError where another one takes half an hour, OSError where `out`
    cannot be written.
    """
    with alone_in(out, tell):
        _tidy(out)
        folder = Path(tempfile.mkdtemp(prefix=f"{_BUILDING}{as_of}-", dir=out))
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def alone_in(out: Path, tell: Callable[[str], object] = len) -> Iterator[None]:
    """Let nobody else publish in `out` meanwhile, which is made if need be; errors as in :func:`building_in`."""
    from filelock import FileLock, Timeout

    out.mkdir(parents=True, exist_ok=True)
    lock = FileLock(out / _LOCK)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        tell(f"waiting for another publication in {out}")
        try:
            lock.acquire(timeout=_PATIENCE)
        except Timeout:
            raise TimeoutError(f"another publication in {out} did not end in {_PATIENCE:g} s") from None
    try:
        yield
    finally:
        lock.release()


def write_whole(text: str, path: Path) -> None:
    """Write a file that is there whole or as it was before."""
    with tempfile.NamedTemporaryFile(
        "w", dir=path.parent, prefix=_BUILDING, encoding="utf-8", delete=False
    ) as file:
        file.write(text)
    _to_disk(Path(file.name))
    Path(file.name).replace(path)


def _tidy(out: Path) -> None:
    """Put in order what the dead left; of the living there is one, who holds the lock and has left nothing yet."""
    for previous in out.glob(f"{_PREVIOUS}*"):
        day = previous.name.removeprefix(_PREVIOUS)[:10]
        if _DAY.fullmatch(day) and not (out / day).exists():
            previous.rename(out / day)
    for left in (*out.glob(f"{_BUILDING}*"), *out.glob(f"{_PREVIOUS}*")):
        shutil.rmtree(left, ignore_errors=True)


def place(built: Path, target: Path) -> None:
    """Put `built` in the place of `target` at once; what was there before is then in that of `built`.

    Everything is on the disk before it is seen. Where names cannot change places at once, what was there goes aside
    for a moment, and comes back if that fails.
    """
    # made by tempfile for its owner alone; a publication is for others to read
    built.chmod(0o777 & ~_umask())
    for path in (*built.rglob("*"), built):
        _to_disk(path)
    if not target.exists():
        built.rename(target)
    elif not _exchanged(built, target):
        previous = target.with_name(f"{_PREVIOUS}{target.name}-{os.getpid()}")
        target.rename(previous)
        try:
            built.rename(target)
        except OSError:
            previous.rename(target)
            raise
        shutil.rmtree(previous, ignore_errors=True)
    _to_disk(target.parent)


def _exchanged(one: Path, other: Path) -> bool:
    """Let two folders change places; return False where the system or the file system cannot."""
    try:
        rename = ctypes.CDLL(None).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    return bool(rename(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _RENAME_EXCHANGE) == 0)


def _to_disk(path: Path) -> None:
    """Wait until a file or folder stands on the disk; where that cannot be asked for, nothing is lost but that."""
    with suppress(OSError):
        opened = os.open(path, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def put_shared(source: Path, target: Path, out: Path) -> None:
    """Put a large file that every publication holds into one of them, sharing its bytes if possible.

    Each publication opens by itself, even moved elsewhere; a hard link lets them hold one file.
    """
    for other in sorted(out.glob(f"*/assets/{target.name}")):
        if other.is_file() and filecmp.cmp(source, other, shallow=False):
            with suppress(OSError):
                os.link(other, target)
                return
    shutil.copyfile(source, target)


def keep_failed(notebooks: list[Path], out: Path, as_of: str) -> Path:
    """Keep notebooks that failed for looking at; those of an earlier failure of the same day go."""
    folder = out / "failed" / as_of
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for notebook in notebooks:
        if notebook.is_file():
            shutil.copyfile(notebook, folder / notebook.name)
    return folder


def forget_failed(out: Path, as_of: str) -> None:
    """Take away what an earlier failure of the same day left: it has been published since."""
    shutil.rmtree(out / "failed" / as_of, ignore_errors=True)
    with suppress(OSError):
        (out / "failed").rmdir()  # only when nothing of another day is in it


def published_weeks(out: Path) -> list[Path]:
    """Return the folders of all publications in `out`, the newest first."""
    if not out.is_dir():
        return []
    folders = [one for one in out.iterdir() if _is_day(one.name) and (one / "index.html").is_file()]
    return sorted(folders, key=lambda folder: folder.name, reverse=True)


def _is_day(name: str) -> bool:
    try:
        return bool(_DAY.fullmatch(name)) and bool(dt.date.fromisoformat(name))
    except ValueError:
        return False
