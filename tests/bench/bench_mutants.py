"""Logs and ``plant.toml`` changed at random, one thing at a time: does reading end, is every row accounted for?

Run it as ``python tests/bench/bench_mutants.py read|analyse [--count N] [--seed S]``. ``read`` reads each mutant and
describes what it found; ``analyse`` computes every published table of it, which takes seconds each. A mutant is a
small plant in which one cell, line, column, file or key is spoilt: blank, absurd, of another kind, repeated, cut, moved
in time, in other bytes, or as a file of another format. Figures count tracebacks, readings beyond the seconds allowed,
and tables whose rows read are not those used, set aside, repeated and later.
"""

from __future__ import annotations

import signal
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from figures import Figure, measures
from mutants import PLANT, spoilt

from pressstats.logs import Logs, LogsError, describe_check, read_logs
from pressstats.results import Pending

_SECONDS = 20


class _TooLongError(Exception):
    """A mutant took longer than allowed."""


def _alarm(*_: object) -> None:
    raise _TooLongError


def _tried(work: Callable[[], Any]) -> tuple[Any, str]:
    """Return what `work` returns, and what went wrong: nothing, refused, hang or the place of a traceback."""
    signal.signal(signal.SIGALRM, _alarm)
    signal.alarm(_SECONDS * 3)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return work(), ""
    except LogsError:
        return None, "refused"
    except _TooLongError:
        return None, "hang"
    except Exception as error:  # noqa: BLE001 -- whatever surfaces is what is looked for
        last = traceback.extract_tb(error.__traceback__)[-1]
        return None, f"traceback {type(error).__name__} at {Path(last.filename).name}:{last.lineno}"
    finally:
        signal.alarm(0)


def _unaccounted(logs: Logs) -> int:
    parts = logs.ledger[["used", "set_aside", "repeated", "later"]].sum(axis=1)
    return int((logs.ledger["read"] != parts).sum())


def _counted(count: int, seed: int, work: Callable[[Path], Logs]) -> Iterator[Figure]:
    found: Counter[str] = Counter()
    slowest, lost = 0.0, 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            generator = np.random.default_rng([seed, number])
            made = Path(folder) / str(number)
            what = spoilt(made, generator)
            begun = time.perf_counter()
            logs, wrong = _tried(lambda made=made: work(made))
            slowest = max(slowest, time.perf_counter() - begun)
            unaccounted = 0 if logs is None else _unaccounted(logs)
            lost += unaccounted
            found[wrong.split(" ")[0] or "read"] += 1
            if unaccounted or wrong not in ("", "refused"):
                click.echo(f"seed {seed}, mutant {number}: {what}: {wrong or 'rows unaccounted'}", err=True)
    for what in ("read", "refused", "traceback", "hang"):
        yield Figure(f"mutants {what}", found[what], "", f"of {count}, seed {seed}")
    yield Figure("tables whose rows do not add up", lost, "", f"of {count} mutants")
    yield Figure("slowest", slowest, "s")


@click.group()
def main() -> None:
    """Spoil logs, and count what reading and analysis make of them."""


@main.command()
@click.option("--count", default=6000, show_default=True, help="Mutants.")
@click.option("--seed", default=1, show_default=True, help="Start of the random numbers.")
@measures
def read(count: int, seed: int) -> Iterator[Figure]:
    """Read mutants and describe them."""

    def work(folder: Path) -> Logs:
        logs = read_logs(folder, today=PLANT.today)
        describe_check(logs)
        return logs

    yield from _counted(count, seed, work)


@main.command()
@click.option("--count", default=100, show_default=True, help="Mutants.")
@click.option("--seed", default=1, show_default=True, help="Start of the random numbers.")
@measures
def analyse(count: int, seed: int) -> Iterator[Figure]:
    """Compute every published table of mutants."""

    def work(folder: Path) -> Logs:
        pending = Pending(folder)
        tables = pending._computed().tables()
        assert all(isinstance(table, pd.DataFrame) for table in tables.values())
        return pending.logs

    yield from _counted(count, seed, work)


if __name__ == "__main__":
    main()
