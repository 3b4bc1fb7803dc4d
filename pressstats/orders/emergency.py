"""Emergency supply: what of, how often in a year, from when on it is there, what it costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .rates import expedite_price
from .rushing import EXPEDITE_DAYS

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["contact_key", "expected_rushes", "rush_day"]

_WEEKS_A_YEAR = 52
#: Days among which one is looked for on which something is received.
_SEARCHED = 60


def contact_key(kind: str) -> str:
    """Return the key of ``[contacts]`` under which stands whom to ring for emergency supply of a kind of material."""
    return f"emergency {kind}"


def expected_rushes(logs: Logs, service: pd.DataFrame, daily: pd.Series) -> pd.DataFrame:
    """Return how often emergency supply of each material is to be expected, and what a night's supply costs.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``.
    service : DataFrame
        ``service`` of :class:`pressstats.orders.OrderPlan`.
    daily : Series, index material
        Mean use of a day [unit of the material].

    Returns
    -------
    DataFrame, shape (materials, 8)
        material, a_year (weeks of a year in which emergency supply is brought), needed (those of them in which it would
        have run out, as rushes are worth their money long before that is sure), out (weeks of a year in which
        something runs out all the same), packs and night (a mean day's use in whole packs) [1, unit of the material],
        unit, cost (of a night's supply beyond its price: the policy's rate and a truck) [currency]. The most often
        first.

    Examples
    --------
    >>> expected_rushes(logs, plan.service, daily)[["material", "a_year"]].head(1)
      material  a_year
    0    N1200     0.4
    """
    known = service.dropna(subset=["weeks_rushed", "weeks_saved", "weeks_short"])
    listed = logs["materials"].set_index("material").reindex(known["material"])
    pack = listed["pack_quantity"].where(listed["pack_quantity"] > 0, 1.0).to_numpy(dtype=float)
    packs = np.ceil(daily.reindex(known["material"]).to_numpy(dtype=float) / pack)
    rate = np.array([expedite_price(row, logs.plant.policy) for _, row in listed.iterrows()], dtype=float)
    return pd.DataFrame(
        {
            "material": known["material"].to_numpy(),
            "a_year": _WEEKS_A_YEAR * known["weeks_rushed"].to_numpy(dtype=float),
            "needed": _WEEKS_A_YEAR * known["weeks_saved"].to_numpy(dtype=float),
            "out": _WEEKS_A_YEAR * known["weeks_short"].to_numpy(dtype=float),
            "packs": packs,
            "night": packs * pack,
            "unit": listed["unit"].to_numpy(),
            "cost": packs * pack * rate + logs.plant.policy.freight_per_load,
        }
    ).sort_values("a_year", ascending=False, kind="stable", ignore_index=True)


def rush_day(logs: Logs) -> Any:
    """Return the day on which what is rushed on the next working day is there; blank where nothing is ever received.

    Parameters
    ----------
    logs : Logs
        The logs, whose plant names the days on which nothing is received.

    Returns
    -------
    Timestamp
        The first day that receives, ``EXPEDITE_DAYS`` after the next one that does.

    Examples
    --------
    >>> rush_day(logs)
    Timestamp('2025-03-06 00:00:00')
    """
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=_SEARCHED, freq="D")
    receives = logs.plant.calendar.receives(days)
    if not receives.any():
        return pd.NaT
    placed = int(np.argmax(receives))
    later = receives[placed + EXPEDITE_DAYS :]
    return days[placed + EXPEDITE_DAYS + int(np.argmax(later))] if later.any() else pd.NaT
