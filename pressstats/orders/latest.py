"""Until which day each load of the plan can still be ordered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs
    from .plan import OrderPlan

__all__ = ["latest_order_days"]

_DAY = pd.Timedelta(days=1)
#: Days from its review on which a load may still be ordered: then the next review decides anew.
_REVIEW_DAYS = 7


def latest_order_days(logs: Logs, plan: OrderPlan, daily: pd.Series) -> pd.Series:
    """Return the latest day to order each load of the plan.

    Parameters
    ----------
    logs : Logs
        The logs, whose plant says how many days of stock are wanted and on which days orders are taken.
    plan : OrderPlan
        Result of :func:`pressstats.orders.plan_orders`.
    daily : Series, index material
        Mean use of a day [unit of the material]; a material that is missing or blank makes its loads' days blank.

    Returns
    -------
    Series, index order
        The last working day on which the load, placed that much later and so coming that much later, would still find
        the least days of stock of all that is on it in 19 of 20 scenarios, nothing else that is due with it counted
        in; nor later than all that its supplier brings that day may come (``late_trucks``), since it is ordered in one
        call. Never before the day of the plan, and before the next review: then the plan is made anew. Where it is
        bought ahead of a dearer price, before that price.

    Examples
    --------
    >>> latest_order_days(logs, plan, daily).head(1)
    order
    2025-03-05 Northmill 1   2025-03-07
    dtype: datetime64[us]
    """
    ahead = plan.stock_ahead.set_index(["material", "day"])["q05"]
    dearer = plan.reasons.set_index("order")["price_from"]
    late = plan.late_trucks[plan.late_trucks["state"] == "to order"]
    # Without a last day something runs out whenever it comes, or nothing does.
    spare = late["days_late"].mask(late["days_late"].isna() & (late["runs_out"] != ""), 0.0)
    together = spare.set_axis(pd.MultiIndex.from_frame(late[["supplier", "promised_on"]]))
    latest = {
        str(order): _latest(logs, rows, ahead, daily, together, dearer.get(order, pd.NaT))
        for order, rows in plan.published.groupby("order", sort=False)
    }
    return pd.Series(latest, dtype="datetime64[us]").rename_axis("order")


def _latest(
    logs: Logs, rows: Any, ahead: pd.Series, daily: pd.Series, together: pd.Series, dearer: Any
) -> Any:
    placed, brings = rows["order_on"].iloc[0], (rows["supplier"].iloc[0], rows["due_on"].iloc[0])
    eve = [(row.material, row.due_on - _DAY) for row in rows.itertuples()]
    left = ahead.reindex(eve).to_numpy(dtype=float) / daily.reindex(rows["material"]).to_numpy(dtype=float)
    spare = float(np.min(left)) - logs.plant.policy.cover_days_minimum
    if not np.isfinite(spare):
        return pd.NaT
    spare = np.fmin(spare, together.get(brings, np.nan))
    days = pd.date_range(placed, periods=int(np.clip(np.floor(spare), 0, _REVIEW_DAYS - 1)) + 1, freq="D")
    calendar = logs.plant.calendar
    can = days[calendar.takes_orders(days) & calendar.receives(days) & ~(days >= dearer)]
    return can[-1] if len(can) else placed
