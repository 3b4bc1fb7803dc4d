"""What is said of suppliers, over simulated mills whose truth is known.

``coverage``
    How often do 95 % limits of the true cost, of the grammage and of the break rate hold the truth?
``claims``
    How many of 100 plants with sound deliveries only have anything to claim, by its reason? At most 10 are meant.

Run it as ``python tests/bench/bench_suppliers.py coverage [--plants N]``.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
from figures import Figure, measures

from pressstats.logs import Logs, read_logs

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from small_plant import every_table, write_small_plant
from supplier_simulation import costs_held, quiet_claims

#: Deliveries of each mill of a quiet plant.
_MILLS = {"A": 60, "B": 40, "C": 25}
_REASONS = {
    "a reel": "outer layers damaged|short of weight",
    "a delivery by its strip": "to stripping",
    "a delivery by its quantity": "ask for the rest",
    "a delivery by its grammage": "by its labels",
}


def _logs() -> Logs:
    with tempfile.TemporaryDirectory() as folder:
        return read_logs(write_small_plant(Path(folder) / "logs", every_table()))


@click.group()
def main() -> None:
    """Measure what is said of suppliers."""


@main.command()
@click.option("--plants", default=200)
@click.option("--seed", default=5)
@measures
def coverage(plants: int, seed: int) -> Iterator[Figure]:
    """Tell how often limits hold the truth [%]."""
    for name, held in costs_held(np.random.default_rng(seed), _logs(), plants).items():
        part = float(np.mean(held))
        error = 100 * np.sqrt(part * (1 - part) / len(held))
        yield Figure(f"{name} held, of {len(held)} mills", 100 * part, "%", f"+- {error:.1f}")


@main.command()
@click.option("--plants", default=100)
@click.option("--seed", default=7)
@measures
def claims(plants: int, seed: int) -> Iterator[Figure]:
    """Tell of how many quiet plants something is claimed [% of plants]."""
    rng, logs = np.random.default_rng(seed), _logs()
    found = [quiet_claims(rng, logs, _MILLS) for _ in range(plants)]
    yield Figure("plants with a claim", 100 * sum(len(table) > 0 for table in found) / plants, "%")
    for name, words in _REASONS.items():
        times = sum(table["why"].str.contains(words).any() for table in found)
        yield Figure(f"plants with a claim for {name}", 100 * times / plants, "%")


if __name__ == "__main__":
    main()
