"""Stock: too little, too much, unknown or contradicted, and orders that are late."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..prices import receipt_prices
from .kinds import is_news, raised

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["ORDERED_SOON", "days_high_limit", "risky", "stock_exceptions", "wanted_now"]

#: Days of stock are high beyond so many times what the policy allows (common practice, no source).
_HIGH = 2.0
#: Days from as-of within which an order of the plan is this week's.
ORDERED_SOON = 7


def stock_exceptions(
    logs: Logs,
    cover: pd.DataFrame,
    stock: pd.DataFrame,
    orders: pd.DataFrame,
    miscounts: pd.DataFrame,
    wanted: frozenset[str] = frozenset(),
) -> Iterator[dict[str, Any]]:
    """Yield what of the stock needs somebody.

    `wanted` is the result of :func:`wanted_now`: of these nobody has too much.
    """
    part = _parts(logs)
    yield from _days_of_stock(logs, cover, orders, part, wanted)
    for row in stock[stock["quantity"].isna()].itertuples():
        yield raised(logs, "stock unknown", row.material, row.why)
    yield from _counts(logs, miscounts, part)
    yield from _late(logs, orders)


def _parts(logs: Logs) -> dict[str, str]:
    """Return from which parts of the logs the use of newsprint and inks is reckoned."""
    if not logs.has("materials"):
        return {}
    kinds = (
        logs["materials"]
        .set_index("material")["kind"]
        .map({"newsprint": "paper demand", "ink": "ink demand"})
    )
    return {str(name): str(part) for name, part in kinds.dropna().items()}


def days_high_limit(logs: Logs, material: str, daily: float) -> float:
    """Return from how many days of stock on a material has too much, `daily` being its use of a day.

    What is ordered when stock is at its least comes in no smaller quantity than the supplier's minimum: days that no
    smaller order could have avoided are not too many.
    """
    policy = logs.plant.policy
    most = _HIGH * policy.cover_days_maximum
    if not logs.has("materials") or not daily > 0:
        return most
    listed = logs["materials"].set_index("material")
    smallest = listed.loc[[material], ["order_minimum", "pack_quantity"]].max(axis=None)
    return max(most, policy.cover_days_minimum + float(smallest) / daily) if smallest > 0 else most


def wanted_now(logs: Logs, risk: pd.Series, order_plan: pd.DataFrame) -> frozenset[str]:
    """Return the materials of which nobody has too much.

    They are ordered within the week, or may run out beyond what the service level allows: before an order can arrive,
    or before the plan's next one does that is placed within its lead time. Where use is uneven, many days of mean use
    may be few.
    """
    days = order_plan["order_on"] - logs.as_of
    soon = days <= pd.Timedelta(days=ORDERED_SOON)
    first = order_plan["order_on"] == order_plan.groupby("material")["order_on"].transform("min")
    first &= days <= order_plan["due_on"] - order_plan["order_on"]
    short = order_plan.loc[first].set_index("material")["stockout_probability"]
    return frozenset(order_plan.loc[soon, "material"]).union(
        risky(logs, risk).index, risky(logs, short).index
    )


def risky(logs: Logs, risk: pd.Series) -> pd.Series:
    """Return the risks of running out that are above what the service level allows."""
    # A risk is counted on paths: one that is allowed to the last digit is allowed.
    return risk[risk > 1 - logs.plant.policy.service_level + 1e-9]


def _days_of_stock(
    logs: Logs, cover: pd.DataFrame, orders: pd.DataFrame, parts: dict[str, str], wanted: frozenset[str]
) -> Iterator[dict[str, Any]]:
    policy, prices = logs.plant.policy, receipt_prices(logs)
    row: Any
    for row in cover.dropna(subset="days_cover").itertuples():
        days, part = row.days_cover, parts.get(str(row.material), "")
        if days < policy.cover_days_minimum:
            out = f"; may run out on {row.runs_out_q05:%Y-%m-%d}" if pd.notna(row.runs_out_q05) else ""
            due = orders[orders["material"] == row.material].sort_values("promised_on").head(1)
            come = "".join(
                f"; {o.quantity:.0f} promised for {o.promised_on:%Y-%m-%d}" for o in due.itertuples()
            )
            why = f"{days:.1f} days of stock, {policy.cover_days_minimum:g} wanted{come}{out}"
            yield raised(logs, "days of stock low", row.material, why, size=days, unit="days", part=part)
            continue
        limit = days_high_limit(logs, row.material, row.quantity / days)
        if days > limit and row.material not in wanted:
            # Numbers that differ are told with as many digits as it takes to see it.
            digits = next((n for n in range(3) if f"{days:.{n}f}" != f"{limit:.{n}f}"), 2)
            why = f"{days:.{digits}f} days of stock, limit {limit:.{digits}f}; it ties up cash and floor, and ages"
            above = row.quantity * (1 - limit / days) * prices.get(row.material, np.nan)
            cost = above * policy.holding_cost_rate
            yield raised(
                logs, "days of stock high", row.material, why, size=days, unit="days", cost=cost, part=part
            )


def _counts(logs: Logs, miscounts: pd.DataFrame, parts: dict[str, str]) -> Iterator[dict[str, Any]]:
    """Yield the last counts that the book contradicts; one that a later count took back needs nobody."""
    words = {
        "last count": "counted otherwise than receipts and use since the count before say, and the stock stands on it",
        "stays": "something came or went that is not in the logs: the count after agrees with this one",
    }
    units = (
        logs["materials"].set_index("material")["unit"] if logs.has("materials") else pd.Series(dtype="str")
    )
    recent = miscounts[is_news(logs, miscounts["counted_on"]) & miscounts["state"].isin(list(words))]
    for row in recent.sort_values("counted_on").itertuples():
        yield raised(
            logs,
            "count in doubt",
            row.material,
            f"on {row.counted_on:%Y-%m-%d} {words[row.state]}",
            size=row.difference,
            unit=str(units.get(row.material, "")),
            week=logs.plant.week_start(row.counted_on),
            part=parts.get(str(row.material), ""),
        )


def _late(logs: Logs, orders: pd.DataFrame) -> Iterator[dict[str, Any]]:
    row: Any
    for row in orders[orders["promised_on"] < logs.as_of].itertuples():
        days = (logs.as_of - row.promised_on).days
        supplier = f" by {row.supplier}" if pd.notna(row.supplier) and row.supplier else ""
        why = f"promised{supplier} for {row.promised_on:%Y-%m-%d}, {days} days ago, and not received"
        subject = f"{row.delivery_id} {row.material}"
        yield raised(logs, "delivery late", subject, why, size=float(days), unit="days")
