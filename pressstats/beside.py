"""Work that goes on beside other work, in a forked process, where there is a core for it."""

from __future__ import annotations

import contextlib
import os
import pickle
import sys
import traceback
from collections.abc import Callable
from typing import TypeVar

from .stopping import ends_with_parent

__all__ = ["beside", "cores"]

_Result = TypeVar("_Result")


def cores() -> int:
    """Return how many cores this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def beside(work: Callable[[], _Result]) -> Callable[[], _Result]:
    """Begin `work`, and return a function that waits for its end, once, and returns or raises what it did.

    `work` changes nothing that others look at: it runs in a copy of this process, whose result comes back pickled.
    Where no process can be forked, or no second core would run it, it runs when its result is asked for; so it does in
    a Jupyter kernel, whose other threads may hold a lock that a forked process would wait for without end.
    """
    if not hasattr(os, "fork") or cores() < 2 or _in_kernel():
        return work
    reading, writing = os.pipe()
    parent, pid = os.getpid(), os.fork()
    if pid == 0:
        ends_with_parent(parent)
        _answer(work, reading, writing)
    os.close(writing)

    def result() -> _Result:
        with os.fdopen(reading, "rb") as pipe:
            answer = pipe.read()
        with contextlib.suppress(ChildProcessError):  # where somebody waits for every child
            os.waitpid(pid, 0)
        if not answer:
            raise RuntimeError("a process that computed beside this one was ended")
        value, error = pickle.loads(answer)
        if error is not None:
            raise error
        done: _Result = value
        return done

    return result


def _in_kernel() -> bool:
    kernel = sys.modules.get("ipykernel.kernelapp")
    return kernel is not None and bool(kernel.IPKernelApp.initialized())


def _answer(work: Callable[[], object], reading: int, writing: int) -> None:
    """Do the work, write what came of it, and end at once: nothing of the process that forked is this one's to end."""
    try:
        os.close(reading)
        with os.fdopen(writing, "wb") as pipe:
            try:
                answer = pickle.dumps((work(), None), protocol=pickle.HIGHEST_PROTOCOL)
            except BaseException as error:  # noqa: BLE001 -- whatever it raises is raised where its result is asked for
                error.add_note(traceback.format_exc())
                answer = pickle.dumps((None, error))
            pipe.write(answer)
    finally:
        os._exit(0)
