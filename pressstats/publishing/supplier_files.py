"""A workbook for each supplier: its orders, what it has open, twelve months of what it delivers, and nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..orders import received_since, supplier_deliveries, supplier_parts
from ..pages.buying_files import FOLDER, supplier_files
from ..pages.material_words import material_words
from .sheets import open_rows, order_rows
from .spreadsheet import Line, Worksheet, Worksheets, write_spreadsheet

if TYPE_CHECKING:
    from ..logs import Logs
    from ..results import Results

__all__ = ["supplier_sheets", "supplier_workbooks", "write_supplier_files"]

_ABOUT: list[Line] = [
    (
        "Quantities",
        "In the unit beside the material. Low is undercut once in twenty, high exceeded once in twenty, as our need "
        "may vary; lows of several months do not add up, nor do highs.",
    ),
    ("Blank", "What is not known is left blank."),
]
#: What months of a supplier's orders are told by.
_PLANNED = "what is on order and planned"
#: What tells a supplier's part of what is needed, without a word of anybody else.
_BY = {
    "alone": "all that we use",
    "contracts": "our use, by your contract",
    "continued": "our use, by your contract, taken to continue: the next is not logged",
    "plan": "our use, by our order plan",
    "agreed": "our use, by terms agreed",
    "alike": "our use, by our estimate",
}
#: Columns of an order form that a supplier sees of our own.
_ORDERED = ["order", "material", "what", "packs", "quantity", "price", "value", "due_on"]


def supplier_workbooks(results: Results) -> dict[str, tuple[str, Worksheets]]:
    """Return by supplier the file and the sheets of its workbook."""
    files = supplier_files(results)
    if not files:
        return {}
    ordered, opens = order_rows(results), open_rows(results)
    months = pd.DatetimeIndex(results["demand_season"]["month"].drop_duplicates())
    parts = supplier_parts(results.logs, results["order_plan"], months)
    books = {}
    for supplier, name in files.items():
        own = (
            frame[frame["supplier"] == supplier].reset_index(drop=True) for frame in (ordered, opens, parts)
        )
        books[supplier] = name, supplier_sheets(results, supplier, *own)
    return books


def write_supplier_files(content: Path, logs: Logs, books: dict[str, tuple[str, Worksheets]]) -> None:
    """Write the workbooks of suppliers (:func:`supplier_workbooks`) into a folder of their own."""
    if books:
        (content / FOLDER).mkdir()
    for supplier, (name, sheets) in books.items():
        write_spreadsheet(
            content / name,
            sheets,
            title=logs.plant.name,
            as_of=logs.as_of.date(),
            about=[("For", supplier), *_ABOUT],
            subject="Orders and twelve months",
        )


def supplier_sheets(
    results: Results, supplier: str, ordered: pd.DataFrame, opens: pd.DataFrame, parts: pd.DataFrame
) -> Worksheets:
    """Return the sheets of a supplier's workbook: rows and columns are chosen, never left out.

    Its orders of the next review (of `ordered`) with the price agreed with it or else listed, what it has open (of
    `opens`), what it is to make ready for in the next twelve months (by its `parts` of the need), and that by calendar
    year beside its contract.
    """
    logs = results.logs
    currency = logs.plant.currency
    units = logs["materials"].set_index("material")["unit"]
    words = material_words(logs)
    form = ordered[_ORDERED].assign(
        order_number=pd.Series(pd.NA, ordered.index, dtype="str"),
        confirmed_for=pd.Series(pd.NA, ordered.index, dtype="str"),
    )
    opens = opens[["promised_on", "material", "quantity", "delivery_id"]]
    months = twelve_months(results, supplier, parts)
    years = calendar_years(results, supplier, months)
    frames = {"Orders": form, "Open orders": opens, "Twelve months": months, "By year": years}
    about = {
        "Orders": "What we order now: value is quantity times price: the one agreed, else as we have it listed; "
        "freight is not in it.",
        "Open orders": "What is on order and has not come.",
        "Twelve months": "What to make ready for, month by month.",
        "By year": "What came and is to come in each calendar year, beside your contract.",
    }
    above = {"Twelve months": _above_months(results, supplier, months), "By year": _above_years(results)}
    unit_heads = {"price": f"{currency} a unit", "value": currency}
    sheets = {}
    for name, frame in frames.items():
        with_words: Any = frame if "what" in frame else frame.assign(what=_named(frame["material"], words))
        with_words.insert(
            with_words.columns.get_loc("material") + 1, "unit", _named(frame["material"], units)
        )
        value = float(frame["value"].sum(min_count=1)) if "value" in frame else float("nan")
        sheets[name] = Worksheet(
            with_words,
            about=about[name],
            units=unit_heads,
            forms={"month": "month", "price": "price"},
            frozen=list(with_words.columns).index("unit") + 1,
            formulas={"value": "{quantity}*{price}"} if name == "Orders" else {},
            total={"material": "All orders, without freight", "value": value}
            if name == "Orders" and len(frame)
            else {},
            above=above.get(name, ()) if len(frame) else (),
        )
    return sheets


def twelve_months(results: Results, supplier: str, parts: pd.DataFrame) -> pd.DataFrame:
    """Return what a supplier is to make ready for in the rest of this month and each of the next twelve.

    As far as the plan reaches that is what is on order and planned, later its part of what is used, or what is on order
    and planned where that is more. Low and high are as far off as its part of the need may be; never below what is on
    order.
    """
    season = results["demand_season"].merge(parts, on=["material", "month"])
    low, expected, high = (season[name] * season["part"] for name in ("q05", "mean", "q95"))
    ordered, coming = _to_come(results, supplier, season)
    reached = season["month"] + pd.offsets.MonthEnd() <= _plan_until(results, supplier)
    planned = (reached & season["material"].isin(results["order_plan"]["material"])) | (coming > expected)
    ready = coming.where(planned, expected)
    months = season[["material", "month"]].assign(
        make_ready_for=ready,
        low=np.maximum(low + ready - expected, ordered),
        high=high + ready - expected,
        rests_on=season["by"].map(_BY).where(~planned, _PLANNED),
    )
    months = pd.concat([_this_month(results, supplier, months), months], ignore_index=True)
    numbers = ["make_ready_for", "low", "high"]
    # Nobody delivers parts of a kilogram.
    months[numbers] = months[numbers].round()
    # Around nothing there are no limits that tell anything.
    months.loc[months["make_ready_for"] == 0, ["low", "high"]] = np.nan
    months = months[["material", "month", *numbers, "rests_on"]]
    return months.sort_values(["material", "month"], kind="stable", ignore_index=True)


def _this_month(results: Results, supplier: str, months: pd.DataFrame) -> pd.DataFrame:
    """Return what is on order and planned of a supplier in the days that are left of the running month, if any are."""
    month = _first_month(results)
    planned = results["order_plan"]["material"]
    rows = months[["material"]].drop_duplicates().assign(month=month, rests_on=_PLANNED)
    rows = rows[rows["material"].isin(planned) & (month < months["month"].min())]
    if not month + pd.offsets.MonthEnd() <= _plan_until(results, supplier):
        rows = rows.iloc[:0]
    return rows.assign(make_ready_for=_to_come(results, supplier, rows)[1])


def _first_month(results: Results) -> pd.Timestamp:
    """Return the first day of the month of the day after as-of."""
    return (results.logs.as_of + pd.Timedelta(days=1)).to_period("M").to_timestamp()


def _plan_until(results: Results, supplier: str) -> pd.Timestamp:
    """Return the day until which it is known what comes of a supplier; NaT without a plan.

    What is ordered after the plan's last order comes no sooner than the soonest of its orders takes.
    """
    plan = results["order_plan"]
    own_orders = plan[plan["supplier"] == supplier]
    soonest = (own_orders["due_on"] - own_orders["order_on"]).min() if len(own_orders) else pd.Timedelta(0)
    return plan["order_on"].max() + soonest


def _to_come(results: Results, supplier: str, months: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return for each row's material and month what is on order of a supplier, and that with what is planned.

    What is late is taken to come in the running month.
    """
    plan, opens = results["order_plan"], results.open_orders
    days, tomorrow = opens["promised_on"].astype("datetime64[us]"), results.logs.as_of + pd.Timedelta(days=1)
    opens = opens.assign(promised_on=days.where(~(days < tomorrow), tomorrow))
    keys = pd.MultiIndex.from_frame(months[["material", "month"]])
    ordered, coming = (
        supplier_deliveries(rows, opens, supplier).reindex(keys).fillna(0.0).set_axis(months.index)
        for rows in (plan.iloc[:0], plan)
    )
    return ordered, coming


