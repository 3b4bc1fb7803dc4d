"""Accounts: whether limits hold the truths of simulated plants.

``titles``
    Cost of each title and month of plants whose reels, copies and dips err as `[measurement]` says: share of true
    costs per 1,000 copies that the 95 % limits hold::

        python tests/bench/bench_accounts.py titles [--plants N]
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pandas as pd
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).parents[1]))

from title_simulation import cost_and_truth


@click.group()
def bench() -> None:
    """Choose what is measured."""


@bench.command()
@click.option("--plants", default=40)
@click.option("--seed", default=1)
@measures
def titles(plants: int, seed: int) -> Iterator[Figure]:
    """Hold the cost of titles against what they truly cost."""
    rng, parts = np.random.default_rng(seed), []
    for number in range(plants):
        with tempfile.TemporaryDirectory() as scratch:
            parts.append(cost_and_truth(Path(scratch) / "logs", rng).assign(plant=number))
    both = pd.concat(parts)
    held = both["true"].between(both["ci_low"], both["ci_high"])
    yield Figure("title-months inside their 95 % limits", 100 * held.mean(), "%", f"of {len(both)}")
    half = (both["ci_high"] - both["ci_low"]) / 2
    yield Figure("half width of the limits", 100 * (half / both["cost_per_1000"]).median(), "%", "median")


if __name__ == "__main__":
    bench()
