"""What the sheets of the buying outlook hold: the published tables with what a supplier asks beside them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..orders import latest_order_days, on_order, season_spend, total_spend, year_spend
from ..pages.common import daily_use
from ..pages.material_words import material_words, packs_words
from ..pages.order_cards import first_orders, moved_words
from ..pages.order_reasons import reason_words
from ..tables import OUTPUTS
from .spreadsheet import Line, Worksheet, Worksheets

if TYPE_CHECKING:
    from ..logs import Logs
    from ..results import Results

__all__ = ["OUTLOOK", "about_outlook", "open_rows", "order_rows", "outlook_sheets"]

#: Tables of the buying outlook by the name of their sheet; those that are empty have no published table.
OUTLOOK: dict[str, str] = {
    "Order now": "",
    "Plan": "order_plan",
    "Open orders": "",
    "Suppliers": "supplier_record",
    "Season": "demand_season",
    "Year": "",
    "Stock": "stock_cover",
    "Record": "forecast_record",
}
#: What is reckoned in the sheet of orders, from which columns.
_FORMULAS = {"value": "{quantity}*{price}", "total": "{value}+{freight}"}
#: How far an order is, to be filled in.
_STATUS = ("to place", "placed", "confirmed", "received")

_ABOUT: dict[str, str] = {
    "Order now": "What to order at the next review, truck by truck. value is quantity times price, total has the row's "
    "part of the freight; sums are of the rows that are shown. Fill in status and order number. latest: latest day to "
    "order, so that the least days of stock are still there when it comes.",
    "Plan": "What to call off in the next 13 weeks, an order being one load on the road. loads is the share of truck "
    "that the row takes; cost is the row's price, as agreed for the day of its order or else listed, and its part of "
    "the load's freight; stockout probability is the stock-out risk before arrival: to run out after the order before "
    "has come (or from now on) and before this one has, late as they may be; why is told of the whole order.",
    "Open orders": "What is on order, the first promised first; days late counts from the day promised. may come "
    "until: last day with which all that the truck brings lasts until then in 19 of 20 scenarios; blank: beyond four "
    "weeks, or not known.",
    "Suppliers": "What each supplier delivers and how: the notes to supplier_record say what a column means. contract "
    "drawn and quantity are those of the contract that runs; chance outside tolerance is that of its end.",
    "Season": "What the next twelve months need, what the same months used last year, the budget, and the spend at the "
    "price that holds on the first day of the month.",
    "Year": "For contract talks: what the 52 weeks from the day after as-of need, and the spend at the price of now. "
    "order size: what is ordered at a time. The sum below the rows is of the expected spend only.",
    "Stock": "What is on hand and on order. days cover: days of mean forecast use that what is on hand lasts, open "
    "orders left out. runs out: day in one case of twenty (q05) and in the middle (q50), open orders and their "
    "lateness counted in; blank beyond half a year. next promised: earliest day promised of an open order; one "
    "before as-of is overdue. storage maximum: as in the plant's list of materials. why blank: why the quantity on "
    "hand is not known.",
    "Record": "What earlier publications forecast (published), or would have (reconstructed), and what came (actual).",
}

_PRICE = ("price", "price_now", "unit_price")
_SPEND = ("spend_low", "spend_expected", "spend_high")
#: Quantities that no published table has.
_QUANTITY = ("low", "expected", "high", "order_size", "storage_maximum", "on_order", "quantity")
_MONEY = ("value", "freight", "total")


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
    made = {} if whole is None else {"Order now": order_rows(whole), "Open orders": open_rows(whole)}
    made["Year"] = year.rename(columns={"price": "price_now"})
    sheets = {}
    for sheet, table in OUTLOOK.items():
        there = table in tables if table else whole is not None
        if not there:
            continue
        frame = tables[table] if table else made[sheet]
        if whole is not None and sheet == "Plan":
            frame = _explained(frame, whole)
        elif whole is not None and sheet == "Season":
            frame = season_spend(logs, frame, year)
        elif whole is not None and sheet == "Stock":
            frame = _positioned(frame, materials, logs, whole)
        sheets[sheet] = _sheet(sheet, table, _with_unit(frame, materials), currency)
    return sheets


def order_rows(whole: Results) -> pd.DataFrame:
    """Return the rows of the orders of the next review, with space to fill in."""
    logs = whole.logs
    plan = whole.tables()["order_plan"]
    rows = first_orders(plan) if len(plan) else plan
    words = material_words(logs)
    latest = pd.Series(dtype="datetime64[us]")
    if whole.plan is not None:
        latest = latest_order_days(logs, whole.plan, daily_use(whole))
    whys = pd.Series(reason_words(whole, str), dtype="str")
    for name, on_truck in rows.groupby("order"):
        order = str(name)
        whys[order] = "; ".join(
            [*(f"consider {words}" for words in moved_words(whole, on_truck, str)), whys[order]]
        )
    value = rows["quantity"] * rows["unit_price"]
    packs = [packs_words(logs, row.material, row.packs, row.quantity) for row in rows.itertuples()]
    return pd.DataFrame(
        {
            "supplier": rows["supplier"],
            "order": rows["order"],
            "material": rows["material"],
            "what": pd.Series([words.get(name, name) for name in rows["material"]], rows.index, dtype="str"),
            "packs": pd.Series(packs, rows.index, dtype="str"),
            "quantity": rows["quantity"],
            "price": rows["unit_price"],
            "value": value,
            "freight": rows["cost"] - value,
            "total": rows["cost"],
            "due_on": rows["due_on"],
            "latest": latest.reindex(rows["order"]).to_numpy(),
            "status": pd.Series(_STATUS[0], rows.index, dtype="str"),
            "order_number": pd.Series(pd.NA, rows.index, dtype="str"),
            "why": rows["order"].map(whys).astype("str"),
        }
    ).reset_index(drop=True)


def open_rows(whole: Results) -> pd.DataFrame:
    """Return what is on order, the first promised first."""
    names = ["promised_on", "supplier", "material", "quantity", "delivery_id"]
    rows = whole.open_orders[names]
    late = (whole.logs.as_of - rows["promised_on"].astype("datetime64[us]")).dt.days
    trucks = whole["late_trucks"].set_index(["supplier", "promised_on"])
    until = trucks.loc[trucks["state"] == "on order", "latest_on"]
    keys = pd.MultiIndex.from_frame(rows[["supplier", "promised_on"]].fillna({"supplier": ""}))
    rows = rows.assign(
        promised_on=rows["promised_on"].astype("datetime64[us]"),
        quantity=pd.to_numeric(rows["quantity"]).astype("float64"),
        days_late=late.where(late > 0).astype("float64"),
        may_come_until=until.reindex(keys).to_numpy(),
    )
    return rows.sort_values(["promised_on", "supplier", "delivery_id"], ignore_index=True)


def about_outlook(logs: Logs, whole: Results | None = None) -> list[Line]:
    """Return what holds for all sheets: units, blanks, quantiles, prices, and the caution."""
    lines: list[Line] = [
        (
            "In the house",
            "This file holds stock, policy and everybody's prices: it stays in the house. Each supplier has a file of "
            "its own in the folder suppliers, which may leave it.",
        ),
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
    promised = by_material["promised_on"].min().reindex(cover["material"])
    why = whole.on_hand.set_index("material")["why"].replace("", np.nan)
    return cover.assign(
        storage_maximum=cover["material"].map(materials["storage_maximum"]).astype("float64"),
        on_order=on_order(logs, rows, cover["material"]),
        next_promised=promised.to_numpy(),
        why_blank=cover["material"].map(why).astype("str"),
    )


def _sheet(name: str, table: str, frame: pd.DataFrame, currency: str) -> Worksheet:
    """Return a sheet with the units of its published columns and of those beside them."""
    units = dict.fromkeys(_QUANTITY, "material unit") | dict.fromkeys(_SPEND, "currency")
    units |= dict.fromkeys(_PRICE, "currency / material unit") | dict.fromkeys(_MONEY, "currency")
    units |= {"days_late": "day"}
    forms = dict.fromkeys(("why", "why_blank"), "prose") | dict.fromkeys(_PRICE, "price")
    about = _ABOUT[name]
    if table:
        declared = OUTPUTS[table]
        units |= {column.name: column.unit for column in declared.columns if column.unit not in ("", "1")}
        forms |= {column.name: "month" for column in declared.columns if column.kind == "month"}
        about += f" One row per {declared.row}."
    else:
        about += f" One row per {'material' if name == 'Year' else 'order and material'}."
    return Worksheet(
        frame,
        about=about,
        units={column: unit.replace("currency", currency) for column, unit in units.items()},
        forms=forms,
        frozen=frame.columns.get_loc("unit") + 1,
        formulas=_FORMULAS if name == "Order now" else {},
        choices={"status": _STATUS} if name == "Order now" else {},
        total=_total(name, frame) if len(frame) else {},
    )


def _total(name: str, frame: pd.DataFrame) -> dict[str, str | float]:
    """Return the sums below the rows, and say of how many materials that of the year is if not of all."""
    if name == "Order now":
        return {"supplier": "All orders"} | {one: float(frame[one].sum(min_count=1)) for one in _MONEY}
    if name != "Year":
        return {}
    total, of = total_spend(frame)
    return {"material": of or "All materials", "spend_expected": total}