def calendar_years(results: Results, supplier: str, months: pd.DataFrame) -> pd.DataFrame:
    """Return what came of a supplier and is to come by calendar year, beside its contract of the same days."""
    first = _first_month(results)
    by_year = months.assign(year=months["month"].dt.year).groupby(["material", "year"], as_index=False)
    table: Any = by_year.agg(
        since=("month", "min"),
        to=("month", "max"),
        still_to_come=("make_ready_for", lambda quantity: quantity.sum(skipna=False)),
    )
    running = table["year"] == first.year
    came = received_since(results.logs, supplier, pd.Timestamp(first.year, 1, 1)).reindex(table["material"])
    table["received"] = np.where(running, came.to_numpy(), 0.0).round()
    # A year that lacks the days left of this month has no sum.
    table["in_all"] = (table["received"] + table["still_to_come"]).where(~running | (table["since"] == first))
    begins = [pd.Timestamp(year, 1, 1) for year in table["year"]]
    table["from"] = pd.Series(begins, table.index, dtype="datetime64[us]")
    table["to"] = (table["to"] + pd.offsets.MonthEnd()).astype("datetime64[us]")
    columns = ["material", "from", "to", "received", "still_to_come", "in_all"]
    if results.plan is None:
        return table[columns]
    odds = results.plan.contracts
    odds = odds.assign(
        contract_agreed=odds["contract_quantity"].round(), contract_expected=odds["q50"].round()
    )[odds["supplier"] == supplier]
    odds = odds.rename(columns={"contract_from": "from", "contract_to": "to"})
    keys = ["material", "from", "to"]
    return table[columns].merge(odds[[*keys, "contract_agreed", "contract_expected"]], on=keys, how="left")


