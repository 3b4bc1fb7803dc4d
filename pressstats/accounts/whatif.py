"""What other assumptions would cost or save: quantity and money of the weeks ahead, with an interval."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..demand import WhatIf, driver_days
from ..prices import agreed_price
from .names import nearest
from .whatif_error import film_error, ink_terms, title_error

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs

__all__ = ["what_if_cost"]

_PATHS = 1000
_SEED = 20240301
_LOW, _HIGH = 0.05, 0.95
ALL = "all materials"


def what_if_cost(
    logs: Logs,
    outlook: Outlook,
    assumptions: Mapping[str, WhatIf],
    weeks: int = 13,
    first: str | pd.Timestamp | None = None,
    last: str | pd.Timestamp | None = None,
    model: pd.DataFrame | None = None,
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
    first, last : str or Timestamp, optional
        Days of publication that are looked at, instead of those weeks.
    model : DataFrame, optional
        The published ``ink_model``: film, start-up and idle loss of the present part the use of an ink better than
        its weeks do.

    Returns
    -------
    DataFrame, shape (assumptions x materials and all of them, 11)
        what_if, material (``all materials`` for the sum in money), expected and change, need_low and need_high (5 and
        95 % of what is then needed) [unit of the material], cost (of the change, at today's prices), q05 and q95 (of
        that cost) [currency], unit and unit_price. The drivers tell the change in proportion. Limits hold the error of
        the forecast that it is a share of, materials erring together, and that of the share: of the titles concerned
        as in past forecasts, of a film weight by its standard error. Blank where no past forecast tells it.

    Raises
    ------
    KeyError
        If a title, material or ink is not known; the message suggests the nearest.
    ValueError
        If a day looked at lies outside the weeks of the forecast.

    Examples
    --------
    >>> what_if_cost(logs, outlook, {"one page less": WhatIf(pages={"Daily": -1})})  # doctest: +SKIP
    """
    days = _days(outlook, weeks, first, last)
    known = max(outlook.weeks[0] - pd.Timedelta(days=1), pd.Timestamp(outlook.recipe.drivers.last))
    since = pd.date_range(outlook.weeks[0], days[-1], freq="D", unit="us")
    terms = None if model is None else ink_terms(model)
    base = driver_days(outlook.recipe, known, since, terms=terms).loc[days].sum(skipna=False)
    paths, mean = outlook.day_paths(_PATHS, days)
    whole, expected = paths.sum(axis=2), mean.sum(axis=1)
    unit = logs["materials"].set_index("material")["unit"]
    rows = []
    for name, assumed in assumptions.items():
        _check(logs, assumed)
        other = driver_days(outlook.recipe, known, since, assumed, terms).loc[days].sum(skipna=False)
        error = _share_error(outlook, assumed, len(days), model)
        apart = np.random.default_rng(_SEED).standard_normal(_PATHS)
        share = (other / base - 1).where(base > 0)
        total = np.zeros(_PATHS + 1)
        for place, material in enumerate(outlook.names):
            moved = float(share.get(material, np.nan))
            if not np.isfinite(moved):
                continue
            price = agreed_price(logs, material, logs.as_of, 7 * float(expected[place]) / len(days))
            drawn = moved * (1 + error * apart)
            cost = price * np.append(moved * expected[place], drawn * whole[place])
            total = total + cost
            need = np.quantile((1 + drawn) * whole[place], [_LOW, _HIGH])
            quantity = {"expected": expected[place], "change": moved * expected[place]}
            quantity |= {"need_low": float(need[0]), "need_high": float(need[1])}
            rows.append(
                {"what_if": name, "material": material, **quantity, **_money(cost), "unit_price": price}
            )
        rows.append({"what_if": name, "material": ALL, **_money(total)})
    columns = ["what_if", "material", "expected", "change", "need_low", "need_high", "cost", "q05", "q95"]
    columns += ["unit_price"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(unit=[unit.get(material, "") for material in table["material"]])


def _share_error(outlook: Outlook, assumed: WhatIf, days: int, model: pd.DataFrame | None) -> float:
    """Return the relative error of the shares that an assumption changes."""
    titles = {*assumed.copies, *assumed.pages, *assumed.closed}
    known = set(outlook.recipe.runs.titles)
    # All titles together have no share to be wrong about.
    of_titles = title_error(outlook.recipe, titles, days) if titles and titles < known else 0.0
    of_film = 0.0 if model is None or not assumed.coverage else film_error(model, assumed.coverage)
    return float(np.hypot(of_titles, of_film))


def _days(
    outlook: Outlook, weeks: int, first: str | pd.Timestamp | None, last: str | pd.Timestamp | None
) -> pd.DatetimeIndex:
    """Return the days that are looked at."""
    begin, end = outlook.weeks[0], outlook.weeks[-1] + pd.Timedelta(days=6)
    since = begin if first is None else pd.Timestamp(first)
    until = since + pd.Timedelta(days=7 * weeks - 1) if last is None else pd.Timestamp(last)
    if not begin <= since <= until <= end:
        raise ValueError(
            f"{since:%Y-%m-%d} to {until:%Y-%m-%d} is not within the forecast, {begin:%Y-%m-%d} to {end:%Y-%m-%d}"
        )
    return pd.date_range(since, until, freq="D", unit="us")


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
