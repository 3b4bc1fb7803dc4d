"""How likely a material runs out before the next order can arrive: one number for pages, orders and exceptions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from .scenarios import Scenarios

__all__ = ["out_before", "risk_before_arrival"]


def risk_before_arrival(scenarios: Scenarios, quantity: np.ndarray) -> pd.Series:
    """Return the probability that each material runs out before the next order can arrive.

    Parameters
    ----------
    scenarios : Scenarios
        Scenarios of use and lateness, those of open orders among them.
    quantity : ndarray, shape (sources of all materials, ORDERS)
        Orders of the plan [unit of the material]: none of a material comes before its next order does, but what stands
        in for it may.

    Returns
    -------
    Series, index material
        Share of scenarios in which it runs out, and nothing can stand in for it, before an order placed at the next
        review has come, late as it may be. Such an order may still be placed; what happens until then, no order can
        change.
    """
    # The soonest that anybody delivers.
    soonest = [scenarios.arrives[one.first_row] for one in scenarios.planned]
    until = max((int(arrives[:, 0].max()) for arrives in soonest), default=1)
    out = scenarios.run_out(scenarios.stocks(quantity, min(until, scenarios.use.shape[2])))
    shares = [out_before(mine, None, arrives[:, 0]) for mine, arrives in zip(out, soonest, strict=True)]
    names = pd.Index([one.name for one in scenarios.planned], dtype="str", name="material")
    return pd.Series(shares, index=names, dtype="float64", name="risk")


def out_before(out: np.ndarray, since: np.ndarray | None, until: np.ndarray) -> float:
    """Return the share of scenarios in which a material runs out after one order has come and before another has.

    Parameters
    ----------
    out : ndarray of bool, shape (scenarios, days)
        Days on which it runs out.
    since, until : ndarray of int, shape (scenarios,)
        Days whose issues the two orders are the first to serve; `since` is None where there is none before.
    """
    day = np.arange(out.shape[1])
    counts = day < until[:, None]
    if since is not None:
        counts &= day >= since[:, None]
    return float((out & counts).any(axis=1).mean())
