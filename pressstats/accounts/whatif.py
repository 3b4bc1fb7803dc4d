"""What other assumptions would cost or save: quantity and money of the weeks ahead, with an interval."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..demand import WhatIf, driver_days
from ..prices import agreed_price
from .names import nearest

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs

__all__ = ["what_if_cost"]

_PATHS = 1000
_LOW, _HIGH = 0.05, 0.95
ALL = "all materials"


def what_if_cost(
    logs: Logs, outlook: Outlook, assumptions: Mapping[str, WhatIf], weeks: int = 13
) -> pd.DataFrame:
    """Return what assumptions change in the weeks ahead.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``, for prices agreed for orders of as-of.
    outlook : Outlook
        The forecast.
    assumptions : mapping of str to WhatIf
        What is assumed, by the name under which it is shown.
    weeks : int
        Weeks from the first one after the history on.

    Returns
    -------
    DataFrame, shape (assumptions x materials and all of them, 9)
        what_if, material (``all materials`` for the sum in money), expected and change [unit of the material], cost
        (of the change, at today's prices), q05 and q95 (of that cost) [currency], unit and unit_price. The drivers tell
        the change in proportion; limits are those of the forecast that it is a share of, materials erring together.

    Raises
    ------
    KeyError
        If a title, material or ink is not known; the message suggests the nearest.

    Examples
    --------
    >>> what_if_cost(logs, outlook, {"one page less": WhatIf(pages={"Daily": -1})})  # doctest: +SKIP
    """
    days = pd.date_range(outlook.weeks[0], periods=7 * weeks, freq="D", unit="us")
    known = max(outlook.weeks[0] - pd.Timedelta(days=1), pd.Timestamp(outlook.recipe.drivers.last))
    base = driver_days(outlook.recipe, known, days).sum(skipna=False)
    paths, mean = outlook.day_paths(_PATHS, days)
    whole, expected = paths.sum(axis=2), mean.sum(axis=1)
    unit = logs["materials"].set_index("material")["unit"]
    rows = []
    for name, assumed in assumptions.items():
        _check(logs, assumed)
        other = driver_days(outlook.recipe, known, days, assumed).sum(skipna=False)
        share = (other / base - 1).where(base > 0)
        total = np.zeros(_PATHS + 1)
        for place, material in enumerate(outlook.names):
            moved = float(share.get(material, np.nan))
            if not np.isfinite(moved):
                continue
            price = agreed_price(logs, material, logs.as_of, float(expected[place] / weeks))
            cost = moved * price * np.append(expected[place], whole[place])
            total = total + cost
            quantity = {"expected": expected[place], "change": moved * expected[place]}
            rows.append(
                {"what_if": name, "material": material, **quantity, **_money(cost), "unit_price": price}
            )
        rows.append({"what_if": name, "material": ALL, **_money(total)})
    columns = ["what_if", "material", "expected", "change", "cost", "q05", "q95", "unit_price"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(unit=[unit.get(material, "") for material in table["material"]])


def _money(cost: np.ndarray) -> dict[str, float]:
    low, high = np.quantile(cost[1:], [_LOW, _HIGH])
    return {"cost": float(cost[0]), "q05": float(low), "q95": float(high)}


def _check(logs: Logs, assumed: WhatIf) -> None:
    """Raise a KeyError that suggests the nearest name for one that the logs do not know."""
    listed = logs["materials"]
    papers = listed.loc[listed["kind"] == "newsprint", "material"]
    titles = set(logs["runs"]["title"])
    like = set(assumed.like.values())
    for what, named, there in (
        ("newsprint", assumed.grammage, papers),
        ("ink", assumed.coverage, listed["ink"].dropna()),
        ("title", {*assumed.copies, *assumed.pages, *assumed.closed, *like}, titles),
    ):
        for name in sorted(set(named) - set(there)):
            raise KeyError(f"no {what} is called {name!r}{nearest(name, there)}")
