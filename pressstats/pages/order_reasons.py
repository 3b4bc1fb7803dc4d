"""Why each load is ordered, in words."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..orders.reasons import MUST_ORDER, SEPARATOR
from .common import logged

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["reason_words"]

_PER_TRUCK = "because freight is per truck"


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


def _sentence(results: Results, row: Any, name: Callable[[str], str]) -> str:
    policy = results.logs.plant.policy
    why = _why(results, row, name)
    if np.isfinite(row.days_after):
        because = _PER_TRUCK if pd.isna(row.price_from) else _dearer(results, row)
        # What is bought ahead has told why already.
        because = "" if because in why else f", {because}"
        why += f", and {row.days_after:.0f} days with it, more than the {policy.cover_days_maximum:g} wanted{because}"
    if row.shared_with:
        others = [name(other) for other in row.shared_with.split(SEPARATOR)]
        listed = others[0] if len(others) == 1 else f"{', '.join(others[:-1])} and {others[-1]}"
        why += f"; {listed} {'shares' if len(others) == 1 else 'share'} the truck"
    return f"{why}{_chosen(results, row, name)}; {100 * row.used:.0f} % of the truck is used."


def _chosen(results: Results, row: Any, name: Callable[[str], str]) -> str:
    """Say why this supplier is asked where others can be."""
    if row.chosen == "cost":
        return (
            f"; {name(row.supplier)} costs least all in, {row.costs:.4f} against {row.others_cost:.4f} "
            f"{results.logs.plant.currency} of the next; lateness is not in that, the plan counts it in days"
        )
    contract = f"; {name(row.supplier)} is not the cheapest, its contract or agreed share asks for it"
    return contract if row.chosen == "contract" else ""


def _why(results: Results, row: Any, name: Callable[[str], str]) -> str:
    material, left = name(row.material), _left(row.days_left)
    if row.kind == "risk":
        must = "must order: " if row.risk >= MUST_ORDER else ""
        return (
            f"{must}without it the risk is {100 * row.risk:.0f} % that {material} runs out by the week after the "
            f"next order is due; {left} when this comes"
        )
    if row.kind == "cover":
        return (
            f"without it {material} falls below {results.logs.plant.policy.cover_days_minimum:g} days of stock before "
            f"the next order is due on {row.next_due_on:%Y-%m-%d}"
        )
    if row.kind == "price":
        return f"{material} is bought ahead, {_dearer(results, row)}: {left} when this comes"
    if row.kind == "contract":
        return f"{material} is bought ahead, because the contract asks for it: {left} when this comes"
    if row.kind == "break":
        unit = str(results.logs.of_material(pd.Series([row.material]), "unit").iloc[0])
        unit = {"each": "pieces"}.get(unit, unit)
        return f"{material} is bought ahead: from {row.from_quantity:,.0f} {unit} on its price is lower"
    return f"{material} is bought ahead, {_PER_TRUCK}: {left} when this comes"


def _dearer(results: Results, row: Any) -> str:
    currency = results.logs.plant.currency
    return (
        f"because its price rises from {row.price:.4g} to {row.price_then:.4g} {currency} for orders from "
        f"{row.price_from:%Y-%m-%d} on"
    )


def _left(days_left: float) -> str:
    """Return how many days of stock are left, as a clause."""
    days = round(days_left)
    return "1 day of stock is left" if days == 1 else f"{days} days of stock are left"
