"""A plant that is ordered for by the plan, a few weeks long: it prints every night, for less than by rules of thumb."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from order_rules import by_foresight, by_habit, by_plan, by_textbook, in_shares
from order_simulation import Loop, simulated_plant, with_mills


@pytest.fixture(scope="module")
def loop(tmp_path_factory: pytest.TempPathFactory) -> Loop:
    folder: Path = tmp_path_factory.mktemp("plant")
    return Loop(simulated_plant(folder / "logs", seed=3, years=2), weeks=2, warm_up=2)


def test_the_plan_prints_every_night_and_costs_less_than_rules_of_thumb(loop: Loop) -> None:
    plan = loop.run(by_plan(draws=200, nodes=20))
    textbook, habit = loop.run(by_textbook), loop.run(by_habit())
    assert plan.nights == 0
    assert plan.freight + plan.holding < min(one.freight + one.holding for one in (textbook, habit))
    assert plan.near_empty <= 0.1 < habit.near_empty
    assert len(plan.flutter) == 2


def test_who_orders_nothing_runs_out(loop: Loop) -> None:
    nothing = loop.run(lambda loop, review: {"quantity": np.zeros(len(loop.names))})
    assert nothing.overfull == 0
    assert nothing.nights > 0
    assert nothing.freight == 0
    assert nothing.shortage == 50_000 * nothing.nights


def test_who_orders_far_too_much_has_no_room(loop: Loop) -> None:
    room = loop.materials["storage_maximum"].to_numpy()
    everything = loop.run(lambda loop, review: {"quantity": room})
    assert everything.overfull > 0.5
    assert everything.nights == 0


def test_several_mills_are_ordered_from_by_every_rule(loop: Loop) -> None:
    # `bench_orders.py closed-loop --mills` runs whole years.
    several = Loop(with_mills(loop.plant, weeks=1, warm_up=1), weeks=1, warm_up=1)
    rules = {"plan": by_plan(draws=50, nodes=20), "foresight": by_foresight, "shares": in_shares(by_textbook)}
    asked = {}
    for name, rule in rules.items():
        result = several.run(rule)
        assert result.nights == 0, name
        assert len(result.drawn) == 2 * several.paper.sum(), name
        asked[name] = {
            one["supplier"] for one in several.orders if not one["load"].startswith(("first", "rush"))
        }
    assert all("Second mill" in suppliers for suppliers in asked.values()), asked
    # The rule of shares orders nothing of who has no contract.
    assert "Third mill" not in asked["shares"]
