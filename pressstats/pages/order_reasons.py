"""Why each load is ordered, in words."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..exhibits import quantity
from ..orders import truck_numbers
from ..orders.reasons import FULL
from .common import day_words, logged
from .demand import unit_of

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["reason_words", "waiting"]

_DAY, _REVIEW = pd.Timedelta(days=1), pd.Timedelta(days=7)


def reason_words(results: Results, name: Callable[[str], str] = logged) -> dict[str, str]:
    """Return why each load of the plan is ordered, as sentences without their first capital.

    Parameters
    ----------
    results : Results
        Results with a plan; without one nothing is said.
    name : callable
        What a material is called in the sentence: by default marked as text from the logs.

    Returns
    -------
    dict of str
        Sentences by order.
    """
    if results.plan is None:
        return {}
    return {str(row.order): _sentence(results, row, name) for row in results.plan.reasons.itertuples()}


def waiting(results: Results) -> dict[str, str]:
    """Return by order until when it can wait and what that costs, of those that are bought ahead of their price."""
    if results.plan is None:
        return {}
    placed = results.plan.published.drop_duplicates("order").set_index("order")["order_on"]
    reasons: Any = results.plan.reasons
    found = {}
    for row in reasons[reasons["kind"].isin(("price", "break"))].itertuples():
        # The next review decides anew, but for a price that is gone by then.
        until = placed[row.order] + _REVIEW
        if pd.notna(row.price_from):
            until = min(until, row.price_from - _DAY)
        costs = quantity(row.gain, results.logs.plant.currency, 0)
        found[str(row.order)] = (
            f"can wait until {day_words(until, results.logs.as_of)}; waiting costs {costs}"
        )
    return found


def _without(plan: pd.DataFrame, row: Any) -> str:
    """Say without which trucks a risk is: an order's, and later ones of its supplier and day that bring the same."""
    own = plan[plan["order"] == row.order].iloc[0]
    of_day = plan[(plan["supplier"] == own["supplier"]) & (plan["order_on"] == own["order_on"])]
    of_day = of_day[of_day["material"] == row.material]
    brought = of_day.set_index("order")["stock_before"]
    trucks = sorted(truck_numbers(brought.index[brought >= brought[row.order]].to_series()))
    if len(trucks) == 1:
        return "without it"
    *before, last = trucks
    run = len(trucks) > 2 and last - trucks[0] == len(before)
    return (
        f"without trucks {trucks[0]} to {last}"
        if run
        else f"without trucks {', '.join(map(str, before))} and {last}"
    )


def _sentence(results: Results, row: Any, name: Callable[[str], str]) -> str:
    used = f"; {100 * row.used:.0f} % of the truck is used" if row.used < FULL else ""
    return f"{_why(results, row, name)}{_much(results, row)}{_chosen(results, row)}{used}."


def _much(results: Results, row: Any) -> str:
    """Say where a load brings more than the days of stock that are wanted, and why if that is not told already."""
    if not np.isfinite(row.days_after):
        return ""
    wanted = results.logs.plant.policy.cover_days_maximum
    much = f"; {row.days_after:.0f} days of stock with it, more than the {wanted:g} wanted"
    if row.kind not in ("risk", "cover"):
        return much
    return f"{much}, {_saved(results, row)}" if pd.notna(row.price_from) else much + _filled(row)


def _filled(row: Any) -> str:
    return ", to fill the truck" if row.used >= FULL else ""


def _chosen(results: Results, row: Any) -> str:
    """Say why this supplier is asked where others can be."""
    if row.chosen != "cost":
        return "; not the cheapest, its contract or share asks for it" if row.chosen == "contract" else ""
    unit, currency = unit_of(results, row.material) or "each", results.logs.plant.currency
    # By the tonne where it is sold by the kilogram.
    per, digits, one = (
        (1000, 0, "a tonne") if unit == "kg" else (1, 4, "each" if unit == "each" else f"a {unit}")
    )
    less = round(per * (row.others_cost - row.costs), digits)
    # The suppliers' table has prices of a full load.
    by = f", at this size by {quantity(less, currency, digits)} {one}" if less > 0 else ", as low elsewhere"
    return f"; lowest price with waste and breaks{by}"


def _why(results: Results, row: Any, name: Callable[[str], str]) -> str:
    material, least = name(row.material), results.logs.plant.policy.cover_days_minimum
    if row.kind == "risk":
        assert results.plan is not None
        without = _without(results.plan.published, row)
        risk = f"{without} the risk is {100 * row.risk:.0f} % that {material} runs out"
        return f"{risk} by {row.next_due_on + _REVIEW:%Y-%m-%d}, with all else ordered that day"
    if row.kind == "cover":
        due = f"the next order is due on {row.next_due_on:%Y-%m-%d}"
        return f"without it {material} falls below {least:g} days of stock before {due}"
    whys = {
        "price": f"{_saved(results, row)}, and no other order of it is planned before",
        "break": f"with the supplier's other trucks of the day {_saved(results, row)}",
        "contract": "its contract or share asks for it",
        "freight": "to fill the truck",
    }
    why = whys.get(row.kind, "the plan costs least so, for no single reason")
    return f"{material} is bought ahead, {_left(row.days_left)} when this comes: {why}"


def _saved(results: Results, row: Any) -> str:
    """Say what an order at the price of now saves, and against which price."""
    currency = results.logs.plant.currency
    against = f"{row.price:.4f} against {row.price_then:.4f} {currency}"
    if pd.notna(row.price_from):
        return f"this saves {quantity(row.gain, currency, 0)} ({against} from {row.price_from:%Y-%m-%d} on)"
    # A price break is of all that is ordered together.
    return f"{quantity(row.gain, currency, 0)} are saved over all of them (this at {against} apart)"


def _left(days_left: float) -> str:
    """Return how many days of stock are left, as a clause."""
    days = round(days_left)
    return "1 day of stock is left" if days == 1 else f"{days} days of stock are left"
