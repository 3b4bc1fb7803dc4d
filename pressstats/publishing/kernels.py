"""Kernels forked from one process that has imported and opened everything already, so that both are paid once."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from jupyter_client.manager import AsyncKernelManager
from traitlets import default

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import TracebackType

__all__ = ["WarmKernels"]

#: The process that forks: run as a file, since as a module it would import all of this package first.
_FORKING = Path(__file__).with_name("forking.py")
#: Kernels from which on the imports cost less once than in each.
_PAYS_FROM = 3
#: How long the process that forks is waited for [s]: until it has opened everything, and until it has ended.
_OPENED, _ENDED = 3600.0, 60.0


class WarmKernels:
    """A process that forks kernels; where there is none, or it fails, kernels start as they always do.

    Parameters
    ----------
    count : int
        Kernels that will be asked for; for few of them to import everything does not pay.
    parameters : mapping of str to str
        Logs, as-of and folder of past publications, of which every notebook will open the results.
    folder : Path
        Where what kernels are connected by is kept; it goes with what is built there, whatever becomes of the kernels.

    Attributes
    ----------
    manager : type
        Class of kernel managers whose kernels are forked.
    """

    def __init__(self, count: int, parameters: Mapping[str, str], folder: Path) -> None:
        self.folder = folder
        self.started: list[Any] = []
        self._pays = count >= _PAYS_FROM and hasattr(os, "fork")
        self.manager = type("WarmKernelManager", (_Manager,), {"kernels": self})
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._parameters = json.dumps(dict(parameters))

    def __enter__(self) -> WarmKernels:
        """Start to import, beside whatever the caller does next."""
        if self._pays:
            pipe = subprocess.PIPE
            self._process = subprocess.Popen(
                [sys.executable, _FORKING, self._parameters], stdin=pipe, stdout=pipe, text=True
            )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the process; a kernel that still runs ends with it."""
        if self._process is not None:
            try:
                self._process.communicate(timeout=_ENDED)
            except subprocess.TimeoutExpired:  # somebody halted it
                self.kill()
                self._process.wait()

    def kill(self) -> None:
        """End every kernel at once, whatever it is doing."""
        for process in (self._process, *self.started):
            with suppress(OSError):
                if process is not None:
                    process.kill()

    def forked(self, command: list[str], folder: str, environment: dict[str, str]) -> Forked | None:
        """Return a kernel that runs `command` in a folder; None where it cannot be forked."""
        ours = command[:3] == [sys.executable, "-m", "ipykernel_launcher"]
        if self._process is None or not ours:
            return None
        asked = json.dumps({"arguments": command[3:], "folder": folder, "environment": environment})
        with self._lock:
            assert self._process.stdin is not None
            assert self._process.stdout is not None
            try:
                print(asked, file=self._process.stdin, flush=True)
                if not select.select([self._process.stdout], [], [], _OPENED)[0]:
                    self._process.kill()
                answer = self._process.stdout.readline()
            except BrokenPipeError:
                return None
        forked = Forked(int(answer)) if answer else None
        self.started += [forked] if forked else []
        return forked


class Forked:
    """A forked kernel, as :class:`subprocess.Popen` would show it; who forked it waits for its end."""

    stdin = stdout = stderr = None

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.returncode: int | None = None

    def poll(self) -> int | None:
        """Return None while it runs, and 1 after: how it ended is not known."""
        if self.returncode is None:
            try:
                os.kill(self.pid, 0)
            except ProcessLookupError:
                self.returncode = 1
        return self.returncode

    def wait(self) -> int | None:
        """Return what `poll` returns; nothing is left to wait for when a kernel has ended."""
        return self.poll()

    def send_signal(self, number: int) -> None:
        """Send a signal."""
        os.kill(self.pid, number)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)


class _Manager(AsyncKernelManager):
    """Starts kernels by forking."""

    kernels: WarmKernels

    @default("connection_file")
    def _beside_what_is_built(self) -> str:
        return str(self.kernels.folder / f"kernel-{uuid4().hex}.json")

    async def _async_launch_kernel(self, kernel_cmd: list[str], **kw: Any) -> None:
        folder, environment = str(kw.get("cwd") or Path.cwd()), dict(kw.get("env") or os.environ)
        forked = self.kernels.forked(kernel_cmd, folder, environment)
        if forked is None:
            await super()._async_launch_kernel(kernel_cmd, **kw)
            self.kernels.started.append(getattr(self.provisioner, "process", None))
            return
        provisioner: Any = self.provisioner
        provisioner.process, provisioner.pid, provisioner.pgid = forked, forked.pid, forked.pid
        self._reconcile_connection_info(provisioner.connection_info)
