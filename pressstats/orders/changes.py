"""What the plan says otherwise than the one published before, and what was news since."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs

__all__ = ["plan_changes"]

#: Reviews ahead that are compared: those further away are read by nobody yet.
_REVIEWS = 6
#: Weeks of forecast compared.
_WEEKS = 6
_COLUMNS = ["material", "then", "now", "moved", "stock_news", "forecast_news"]


def plan_changes(
    logs: Logs,
    outlook: Outlook,
    stock: pd.DataFrame,
    plan: pd.DataFrame,
    made_on: pd.Timestamp,
    said: dict[str, pd.DataFrame],
) -> pd.DataFrame:
    """Compare the next reviews' orders with those of the plan before, beside what was news since.

    Parameters
    ----------
    logs : Logs
        The logs.
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    stock : DataFrame
        Result of :func:`pressstats.orders.stock_on_hand`.
    plan : DataFrame
        Published table ``order_plan``.
    made_on : Timestamp
        Day of the publication before.
    said : dict of DataFrame
        Its tables ``order_plan`` (material, order_on, quantity), ``stock_cover`` (material, quantity) and
        ``demand_forecast`` (material, week, mean).

    Returns
    -------
    DataFrame, shape (materials whose orders changed, 6)
        material, then, now (ordered in the next six reviews, by both plans), moved (ordered now on other days than
        then) [unit of the material], stock_news (what is on hand less what was expected), forecast_news (what the
        next six weeks need less what they were said to) [unit of the material]; the last two blank where they cannot
        be told.
    """
    first = logs.as_of + pd.Timedelta(days=1)
    last = min(first + pd.Timedelta(days=7 * _REVIEWS - 1), said["order_plan"]["order_on"].max())
    totals = [
        rows[rows["order_on"].between(first, last)].groupby(["material", "order_on"])["quantity"].sum()
        for rows in (said["order_plan"], plan)
    ]
    orders = pd.concat(totals, axis=1, keys=["then", "now"]).fillna(0.0)
    more = (orders["now"] - orders["then"]).clip(lower=0.0).groupby(level="material").sum()
    less = (orders["then"] - orders["now"]).clip(lower=0.0).groupby(level="material").sum()
    both = orders.groupby(level="material").sum().assign(moved=np.minimum(more, less))
    both = both[(more > 0) | (less > 0)]
    if both.empty:
        return pd.DataFrame(columns=_COLUMNS)
    forecast = said["demand_forecast"].pivot_table(index="week", columns="material", values="mean")
    expected = _expected_stock(logs, made_on, said["stock_cover"], forecast)
    levels = stock.set_index("material")["quantity"]
    weeks = outlook.weeks >= logs.plant.first_forecast_week(logs.as_of)
    ahead = pd.DataFrame(outlook.mean.T, index=outlook.weeks, columns=outlook.names)[weeks].head(_WEEKS)
    before = forecast.reindex(ahead.index)
    news = (ahead - before.reindex(columns=ahead.columns)).sum(min_count=len(ahead))
    both["stock_news"] = (levels - expected).reindex(both.index)
    both["forecast_news"] = news.reindex(both.index)
    both = both.rename_axis("material").reset_index()
    changed = np.abs(both["now"] - both["then"]) + both["moved"]
    order = np.argsort(-changed.to_numpy(), kind="stable")
    return both.iloc[order].reset_index(drop=True)[_COLUMNS]


def _expected_stock(
    logs: Logs, made_on: pd.Timestamp, then: pd.DataFrame, forecast: pd.DataFrame
) -> pd.Series:
    """Return what was expected to be on hand now: what was there, what came, less what was to be used."""
    quantity = then.set_index("material")["quantity"].astype("float64")
    came = pd.Series(0.0, quantity.index)
    if logs.has("deliveries"):
        rows = logs["deliveries"]
        rows = rows[rows["delivered_on"].between(made_on, logs.as_of, inclusive="right")]
        came = rows.groupby("material")["quantity"].sum().reindex(quantity.index, fill_value=0.0)
    days = pd.date_range(made_on + pd.Timedelta(days=1), logs.as_of, freq="D")
    weeks = pd.DatetimeIndex([logs.plant.week_start(day) for day in days])
    daily = forecast.reindex(weeks) / 7
    # The broken week that the forecast left out was like the first that it tells.
    used = daily.bfill().sum(min_count=len(days)) if len(days) else pd.Series(0.0, forecast.columns)
    return quantity + came - used.reindex(quantity.index)
