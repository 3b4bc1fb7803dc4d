"""Suppliers: contracts that may end outside their tolerance, claims whose period runs out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from .kinds import is_news, raised

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["CONTRACT_CHANCE", "first_moved_words", "supplier_exceptions"]

#: Chance of ending outside its tolerance from which a contract needs somebody, and from which it needs action.
CONTRACT_CHANCE, _PROBABLE = 0.1, 0.5
#: Days before its end from which a claim needs action, not only a look.
_SOON = 14


def supplier_exceptions(
    logs: Logs, contracts: pd.DataFrame, claims: pd.DataFrame, damaged: pd.DataFrame
) -> Iterator[dict[str, Any]]:
    """Yield what of contracts and claims needs somebody.

    `contracts` are those of the order plan, `claims` is the published table, `damaged` the reels that are told as
    transport damage while they are news.
    """
    yield from _contracts(logs, contracts)
    yield from _claims(logs, claims, damaged)


def _contracts(logs: Logs, contracts: pd.DataFrame) -> Iterator[dict[str, Any]]:
    rows: Any = contracts.itertuples()
    for row in rows:
        chance = row.chance_below + row.chance_above
        # What call-offs do not begin to draw before long no shift of theirs mends yet.
        if not chance > CONTRACT_CHANCE or row.contract_from > logs.as_of:
            continue
        low, high = (row.contract_quantity * (1 + sign * row.tolerance_pct / 100) for sign in (-1, 1))
        unit = str(logs.of_material(pd.Series([row.material]), "unit").fillna("").iloc[0])
        why = (
            f"{100 * chance:.0f} % risk of ending outside {low:,.0f} to {high:,.0f} {unit} on "
            f"{row.contract_to:%Y-%m-%d}: {row.q05:,.0f} to {row.q95:,.0f} {unit} is likely; "
            f"{_mended(row, unit)}"
        )
        yield raised(
            logs,
            "contract",
            f"{row.supplier} {row.material}",
            why,
            size=100 * chance,
            unit="% risk",
            cost=row.worth,
            state="act" if chance > _PROBABLE else "",
            # Once that order is placed there is less to shift.
            by=row.first_on if pd.notna(row.first_on) else None,
        )


def _mended(row: Any, unit: str) -> str:
    """Say what shift of call-offs mends a contract, what it leaves, and what it costs beyond what it spares."""
    less = row.shift + row.left < 0
    left = f"{abs(row.left):,.0f} {unit} too {'much' if less else 'little'} for a risk of one in ten"
    if not row.other:
        return f"no other supplier can {'take' if less else 'spare'} any: {left}"
    mended = f"moving {abs(row.shift):,.0f} {unit} {'to' if less else 'from'} {row.other}"
    mended += f", all that it can {'take' if less else 'spare'}, leaves {left}" if row.left else " mends it"
    known = pd.notna(row.first_on)
    first = first_moved_words(
        f"{row.first_on:%Y-%m-%d}" if known else "",
        f"{row.first_quantity:,.0f} {unit}",
        row.other if less else row.supplier,
        whole=row.first_quantity <= abs(row.shift),
    )
    # Where nothing can be moved that stands first: who reads the beginning alone must not order what cannot be.
    words = f"{mended}; {first}" if known else f"{first}; {mended}"
    return words + ("; it costs more than it spares" if row.worth < 0 else "")


def first_moved_words(day: str, amount: str, taker: str, *, whole: bool) -> str:
    """Say which order of the plan is the first that can be moved; `day` is empty where none can."""
    if not day:
        return (
            f"no order of the plan can be placed with {taker} instead (too late, or no room on its truck): have the "
            "contract changed, or shift what is ordered after the plan"
        )
    what = "that" if whole else "of which so much"
    return f"the order of {day}, {amount}, is the first {what} can be placed with {taker} instead"


def _claims(logs: Logs, claims: pd.DataFrame, damaged: pd.DataFrame) -> Iterator[dict[str, Any]]:
    if claims.empty:
        return
    period = pd.Timedelta(days=logs.plant.policy.claim_days)
    open_ = claims[claims["seen_on"] + period >= logs.as_of]
    if open_.empty:
        return
    news = damaged[is_news(logs, damaged["mounted_at"])] if len(damaged) else damaged
    reported = set(zip(news["supplier"], news["delivery_id"], strict=True)) if len(news) else set()
    kept = [pair not in reported for pair in zip(open_["supplier"], open_["delivery_id"], strict=True)]
    for supplier, rows in open_[kept].groupby("supplier"):
        rows = rows.sort_values(["seen_on", "cost"], ascending=[True, False], kind="stable")
        first: Any = rows.iloc[0]
        last_day, end = first["seen_on"] + period, rows["seen_on"].max() + period
        named = first["reel_id"] if pd.notna(first["reel_id"]) else first["delivery_id"]
        cost = float(rows["cost"].sum(min_count=1))
        number = "1 claim" if len(rows) == 1 else f"{len(rows)} claims"
        number += f" worth {cost:,.0f} {logs.plant.currency}" if cost > 0 else ""
        span = f"on {last_day:%Y-%m-%d}"
        if end > last_day:
            span = f"between {last_day:%Y-%m-%d} and {end:%Y-%m-%d}"
        ends = "its period ends" if len(rows) == 1 else "their periods end"
        which = "" if len(rows) == 1 else "first "
        others = int((rows["seen_on"] == first["seen_on"]).sum()) - 1
        more = f" and {others} more" if others else ""
        why = f"{number}; {ends} {span}: {which}{named}{more}, {first['why']}"
        yield raised(
            logs,
            "claim",
            str(supplier),
            why,
            size=float(rows["kg"].sum(min_count=1)),
            unit="kg",
            cost=cost,
            state="act" if last_day <= logs.as_of + pd.Timedelta(days=_SOON) else "",
            by=last_day,
        )