def _above_months(results: Results, supplier: str, months: pd.DataFrame) -> list[str]:
    """Say what the months rest on, and until which day they are the plan."""
    planned = months.loc[months["rests_on"] == _PLANNED, "month"]
    first = results.logs.as_of + pd.Timedelta(days=1)
    whole = planned[planned + pd.offsets.MonthEnd() <= _plan_until(results, supplier)]
    words = ["Beyond what is ordered nothing here is a promise to buy. Quantities are by day of delivery."]
    if len(whole):
        words = [
            f"Until {_day(whole.max() + pd.offsets.MonthEnd())}, make ready for what is on order and planned, "
            "with stock to fill and whole trucks.",
            "After it, for your part of what we shall use; what the plan brings early is not taken off yet.",
            *words,
        ]
    else:
        words = ["Make ready for your part of what we shall use: no plan reaches the end of a month.", *words]
    if months["month"].min() == _first_month(results) and first.day > 1:
        words.append(f"The first month holds what is to come from {_day(first)} on; what is late is in it.")
    return [
        *words,
        "Low and high: as our need may vary; a truck may move to another month besides. Blank: not told.",
    ]


def _above_years(results: Results) -> list[str]:
    """Say what the years count, and how they stand to what contracts are expected to end at."""
    return [
        f"By day of delivery, from 1 January. Received: what came until {_day(results.logs.as_of)}.",
        "Still to come: the sum of Twelve months until the last day of the row. In all: both.",
        "Contract expected: what we expect you to deliver of it by its end, as likely more as less.",
        "It is blank where no contract has the days of the row, as where the year goes on after our twelve months.",
        "As far as the plan reaches both agree, nearly. After it the months take your contract's part, it the plan's;",
        "of a contract that has not begun it is your part of what we shall use, without stock to fill.",
    ]


def _day(day: pd.Timestamp) -> str:
    return f"{day.day} {day:%B %Y}"


def _named(names: pd.Series, known: pd.Series) -> pd.Series:
    """Return what is known of each material, as text."""
    return names.map(known).astype("str")
