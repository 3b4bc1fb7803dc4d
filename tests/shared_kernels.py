"""Kernels for tests that are not about kernels: real ones, all forked from one process that has imported once.

A publication of a few reports starts each kernel by itself, and each imports for seconds what notebooks need.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from pressstats.publishing.kernels import WarmKernels

__all__ = ["shared_kernels"]


@contextmanager
def shared_kernels(folder: Path) -> Iterator[type[WarmKernels]]:
    """Yield what takes the place of `WarmKernels` in ``publishing.running`` as long as the process that forks lives."""
    with WarmKernels(99, {}, folder) as forking:

        class Shared(WarmKernels):
            """Kernels of one run; what forks them is there before it and after."""

            def __init__(self, _count: int, _parameters: Mapping[str, str], folder: Path) -> None:
                super().__init__(0, {}, folder)
                self._process, self._lock = forking._process, forking._lock

            def __enter__(self) -> WarmKernels:
                return self

            def __exit__(self, *_: object) -> None:
                """Leave the process: who runs a notebook ends its kernel."""

            def kill(self) -> None:
                for kernel in self.started:
                    with suppress(ProcessLookupError):
                        kernel.kill()

        yield Shared
