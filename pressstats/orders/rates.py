"""What holding and bringing by other means cost in plans."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from ..plant import Policy

__all__ = ["expedite_price", "holding_rate"]

#: Least holding rate that a plan reckons with, a year: were holding free, freight credited to full loads would buy
#: without end, and every level would be the highest that any case asks for.
_LEAST_RATE = 0.01


def expedite_price(row: pd.Series, policy: Policy) -> float:
    """Return what bringing a unit by other means costs, of what is not bought by weight or volume half its price."""
    return policy.expedite_cost_per_t / 1000 if row["unit"] in ("kg", "l") else 0.5 * float(row["unit_price"])


def holding_rate(policy: Policy) -> float:
    """Return what holding costs in plans, as a share of the price a year: that of the policy, a hundredth at least."""
    return max(policy.holding_cost_rate, _LEAST_RATE)
