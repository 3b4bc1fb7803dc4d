"""Time of reading, checking and balancing, as a ratio to bare ``pandas.read_csv`` of the same files.

Run it as ``python tests/bench/bench_reading.py``. Each figure is the median of several runs taken in
turn, so that a busy machine slows both sides of a ratio alike; processor time is shown beside the
time on the clock, because it is the steadier of the two. The second plant is twenty times as long:
a ratio of about the same size there says that reading is linear.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import pandas as pd
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from demo_plant import write_demo

from pressstats.logs import Logs, read_logs
from pressstats.paper import weighed_paper

DEMO = Path(__file__).parents[2] / "data_demo"

_SEPARATORS = {"waste_sold.csv": ";"}  # the one file of the demo with another delimiter


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    clock, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - clock, time.process_time() - processor


def _bare(folder: Path) -> None:
    """Read every table with pandas and nothing else."""
    for path in sorted(folder.iterdir()):
        if path.suffix == ".csv":
            pd.read_csv(path, sep=_SEPARATORS.get(path.name, ","))
        elif path.suffix == ".parquet":
            pd.read_parquet(path)


def measure(folder: Path, repeats: int) -> dict[str, tuple[float, float]]:
    """Return the median clock and processor time [s] of each piece of work."""
    held: list[Logs] = [read_logs(folder)]
    work: dict[str, Callable[[], object]] = {
        "pandas.read_csv": lambda: _bare(folder),
        "read_logs": lambda: held.__setitem__(0, read_logs(folder)),
        "paper_balance": lambda: weighed_paper(held[0]),
    }
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in work}
    for _ in range(repeats):
        for name, task in work.items():
            times[name].append(_timed(task))
    return {
        name: (statistics.median(t[0] for t in taken), statistics.median(t[1] for t in taken))
        for name, taken in times.items()
    }


def _ratios(title: str, folder: Path, repeats: int) -> Iterator[Figure]:
    files = [path for path in folder.iterdir() if path.suffix in (".csv", ".parquet")]
    size = sum(path.stat().st_size for path in files) / 1e6
    found = measure(folder, repeats)
    bare = found["pandas.read_csv"]
    both = tuple(a + b for a, b in zip(found["read_logs"], found["paper_balance"], strict=True))
    note = f"{len(files)} files, {size:.1f} MB, median of {repeats}"
    yield Figure(f"{title}, pandas.read_csv, processor", bare[1] * 1e3, "ms", note)
    together = {"both together": both} | {name: found[name] for name in ("read_logs", "paper_balance")}
    for name, (clock, processor) in together.items():
        words = f"{title}, {name} / pandas.read_csv"
        yield Figure(f"{words}, clock", clock / bare[0], "ratio", f"{clock * 1e3:.0f} ms")
        yield Figure(f"{words}, processor", processor / bare[1], "ratio", f"{processor * 1e3:.0f} ms")


@click.command()
@click.option("--years", default=60, help="Years of the second plant.")
@click.option("--repeats", default=15, help="Readings of the demo plant; of the second a third.")
@measures
def main(years: int, repeats: int) -> Iterator[Figure]:
    """Measure the demo plant and a longer one."""
    yield from _ratios("demo plant", DEMO, repeats)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "long"
        write_demo(folder, years=years)
        yield from _ratios(f"{years} years", folder, max(repeats // 3, 1))


if __name__ == "__main__":
    main()
