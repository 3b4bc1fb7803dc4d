"""How comparing plants keeps its promises, and what publishing a group costs by plant and year.

    python tests/bench/bench_group.py alarms --groups 500      equal plants: groups in which one is named; intervals
    python tests/bench/bench_group.py found --groups 200       one plant of four wastes more: how often it is named
    python tests/bench/bench_group.py scale --years 3,6,12     analysis of one plant: processor time and memory a year
    python tests/bench/bench_group.py whole --plants 20 --years 10     a group published: the same, with its pages

Of equal plants at most five groups of a hundred may name one, and intervals must hold the truth in 95 of a hundred
plants.
Scale is linear where seconds a year do not grow with the years; the processor time of processes beside it is in it.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from demo_plant import write_demo
from test_group import plant_runs

from pressstats.group import compared_waste

PLANTS = 4
#: Run in a process of its own, whose memory is that of one plant.
_ANALYSED = """
import json, resource, sys
from pressstats import open_results
open_results(sys.argv[1])
usage = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
print(json.dumps([sum(one.ru_utime + one.ru_stime for one in usage), max(one.ru_maxrss for one in usage) / 1e6]))
"""


@click.group()
def main() -> None:
    """Measure the comparison of plants, and its scale."""


def _groups(groups: int, factor: float) -> Iterator[tuple[list[str], np.ndarray]]:
    """Give of each group what is told of its plants, and whether their intervals hold the truth."""
    true = np.array([factor, *np.ones(PLANTS - 1)])
    for group in range(groups):
        plants = {
            str(plant): plant_runs(1000 * group + plant, webs=plant + 1, factor=true[plant])
            for plant in range(PLANTS)
        }
        waste = compared_waste(plants, "all waste").waste
        level = waste["actual_kg"].sum() / (waste["actual_kg"] / true).sum()
        held = (waste["ci_low"] <= true / level) & (true / level <= waste["ci_high"])
        yield list(waste["state"]), held.to_numpy()


@main.command()
@click.option("--groups", default=500, help="Groups of equal plants.")
@measures
def alarms(groups: int) -> Iterator[Figure]:
    """Measure how often one of equal plants is named, and how often intervals hold the truth."""
    found = list(_groups(groups, 1.0))
    named = sum(set(states) != {"not told apart"} for states, _ in found)
    note = f"{groups} groups of {PLANTS} plants, a year each"
    yield Figure("groups of equal plants in which one is named", 100 * named / groups, "%", note)
    yield Figure("95 % intervals that hold the truth", 100 * np.mean([held for _, held in found]), "%", note)


@main.command()
@click.option("--groups", default=200, help="Groups in which the first plant wastes more.")
@click.option("--more", default=10.0, help="How much more it wastes [%].")
@measures
def found(groups: int, more: float) -> Iterator[Figure]:
    """Measure how often a plant that wastes more is named."""
    told = list(_groups(groups, 1 + more / 100))
    named = sum(states[0] == "more than the group" for states, _ in told)
    yield Figure(f"plants named that waste {more:g} % more", 100 * named / groups, "%", f"{groups} groups")


def _environment(scratch: Path) -> dict[str, str]:
    package = str(Path(__file__).parents[2])
    return {"PRESSSTATS_CACHE": str(scratch / "cache"), "PYTHONPATH": package, "OPENBLAS_NUM_THREADS": "1"}


@main.command()
@click.option("--years", default="3,6,12", help="Years of the plants, by commas.")
@measures
def scale(years: str) -> Iterator[Figure]:
    """Measure processor time and memory of the analysis of one plant, a year."""
    for count in map(int, years.split(",")):
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch) / "plant"
            write_demo(folder, years=count)
            done = subprocess.run(
                [sys.executable, "-c", _ANALYSED, str(folder)],
                env=_environment(Path(scratch)),
                capture_output=True,
                check=True,
            )
        seconds, memory = json.loads(done.stdout)
        yield Figure(
            f"{count} years: processor time of the analysis", seconds / count, "s / year", f"{seconds:.0f} s"
        )
        yield Figure(
            f"{count} years: most memory of a process", memory, "GB", f"{1000 * memory / count:.0f} MB a year"
        )


@main.command()
@click.option("--plants", default=20, help="Plants, a seed each.")
@click.option("--years", default=10, help="Years of each.")
@click.option("--workers", default=2, help="Plants at a time.")
@click.option("--report", "reports", multiple=True, help="Publish only this report.")
@measures
def whole(plants: int, years: int, workers: int, reports: tuple[str, ...]) -> Iterator[Figure]:
    """Publish a group, and measure time and memory a plant and year."""
    with tempfile.TemporaryDirectory() as folder:
        scratch = Path(folder)
        names = [f"plant-{number + 1}" for number in range(plants)]
        for number, name in enumerate(names):
            write_demo(scratch / "group" / name, seed=number + 1, years=years)
        described = ['name = "Plants of the bench"', "[group]", *(f'{name} = "{name}"' for name in names)]
        (scratch / "group" / "plant.toml").write_text("\n".join(described), encoding="utf-8")
        said = [sys.executable, "-m", "pressstats", "publish", "--workers", str(workers)]
        said += [f"--report={name}" for name in reports]
        began = time.perf_counter()
        done = subprocess.run(
            [*said, "--logs", str(scratch / "group"), "--out", str(scratch / "out")],
            env=os.environ | _environment(scratch),
            check=False,
            capture_output=True,
            text=True,
        )
        seconds = time.perf_counter() - began
        stand = sum(1 for _ in (scratch / "out" / "plants").glob("*/[0-9]*/manifest.json"))
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    note = f"{plants} plants of {years} years, {workers} at a time; exit code {done.returncode}"
    count = plants * years
    yield Figure("plants published", stand, "count", note)
    yield Figure("processor time a plant and year", (used.ru_utime + used.ru_stime) / count, "s", note)
    yield Figure("time of the clock a plant and year", seconds / count, "s", note)
    yield Figure("most memory of a process of the group", used.ru_maxrss / 1e6, "GB", note)


if __name__ == "__main__":
    main()
