"""How likely a material runs out before the next order can arrive: one number for pages, orders and exceptions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from .scenarios import Scenarios

__all__ = ["out_before", "risk_before_arrival"]


def risk_before_arrival(scenarios: Scenarios, quantity: np.ndarray) -> pd.Series:
    """Return the share of scenarios in which each material runs out before the next order can have come.

    Nothing can then stand in for it. Such an order may still be placed; what happens until then, no order can change.
    Of the plan's `quantity` none of a material comes before its next order does, but what stands in for it may.
    """
    # The soonest that anybody delivers.
    soonest = [scenarios.arrives[one.first_row] for one in scenarios.planned]
    until = max((int(arrives[:, 0].max()) for arrives in soonest), default=1)
    out = scenarios.run_out(scenarios.stocks(quantity, min(until, scenarios.use.shape[2])))
    shares = [
        out_before(out_of_stock, None, arrives[:, 0])
        for out_of_stock, arrives in zip(out, soonest, strict=True)
    ]
    names = pd.Index([one.name for one in scenarios.planned], dtype="str", name="material")
    return pd.Series(shares, index=names, dtype="float64", name="risk")


def out_before(out: np.ndarray, since: np.ndarray | None, until: np.ndarray) -> float:
    """Return the share of scenarios in which a material is out from the first issue of one order to that of another.

    `since` is None where there is none before.
    """
    day = np.arange(out.shape[1])
    counts = day < until[:, None]
    if since is not None:
        counts &= day >= since[:, None]
    return float((out & counts).any(axis=1).mean())
