"""Who can deliver what, on which terms and under which contracts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from .logs import once
from .tables import INPUTS

if TYPE_CHECKING:
    from .logs import Logs

__all__ = ["OFFER_COLUMNS", "PLANNED_DAYS", "contracts", "offered_soon", "offers"]

#: Days from as-of on which the order plan places orders, and within which who begins to deliver is asked: 13 reviews,
#: and one more that what they bring must last to.
PLANNED_DAYS = 98

#: Columns that say how a material is bought: of ``terms``, else of ``materials``.
_HOW = ["lead_time_days", "pack_quantity", "load_quantity", "order_minimum"]
#: Columns of a contract, blank where its days are not known.
_CONTRACT = ["contract_quantity", "contract_from", "contract_to", "tolerance_pct"]
_FURTHER = ["share_minimum_pct", "share_maximum_pct", "co2_kg_per_unit", "recycled_pct", "certified"]
#: Columns of :func:`offers`.
OFFER_COLUMNS = ["material", "supplier", *_HOW, *_CONTRACT, *_FURTHER]


@once
def offers(logs: Logs, day: pd.Timestamp) -> pd.DataFrame:
    """Return who can deliver what on orders that are placed on a day.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; ``terms`` where a material can be had of several suppliers, or under contract.
    day : Timestamp
        Day on which the order is placed: of each supplier of a material its newest terms by then hold. Terms that
        begin later are known and count from their day on.

    Returns
    -------
    DataFrame, shape (offers, 15)
        material, supplier; lead_time_days [day], pack_quantity, load_quantity, order_minimum [unit of the material];
        contract_quantity [unit of the material], contract_from, contract_to (last day included), tolerance_pct
        [%]; share_minimum_pct, share_maximum_pct [% of what is ordered of the material]; co2_kg_per_unit [kg / unit of
        the material], recycled_pct [%], certified. One row per material and supplier, by material and supplier. A
        material without terms by that day has the row of ``materials`` with the rest blank. A contract whose days
        are not all known is blank.

    Examples
    --------
    >>> offers(logs, logs.as_of)[["material", "supplier", "lead_time_days"]].head(2)
      material   supplier  lead_time_days
    0    N1200  Northmill            14.0
    1    black   Inkworks            14.0
    """
    terms = logs.rows_of("terms")
    terms = terms[terms["valid_from"] <= day].sort_values("valid_from", kind="stable")
    terms = terms.drop_duplicates(["material", "supplier"], keep="last")
    undated = terms["contract_from"].isna() | terms["contract_to"].isna() | terms["contract_quantity"].isna()
    terms = terms.assign(**{name: terms[name].mask(undated) for name in _CONTRACT})
    listed = logs.rows_of("materials")
    alone = listed.loc[~listed["material"].isin(terms["material"]), ["material", "supplier", *_HOW]]
    found = pd.concat([INPUTS["terms"].empty(), terms, alone]) if len(alone) else terms
    return found[OFFER_COLUMNS].sort_values(["material", "supplier"], ignore_index=True)


def offered_soon(logs: Logs) -> pd.DataFrame:
    """Return who can deliver what on orders of as-of, or begins to within the weeks that are planned.

    Returns material and supplier of each pair, those of as-of first; `logs` as for :func:`offers`.
    """
    days = (logs.as_of, logs.as_of + pd.Timedelta(days=PLANNED_DAYS))
    pairs = [offers(logs, day)[["material", "supplier"]] for day in days]
    return pd.concat(pairs).drop_duplicates(ignore_index=True)


@once
def contracts(logs: Logs) -> pd.DataFrame:
    """Return every contract that is known at as-of, and those that present ones are taken to continue in.

    Parameters
    ----------
    logs : Logs
        Logs; without ``terms`` there are no contracts.

    Returns
    -------
    DataFrame, shape (contracts, 7)
        material, supplier, contract_quantity [unit of the material], contract_from, contract_to (last day included),
        tolerance_pct [%], assumed; by material, supplier and first day. The next terms of a supplier that begin while
        a contract runs end it, unless they hold one that begins after it. A contract that runs at as-of and that no
        terms follow is taken to be made again for as long: the row after it is `assumed`.

    Examples
    --------
    >>> contracts(logs)[["supplier", "contract_from", "assumed"]]
        supplier contract_from  assumed
    0  Northmill    2025-01-01    False
    1  Northmill    2026-01-01     True
    """
    terms = logs.rows_of("terms").sort_values(["material", "supplier", "valid_from"], ignore_index=True)
    following = terms.groupby(["material", "supplier"])[["valid_from", "contract_from"]].shift(-1)
    dated = terms["contract_from"].notna() & (terms["contract_quantity"] > 0)
    last = terms["contract_to"]
    replaced = (following["valid_from"] <= last) & ~(following["contract_from"] > last)
    found = terms[dated & last.notna() & ~replaced].assign(assumed=False)
    runs = (found["contract_from"] <= logs.as_of) & (logs.as_of <= found["contract_to"])
    again = found[runs & following["valid_from"].reindex(found.index).isna()]
    begins = again["contract_to"] + pd.Timedelta(days=1)
    again = again.assign(
        contract_from=begins,
        contract_to=begins + (again["contract_to"] - again["contract_from"]),
        assumed=True,
    )
    if len(again):
        found = pd.concat([found, again])
    columns = ["material", "supplier", *_CONTRACT, "assumed"]
    return found[columns].sort_values(["material", "supplier", "contract_from"], ignore_index=True)
