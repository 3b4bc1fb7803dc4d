"""Contracts: what has been drawn of them, and what they ask of the plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..offers import contracts, offers
from ..prices import agreed_price
from .leadtimes import serves_from, supplier_of
from .offered import Limit, Share
from .planned import ORDERS

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs
    from .planned import Planned, Source

__all__ = [
    "BREACH",
    "call_offs",
    "contract_limit",
    "contracts_ahead",
    "load_price",
    "receipts_of",
    "share_limits",
    "with_contracts",
]

#: What a unit outside a contract's tolerance costs, as a share of its price: common practice, no source.
BREACH = 0.1
#: Part of the tolerance that is aimed at: whoever aims at its edge ends outside it half the time.
_AIMED = 0.8


def call_offs(logs: Logs, forgotten: frozenset[str] = frozenset()) -> pd.DataFrame:
    """Return what was called off, by the day on which it counts.

    Parameters
    ----------
    logs : Logs
        Logs with ``deliveries``; without them nothing is known to have been called off.
    forgotten : frozenset of str
        Open rows that nobody counts on (:class:`pressstats.orders.LeadTimes`).

    Returns
    -------
    DataFrame, shape (rows, 4)
        supplier, material, day (of receipt; of an open order the promised one), quantity [unit of the material].
    """
    columns = ["supplier", "material", "day", "quantity"]
    if not logs.has("deliveries"):
        return pd.DataFrame(columns=columns).astype({"quantity": "float64", "day": "datetime64[us]"})
    rows = logs["deliveries"]
    rows = rows[rows["cancelled_on"].isna() & ~rows["delivery_id"].isin(forgotten)]
    day = rows["delivered_on"].fillna(rows["promised_on"])
    return rows.assign(supplier=supplier_of(logs, rows), day=day)[columns].reset_index(drop=True)


def with_contracts(
    logs: Logs,
    outlook: Outlook,
    planned: Sequence[Planned],
    called: pd.DataFrame,
    days: pd.DatetimeIndex,
) -> list[Planned]:
    """Return the materials with what contracts and agreed shares ask of each supplier, each in its own days.

    `called` is the result of :func:`call_offs`, `days` are those of the plan, from the one after as-of.
    """
    agreed = contracts_ahead(logs, planned, days)
    if len(agreed):
        ahead = pd.date_range(days[0], max(agreed["contract_to"].max(), days[-1]), freq="D", unit="us")
        needs = np.cumsum(outlook.day_paths(2, ahead)[1], axis=1)
    found = []
    for one in planned:
        called_off = called[called["material"] == one.name]
        suppliers = {source.supplier: source for source in reversed(one.sources)}
        comes = {name: receipts_of(one, name, days) for name in suppliers}
        sources = []
        for source in one.sources:
            if source is suppliers[source.supplier]:
                price, came = load_price(logs, one, source), comes[source.supplier]
                own = agreed[(agreed["material"] == one.name) & (agreed["supplier"] == source.supplier)]
                limits = [
                    contract_limit(
                        row,
                        source,
                        came,
                        called_off,
                        pd.Series(needs[outlook.names.index(one.name)], ahead),
                        price,
                    )
                    for _, row in own.iterrows()
                ]
                shares = share_limits(logs, one.name, source, own, comes, called_off, days[0], price)
                limits_held = tuple(limit for limit in limits if limit is not None)
                source = replace(source, limits=limits_held, shares=shares)
            sources.append(source)
        found.append(replace(one, sources=tuple(sources)))
    return found


def contracts_ahead(logs: Logs, planned: Sequence[Planned], days: pd.DatetimeIndex) -> pd.DataFrame:
    """Return the contracts of the materials that run on any of the days."""
    agreed = contracts(logs)
    agreed = agreed[agreed["material"].isin([one.name for one in planned])]
    return agreed[(agreed["contract_to"] >= days[0]) & (agreed["contract_from"] <= days[-1])]


def receipts_of(one: Planned, supplier: str, days: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Return the day on which each order of a supplier would be received, shape (ORDERS,)."""
    own_sources = [source for source in one.sources if source.supplier == supplier]
    due = own_sources[0].due[:ORDERS]
    for source in own_sources[1:]:
        due = np.where(source.orders[: len(due)], source.due[:ORDERS], due)
    return days[np.minimum(due - serves_from(0, own_sources[0].rest), len(days) - 1)]


