"""The year: used and spent to date, against budget and why, and what the whole of it is expected to take."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..prices import agreed_price
from ..tables import OUTPUTS, as_published

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs
    from .book import MaterialBook

__all__ = ["ALL_MATERIALS", "budget_year", "year_end"]

#: Name of the row of all materials together.
ALL_MATERIALS = "all materials"
_PATHS = 1000
_LOW, _HIGH = 0.05, 0.95


def year_end(logs: Logs, books: Mapping[str, MaterialBook], outlook: Outlook | None) -> pd.DataFrame:
    """Return the published table ``year_end``: the calendar year of as-of.

    Parameters
    ----------
    logs : Logs
        The logs; ``budget`` where there is one.
    books : mapping of str to MaterialBook
        Result of :func:`pressstats.accounts.material_books`.
    outlook : Outlook or None
        The forecast; without it, and for what it does not know, nothing is expected.

    Returns
    -------
    DataFrame, shape (materials and all of them, 15)
        The published columns. What is still to be used costs what lies in stock, then what an order of as-of would.
        Limits are those that use alone moves, as forecast; all materials err together as the forecast's paths do, and
        their row stands only where each of them is known.
    """
    first = pd.Timestamp(logs.as_of.year, 1, 1)
    rows: list[dict[str, object]] = []
    costs, spending, begins = [], [], []
    ahead = _ahead(logs, outlook)
    for material, book in books.items():
        since = book.days >= first
        used, spent = float(book.used[since].sum()), float(book.value.used[since].sum())
        row: dict[str, object] = {
            "material": material,
            "kind": book.kind,
            "unit": book.unit,
            "from": max(first, book.days[0]),
        }
        row |= {"used": used, "spent": spent}
        begins.append(max(first, book.days[0]))
        spending.append(spent)
        if material in ahead:
            mean, paths = ahead[material]
            cost = _still_to_pay(logs, book, np.append(mean, paths))
            row |= {"expected": used + mean, "expected_cost": spent + cost[0]}
            row |= _limits("q05", "q95", used + paths) | _limits("cost_q05", "cost_q95", spent + cost[1:])
            costs.append(spent + cost)
        rows.append(row)
    whole = bool(rows) and len(costs) == len(rows)
    if rows and ALL_MATERIALS not in books:
        total: dict[str, object] = {"material": ALL_MATERIALS, "kind": "", "unit": "", "from": min(begins)}
        total["spent"] = float(np.sum(spending))
        if whole:
            together = np.sum(costs, axis=0)
            total |= {"expected_cost": together[0]} | _limits("cost_q05", "cost_q95", together[1:])
        rows.append(total)
    names = ["used", "spent", "expected", "q05", "q95", "expected_cost", "cost_q05", "cost_q95"]
    table = pd.DataFrame(rows, columns=["material", "kind", "unit", "from", *names])
    return as_published(_with_budget(logs, table.astype(dict.fromkeys(names, "float64"))), "year_end")


def _ahead(logs: Logs, outlook: Outlook | None) -> dict[str, tuple[float, np.ndarray]]:
    """Return mean and paths of what each material will take from tomorrow to the end of the year."""
    if outlook is None:
        return {}
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), f"{logs.as_of.year}-12-31", freq="D", unit="us")
    if not len(days):
        return {name: (0.0, np.zeros(_PATHS)) for name in outlook.names}
    paths, mean = outlook.day_paths(_PATHS, days)
    sums = zip(mean.sum(axis=1), paths.sum(axis=2), strict=True)
    return {name: (float(one), both) for name, (one, both) in zip(outlook.names, sums, strict=True)}


def _still_to_pay(logs: Logs, book: MaterialBook, amount: np.ndarray) -> np.ndarray:
    """Return what amounts that are still to be used will cost: the stock first, then at the price agreed today."""
    stock, worth = book.closing[-1], book.value.closing[-1]
    new = agreed_price(logs, book.material, logs.as_of, float(np.nan_to_num(amount[0])))
    if not stock > 0:
        return np.asarray(amount * new)
    return np.asarray(np.minimum(amount, stock) * worth / stock + np.maximum(amount - stock, 0.0) * new)


def _limits(low: str, high: str, values: np.ndarray) -> dict[str, float]:
    return dict(zip((low, high), np.quantile(values, [_LOW, _HIGH]).tolist(), strict=True))


def _with_budget(logs: Logs, table: pd.DataFrame) -> pd.DataFrame:
    """Add the budget of the whole year; blank where a month of it has none."""
    blank = {name: pd.Series(dtype="float64") for name in ("quantity", "cost")}
    if logs.has("budget"):
        budget = logs["budget"]
        budget = budget[budget["month"].dt.year == logs.as_of.year]
        whole = budget.groupby("material").filter(lambda rows: len(rows) == 12).groupby("material")
        blank = {name: whole[name].sum() for name in blank}
    table["budget_quantity"] = table["material"].map(blank["quantity"]).astype("float64")
    table["budget_cost"] = table["material"].map(blank["cost"]).astype("float64")
    total = table["material"] == ALL_MATERIALS
    table.loc[total, "budget_cost"] = table.loc[~total, "budget_cost"].sum(skipna=False)
    return table


_EFFECTS = {"by_price": "price_variance", "by_volume": "volume_variance"}


def budget_year(logs: Logs, close: pd.DataFrame, year: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``budget_year``.

    Parameters
    ----------
    logs : Logs
        The logs.
    close, year : DataFrame
        The published tables ``month_close`` and ``year_end``.

    Returns
    -------
    DataFrame, shape (kinds and all of them, 10)
        The published columns; spent less budget is by_price + by_volume + by_rest. A sum over something unknown is
        blank, and so are effects where a month, or a kind, has no budget.
    """
    over = (close["month"].dt.year == logs.as_of.year) & (
        close["through"] == close["month"] + pd.offsets.MonthEnd(1)
    )
    months = close[over]
    if months.empty:
        return OUTPUTS["budget_year"].empty()
    kinds = [kind for kind in dict.fromkeys(months["kind"]) if kind]
    rows = [
        _sums(months[months["kind"] == kind], year[year["kind"] == kind]) | {"kind": kind} for kind in kinds
    ]
    rows.append(_sums(months, year[year["material"] == ALL_MATERIALS]) | {"kind": "all"})
    return as_published(pd.DataFrame(rows).assign(through=months["through"].max()), "budget_year")


def _sums(months: pd.DataFrame, year: pd.DataFrame) -> dict[str, float]:
    """Return the sums of a kind of material, or of all."""
    spent = _whole(months["used_value"])
    # A month without any budget leaves the year to date without one; a material that is in none adds nothing to it.
    by_month = months.groupby("month")["budget_cost"].sum(min_count=1)
    budget = _whole(by_month)
    row = {"spent": spent, "budget": budget}
    row |= {
        name: months[column].sum(min_count=1) if np.isfinite(budget) else np.nan
        for name, column in _EFFECTS.items()
    }
    row["by_rest"] = spent - budget - row["by_price"] - row["by_volume"]
    row["year_expected"] = _whole(year["expected_cost"])
    one = year.iloc[0] if len(year) == 1 else None
    row["year_q05"], row["year_q95"] = (
        (np.nan, np.nan) if one is None else (float(one["cost_q05"]), float(one["cost_q95"]))
    )
    row["year_budget"] = year["budget_cost"].sum(min_count=1)
    return row


def _whole(values: pd.Series) -> float:
    """Return a sum; blank where a part of it is."""
    return float(values.sum(skipna=False)) if len(values) else np.nan
