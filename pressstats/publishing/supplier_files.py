"""A workbook for each supplier: its orders, what it has open, twelve months of what it delivers, and nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..orders import supplier_deliveries, supplier_parts
from ..pages.buying_files import FOLDER, supplier_files
from ..pages.material_words import material_words
from .sheets import open_rows, order_rows
from .spreadsheet import Line, Worksheet, Worksheets, write_spreadsheet

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["supplier_sheets", "write_supplier_files"]

#: How the two quantities of a month differ: what a supplier is to make ready for.
_TO_COME = (
    "Make ready for what is to come; where that is blank, for what is expected. To come is on order or planned, "
    "with stock to fill and whole trucks; expected is your part of what we shall use in the month. "
    "Neither is a promise to buy."
)
_ABOUT: list[Line] = [
    (
        "Quantities",
        "In the unit beside the material. Low is undercut once in twenty, high exceeded once in twenty, expected is "
        "the mean; lows of several months do not add up, nor do highs. They say how our "
        "need may vary.",
    ),
    (
        "Need and deliveries",
        "Low, expected and high are your part, by what stands beside them, of what we shall use in the month. To come "
        "is what is to be delivered in it: what is on order, and what we plan to call off; blank in months that our "
        "plan does not reach the end of. They differ, month by month and over the months of the plan, by what goes "
        "into stock or comes out of it, by what others deliver more or less than theirs, and by whole trucks: make "
        "ready for what is to come, and where that is blank for what is expected.",
    ),
    ("Blank", "What is not known is left blank."),
]
_QUANTITIES = {"low": "q05", "expected": "mean", "high": "q95"}
#: What tells a supplier's part of what is needed, without a word of anybody else.
_BY = {
    "alone": "all that we need",
    "contracts": "your contract",
    "continued": "your contract, taken to continue: the next is not logged",
    "plan": "our order plan",
    "agreed": "terms agreed",
    "alike": "our estimate",
}
#: Columns of an order form that a supplier sees of our own.
_ORDERED = ["order", "material", "what", "packs", "quantity", "price", "value", "due_on"]


def write_supplier_files(content: Path, results: Results) -> None:
    """Write the workbook of each supplier into a folder of its own."""
    files = supplier_files(results)
    if files:
        (content / FOLDER).mkdir()
    for supplier, name in files.items():
        write_spreadsheet(
            content / name,
            supplier_sheets(results, supplier),
            title=results.logs.plant.name,
            as_of=results.logs.as_of.date(),
            about=[("For", supplier), *_ABOUT],
            subject="Orders and twelve months",
        )


def supplier_sheets(results: Results, supplier: str) -> Worksheets:
    """Return the sheets of a supplier's workbook: rows and columns are chosen, never left out.

    Its orders of the next review with the price agreed with it or else listed, what it has open, and what it is likely
    to deliver in the next twelve months.
    """
    logs = results.logs
    currency = logs.plant.currency
    units = logs["materials"].set_index("material")["unit"]
    words = material_words(logs)
    ordered = order_rows(results)
    ordered = ordered.loc[ordered["supplier"] == supplier, _ORDERED].reset_index(drop=True)
    form = ordered.assign(
        order_number=pd.Series(pd.NA, ordered.index, dtype="str"),
        confirmed_for=pd.Series(pd.NA, ordered.index, dtype="str"),
    )
    opens = open_rows(results)
    opens = opens.loc[
        opens["supplier"] == supplier, ["promised_on", "material", "quantity", "delivery_id"]
    ].reset_index(drop=True)
    months = twelve_months(results, supplier)
    frames = {"Orders": form, "Open orders": opens, "Twelve months": months}
    about = {
        "Orders": "What we order now: value is quantity times price: the one agreed, else as we have it listed; "
        "freight is not in it.",
        "Open orders": "What is on order and has not come.",
        "Twelve months": "What we expect to use of yours and what is to come; neither is a promise to buy.",
    }
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
            note=_TO_COME if name == "Twelve months" and len(frame) else "",
        )
    return sheets


def twelve_months(results: Results, supplier: str) -> pd.DataFrame:
    """Return what is likely needed of a supplier in each of the next twelve months, and what is to come in it."""
    tables = results.tables()
    season = tables["demand_season"]
    parts = supplier_parts(
        results.logs, tables["order_plan"], pd.DatetimeIndex(season["month"].drop_duplicates())
    )
    mine = season.merge(parts[parts["supplier"] == supplier], on=["material", "month"])
    # Nobody delivers parts of a kilogram.
    quantities = {name: (mine[column] * mine["part"]).round() for name, column in _QUANTITIES.items()}
    return mine[["material", "month"]].assign(
        to_come=_to_come(results, supplier, mine), **quantities, by=mine["by"].map(_BY)
    )


def _to_come(results: Results, supplier: str, months: pd.DataFrame) -> np.ndarray:
    """Return what is on order or planned of a supplier for each row's material and month, while the plan reaches."""
    plan = results["order_plan"]
    of_month = supplier_deliveries(plan, results.open_orders, supplier)
    found = of_month.reindex(pd.MultiIndex.from_frame(months[["material", "month"]])).to_numpy(dtype=float)
    # What is ordered after the plan's last order comes no sooner than this: a month that ends later is not known whole.
    mine = plan[plan["supplier"] == supplier]
    soonest = (mine["due_on"] - mine["order_on"]).min() if len(mine) else pd.Timedelta(0)
    whole = (months["month"] + pd.offsets.MonthEnd() <= plan["order_on"].max() + soonest).to_numpy()
    planned = months["material"].isin(plan["material"]).to_numpy()
    return np.where(whole & planned & np.isnan(found), 0.0, np.where(whole, found, np.nan))


def _named(names: pd.Series, known: pd.Series) -> pd.Series:
    """Return what is known of each material, as text."""
    return names.map(known).astype("str")
