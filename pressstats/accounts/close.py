"""Month-end close of each material, in quantity and value, and the standard use that its waste is a variance from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..geometry import paper_kg
from ..tables import OUTPUTS, as_published, month_of

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper
    from .book import MaterialBook

__all__ = ["close_totals", "month_close", "standard_use", "standard_waste"]


def standard_waste(logs: Logs) -> pd.Series:
    """Return the standard waste of each title that was printed [% of mounted paper], else the plant's target."""
    titles = pd.Index(logs["runs"]["title"].unique(), name="title")
    waste = pd.Series(float("nan"), titles)
    if logs.has("titles"):
        waste = logs["titles"].set_index("title")["standard_waste_pct"].reindex(titles).astype("float64")
    return waste.fillna(logs.plant.targets.waste_pct).rename("standard_waste_pct")


def standard_use(logs: Logs, weighed: WeighedPaper) -> pd.DataFrame:
    """Return what the good output of each month takes at standard.

    Parameters
    ----------
    logs, weighed
        Logs, and the result of :func:`pressstats.paper.weighed_paper`.

    Returns
    -------
    DataFrame, shape (months x materials, 3)
        month, material and standard [unit of the material]: of newsprint the good copies at what the paper weighs, and
        the standard waste of their title on top; of plates those exposed once. Ink has no standard, and no row.
    """
    runs, webs = weighed.runs, weighed.webs
    run = webs["run"].to_numpy()
    good = logs["runs"]["copies_good"].to_numpy()[run]
    heavier = 1 + (runs["good_grammage_kg"] / runs["good_kg"]).fillna(0.0).to_numpy()[run]
    waste = webs["title"].map(standard_waste(logs)).to_numpy(dtype=float) / 100
    kg = paper_kg(webs["copy_m2"], webs["nominal_gsm"]) * good * heavier / (1 - waste)
    parts = [pd.DataFrame({"date": webs["date"], "material": webs["material"], "standard": kg})]
    plates = logs.listed("plate")
    table = logs["runs"]
    if len(plates) == 1 and table["plates"].notna().any() and table["plates_remade"].notna().any():
        once = table["plates"] - table["plates_remade"].fillna(0.0)
        parts.append(pd.DataFrame({"date": table["date"], "material": plates.iloc[0], "standard": once}))
    rows = pd.concat(parts, ignore_index=True)
    month = month_of(rows["date"]).rename("month")
    # A run that cannot be weighed leaves its month without a standard.
    sums = (
        rows["standard"].groupby([month, rows["material"].astype("str")]).agg(lambda kg: kg.sum(skipna=False))
    )
    return sums.reset_index()


_QUANTITIES = ("opening", "received", "used", "difference", "closing")


def month_close(
    logs: Logs, books: Mapping[str, MaterialBook], output: pd.DataFrame, valuation: str | None = None
) -> pd.DataFrame:
    """Return the published table ``month_close``.

    Parameters
    ----------
    logs : Logs
        The logs; ``budget`` where there is one.
    books : mapping of str to MaterialBook
        Result of :func:`pressstats.accounts.material_books`.
    output : DataFrame
        Result of :func:`pressstats.accounts.standard_use`: what the good output of each month takes at standard.
    valuation : str, optional
        How `books` are valued; by default what ``plant.toml`` says.

    Returns
    -------
    DataFrame, shape (materials x months, 26)
        The published columns. opening + received - used + difference = closing, in quantity and in value, and the
        opening of a month is the closing of the month before. The month of as-of is closed to that day.
    """
    parts = [_months_of(book) for book in books.values()]
    if not parts:
        return OUTPUTS["month_close"].empty()
    close = pd.concat(parts, ignore_index=True)
    close["valuation"] = (valuation or logs.plant.accounts.valuation).replace("_", " ")
    return as_published(_against_budget(logs, close, output), "month_close")


