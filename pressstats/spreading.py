"""Work spread over the cores of this machine, or over the workers of a Dask cluster, by one and the same call."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from .beside import cores

__all__ = ["TRIES", "SpreadError", "spread"]

_Item = TypeVar("_Item")
_Result = TypeVar("_Result")
#: A worker may die for reasons that are not its work's: each piece is tried so often.
TRIES = 3
#: How long the scheduler is waited for, and its first worker [s].
_PATIENCE = 20


class SpreadError(RuntimeError):
    """The scheduler cannot be reached, or has no workers."""


def spread(
    work: Callable[[_Item], _Result],
    items: Sequence[_Item],
    *,
    scheduler: str = "",
    workers: int | None = None,
    lost: Callable[[_Item], _Result],
    tell: Callable[[str], object] = len,
) -> Iterator[_Result]:
    """Do `work` on each item in processes, and give what it returns as it comes, in any order.

    Parameters
    ----------
    work : callable
        Takes an item; whatever it returns can be pickled, and it raises nothing.
    items : sequence
        What there is to do.
    scheduler : str
        Address of a Dask scheduler, such as ``tcp://host:8786``; empty for the cores of this machine.
    workers : int, optional
        Items at a time on this machine; by default as many as there are cores to run on. On a cluster its workers
        decide.
    lost : callable
        What to return for an item whose worker died each time it was tried.
    tell : callable
        Takes a line of progress.

    Raises
    ------
    SpreadError
        If the scheduler cannot be reached, or has no workers.

    Notes
    -----
    A worker that is killed takes the work of its process with it, and nothing else: what has come is kept, what has
    not is done again.
    """
    import joblib

    left = list(items)
    for attempt in range(1, TRIES + 1):
        with _backend(scheduler, workers) as settings:
            done = joblib.Parallel(batch_size=1, return_as="generator_unordered", **settings)(
                joblib.delayed(_numbered)(work, number, item) for number, item in enumerate(left)
            )
            finished = set()
            try:
                for number, result in done:
                    finished.add(number)
                    yield result
            except Exception as error:
                if not _died(error):
                    raise
        left = [item for number, item in enumerate(left) if number not in finished]
        if not left:
            return
        if attempt < TRIES:
            tell(f"a worker has died: {len(left)} of {len(items)} once more")
    yield from map(lost, left)


def _numbered(work: Callable[[Any], Any], number: int, item: Any) -> tuple[int, Any]:
    return number, work(item)


@contextmanager
def _backend(scheduler: str, workers: int | None) -> Iterator[dict[str, Any]]:
    """Choose who works; give what the call needs beside that."""
    import joblib

    if not scheduler:
        with joblib.parallel_config(backend="loky"):
            # Of one process joblib makes none: one of two that is given work keeps it apart from this one.
            yield {"n_jobs": max(workers or cores(), 2), "pre_dispatch": workers or cores()}
        return
    try:
        from distributed import Client
    except ImportError:
        raise SpreadError("a scheduler needs Dask: pip install 'pressstats[machines]'") from None
    try:
        client = Client(scheduler, timeout=_PATIENCE, set_as_default=False)
    except (OSError, ValueError) as error:
        raise SpreadError(f"no scheduler answers at {scheduler}: {error}") from None
    with client:
        try:
            client.wait_for_workers(1, timeout=_PATIENCE)
        except TimeoutError:
            raise SpreadError(f"the scheduler at {scheduler} has no workers") from None
        with joblib.parallel_config(backend="dask", client=client):
            yield {"n_jobs": -1}


def _died(error: Exception) -> bool:
    """Say whether it was a worker that ended, not its work that failed."""
    from concurrent.futures.process import BrokenProcessPool

    from joblib.externals.loky.process_executor import TerminatedWorkerError

    # Dask may not be there: its error is known by its name.
    return (
        isinstance(error, BrokenProcessPool | TerminatedWorkerError) or type(error).__name__ == "KilledWorker"
    )
