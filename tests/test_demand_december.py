"""The weeks about Christmas on plants whose truth is known: a small part of ``bench_demand.py december``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from december_plants import CUTS, DecemberPlant, december_plant
from issue_simulation import recipe_from

from pressstats.demand.backtest import _drivers
from pressstats.demand.feasts import TERMS
from pressstats.demand.issues import Calendar
from pressstats.logs import read_logs

if TYPE_CHECKING:
    from pressstats.demand import Recipe

INKS = ("black", "cyan", "magenta", "yellow")


@pytest.fixture(scope="module")
def plants(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[DecemberPlant, Recipe]]:
    found = []
    for seed in (1, 2, 5):  # two, three and three years known
        plant = december_plant(tmp_path_factory.mktemp("december") / "plant", seed)
        found.append((plant, recipe_from(read_logs(plant.folder))))
    return found


def missed(plants: list[tuple[DecemberPlant, Recipe]]) -> tuple[float, float]:
    """Return errors of ink from 1 December to 4 January over those of last year's weeks, and their bias before it."""
    errors, naive, before = [], [], []
    for plant, recipe in plants:
        weeks = recipe.history.index
        origin = int(weeks.searchsorted(CUTS["November"] + pd.Timedelta(days=1)))
        said = _drivers(recipe, origin)[:, :5]
        for ink in INKS:
            came = plant.use[ink].reindex(weeks).to_numpy()
            row = list(recipe.history.columns).index(ink)
            unit = came.mean()
            errors.append(np.abs(said[row] - came[origin : origin + 5]) / unit)
            naive.append(np.abs(came[origin - 52 : origin - 47] - came[origin : origin + 5]) / unit)
            before.append((came[origin : origin + 3] - said[row, :3]) / unit)
    return float(np.mean(errors) / np.mean(naive)), float(np.mean(before))


def test_ink_is_the_true_use_and_not_the_dips(plants: list[tuple[DecemberPlant, Recipe]]) -> None:
    for plant, recipe in plants:
        weeks = recipe.history.index
        for ink in INKS:
            off = (recipe.history[ink] - plant.use[ink].reindex(weeks)).dropna()
            # A difference of two dips of a week is off by 1.4 times their error.
            assert len(off) >= len(weeks) - 2
            assert off.std() < 0.6 * plant.dip_kg


def test_christmas_is_learned_from_those_known(
    plants: list[tuple[DecemberPlant, Recipe]], monkeypatch: pytest.MonkeyPatch
) -> None:
    ratio, bias = missed(plants)
    assert abs(bias) < 0.03
    monkeypatch.setattr(Calendar, "feasts", lambda self, days: np.zeros((len(days), TERMS)))
    without, behind = missed(plants)
    assert ratio < 0.65 * without
    assert behind > 0.08