def load_price(logs: Logs, one: Planned, source: Source) -> float:
    """Return what a load of a source costs at as-of, with what a unit costs beyond its price."""
    size = float(np.nan_to_num(max(source.load, source.minimum)))
    return agreed_price(logs, one.name, logs.as_of, size, source.supplier or None) + source.premium


def contract_limit(
    contract: pd.Series,
    source: Source,
    comes: pd.DatetimeIndex,
    called: pd.DataFrame,
    need: pd.Series,
    price: float,
) -> Limit | None:
    """Return what a contract asks of the orders that `comes` says to be received in its days; None where none is.

    What comes by its last day, or by the plan's, must be within four fifths of the tolerance of as much of the contract
    as of its `need` has then passed. What is outside costs a tenth of its price by the last day, and before as much
    less as there is time to mend it.
    """
    quantity = float(contract["contract_quantity"])
    first, last = contract["contract_from"], contract["contract_to"]
    counts = np.asarray((comes >= first) & (comes <= last))
    if not counts.any():
        return None
    rows = called[called["day"].between(first, last)]
    drawn = float(rows.loc[rows["supplier"] == source.supplier, "quantity"].sum())
    # What came before as-of, less what is needed before the first day.
    came = float(rows.loc[rows["day"] < need.index[0], "quantity"].sum())
    came -= float(need.get(first - pd.Timedelta(days=1), 0.0))
    passed = (
        1.0 if comes[-1] > last else (came + float(need[comes[-1]])) / max(came + float(need[last]), 1e-9)
    )
    part = float(np.clip(passed, 0.0, 1.0))
    tolerance = float(np.nan_to_num(contract["tolerance_pct"])) / 100
    # A load more or less on the way is no breach.
    slack = 0.0 if part == 1.0 else float(np.nan_to_num(source.load, nan=source.pack))
    return Limit(
        counts,
        max((1 - _AIMED * tolerance) * quantity * part - drawn - slack, 0.0),
        max((1 + _AIMED * tolerance) * quantity * part - drawn + slack, 0.0),
        BREACH * price * part,
    )


def share_limits(
    logs: Logs,
    material: str,
    source: Source,
    agreed: pd.DataFrame,
    comes: dict[str, pd.DatetimeIndex],
    called: pd.DataFrame,
    first: pd.Timestamp,
    price: float,
) -> tuple[Share, ...]:
    """Return the least and greatest parts of a supplier in what is bought of a material, of each year on its own.

    They are of the days of its contracts, else of calendar years, as its terms say on the first of these days from the
    plan's `first` on. `agreed` are its contracts, `comes` the days of receipt by supplier, `called` is
    :func:`call_offs` of the material.
    """
    found = []
    received = comes[source.supplier]
    for since, until in _years(agreed, first, received[-1]):
        terms = offers(logs, max(since, first))
        terms = terms[(terms["material"] == material) & (terms["supplier"].fillna("") == source.supplier)]
        row = terms.iloc[0] if len(terms) else source.terms
        least = float(np.nan_to_num(row["share_minimum_pct"])) / 100
        most = float(np.nan_to_num(row["share_maximum_pct"], nan=100.0)) / 100
        inside = ((received >= since) & (received <= until)).any()
        if len(comes) < 2 or (least <= 0 and most >= 1) or not inside:
            continue
        rows = called[called["day"].between(since, until)]
        bought = float(rows.loc[rows["supplier"] == source.supplier, "quantity"].sum())
        serves = [int(serves_from((day - first).days, source.rest)) for day in (since, until)]
        found.append(Share(least, most, bought, float(rows["quantity"].sum()), BREACH * price, *serves))
    return tuple(found)


def _years(
    agreed: pd.DataFrame, first: pd.Timestamp, last: pd.Timestamp
) -> Iterator[tuple[pd.Timestamp, pd.Timestamp]]:
    """Yield the days of the contracts from a day to another, and calendar years where none runs."""
    while first <= last:
        runs = agreed[(agreed["contract_from"] <= first) & (first <= agreed["contract_to"])]
        if len(runs):
            since, until = runs.iloc[-1][["contract_from", "contract_to"]]
        else:
            since, until = first.replace(month=1, day=1), first.replace(month=12, day=31)
            later = agreed.loc[agreed["contract_from"] > first, "contract_from"] - pd.Timedelta(days=1)
            until = min([until, *later])
        yield since, until
        first = until + pd.Timedelta(days=1)
