"""The two prices of levels that no log holds: four rushes for a case that runs out, and the floor of newsprint thrice.

How the plan fares with them in the closed loop stands in tests/bench/decisions.md. Here each of them moves
the need by as much as the level that costs least, found by trying every level.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from order_plans import cases_of, plant

from pressstats.orders.needs import needs_by_order
from pressstats.plant import Policy

if TYPE_CHECKING:
    from pressstats.orders.scenarios import Scenarios

USE, STOCK = {"N1200": 2400.0}, {"N1200": 60_000.0}
RUSHES, FLOOR = 4.0, 3.0


@pytest.fixture(scope="module")
def scenarios(tmp_path_factory: pytest.TempPathFactory) -> Scenarios:
    return cases_of(plant(tmp_path_factory.mktemp("levels")), USE, STOCK, spread=0.25, draws=800)


def cheapest_needs(scenarios: Scenarios, rushes: float, floor: float, sure: float = 1.0) -> np.ndarray:
    """Return the needs of the only material at levels found by a loop over all of them.

    A load of 24 t of 2.4 t a day lies ten days; a unit costs 0.50 and 12 % a year to hold, 0.15 to rush, a rush 600.
    """
    one = scenarios.planned[0]
    held = 0.50 * 0.12 * (24_000 / one.daily) / 365.25 * floor

    def level(wanted: np.ndarray, service: float) -> float:
        ranked = np.sort(wanted)
        costs = []
        for stock in ranked:
            short = ranked - stock
            costs.append(np.where(short > 0, np.minimum(rushes * 600 + 0.15 * short, 50_000), -held * short))
        best = int(np.argmin([cost.mean() for cost in costs]))
        least = int(np.ceil(service * len(ranked) - 1e-9)) - 1
        for place in range(max(least, 0), len(ranked)):
            dearer = costs[place] - costs[max(best, least)]
            if place >= best or dearer.mean() <= sure * dearer.std() / np.sqrt(len(ranked)) + 1e-12:
                return float(ranked[place])
        return float(ranked[-1])

    found, _ = needs_by_order(
        one.stock, scenarios.use[0], scenarios.come[0], scenarios.arrives[0], 0.5, level, scenarios.known[0]
    )
    return found


def test_needs_are_those_of_four_rushes_and_three_floors(scenarios: Scenarios) -> None:
    policy = Policy(holding_cost_rate=0.12)
    (needs,) = scenarios.needs(np.array([0.5]), policy)
    assert needs == pytest.approx(cheapest_needs(scenarios, RUSHES, FLOOR))
    # Either of them left out is seen: fewer rushes ask for less, a cheaper floor for more.
    assert needs.sum() > 1.002 * cheapest_needs(scenarios, 1.0, FLOOR).sum()
    assert needs.sum() < 0.998 * cheapest_needs(scenarios, RUSHES, 1.0).sum()
