"""What the buying outlook shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..exhibits import Block, folded, logged, note, quantity, sheet, together
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from ..orders import nights_bought, nights_left, sparing_measures
from ..prices import agreed_words
from .buying_orders import counts, not_planned
from .common import by_default, by_reason, counted, day_cells, list_words, number_words, tonnes, unseen_season
from .demand import newsprint, printed_weight, unit_of
from .late_deliveries import come_until
from .material_words import material_words
from .order_cards import first_orders
from .order_reasons import waiting
from .reel_store import reel_ages

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "behind",
    "caution",
    "headline",
    "key_figures",
    "on_order",
    "plan",
    "sparing",
    "unknown_stock",
    "without_deliveries",
]


def headline(results: Results) -> Block:
    """Return what to order next and the newsprint of the year to come."""
    plan = results["order_plan"]
    season = results["demand_season"]
    paper = season.loc[season["material"].isin(newsprint(results)), "mean"].sum()
    year = (
        f"The next twelve months need {tonnes(paper, 0)} of newsprint.{printed_weight(results)}{unseen_season(results)}"
        if paper > 0
        else ""
    )
    left_out = not_planned(results)
    if plan.empty and (left_out or results.plan is None):
        return headline_block(
            f"No order can be planned: {left_out or 'the logs are too short for a forecast'}.", year
        )
    if plan.empty:
        return headline_block("Nothing has to be ordered in the next 13 weeks.", year)
    if not results.logs.has("deliveries"):
        year = f"What is on order already is unknown: ask the suppliers before you order. {year}".strip()
    if left_out:
        year = f"{year} Not planned: {left_out}.".strip()
    due = first_orders(plan)
    first = due["order_on"].iloc[0]
    kg = due.loc[due["material"].isin(newsprint(results)), "quantity"].sum()
    policy, currency = results.logs.plant.policy, results.logs.plant.currency
    by = by_default(results, "freight")
    freight = f" ({quantity(policy.freight_per_load, currency, 0)} a truck{by})" if by else ""
    paper_words = f", {tonnes(kg, 0)} of newsprint" if kg > 0 else ""
    # A truck is an order of its own; all of a supplier are placed in one call.
    number, suppliers = due["order"].nunique(), due["supplier"].nunique()
    orders = f"{number_words(number)} {'truck' if number == 1 else 'trucks'} to order"
    if due["supplier"].ne("").all():
        orders += f" from {number_words(suppliers)} {'supplier' if suppliers == 1 else 'suppliers'}"
    waits = due[due["order"].isin(list(waiting(results)))].drop_duplicates("order")
    named = [f"{row.supplier} {row.truck}".strip() for row in waits.itertuples()]
    can_wait = f" {list_words(named)} can wait." if 0 < len(named) < number else ""
    return headline_block(
        f"{first:%A} {first.day} {first:%b}: {orders}, "
        f"{quantity(due['cost'].sum(), results.logs.plant.currency, 0)}.",
        f"With freight{freight}, {agreed_words(results.logs, due)}{paper_words}.{can_wait} {year}".strip(),
    )


def plan(results: Results) -> Block:
    """Return the orders of the next 13 weeks, folded."""
    if results.plan is None:
        return note("What to call off is unknown: no order can be planned.")
    table = results["order_plan"].sort_values(["order_on", "order", "material"])
    currency = results.logs.plant.currency
    words = f"Order by order: {counted(table['order'].nunique(), 'load')} in 13 weeks"
    rows = sheet(
        table.assign(
            chance=100 * table["stockout_probability"],
            unit=[unit_of(results, name) or "each" for name in table["material"]],
            order_day=day_cells(table["order_on"], results.logs.as_of),
            due_day=day_cells(table["due_on"], results.logs.as_of),
        ),
        name="order-plan",
        caption=f"{words}, {agreed_words(results.logs, table)} on the day of each order; the risk covers all weeks "
        "until the next order of the material",
        columns=(
            "order_day: order on <text>; supplier; material; packs .0; quantity .0; unit; loads: share of truck .2; "
            f"due_day: due <text>; unit_price: price [{currency}] .4; cost: cost with freight [{currency}] .0; "
            "stock_before: stock before .0; chance: stock-out risk before arrival [%] .1"
        ),
        limit=100,
        file="order_plan",
    )
    return folded(words, rows)


def without_deliveries(results: Results) -> Block:
    """Return how many nights can be printed if nothing is delivered any more."""
    if results.outlook is None:
        return note("There is no forecast, so nobody can say how long stock lasts.")
    table = nights_left(results.logs, results.outlook, results.on_hand)
    if table.empty:
        return note("No stock is known, so nobody can say how long it lasts.")
    first = table.iloc[0]
    unknown = int(results.on_hand["quantity"].isna().sum())
    most = "at most " if unknown else ""
    until = (
        f"{most}{counted(round(first['nights_q50']), 'night')} can be printed, then {logged(first['material'])} runs "
        "out"
        if np.isfinite(first["nights_q50"])
        else f"no material{' whose stock is known' if unknown else ''} runs out within 120 days"
    )
    words = f"If nothing is delivered any more: {until}" + (
        f"; how long {counted(unknown, 'other material')} may last is unknown" if unknown else ""
    )
    rows = sheet(
        table.assign(
            ends=day_cells(table["ends_q50"], results.logs.as_of),
            ends_early=day_cells(table["ends_q05"], results.logs.as_of),
        ),
        name="halted",
        caption=words,
        columns=(
            "material; nights_q50: nights it lasts .0; nights_q05: in one case of 20 only .0; "
            "ends: issue that lacks it <text>; ends_early: in one case of 20 <text>"
        ),
    )
    return folded(words, rows)


def sparing(results: Results) -> Block:
    """Return what fewer pages or copies of which title buy, until the first newsprint ends."""
    if results.outlook is None:
        return note("There is no forecast, so measures cannot be compared.")
    paper = results.on_hand[results.on_hand["material"].isin(newsprint(results))]
    if paper["quantity"].notna().sum() == 0:
        return note("No stock of newsprint is known, so measures cannot be compared.")
    table = nights_bought(
        results.logs, results.outlook, paper, sparing_measures(results.outlook, results.logs)
    )
    nothing, measures = table.iloc[0], table.iloc[1:]
    best = measures.iloc[0] if len(measures) and measures.iloc[0]["bought"] > 0 else None
    words = f"; {logged(best['measure'])} gains most, {best['bought']:.0f} more" if best is not None else ""
    # Fewer pages leave plates and ink as they are, or nearly.
    others = nights_left(results.logs, results.outlook, results.on_hand)
    others = others[~others["material"].isin(newsprint(results)) & others["nights_q50"].notna()]
    if len(others) and not others.iloc[0]["nights_q50"] > nothing["nights"]:
        first = others.iloc[0]
        words += (
            f". That is newsprint only: {logged(first['material'])} runs out after "
            f"{counted(round(first['nights_q50']), 'night')} whatever is cut"
        )
    rows = sheet(
        measures,
        name="sparing",
        caption=f"With nothing delivered and nothing cut, {logged(nothing['ends'])} is the first newsprint to run out, "
        f"after {counted(round(nothing['nights']), 'night')}{words}"
        if nothing["ends"]
        else "With nothing delivered and nothing cut, no newsprint runs out within 120 days",
        columns="measure: what is cut; bought: nights gained .0; nights: nights in all .0; ends: then runs out first",
        limit=20,
    )
    return folded("How many nights fewer pages or copies gain", rows)


def unknown_stock(results: Results) -> Block:
    """Say of which materials the stock is not known, and why."""
    unknown = results.on_hand[results.on_hand["quantity"].isna()]
    if results.on_hand.empty:
        return note("Stock is unknown: no table materials lists what is kept.")
    if unknown.empty:
        return note(
            "Stock is the last count or dip plus deliveries less use since; it is known for every material."
        )
    reasons = by_reason(list(zip(unknown["material"], unknown["why"], strict=True)))
    return note(f"Stock is not known for {counted(len(unknown), 'material')}: {reasons}.")


def behind(results: Results) -> Block:
    """Return what the stock on hand stands on: counts, and the age of reels, folded."""
    blocks = (unknown_stock(results), counts(results), reel_ages(results))
    return folded("Counts against the book, and how old reels are", *blocks)


def on_order(results: Results) -> Block:
    """Return what is due this week or late, all open orders folded below it."""
    if not results.logs.has("deliveries"):
        return note("What is on order is unknown: no table deliveries.")
    table = results.open_orders.sort_values("promised_on")
    words = material_words(results.logs)
    table = table.assign(
        what=[words.get(name, name) for name in table["material"]],
        promised=day_cells(table["promised_on"], results.logs.as_of),
        unit=[unit_of(results, name) or "each" for name in table["material"]],
    )
    overdue = int((table["promised_on"] < results.logs.as_of).sum())
    soon = table[table["promised_on"] <= results.logs.as_of + pd.Timedelta(days=7)]
    lines = f"{len(table)} open order lines, {overdue} of them past their promised day"
    if soon.empty:
        due = note("Nothing is due in the coming week.")
    else:
        keys = ["promised_on", "promised", "supplier", "what", "unit"]
        sums = soon.groupby(keys, dropna=False, as_index=False).agg(
            quantity=("quantity", "sum"), lines=("delivery_id", "size")
        )
        trucks = pd.MultiIndex.from_frame(sums[["supplier", "promised_on"]].fillna({"supplier": ""}))
        sums["latest"] = come_until(results).reindex(trucks).fillna("not known").to_numpy()
        due = sheet(
            sums,
            name="due",
            caption=f"Due this week or late: {counted(len(soon), 'order line')}",
            columns=(
                "promised <text>; supplier; what: material; quantity .0; unit; lines: order lines .0; "
                "latest: may come until <text>"
            ),
        )
    columns = "promised <text>; supplier; what: material; quantity .0; unit; delivery_id: delivery"
    every = folded(lines, sheet(table, name="on-order", caption=lines, columns=columns, limit=100))
    return together(due, every)


def caution() -> Block:
    """Return the caution beside any advice on how much to hold."""
    return caution_block(
        "Stacked reels are fire load and weight: local fire code, the insurer and the floor's load limit decide how "
        "much may stand where. Ink and solvents are stored as their safety data sheets and local rules say; a tank is "
        "dipped before it is filled, and never filled above its safe level; the tanks of an ink are planned as one, "
        "and who dips them decides which takes how much."
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    cover_rows = results["stock_cover"]
    for row in cover_rows.dropna(subset="days_cover").itertuples():
        print(f"{logged(row.material)[1:-1]} {row.days_cover:.0f} days")
    for day in results["order_plan"]["order_on"].drop_duplicates().head(1):
        print(f"first order on {day:%Y-%m-%d}")
