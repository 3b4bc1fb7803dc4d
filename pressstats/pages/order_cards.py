"""The orders to place next: a card for each supplier, its trucks side by side, and whom to ring before."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..exhibits import Block, Card, cards, logged, note, points, quantity
from ..orders import latest_order_days, moved_orders, truck_numbers
from .common import daily_use, day_words, spoken, unbroken
from .demand import unit_of
from .material_words import packs_words, short_words
from .order_reasons import reason_words, waiting
from .ring_first import ring_first

if TYPE_CHECKING:
    from ..logs import Logs
    from ..results import Results

__all__ = ["first_orders", "moved_words", "order_now"]

#: Digits of a price that an order is placed at, and of its value: as on an invoice, so that cards add up.
_PRICE_DIGITS, _VALUE_DIGITS = 4, 2
#: Trucks side by side on a card: more do not fit on a phone.
_TRUCKS = 3


def first_orders(plan: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of ``order_plan`` that are ordered first, suppliers with the largest sum first."""
    rows = plan[plan["order_on"] == plan["order_on"].min()]
    sums = rows.groupby("supplier")["cost"].transform("sum")
    return rows.assign(sums=sums, truck=truck_numbers(rows["order"])).sort_values(
        ["sums", "supplier", "truck", "cost"], ascending=[False, True, True, False], kind="stable"
    )


def order_now(results: Results) -> Block:
    """Return the orders of the next review, a card a supplier, beside whom to ring first."""
    if results.plan is None:
        return note("What to order is unknown: no order can be planned.")
    ring = points(ring_first(results))
    rows = first_orders(results["order_plan"])
    if rows.empty:
        return cards([], name="order-now", beside=ring, beside_head="Ring first")
    rows = rows.assign(
        until=rows["order"].map(latest_order_days(results.logs, results.plan, daily_use(results)))
    )
    # Who can wait least is rung first; whose day nobody knows, last.
    rows = rows.assign(first=rows.groupby("supplier")["until"].transform("min"))
    rows = rows.sort_values("first", kind="stable", na_position="last")
    why, waits = reason_words(results), waiting(results)
    items = []
    for _, own in rows.groupby(["first", "supplier"], sort=False, dropna=False):
        trucks = own["order"].unique()
        for begin in range(0, len(trucks), _TRUCKS):
            on_card = own[own["order"].isin(trucks[begin : begin + _TRUCKS])]
            items.append(_card(results, on_card, len(trucks), why, waits))
    return cards(
        items,
        name="order-now",
        beside=ring,
        beside_head="Ring first",
        unkept="Ordered later, a truck comes as many days later. Order numbers typed here are not saved: print the "
        "page, or use the sheet Order now of buying_outlook.xlsx.",
    )


def _card(results: Results, rows: Any, of: int, why: dict[str, str], waits: dict[str, str]) -> Card:
    """Return the card of some trucks of a supplier, of as many as it sends in all."""
    logs, supplier = results.logs, str(rows["supplier"].iloc[0])
    trucks = rows.drop_duplicates("order").set_index("order")
    contact = logs.plant.contacts.get(supplier)
    due = _days(logs, trucks["due_on"])
    consider = [words for _, on_truck in rows.groupby("order") for words in moved_words(results, on_truck)]
    facts = [
        *([("ring", logged(unbroken(contact)))] if contact else []),
        *([("due", due[0])] if len(set(due)) == 1 else []),
        *[("consider", words) for words in dict.fromkeys(consider)],
    ]
    units = [unit_of(results, name) or "each" for name in rows["material"]]
    unit = units[0] if len(set(units)) == 1 else ""
    by_truck = rows.groupby("order", sort=False)
    value = (rows["unit_price"] * rows["quantity"]).groupby(rows["order"]).sum(min_count=1)
    cost, currency = by_truck["cost"].sum(min_count=1), logs.plant.currency
    latest = [
        f"{day:%a}, latest {until}"
        for day, until in zip(trucks["order_on"], _days(logs, trucks["until"]), strict=True)
    ]
    order = [waits.get(str(name), words) for name, words in zip(trucks.index, latest, strict=True)]
    foot = [
        *([[unit, "", *_numbers(by_truck["quantity"].sum(), 0)]] if unit else []),
        ["freight", "", *_numbers((cost - value).reindex(cost.index), _VALUE_DIGITS)],
        [f"{currency} in all", "", *_numbers(cost, _VALUE_DIGITS)],
        *([["due", "", *due]] if len(set(due)) > 1 else []),
        ["order", "", *order],
    ]
    named = [f"truck {number}" for number in trucks["truck"]]
    said = [spoken(why.get(str(name), ""), logs.as_of) for name in trucks.index]
    return Card(
        head=f"{logged(supplier)}{_trucks_words(list(trucks['truck']), of)}",
        figure=quantity(float(cost.sum(skipna=False)), currency, _VALUE_DIGITS),
        facts=facts,
        columns=["material", f"per {unit}" if unit not in ("", "each") else "price", *named],
        rows=_lines(results, rows, units, trucks.index, each=not unit),
        foot=foot,
        details=" ".join(f"{name.capitalize()}: {words}" for name, words in zip(named, said, strict=True)),
        blanks=["order number", "", *[f"Order number, {logged(supplier)}, {name}" for name in named]],
    )


def _lines(results: Results, rows: Any, units: list[str], trucks: Any, *, each: bool) -> list[list[str]]:
    """Return a line for each material and price: what it is, its price, and its packs on each truck."""
    words = short_words(results.logs)
    rows = rows.assign(unit=units, brings=rows.groupby("material")["quantity"].transform("sum"))
    rows = rows.sort_values(["brings", "material"], ascending=[False, True], kind="stable")
    lines = []
    for (material, price, unit), of_line in rows.groupby(
        ["material", "unit_price", "unit"], sort=False, dropna=False
    ):
        brought: Any = of_line.set_index("order").reindex(trucks)
        price_words = quantity(price, "", _PRICE_DIGITS) + (f" per {unit}" if each and unit != "each" else "")
        packs = [packs_words(results.logs, material, row.packs, row.quantity) for row in brought.itertuples()]
        lines.append([logged(words.get(material, material)), price_words, *packs])
    return lines


def _numbers(values: pd.Series, digits: int) -> list[str]:
    return [quantity(float(value), "", digits) for value in values]


def _days(logs: Logs, days: pd.Series) -> list[str]:
    return ["not known" if pd.isna(day) else day_words(day, logs.as_of) for day in days]


def _trucks_words(numbers: list[int], of: int) -> str:
    """Say how many trucks a card is of, or which of them."""
    if len(numbers) == of:
        return f", {of} truck{'s' if of > 1 else ''}"
    which = f"truck {numbers[0]}" if len(numbers) == 1 else f"trucks {numbers[0]} to {numbers[-1]}"
    return f", {which} of {of}"


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
