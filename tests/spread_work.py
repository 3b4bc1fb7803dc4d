"""Work that ends its worker: in a module of its own, since each worker that is started imports it."""

from __future__ import annotations

import os
import signal
from pathlib import Path

__all__ = ["dies", "lost"]


def dies(folder: Path, item: int) -> int:
    """Square a number; 2 kills its worker the first time, 3 each time."""
    tried = len(list(folder.glob(f"{item}-*")))
    (folder / f"{item}-{tried}").touch()
    if item == 3 or (item == 2 and not tried):
        os.kill(os.getpid(), signal.SIGKILL)
    return item**2


def lost(_item: object) -> int:
    """Return what stands for work that was lost."""
    return -1
