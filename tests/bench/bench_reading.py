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
from collections.abc import Callable
from pathlib import Path

import pandas as pd

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


def _show(title: str, folder: Path, repeats: int) -> None:
    files = [path for path in folder.iterdir() if path.suffix in (".csv", ".parquet")]
    size = sum(path.stat().st_size for path in files) / 1e6
    found = measure(folder, repeats)
    bare = found["pandas.read_csv"]
    both = tuple(a + b for a, b in zip(found["read_logs"], found["paper_balance"], strict=True))
    print(f"{title}: {len(files)} files, {size:.1f} MB, median of {repeats}")
    print(f"  {'':24s}{'clock ms':>10s}{'ratio':>8s}{'processor ms':>14s}{'ratio':>8s}")
    for name, (clock, processor) in {**found, "both together": both}.items():
        print(
            f"  {name:24s}{clock * 1e3:10.1f}{clock / bare[0]:8.2f}{processor * 1e3:14.1f}{processor / bare[1]:8.2f}"
        )


def main(years: int = 60) -> None:
    """Measure the demo plant and one of `years` years."""
    _show("demo plant", DEMO, 15)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "long"
        write_demo(folder, years=years)
        _show(f"{years} years", folder, 5)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
