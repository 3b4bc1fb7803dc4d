"""The orders to place next: a card for each supplier and truck, and whom to ring before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..exhibits import Block, Card, CardGroup, cards, logged, note, points, quantity
from ..orders import latest_order_days, moved_orders, truck_numbers
from .common import daily_use, day_words, list_words, spoken, unbroken
from .demand import unit_of
from .material_words import packs_words, short_words
from .order_reasons import CAN_WAIT, need_words, reason_words
from .ring_first import ring_first

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["first_orders", "moved_words", "order_now"]

#: Digits of a price that an order is placed at, and of its value: as on an invoice, so that cards add up.
_PRICE_DIGITS, _VALUE_DIGITS = 4, 2
#: Facts that are told once where they hold of all trucks of a supplier.
_FREIGHT = "with freight"
_SHARED = ("order by", _FREIGHT, "due")


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
    why, needs = reason_words(results), need_words(results)
    # What can wait least stands first, of suppliers, each rung once, and of trucks; whose day nobody knows, last.
    rows = rows.assign(until=rows["order"].map(latest))
    first = rows.groupby("supplier")["until"].transform("min")
    rows = rows.assign(first=first).sort_values(["first", "until"], kind="stable", na_position="last")
    groups = []
    for _, own in rows.groupby(["first", "supplier"], sort=False, dropna=False):
        mine = [_card(results, _truck_words(own, trucks), trucks, why, needs) for trucks in _alike(own)]
        groups.append(_group(results, own, mine))
    return cards(
        groups,
        name="order-now",
        beside=ring,
        beside_head="Ring first",
        unkept="A risk is until a week after the next order is due. Ordered later, a truck comes as many days later. "
        "Order numbers typed here are not saved: print the page, or use the sheet Order now.",
    )


def _group(results: Results, own: pd.DataFrame, mine: list[Card]) -> CardGroup:
    """Return the cards of a supplier under whom to ring, and what is the same of all trucks, told once."""
    supplier, trucks = str(own["supplier"].iloc[0]), int(own["order"].nunique())
    total = quantity(float(own["cost"].sum(skipna=False)), results.logs.plant.currency, _VALUE_DIGITS)
    shared = [
        fact
        for fact in mine[0].facts
        if len(mine) > 1 and fact[0] in _SHARED and all(fact in one.facts for one in mine)
    ]
    contact = results.logs.plant.contacts.get(supplier)
    return CardGroup(
        f"{logged(supplier)}{f': {logged(unbroken(contact))}' if contact else ''}",
        [*([(f"{trucks} trucks", total)] if trucks > 1 else []), *shared],
        [replace(one, facts=[fact for fact in one.facts if fact not in shared]) for one in mine],
    )


def _alike(rows: pd.DataFrame) -> list[pd.DataFrame]:
    """Return the rows of each card: a truck, or trucks that bring the same on the same day and may wait as long."""
    found: dict[tuple, list[pd.DataFrame]] = {}
    for _, mine in rows.groupby("order", sort=False):
        brought = mine.set_index("material")[["packs", "quantity", "unit_price"]].sort_index().to_csv()
        # Days that nobody knows are alike, too.
        found.setdefault((*mine[["due_on", "until"]].iloc[0].astype("str"), brought), []).append(mine)
    return [pd.concat(trucks) for trucks in found.values()]


def _truck_words(rows: pd.DataFrame, mine: pd.DataFrame) -> str:
    """Say which of its supplier's trucks a card is of."""
    of = int(rows["truck"].nunique())
    numbers = [f"{number}" for number in mine["truck"].unique()]
    if of == 1:
        return "one truck"
    return f"truck {numbers[0]} of {of}" if len(numbers) == 1 else f"trucks {list_words(numbers, of)} of {of}"


def _card(
    results: Results,
    truck: str,
    trucks: Any,
    why: dict[str, str],
    needs: dict[str, tuple[str, str]],
) -> Card:
    """Return the card of a truck, or of `trucks` that are alike."""
    orders = trucks.drop_duplicates("order")
    rows = trucks[trucks["order"] == orders["order"].iloc[0]]
    logs, currency, supplier = results.logs, results.logs.plant.currency, str(rows["supplier"].iloc[0])
    words, each = short_words(logs), len(orders) > 1
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
    as_of, (due, until) = logs.as_of, rows[["due_on", "until"]].iloc[0]
    need = [needs[str(order)] for order in orders["order"] if str(order) in needs]
    waits = [label == CAN_WAIT for label, _ in need]
    if each:
        need = [
            (f"truck {truck}", f"{label} {said}") if label == CAN_WAIT else (label, said)
            for truck, (label, said) in zip(orders["truck"], need, strict=False)
        ]
    late = "not known" if pd.isna(until) else day_words(until, as_of)
    said = [spoken(why.get(str(order), ""), as_of) for order in orders["order"]]
    if len(said) > 1:
        said = [f"Truck {one}: {words}" for one, words in zip(orders["truck"], said, strict=True)]
    return Card(
        of=logged(supplier),
        head=truck,
        figure=f"{f'{len(orders)} × ' if len(orders) > 1 else ''}{quantity(total, currency, _VALUE_DIGITS)}",
        facts=(
            *([] if waits and all(waits) else [("order by", late)]),
            *need,
            *[("consider", words) for words in moved_words(results, rows)],
            (
                _FREIGHT,
                f"{quantity(total - float(value.sum(skipna=False)), currency, _VALUE_DIGITS)} a truck",
            ),
            ("due", day_words(due, as_of)),
        ),
        table=table,
        columns=f"packs{': packs a truck' if each else ''} <text>; material <text>; "
        f"quantity: {unit or 'quantity'} .0; {'' if unit else 'unit <text>; '}"
        f"price: {'each' if unit in ('', 'each') else f'per {unit}'} .{_PRICE_DIGITS}; value: {currency} "
        f".{_VALUE_DIGITS}",
        details=" ".join(said),
        blanks=["Order number"]
        if len(orders) == 1
        else [f"Order number, truck {one}" for one in orders["truck"]],
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
