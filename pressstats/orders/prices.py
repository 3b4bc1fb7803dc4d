"""What a quantity costs on a day: the newest agreement and its price breaks, else the list."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..logs import Logs
from ..plant import Policy

__all__ = ["expedite_price", "holding_rate", "price_breaks", "price_of"]

#: Least holding rate that a plan reckons with, a year: were holding free, freight credited to full loads would buy
#: without end, and every level would be the highest that any case asks for.
_LEAST_RATE = 0.01


def price_of(logs: Logs, material: str, day: pd.Timestamp, quantity: float) -> float:
    """Return the price of an order: the agreed one valid that day for that quantity, else the list's.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed.
    material : str
        The material.
    day : Timestamp
        Day of the order.
    quantity : float
        Quantity of the order [unit of the material].

    Returns
    -------
    float
        Price [currency / unit of the material].
    """
    listed = logs["materials"].set_index("material")["unit_price"]
    if logs.has("prices"):
        prices = logs["prices"]
        agreed = prices[(prices["material"] == material) & (prices["valid_from"] <= day)]
        # The newest agreement that has a price for so little; a later one for large orders only leaves it.
        agreed = agreed[agreed["from_quantity"] <= quantity].sort_values(["valid_from", "from_quantity"])
        if len(agreed):
            return float(agreed["unit_price"].iloc[-1])
    return float(listed[material])


def price_breaks(logs: Logs, material: str, day: pd.Timestamp) -> list[tuple[float, float]]:
    """Return the quantities from which another price holds for every unit of an order.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``prices`` where agreed.
    material : str
        The material.
    day : Timestamp
        Day of the order.

    Returns
    -------
    list of (float, float)
        Quantity [unit of the material] and price [currency / unit], in rising order, the first from 0.
    """
    listed = logs["materials"]
    found = [(0.0, float(listed["unit_price"].to_numpy()[(listed["material"] == material).to_numpy()][0]))]
    if not logs.has("prices"):
        return found
    prices = logs["prices"]
    agreed = prices[((prices["material"] == material) & (prices["valid_from"] <= day)).to_numpy()]
    agreed = agreed.sort_values(["valid_from", "from_quantity"])
    steps = agreed["from_quantity"].to_numpy(dtype=float)
    for step in np.unique(np.append(steps, 0.0)):
        valid = agreed["unit_price"].to_numpy(dtype=float)[steps <= step]
        price = float(valid[-1]) if len(valid) else found[0][1]
        if step == 0:
            found[0] = (0.0, price)
        elif price != found[-1][1]:
            found.append((float(step), price))
    return found


def expedite_price(row: pd.Series, policy: Policy) -> float:
    """Return what bringing a unit by other means costs; of what is not bought by weight or volume, half its price.

    Parameters
    ----------
    row : Series
        Row of ``materials``.
    policy : Policy
        The plant's policy.

    Returns
    -------
    float
        Cost [currency / unit of the material].
    """
    return policy.expedite_cost_per_t / 1000 if row["unit"] in ("kg", "l") else 0.5 * float(row["unit_price"])


def holding_rate(policy: Policy) -> float:
    """Return what holding costs in plans, as a share of the price a year: that of the policy, a hundredth at least."""
    return max(policy.holding_cost_rate, _LEAST_RATE)
