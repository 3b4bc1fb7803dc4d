"""Contracts: what has been drawn of them, and what they ask of the plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

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
    "contract_limits",
    "load_price",
    "runs",
    "share_limit",
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
    """Return the materials with what contracts and agreed shares ask of each source.

    `called` is the result of :func:`call_offs`, `days` are those of the plan, from the one after as-of.
    """
    bound = [source for one in planned for source in one.sources if runs(source, days[0])]
    if bound:
        last = max(max(source.terms["contract_to"] for source in bound), days[-1])
        ahead = pd.date_range(days[0], last, freq="D", unit="us")
        needs = np.cumsum(outlook.day_paths(2, ahead)[1], axis=1)
    found = []
    for one in planned:
        mine = called[called["material"] == one.name]
        sources = []
        for source in one.sources:
            price = load_price(logs, one, source)
            limits: tuple[Limit, ...] = ()
            if runs(source, days[0]):
                need = needs[outlook.names.index(one.name)]
                limits = contract_limits(
                    source,
                    mine,
                    pd.Series(need, ahead),
                    days,
                    price,
                )
            share = share_limit(source, mine, logs.as_of, price) if len(one.sources) > 1 else None
            sources.append(replace(source, limits=limits, share=share))
        found.append(replace(one, sources=tuple(sources)))
    return found


def runs(source: Source, day: pd.Timestamp) -> bool:
    """Say whether a contract of a source holds on a day."""
    terms = source.terms
    return bool(terms["contract_quantity"] > 0 and terms["contract_from"] <= day <= terms["contract_to"])


def load_price(logs: Logs, one: Planned, source: Source) -> float:
    """Return what a load of a source costs at as-of, with what a unit costs beyond its price."""
    size = float(np.nan_to_num(max(source.load, source.minimum)))
    return agreed_price(logs, one.name, logs.as_of, size, source.supplier or None) + source.premium


def contract_limits(
    source: Source,
    called: pd.DataFrame,
    need: pd.Series,
    days: pd.DatetimeIndex,
    price: float,
) -> tuple[Limit, ...]:
    """Return what a contract asks of the plan's orders.

    Parameters
    ----------
    source : Source
        Supplier of a material with its terms.
    called : DataFrame
        Rows of :func:`call_offs` of the material, of all suppliers.
    need : Series, index day
        Expected need from as-of to each day [unit of the material].
    days : DatetimeIndex, shape (days,)
        Days from the one after as-of.
    price : float
        Price [currency / unit of the material].

    Returns
    -------
    tuple of Limit
        None without a contract that runs. What comes by its last day, or by the plan's, must be within four fifths of
        the tolerance of as much of the contract as of its need has then passed. What is outside costs a tenth of its
        price by the last day, and before as much less as there is time to mend it.
    """
    terms = source.terms
    quantity = float(terms["contract_quantity"])
    first, last = terms["contract_from"], terms["contract_to"]
    comes = days[np.minimum(source.due[:ORDERS] - serves_from(0, source.rest), len(days) - 1)]
    counts = np.asarray(comes <= last)
    if not counts.any():
        return ()
    rows = called[called["day"].between(first, last)]
    drawn = float(rows.loc[rows["supplier"] == source.supplier, "quantity"].sum())
    came = float(rows.loc[rows["day"] < days[0], "quantity"].sum())
    passed = (
        1.0 if not counts.all() else (came + float(need[comes[-1]])) / max(came + float(need[last]), 1e-9)
    )
    part = float(np.clip(passed, 0.0, 1.0))
    tolerance = float(np.nan_to_num(terms["tolerance_pct"])) / 100
    # A load more or less on the way is no breach.
    slack = 0.0 if part == 1.0 else float(np.nan_to_num(source.load, nan=source.pack))
    return (
        Limit(
            counts,
            max((1 - _AIMED * tolerance) * quantity * part - drawn - slack, 0.0),
            max((1 + _AIMED * tolerance) * quantity * part - drawn + slack, 0.0),
            BREACH * price * part,
        ),
    )


def share_limit(source: Source, called: pd.DataFrame, as_of: pd.Timestamp, price: float) -> Share | None:
    """Return the least and greatest part of a supplier in what is bought of a material; None where none is agreed.

    It is of the days of its contract, else of the calendar year. `called` is :func:`call_offs` of the material.
    """
    least = float(np.nan_to_num(source.terms["share_minimum_pct"])) / 100
    most = float(np.nan_to_num(source.terms["share_maximum_pct"], nan=100.0)) / 100
    if least <= 0 and most >= 1:
        return None
    since, until = source.terms["contract_from"], source.terms["contract_to"]
    if pd.isna(since) or not since <= as_of <= until:
        since, until = as_of.replace(month=1, day=1), as_of.replace(month=12, day=31)
    rows = called[called["day"].between(since, until)]
    bought = float(rows.loc[rows["supplier"] == source.supplier, "quantity"].sum())
    return Share(least, most, bought, float(rows["quantity"].sum()), BREACH * price)
