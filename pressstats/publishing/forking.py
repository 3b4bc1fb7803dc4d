"""Import what notebooks need, open what they open, then fork a kernel for each line that is read.

A script; see ``kernels``.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import signal
import sys
from importlib import import_module

__all__: list[str] = []

#: The kernel itself, what the notebooks of the reports import, and what a kernel imports by itself when it starts.
_IMPORTED = (
    "ipykernel.zmqshell",
    "ipykernel.kernelapp",
    "IPython.core.completerlib",
    "tornado.platform.asyncio",
    "pressstats.pages",
    "pressstats.results",
)
#: No cell of a report is debugged: each kernel would import it by itself.
_LEFT_OUT = "debugpy"


def _serve() -> None:
    """Fork until nobody is left to write a line."""
    # Whoever asked for kernels is told to stop at the same terminal, and ends this process then.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if not sys.flags.safe_path:
        del sys.path[0]  # the folder of this script
    ends_with_parent = import_module("pressstats.stopping").ends_with_parent
    ends_with_parent(os.getppid())
    sys.modules[_LEFT_OUT] = None  # type: ignore[assignment]
    for name in _IMPORTED:
        import_module(name)
    # What draws is imported by the first figure of a process.
    graph = import_module("plotly.graph_objects")
    graph.Figure([graph.Scatter(), graph.Bar()]).to_json()
    # What goes wrong here goes wrong in the notebooks again, where it is told.
    with contextlib.suppress(Exception):
        import_module("pressstats.results").hold_results(**json.loads(sys.argv[1]))
    gc.freeze()  # so that a kernel does not copy what it only looks through for garbage
    signal.signal(signal.SIGCHLD, _waited_for)
    parent = os.getpid()
    for line in iter(sys.stdin.readline, ""):
        pid = os.fork()
        if pid == 0:
            try:
                ends_with_parent(parent)
                _become_kernel(parent, **json.loads(line))
            finally:
                os._exit(1)
        print(pid, flush=True)


def _waited_for(*_: object) -> None:
    """Wait for kernels that have ended, so that they are gone and their processor time is known."""
    try:
        while os.waitpid(-1, os.WNOHANG)[0]:
            pass
    except ChildProcessError:
        pass


def _become_kernel(parent: int, arguments: list[str], folder: str, environment: dict[str, str]) -> None:
    """Run a kernel to its end, as ``python -m ipykernel_launcher`` would."""
    os.setsid()
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(2, 1)
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    sys.argv[1:] = arguments
    from ipykernel.kernelapp import IPKernelApp

    # A kernel ends when who forked it has ended.
    IPKernelApp.launch_instance(argv=[*arguments, f"--IPKernelApp.parent_handle={parent}"])


if __name__ == "__main__":
    _serve()
