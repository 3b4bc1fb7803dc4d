"""A publication appears whole or not at all: built aside, put in its place by renaming."""

from __future__ import annotations

import filecmp
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

__all__ = [
    "building_in",
    "forget_failed",
    "keep_failed",
    "place",
    "published_weeks",
    "put_shared",
    "replace_text",
]

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_BUILDING, _PREVIOUS = ".building-", ".previous-"
_STALE = 24 * 3600  # [s]: no publication takes a day, so what is older was left by one that was killed


@contextmanager
def building_in(out: Path, as_of: str) -> Iterator[Path]:
    """Give an empty folder inside `out`, and take it away again unless it has been placed.

    What a killed publication left behind is put in order first.
    """
    out.mkdir(parents=True, exist_ok=True)
    _tidy(out)
    folder = Path(tempfile.mkdtemp(prefix=f"{_BUILDING}{as_of}-", dir=out))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _tidy(out: Path) -> None:
    for previous in out.glob(f"{_PREVIOUS}*"):
        day = previous.name.removeprefix(_PREVIOUS)[:10]
        if _DAY.fullmatch(day) and not (out / day).exists():
            previous.rename(out / day)
    for left in (*out.glob(f"{_BUILDING}*"), *out.glob(f"{_PREVIOUS}*")):
        if time.time() - left.stat().st_mtime > _STALE:
            shutil.rmtree(left, ignore_errors=True)


def place(built: Path, target: Path) -> None:
    """Rename `built` to `target`; what was there before goes only once the new one stands, and stays if that fails."""
    # made by tempfile for its owner alone; a publication is for others to read
    built.chmod(0o777 & ~_umask())
    previous = None
    if target.exists():
        previous = target.with_name(f"{_PREVIOUS}{target.name}-{os.getpid()}")
        target.rename(previous)
    try:
        built.rename(target)
    except OSError:
        if previous is not None:
            previous.rename(target)
        raise
    if previous is not None:
        shutil.rmtree(previous, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def put_shared(source: Path, target: Path, out: Path) -> None:
    """Put a large file that every publication holds into one of them, sharing its bytes if possible.

    Each publication opens by itself, even moved elsewhere; a hard link lets them hold one file.
    """
    for other in sorted(out.glob(f"*/assets/{target.name}")):
        if filecmp.cmp(source, other, shallow=False):
            with suppress(OSError):
                os.link(other, target)
                return
    shutil.copyfile(source, target)


def replace_text(path: Path, text: str) -> None:
    """Write a file so that a reader sees the old one or the new one, never half of it."""
    new = path.with_name(f".{path.name}-{os.getpid()}")
    new.write_text(text, encoding="utf-8", newline="")
    new.replace(path)


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
    folders = [one for one in out.iterdir() if _DAY.fullmatch(one.name) and (one / "index.html").is_file()]
    return sorted(folders, key=lambda folder: folder.name, reverse=True)
