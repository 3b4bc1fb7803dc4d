"""The orders to place next: a card for each supplier and truck, and whom to ring before."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..exhibits import Block, Card, cards, logged, note, points, quantity
from ..orders import latest_order_days, moved_orders, truck_numbers
from .common import daily_use, day_words, spoken, unbroken
from .demand import unit_of
from .late_deliveries import least_to_spare
from .material_words import material_words, packs_words
from .order_reasons import reason_words
from .ring_first import ring_first

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["first_orders", "moved_words", "order_now"]

#: Digits of a price that an order is placed at, and of its value: as on an invoice, so that cards add up.
_PRICE_DIGITS, _VALUE_DIGITS = 4, 2


def first_orders(plan: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of ``order_plan`` that are ordered first, suppliers with the largest sum first."""
    rows = plan[plan["order_on"] == plan["order_on"].min()]
    sums = rows.groupby("supplier")["cost"].transform("sum")
    return rows.assign(sums=sums, truck=truck_numbers(rows["order"])).sort_values(
        ["sums", "supplier", "truck", "cost"], ascending=[False, True, True, False], kind="stable"
    )


def order_now(results: Results) -> Block:
    """Return the orders of the next review, a card a truck, beside whom to ring first."""
    if results.plan is None:
        return note("What to order is unknown: no order can be planned.")
    ring = points(ring_first(results))
    rows = first_orders(results["order_plan"])
    if rows.empty:
        return cards([], name="order-now", beside=ring, beside_head="Ring first")
    latest = latest_order_days(results.logs, results.plan, daily_use(results))
    why = reason_words(results)
    trucks = rows.drop_duplicates("order")["supplier"].value_counts()
    # Each supplier is rung once: who can wait least stands first; of whom nobody knows the day, last.
    first = latest.reindex(rows["order"].unique()).groupby(rows.groupby("order")["supplier"].first()).min()
    rows = rows.assign(first=rows["supplier"].map(first)).sort_values(
        "first", kind="stable", na_position="last"
    )
    items: list[Card] = []
    # Whom to ring, and how much time there is, is told once for what a supplier brings on a day.
    begins = ~rows.drop_duplicates("order").set_index("order").duplicated(["supplier", "due_on"])
    for order, mine in rows.groupby("order", sort=False):
        supplier = str(mine["supplier"].iloc[0])
        of = trucks.get(supplier, 1)
        truck = f", truck {mine['truck'].iloc[0]} of {of}" if of > 1 else ""
        until = latest.get(order, pd.NaT)
        items.append(_card(results, truck, mine, until, why.get(str(order), ""), begins=begins[order]))
    return cards(
        items,
        name="order-now",
        beside=ring,
        beside_head="Ring first",
        unkept="Order numbers typed here are not saved: print this page, or keep them on the sheet Order now of "
        "buying_outlook.xlsx.",
    )


def _card(results: Results, truck: str, rows: Any, until: pd.Timestamp, why: str, *, begins: bool) -> Card:
    logs, currency, supplier = results.logs, results.logs.plant.currency, str(rows["supplier"].iloc[0])
    words = material_words(logs)
    value = rows["unit_price"] * rows["quantity"]
    total = float(rows["cost"].sum(skipna=False))
    units = [unit_of(results, name) or "each" for name in rows["material"]]
    unit = units[0] if len(set(units)) == 1 else ""
    table = pd.DataFrame(
        {
            "packs": [packs_words(logs, row.material, row.packs, row.quantity) for row in rows.itertuples()],
            "material": [words.get(name, name) for name in rows["material"]],
            "quantity": rows["quantity"].to_numpy(),
            "unit": units,
            "price": rows["unit_price"].to_numpy(),
            "value": value.to_numpy(),
        }
    )
    as_of, due = logs.as_of, rows["due_on"].iloc[0]
    contact = logs.plant.contacts.get(supplier) if begins else None
    spare = least_to_spare(results, supplier, due) if begins else []
    late = "not known" if pd.isna(until) else day_words(until, as_of)
    return Card(
        head=f"{logged(supplier)}{truck}",
        figure=quantity(total, currency, _VALUE_DIGITS),
        facts=(
            *[("consider", words) for words in moved_words(results, rows)],
            ("latest", late),
            ("due", day_words(due, as_of)),
            *[("to spare", words) for words in spare],
            ("freight", quantity(total - float(value.sum(skipna=False)), currency, _VALUE_DIGITS)),
            *([("contact", logged(unbroken(contact)))] if contact else []),
        ),
        table=table,
        columns=f"packs <text>; material <text>; quantity: {unit or 'quantity'} .0; {'' if unit else 'unit <text>; '}"
        f"price: {'each' if unit in ('', 'each') else f'per {unit}'} .{_PRICE_DIGITS}; value: {currency} "
        f".{_VALUE_DIGITS}",
        details=spoken(why, as_of),
        blank="Order number",
    )


def moved_words(results: Results, rows: pd.DataFrame, name: Callable[[str], str] = logged) -> list[str]:
    """Say which lines of an order a contract advises to place with whom instead, `name` as in ``reason_words``."""
    if results.plan is None:
        return []
    moved = moved_orders(results.plan.contracts, results.logs.as_of)
    first = rows.iloc[0]
    moved = moved[(moved["supplier"] == first["supplier"]) & (moved["order_on"] == first["order_on"])]
    said = []
    advice: Any
    for advice in moved[moved["material"].isin(rows["material"])].itertuples():
        row = rows[rows["material"] == advice.material].iloc[0]
        packs = packs_words(results.logs, row["material"], row["packs"], row["quantity"])
        some = quantity(advice.moved, unit_of(results, advice.material), 0)
        much = packs if advice.moved >= advice.quantity else f"up to {some}"
        said.append(f"{name(advice.instead)} for {much} {name(advice.material)}, see contracts")
    return said
