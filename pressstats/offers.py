"""Who can deliver what, on which terms, and on which days an order may be placed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from .logs import once
from .tables import INPUTS

if TYPE_CHECKING:
    import numpy as np

    from .logs import Logs

__all__ = ["OFFER_COLUMNS", "offers", "order_days"]

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
    terms = logs["terms"] if logs.has("terms") else INPUTS["terms"].empty()
    terms = terms[terms["valid_from"] <= day].sort_values("valid_from", kind="stable")
    terms = terms.drop_duplicates(["material", "supplier"], keep="last")
    undated = terms["contract_from"].isna() | terms["contract_to"].isna() | terms["contract_quantity"].isna()
    terms = terms.assign(**{name: terms[name].mask(undated) for name in _CONTRACT})
    listed = logs["materials"] if logs.has("materials") else INPUTS["materials"].empty()
    alone = listed.loc[~listed["material"].isin(terms["material"]), ["material", "supplier", *_HOW]]
    found = pd.concat([INPUTS["terms"].empty(), terms, alone]) if len(alone) else terms
    return found[OFFER_COLUMNS].sort_values(["material", "supplier"], ignore_index=True)


def order_days(logs: Logs, days: pd.DatetimeIndex) -> np.ndarray:
    """Return for each day whether an order may be placed on it.

    Parameters
    ----------
    logs : Logs
        The logs, whose plant names by ``[calendar] ordering_closed`` the days on which nothing is ordered.
    days : DatetimeIndex, shape (days,)
        The days.

    Returns
    -------
    ndarray of bool, shape (days,)
        True where an order may be placed. If no weekday were left, weekdays close nothing.

    Examples
    --------
    >>> order_days(logs, pd.DatetimeIndex(["2025-12-23", "2025-12-24"])).tolist()  # closed = ["12-24"]
    [True, False]
    """
    return logs.plant.calendar.takes_orders(days)
