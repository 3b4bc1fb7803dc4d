"""The night the truck does not come: how many nights paper and ink last, and what buys more of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..demand import Outlook, WhatIf, driver_days

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["nights_bought", "nights_left", "sparing_measures"]

_DRAWS = 1000
#: Days looked ahead: who has more in the store than that has no hurry.
_DAYS = 120
_SEED = 5


def nights_left(logs: Logs, outlook: Outlook, stock: pd.DataFrame) -> pd.DataFrame:
    """Return how many nights can be printed if nothing is delivered any more.

    Parameters
    ----------
    logs : Logs
        The logs.
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    stock : DataFrame
        Result of :func:`pressstats.orders.stock_on_hand`.

    Returns
    -------
    DataFrame, shape (materials with a stock and a forecast, 5), the first to end first
        material, nights_q05, nights_q50 (nights with an issue that it lasts for, in one case of twenty no more, in one
        of two no more), ends_q05, ends_q50 (publication day that cannot be printed whole). A material that lasts
        beyond 120 days has blanks.
    """
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=_DAYS, freq="D", unit="us")
    paths, mean = outlook.day_paths(_DRAWS, days, seed=_SEED)
    printing = np.cumsum(_printing(outlook, logs, days))
    rows = []
    for material, quantity in zip(stock["material"], stock["quantity"], strict=True):
        if material not in outlook.names or np.isnan(quantity):
            continue
        use = paths[outlook.names.index(material)]
        if not np.isfinite(use).all() or not mean[outlook.names.index(material)].sum() > 0:
            continue
        out = np.cumsum(use, axis=1) > quantity
        last = np.where(out.any(axis=1), out.argmax(axis=1), _DAYS)
        ends = [int(np.quantile(last, level, method="lower")) for level in (0.05, 0.5)]
        # The day it ends on is the first that is not printed whole.
        nights = [
            float(printing[day - 1]) if 0 < day < _DAYS else 0.0 if day == 0 else np.nan for day in ends
        ]
        when = [days[day] if day < _DAYS else pd.NaT for day in ends]
        rows.append((material, *nights, *when, ends[1]))
    columns = ["material", "nights_q05", "nights_q50", "ends_q05", "ends_q50", "order"]
    table = pd.DataFrame(rows, columns=columns).sort_values(
        ["order", "nights_q05"], kind="stable", ignore_index=True
    )
    return table.drop(columns="order").astype(
        {"material": "str", "ends_q05": "datetime64[us]", "ends_q50": "datetime64[us]"}
    )


def _printing(outlook: Outlook, logs: Logs, days: pd.DatetimeIndex) -> np.ndarray:
    """Say on which days an issue is expected, shape (days,)."""
    issues = outlook.recipe.drivers.expected(logs.as_of, days).issues
    return np.isin(days.to_numpy().astype("datetime64[D]"), issues["day"].to_numpy().astype("datetime64[D]"))


def sparing_measures(outlook: Outlook, logs: Logs) -> dict[str, tuple[str, WhatIf]]:
    """Return measures that save paper and ink, by their words: the title they concern, and the assumption.

    Parameters
    ----------
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    logs : Logs
        The logs.

    Returns
    -------
    dict of (str, WhatIf)
        For each title that is expected: a tenth and a quarter of its pages less, a tenth of its copies less, and
        the title left out.
    """
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=28, freq="D", unit="us")
    expected = outlook.recipe.drivers.expected(logs.as_of, days)
    measures: dict[str, tuple[str, WhatIf]] = {}
    pages = expected.issues.assign(pages=expected.pages.mean(axis=1)).groupby("title")["pages"].mean()
    for title, usual in pages.items():
        for share in (0.1, 0.25):
            # Pages come in pairs.
            fewer = max(2.0, 2.0 * round(share * usual / 2))
            measures[f"{title}: {fewer:.0f} pages fewer"] = (str(title), WhatIf(pages={str(title): -fewer}))
        measures[f"{title}: a tenth of the copies less"] = (str(title), WhatIf(copies={str(title): 0.9}))
        measures[f"{title}: left out"] = (str(title), WhatIf(closed=(str(title),)))
    return measures


def nights_bought(
    logs: Logs, outlook: Outlook, stock: pd.DataFrame, measures: dict[str, tuple[str, WhatIf]]
) -> pd.DataFrame:
    """Return how many nights measures buy until the first material ends, by expected use.

    Parameters
    ----------
    logs : Logs
        The logs.
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`.
    stock : DataFrame
        Result of :func:`pressstats.orders.stock_on_hand`.
    measures : dict of (str, WhatIf)
        Result of :func:`sparing_measures`, or own ones.

    Returns
    -------
    DataFrame, shape (1 + measures, 5), nothing done first, then what buys most
        measure (empty for nothing done), title, nights (until the first material ends), bought, ends (the material
        that then ends first; empty where none does within 120 days).
    """
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=_DAYS, freq="D", unit="us")
    _, mean = outlook.day_paths(2, days, seed=_SEED)
    levels = stock.set_index("material")["quantity"].reindex(outlook.names).to_numpy(dtype=float)
    printing = np.cumsum(_printing(outlook, logs, days))
    base = driver_days(outlook.recipe, logs.as_of, days).to_numpy().T
    rows = []
    for words, (title, assumed) in {"": ("", WhatIf()), **measures}.items():
        changed = driver_days(outlook.recipe, logs.as_of, days, assumed).to_numpy().T
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(base > 0, changed / base, 1.0)
        use = np.cumsum(mean * np.where(np.isfinite(ratio), ratio, 1.0), axis=1)
        out = use > levels[:, None]
        last = np.where(out.any(axis=1), out.argmax(axis=1), _DAYS)
        first = int(last.argmin())
        day = int(last[first])
        nights = float(printing[day - 1]) if day > 0 else 0.0
        rows.append((words, title, nights, outlook.names[first] if day < _DAYS else ""))
    table = pd.DataFrame(rows, columns=["measure", "title", "nights", "ends"])
    table.insert(3, "bought", table["nights"] - table["nights"].iloc[0] if len(table) else [])
    rest = table.iloc[1:].sort_values("bought", ascending=False, kind="stable")
    return pd.concat([table.iloc[:1], rest], ignore_index=True)