def _months_of(book: MaterialBook) -> pd.DataFrame:
    """Return the months of a book; on bare arrays, since a plant has many books of few months."""
    days = book.days.to_numpy()
    month = days.astype("datetime64[M]")
    begins = np.flatnonzero(np.append(True, month[1:] != month[:-1]))
    ends = np.append(begins[1:], len(month)) - 1
    known = np.isfinite(book.opening)
    columns: dict[str, np.ndarray] = {"month": month[begins].astype(days.dtype), "through": days[ends]}
    sums = {
        "received": (book.received, book.value.received),
        "used": (book.used, book.value.used),
        "difference": (book.difference, book.value.difference),
    }
    for name, (quantity, value) in sums.items():
        blank = name == "difference" and not known
        columns[name] = np.full(len(begins), np.nan) if blank else np.add.reduceat(quantity, begins)
        columns[f"{name}_value"] = np.full(len(begins), np.nan) if blank else np.add.reduceat(value, begins)
    for column, closing, opening in (
        ("", book.closing, book.opening),
        ("_value", book.value.closing if known else book.closing, book.value.opening if known else np.nan),
    ):
        columns[f"closing{column}"] = closing[ends]
        columns[f"opening{column}"] = np.append(opening, closing[ends][:-1])
    columns["used_estimated"] = np.add.reduceat(book.estimated, begins)
    rows = book.receipts[~book.receipts["invoiced"]]
    month_of = np.searchsorted(days[begins], rows["day"].to_numpy(), side="right") - 1
    columns["received_uninvoiced"] = np.bincount(month_of, rows["quantity"], len(begins)).astype(float)
    bare = rows["delivery_id"].to_numpy(dtype=object)
    columns["without_invoice"] = np.array(
        ["; ".join(bare[month_of == number]) for number in range(len(begins))], dtype=object
    )
    counted = book.counted_on.to_numpy().astype("datetime64[us]")
    columns["counted_on"] = np.full(len(begins), np.datetime64("NaT"), dtype="datetime64[us]")
    # In the order of time: the last of a month stays.
    columns["counted_on"][np.searchsorted(days[begins], counted, side="right") - 1] = counted
    return pd.DataFrame(columns).assign(material=book.material, kind=book.kind, unit=book.unit)


def _against_budget(logs: Logs, close: pd.DataFrame, output: pd.DataFrame) -> pd.DataFrame:
    """Add budget and its variances: price + volume + waste = spent less budgeted, of whole months.

    Price: what was used at the price paid less that of the budget. Waste: what was used beyond the standard of the
    good output, at the budget's price. Volume: the rest, what that output takes at standard against the budget.
    """
    names = ["budget_quantity", "budget_cost"]
    if logs.has("budget"):
        budget = logs["budget"].rename(columns={"quantity": "budget_quantity", "cost": "budget_cost"})
        close = close.merge(budget[["month", "material", *names]], on=["month", "material"], how="left")
    else:
        close = close.assign(budget_quantity=np.nan, budget_cost=np.nan)
    close = close.merge(output, on=["month", "material"], how="left")
    whole = close["through"] == close["month"] + pd.offsets.MonthEnd(1)
    price = (close["budget_cost"] / close["budget_quantity"]).where(close["budget_quantity"] > 0)
    # Without a standard, or a price that tells, all of the quantity is volume.
    standard = close["standard"].fillna(close["used"])
    close["price_variance"] = (close["used_value"] - close["used"] * price).where(whole)
    close["waste_variance"] = ((close["used"] - standard) * price).where(whole & close["standard"].notna())
    close["volume_variance"] = ((standard - close["budget_quantity"]) * price).where(whole)
    return close


def close_totals(close: pd.DataFrame, by: str = "kind") -> pd.DataFrame:
    """Return the month-end close in money, added up over materials.

    Parameters
    ----------
    close : DataFrame
        Published table ``month_close``.
    by : str
        Column to add up by: ``kind``, or ``unit``.

    Returns
    -------
    DataFrame, shape (months x kinds and all of them, 11)
        month, `by` ("all" for all together), opening_value, received_value, used_value, difference_value,
        closing_value, budget_cost, price_variance, volume_variance, waste_variance [currency]. Blank where a part of
        it is; budget and variances are summed over what has them.
    """
    values = [f"{name}_value" for name in _QUANTITIES]
    budget = ["budget_cost", "price_variance", "volume_variance", "waste_variance"]
    both = pd.concat([close, close.assign(**{by: "all"})], ignore_index=True).groupby(["month", by])
    sums = both[values].sum(skipna=False)
    return pd.concat([sums, both[budget].sum(min_count=1)], axis=1).reset_index()
