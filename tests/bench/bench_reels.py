"""What the reel study is worth, over simulated plants whose truth is known.

``censoring``
    How far off are rates and curves of the length to a break, and how far are they if censoring or late entry
    is ignored?
``coverage``
    How often do 95 % limits hold the truth? 95 or more is meant of exact ones, 93 to 97 of the others.
``ranking``
    How often is a planted supplier or reelstand named, and how often anything where nothing is planted?
``target``
    Does the least-cost splice target hold, and what does acting on it cost? How often is one told that is none?
``speed``
    Is the study linear in the mounts? Told as a ratio to reading them, in one run.

Run it as ``python tests/bench/bench_reels.py coverage [--plants N]``.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import numpy as np
import pandas as pd
from figures import Figure, figures_of, measures

from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.reels import study_reels

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from reel_simulation import TARGET_M, Breakage, Splicing, uneven_stands, write_many_mounts
from reel_trials import (
    effects_held,
    ends_held,
    length_errors,
    named_stands,
    named_suppliers,
    share,
    shrunk_held,
    survival_held,
    targets,
)


@click.group()
def main() -> None:
    """Measure the reel study on simulated plants."""


def _held(title: str, held: dict[str, list[bool]]) -> Iterator[Figure]:
    for name, one in held.items():
        part, error = share(one)
        yield Figure(f"{title}: {name} held", part, "%", f"+- {error:.1f}")


@main.command()
@click.option("--plants", default=200)
@click.option("--seed", default=5)
@measures
def censoring(plants: int, seed: int) -> Iterator[Figure]:
    """Tell mean errors of rates and curves [% of the truth], with simulation errors."""
    for place, power in enumerate((1.0, 1.6)):
        table = length_errors(np.random.default_rng(seed + place), Breakage(power=power), plants)
        for name, row in table.iterrows():
            words = f"breaks grow as km^{power}: {name}, error"
            yield Figure(words, row["error"], "%", f"+- {row['simulation_error']:.2f}")


@main.command()
@click.option("--plants", default=1000)
@click.option("--seed", default=8)
@measures
def coverage(plants: int, seed: int) -> Iterator[Figure]:
    """Tell how often limits hold the truth [%]."""
    rng = np.random.default_rng(seed)
    suppliers = {"A": 1.0, "B": 1.5, "C": 1.0}
    for lots, shape in (("lots alike", np.inf), ("lots vary, k = 2", 2.0)):
        yield from _held(lots, effects_held(rng, Breakage(suppliers=suppliers, lot_shape=shape), plants))
    yield from _held("product limit", {"at 15 km": survival_held(rng, Breakage(reels=1000), plants)})
    for reels in ([5000, 5000, 5000], [3000, 3000, 20], [300, 300, 20, 20, 5]):
        yield from _held(f"shrunk rates of {reels} reels", shrunk_held(rng, reels, 0.025, plants))
    for spread in (0.3, 1.0, 3.0):
        yield from _held(
            f"stands differ by {spread} m", ends_held(rng, uneven_stands(rng, spread, flat=0.004), plants)
        )


@main.command()
@click.option("--plants", default=400)
@click.option("--seed", default=11)
@click.option("--part", type=click.Choice(["all", "planted", "none", "stands"]), default="all")
@measures
def ranking(plants: int, seed: int, part: str) -> Iterator[Figure]:
    """Tell how often what is planted is named alone, and how often anything where nothing is [% of plants]."""
    # Every part begins from the seed, so that it tells the same when it is run alone.
    if part in ("all", "planted"):
        yield from _planted_suppliers(np.random.default_rng(seed), plants)
    if part in ("all", "none"):
        yield from _suppliers_alike(np.random.default_rng(seed), plants)
    if part in ("all", "stands"):
        yield from _stands(np.random.default_rng(seed), plants)


def _planted_suppliers(rng: np.random.Generator, plants: int) -> Iterator[Figure]:
    for count in (3, 4):
        for per_100 in (2.0, 2.25, 2.5):
            suppliers = dict.fromkeys("ABCD"[:count], 1.0) | {"B": 1.5}
            plant = Breakage(suppliers=suppliers, per_100=per_100, part_first=0.0)
            found = named_suppliers(rng, plant, plants)
            title = f"{count} suppliers, {per_100} breaks per 100, one 1.5 times: named alone"
            yield Figure(title, 100 * found["B"] / plants, "%")


def _suppliers_alike(rng: np.random.Generator, plants: int) -> Iterator[Figure]:
    for shape in (np.inf, 8.0, 2.0):
        for count in (3, 4):
            plant = Breakage(dict.fromkeys("ABCD"[:count], 1.0), lot_shape=shape, part_first=0.0)
            found = named_suppliers(rng, plant, plants)
            named = {"a supplier": plants - found[""], "a reelstand": found["a reelstand"]}
            named |= {"either": found["a supplier or a reelstand"]}
            for what, times in named.items():
                title = f"{count} suppliers alike, lots k = {shape}: {what} named"
                yield Figure(title, 100 * times / plants, "%")


def _stands(rng: np.random.Generator, plants: int) -> Iterator[Figure]:
    for spread in (0.0, 0.4):
        for place, words in ((0, "nine splices"), (2, "100 splices"), (7, "600 splices")):
            found = named_stands(rng, uneven_stands(rng, spread, doubled=place), plants)
            title = f"stand of {words} doubled, others differ by {spread} m: named"
            yield Figure(title, 100 * found[f"R{place:02d}"] / plants, "%")
        found = named_stands(rng, uneven_stands(rng, spread), plants)
        yield Figure(f"stands alike but for {spread} m: any named", 100 * (plants - found[""]) / plants, "%")


@main.command()
@click.option("--plants", default=200)
@click.option("--seed", default=9)
@measures
def target(plants: int, seed: int) -> Iterator[Figure]:
    """Tell how well the least-cost target does, and how often one is told without reason."""
    rng = np.random.default_rng(seed)
    apart = np.linspace(6, 24, 12)
    cases: dict[str, Splicing] = {
        "stands 6 to 24 m, many failures": Splicing(apart, [5000] * 12),
        "stands 6 to 24 m, some failures": Splicing(apart, [600] * 12),
        "settings changed by 4 m": Splicing([TARGET_M] * 12, [5000] * 12, drift=4.0),
        "stands alike": Splicing([TARGET_M] * 12, [3000] * 12),
        "risk the same at any length": Splicing(apart, [3000] * 12, flat=0.004),
        "risk the same, few failures": Splicing(np.linspace(10, 14, 12), [600] * 12, flat=0.003),
        "hardly a failure": Splicing(apart, [600] * 12, sure_m=-22.0),
    }
    for name, plant in cases.items():
        table = targets(rng, lambda plant=plant: plant, plants, 400.0)
        told = table[table["told"]]
        yield Figure(
            f"{name}: told", 100 * table["told"].mean(), "%", f"{table['failed'].mean():.0f} failures"
        )
        if np.isnan(plant.flat) and len(told) >= 20:
            note = f"best {told['truth'].iloc[0]:.1f} m"
            yield Figure(f"{name}: least-cost target in its interval", 100 * told["held"].mean(), "%", note)
            yield Figure(f"{name}: regret, median, of the cost", told["regret"].median(), "%")
            yield Figure(f"{name}: regret, 95 % quantile, of the cost", told["regret"].quantile(0.95), "%")
            yield Figure(f"{name}: to gain, of the cost", table["possible"].mean(), "%")
            yield Figure(f"{name}: saving in its interval", 100 * told["saving held"].mean(), "%")


@main.command()
@click.option("--most", default=1_000_000)
@click.option("--rounds", default=1)
@measures
def speed(most: int, rounds: int) -> Iterator[Figure]:
    """Tell the time of studying, as a ratio to reading, from 30,000 mounts on."""
    counts = [count for count in (3_000, 30_000, 100_000, 300_000, 1_000_000) if count <= most]
    for count in counts:
        with tempfile.TemporaryDirectory() as folder:
            write_many_mounts(Path(folder), count)
            best: dict[str, float] = {}
            file = Path(folder) / "reel_mounts.csv"
            logs = read_logs(folder)
            weighed = weighed_paper(logs)
            work: dict[str, Callable[[], object]] = {
                "pandas.read_csv of the mounts": lambda file=file: pd.read_csv(file),
                "read_logs": lambda folder=folder: read_logs(folder),
                "study_reels": lambda logs=logs, weighed=weighed: study_reels(logs, weighed),
            }
            for _ in range(rounds):
                for name, task in work.items():
                    start = time.process_time()
                    task()
                    best[name] = min(best.get(name, np.inf), time.process_time() - start)
            study = best["study_reels"]
            title = f"{len(logs['reel_mounts']):,} mounts: study"
            yield Figure(title, 1e6 * study / count, "us a mount")
            against = {name: study / best[name] for name in best if name != "study_reels"}
            yield from figures_of(title, {f"/ {name}": ratio for name, ratio in against.items()}, "ratio")


if __name__ == "__main__":
    main()
