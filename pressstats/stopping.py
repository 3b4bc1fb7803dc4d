"""What becomes of a command that is stopped from outside: one line, an exit code of its own, nothing waited for."""

from __future__ import annotations

import os
import signal
import sys
from types import FrameType
from typing import NoReturn

__all__ = ["EXIT_CODES", "Stopped", "ends_with_parent", "heed_signals", "leave"]

#: Exit codes as a shell tells them: 128 and the number of the signal.
EXIT_CODES = {"SIGHUP": 129, "SIGINT": 130, "SIGTERM": 143}
_PR_SET_PDEATHSIG = 1  # prctl(2)


class Stopped(KeyboardInterrupt):
    """A signal asked the process to end; its `code` is that to exit with."""

    def __init__(self, code: int = EXIT_CODES["SIGINT"]) -> None:
        super().__init__()
        self.code = code


def _stop(number: int, _frame: FrameType | None) -> None:
    for name in EXIT_CODES:
        signal.signal(getattr(signal, name), signal.SIG_IGN)  # one is enough: what follows cleans up
    raise Stopped(128 + number)


def heed_signals() -> None:
    """Let signals that ask to end raise Stopped in the main thread."""
    for name in EXIT_CODES:
        if hasattr(signal, name) and signal.getsignal(getattr(signal, name)) != signal.SIG_IGN:
            signal.signal(getattr(signal, name), _stop)


def leave(stopped: KeyboardInterrupt, what: str = "") -> NoReturn:
    """Say that the process was stopped, and end it without waiting for its threads."""
    code = getattr(stopped, "code", EXIT_CODES["SIGINT"])
    name = next((name for name, known in EXIT_CODES.items() if known == code), "a signal")
    print(f"Stopped by {name}. {what}".rstrip(), file=sys.stderr, flush=True)
    sys.stdout.flush()
    os._exit(code)


def ends_with_parent(parent: int) -> None:
    """Let the system end this process as soon as its `parent` has ended, even where it is halted; Linux alone can."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:  # it ended before that was said
            os._exit(1)
