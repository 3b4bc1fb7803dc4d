"""What the sheets of the buying outlook hold: the published tables with what a supplier asks beside them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..orders import season_spend, total_spend, year_spend
from ..pages.order_reasons import reason_words
from ..tables import OUTPUTS
from .spreadsheet import Line, Worksheet, Worksheets

if TYPE_CHECKING:
    from ..logs import Logs
    from ..results import Results

__all__ = ["OUTLOOK", "about_outlook", "outlook_sheets"]

#: Tables of the buying outlook by the name of their sheet; the year has no published table.
OUTLOOK: dict[str, str] = {
    "Orders": "order_plan",
    "Weeks": "demand_forecast",
    "Months": "demand_season",
    "Year": "",
    "Cover": "stock_cover",
    "Record": "forecast_record",
}

_ABOUT: dict[str, str] = {
    "Orders": "What to call off in the next 13 weeks, an order being one load on the road. loads is the share of truck "
    "that the row takes; cost is the row's price, as agreed for the day of its order, and its part of the load's "
    "freight; stockout probability is the stock-out risk before arrival: to run out after the order before has come "
    "(or from now on) and before this one has, late as they may be; why is told of the whole order.",
    "Weeks": "What the next 13 weeks need. A week is named by its first day.",
    "Months": "What the next twelve months need, what the same months used last year, the budget, and the spend at the "
    "price that holds on the first day of the month.",
    "Year": "For contract talks: what the 52 weeks from the day after as-of need, and the spend at the price of now. "
    "order size: what is ordered at a time. The sum below the rows is of the expected spend only.",
    "Cover": "What is on hand and on order. days cover: days of mean forecast use that what is on hand lasts, open "
    "orders left out. runs out: day in one case of twenty (q05) and in the middle (q50), open orders and their "
    "lateness counted in; blank beyond half a year. next promised: earliest day promised of an open order; one "
    "before as-of is overdue. storage maximum: as in the plant's list of materials. why blank: why the quantity on "
    "hand is not known.",
    "Record": "What earlier publications forecast (published), or would have (remade), and what came (actual).",
}

_PRICE = ("price", "price_now")
_SPEND = ("spend_low", "spend_expected", "spend_high")
#: Quantities that no published table has.
_QUANTITY = ("low", "expected", "high", "order_size", "storage_maximum", "on_order")


def outlook_sheets(
    tables: Mapping[str, pd.DataFrame], logs: Logs, whole: Results | None = None
) -> Worksheets:
    """Return the sheets of the buying outlook from the published tables that are there, units beside each material.

    Columns that need `whole` (the year, the spend, why, what is on order) are left out without it.
    """
    materials = _by_material(logs)
    currency = logs.plant.currency
    if whole is None or whole.outlook is None:
        year = pd.DataFrame(columns=["material", "low", "expected", "high", "order_size", "price", *_SPEND])
        year = year.astype({name: "str" if name == "material" else "float64" for name in year.columns})
    else:
        year = year_spend(logs, whole.outlook, tables.get("order_plan"))
    sheets = {}
    for sheet, table in OUTLOOK.items():
        there = table in tables if table else whole is not None
        if not there:
            continue
        frame = tables[table] if table else year.rename(columns={"price": "price_now"})
        if whole is not None and sheet == "Orders":
            frame = _explained(frame, whole)
        elif whole is not None and sheet == "Months":
            frame = season_spend(logs, frame, year)
        elif whole is not None and sheet == "Cover":
            frame = _positioned(frame, materials, logs, whole)
        sheets[sheet] = _sheet(sheet, table, _with_unit(frame, materials), currency)
    return sheets


def about_outlook(logs: Logs, whole: Results | None = None) -> list[Line]:
    """Return what holds for all sheets: units, blanks, quantiles, prices, and the caution."""
    lines: list[Line] = [
        ("Blank", "What is not known is left blank; a zero is a true zero."),
        (
            "Units",
            "Quantities of a row are in the unit beside its material (kg, l or each), which heads call the material "
            f"unit; a blank one is unknown. Money is in {logs.plant.currency}.",
        ),
        (
            "Low, high",
            "Low or q05 is undercut once in twenty, high or q95 exceeded once in twenty; expected is the mean. "
            "Lows of several materials or months do not add up to the low of all, nor do highs, for they seldom fall "
            "together: sums are of the expected only.",
        ),
        (
            "Prices",
            "Price of an order as large as those of the plan, each counted by its weight (of a mean week's need where "
            "none is planned), and not below the order minimum: as agreed, quantity breaks of the material counted in, "
            "else as listed; a price agreed to begin later holds from then on. Low and high spend differ by the need, "
            "not by the price.",
        ),
        (
            "Caution",
            "Stacked reels are fire load and weight: local fire code, the insurer and the floor's load limit decide "
            "how much may stand where, and a storage maximum or an order in this file replaces none of them. Ink and "
            "solvents are stored as their safety data sheets and local rules say; a tank is dipped before it is "
            "filled, and never filled above its safe level. The tanks of an ink are planned as one: who dips them "
            "decides which takes how much.",
        ),
    ]
    if whole is not None and whole.outlook is None:
        lines.append(("Forecast", "There is none: the logs are too short, or have no table of materials."))
    return lines


def _by_material(logs: Logs) -> pd.DataFrame:
    """Return unit, supplier and storage of each material; no rows without the table."""
    columns = ["unit", "supplier", "storage_maximum"]
    if not logs.has("materials"):
        kinds = {"unit": "str", "supplier": "str", "storage_maximum": "float64"}
        return pd.DataFrame(columns=columns, index=pd.Index([], dtype="str")).astype(kinds)
    return logs["materials"].set_index("material")[columns]


def _with_unit(frame: pd.DataFrame, materials: pd.DataFrame) -> pd.DataFrame:
    units = frame["material"].map(materials["unit"]).astype("str")
    frame = frame.copy()
    frame.insert(frame.columns.get_loc("material") + 1, "unit", units)
    return frame


def _explained(plan: pd.DataFrame, whole: Results) -> pd.DataFrame:
    """Add the reason to each row, so that it stays beside it when rows are sorted or filtered."""
    whys = pd.Series(reason_words(whole, str), dtype="str")
    return plan.assign(why=plan["order"].map(whys).astype("str"))


def _positioned(cover: pd.DataFrame, materials: pd.DataFrame, logs: Logs, whole: Results) -> pd.DataFrame:
    """Add storage, what is on order and promised next, and why a quantity is blank."""
    rows = whole.open_orders.astype({"quantity": "float64", "promised_on": "datetime64[us]"})
    by_material = rows.groupby("material")
    # Without the table of deliveries nobody knows what is on order; with it, no open order means none.
    none = 0.0 if logs.has("deliveries") else np.nan
    ordered = by_material["quantity"].sum(skipna=False).reindex(cover["material"], fill_value=none)
    promised = by_material["promised_on"].min().reindex(cover["material"])
    why = whole.on_hand.set_index("material")["why"].replace("", np.nan)
    return cover.assign(
        storage_maximum=cover["material"].map(materials["storage_maximum"]).astype("float64"),
        on_order=ordered.to_numpy(dtype=float),
        next_promised=promised.to_numpy(),
        why_blank=cover["material"].map(why).astype("str"),
    )


def _sheet(name: str, table: str, frame: pd.DataFrame, currency: str) -> Worksheet:
    """Return a sheet with the units of its published columns and of those beside them."""
    units = dict.fromkeys(_QUANTITY, "material unit") | dict.fromkeys(_SPEND, "currency")
    units |= dict.fromkeys(_PRICE, "currency / material unit")
    forms = dict.fromkeys(("why", "why_blank"), "prose") | dict.fromkeys(_PRICE, "price")
    about = _ABOUT[name]
    if table:
        declared = OUTPUTS[table]
        units |= {column.name: column.unit for column in declared.columns if column.unit not in ("", "1")}
        forms |= {column.name: "month" for column in declared.columns if column.kind == "month"}
        about += f" One row per {declared.row}."
    else:
        about += " One row per material."
    return Worksheet(
        frame,
        about=about,
        units={column: unit.replace("currency", currency) for column, unit in units.items()},
        forms=forms,
        frozen=frame.columns.get_loc("unit") + 1,
        total=_total(frame) if name == "Year" and len(frame) else {},
    )


def _total(year: pd.DataFrame) -> dict[str, str | float]:
    """Return the sum of the expected spend, and say of how many materials it is if not of all."""
    total, of = total_spend(year)
    return {"material": of or "All materials", "spend_expected": total}
