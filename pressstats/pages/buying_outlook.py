"""What the buying outlook shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..demand import season_of
from ..exhibits import Block, declared, exhibit, logged, note, quantity, sheet
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from ..orders import nights_bought, nights_left, sparing_measures, total_spend, year_spend
from ..prices import agreed_price
from .buying_orders import not_planned
from .common import by_reason, counted, list_words, tonnes
from .demand import newsprint, printed_weight, unit_of

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "caution",
    "contract",
    "cover",
    "headline",
    "key_figures",
    "on_order",
    "plan",
    "season",
    "season_table",
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
        f"The next twelve months need {tonnes(paper, 0)} of newsprint.{printed_weight(results)}"
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
    first = plan["order_on"].min()
    due = plan[plan["order_on"] == first]
    kg = due.loc[due["material"].isin(newsprint(results)), "quantity"].sum()
    loads = due["order"].nunique()
    paper_words = f", {tonnes(kg, 0)} of it newsprint" if kg > 0 else ""
    noun = "order" if loads == 1 else "orders"
    return headline_block(
        f"On {first:%a %d %b} place {loads} {noun} for "
        f"{quantity(due['cost'].sum(), results.logs.plant.currency, 0)} with freight, at the prices "
        f"agreed{paper_words}.",
        year,
    )


def plan(results: Results) -> Block:
    """Return the orders of the next 13 weeks."""
    if results.plan is None:
        return note("What to call off is unknown: no order can be planned.")
    table = results["order_plan"].sort_values(["order_on", "order", "material"])
    currency = results.logs.plant.currency
    return sheet(
        table.assign(
            chance=100 * table["stockout_probability"],
            unit=[unit_of(results, name) or "each" for name in table["material"]],
        ),
        name="order-plan",
        caption=f"What to call off, {table['order'].nunique()} loads in 13 weeks, at the price agreed for the day of "
        "each order",
        columns=(
            "order; material; supplier; packs .0; quantity .0; unit; loads: share of truck .2; due_on: due <date>; "
            f"unit_price: price [{currency}] .3; cost: cost with freight [{currency}] .0; "
            "stock_before: stock before .0; stock_after: stock after .0; chance: stock-out risk before arrival [%] .1"
        ),
        limit=100,
        file="order_plan",
    )


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
        f"{most}{counted(first['nights_q50'], 'night')} can be printed, then {logged(first['material'])} ends"
        if np.isfinite(first["nights_q50"])
        else f"no material{' whose stock is known' if unknown else ''} ends within 120 days"
    )
    return sheet(
        table,
        name="halted",
        caption=f"If nothing is delivered any more: {until}"
        + (f"; how long {counted(unknown, 'other material')} may last is unknown" if unknown else ""),
        columns=(
            "material; nights_q50: nights it lasts .0; nights_q05: in one case of twenty only .0; "
            "ends_q50: issue that lacks it <date>; ends_q05: in one case of twenty <date>"
        ),
    )


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
    words = (
        f"; {best['bought']:.0f} more, the most, by the measure {logged(best['measure'])}"
        if best is not None
        else ""
    )
    # Fewer pages leave plates and ink as they are, or nearly.
    others = nights_left(results.logs, results.outlook, results.on_hand)
    others = others[~others["material"].isin(newsprint(results)) & others["nights_q50"].notna()]
    if len(others) and not others.iloc[0]["nights_q50"] > nothing["nights"]:
        first = others.iloc[0]
        words += (
            f". That is newsprint only: {logged(first['material'])} ends after {first['nights_q50']:.0f} nights "
            "whatever is cut"
        )
    return sheet(
        measures,
        name="sparing",
        caption=f"Without deliveries and measures the first newsprint, {logged(nothing['ends'])}, lasts "
        f"{nothing['nights']:.0f} nights{words}"
        if nothing["ends"]
        else "Without deliveries and measures no newsprint ends within 120 days",
        columns="measure; bought: nights bought .0; nights: nights in all .0; ends: then ends first",
        limit=20,
    )


def cover(results: Results) -> Block:
    """Return days of stock of each material between the minimum and the maximum of the policy."""
    table = results["stock_cover"].dropna(subset="days_cover").sort_values("days_cover")
    policy = results.logs.plant.policy
    if table.empty:
        return note("No material has both a count and a forecast, so no days of stock can be told.")
    low = table[table["days_cover"] < policy.cover_days_minimum]
    unknown = int(results.on_hand["quantity"].isna().sum())
    more = f" The stock of {unknown} is unknown." if unknown else ""
    shortest = table.iloc[0]
    days = f"{shortest['days_cover']:.{int(shortest['days_cover'] < 10)}f}"
    finding = (
        f"{len(low)} of {len(table)} materials are below {policy.cover_days_minimum:g} days; the shortest is "
        f"{logged(shortest['material'])} with {days} days, open orders left out.{more}"
    )
    # Years of a slow material would squeeze the bars that matter.
    drawn = table.assign(days=np.minimum(table["days_cover"], 4 * policy.cover_days_maximum))
    return exhibit(
        figures.bars_with_limits(
            drawn,
            name="material",
            value="days",
            unit=f"days of stock (bars end at {4 * policy.cover_days_maximum:g})",
            low=policy.cover_days_minimum,
            high=policy.cover_days_maximum,
        ),
        name="cover",
        finding=finding,
        table=table,
        columns=declared("stock_cover"),
        file="stock_cover",
    )


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


def on_order(results: Results) -> Block:
    """Return the open orders, the latest promised first."""
    if not results.logs.has("deliveries"):
        return note("What is on order is unknown: no table deliveries.")
    table = results.open_orders.sort_values("promised_on")
    late = int((table["promised_on"] < results.logs.as_of).sum())
    return sheet(
        table,
        name="on-order",
        caption=f"{len(table)} open order lines, {late} of them past their promised day",
        columns="delivery_id: delivery; material; supplier; quantity .0; promised_on: promised <date>",
    )


def season(results: Results, material: str | None = None) -> Block:
    """Return the next twelve months of one material; of all newsprint if none is named."""
    table = results["demand_season"]
    if table.empty or results.outlook is None:
        return note("There is no forecast of the season: the logs are too short, or hold no materials table.")
    names = [material] if material else newsprint(results)
    rows = table[table["material"].isin(names)]
    if rows.empty:
        return note("There is no forecast of newsprint: no use of it is known from the logs.")
    unit = unit_of(results, names[0]) if names else ""
    scale = 1000 if unit == "kg" else 1
    total = season_of(results.outlook, names, results.logs.as_of)
    known = ["last_year", "budget_quantity"]
    sums = rows.groupby("month")[known].sum(min_count=max(len(names), 1)).reset_index()
    total = total.merge(sums, on="month", how="left")
    total[["mean", "q05", "q95", *known]] /= scale
    words = "t" if scale == 1000 else unit or "each"
    if total["mean"].isna().all():
        return note("There is no forecast of the season: the logs are too short, or hold no materials table.")
    peak = total.loc[total["mean"].idxmax()]
    what = logged(material) if material else "All newsprint"
    return exhibit(
        figures.season_bars(
            total,
            unit=f"need [{words} a month]",
        ),
        name="season" if material is None else f"season-{list(table['material'].unique()).index(material)}",
        finding=f"{what}: {quantity(total['mean'].sum(), words, 0)} in twelve months, most in {peak['month']:%Y-%m} "
        f"({quantity(peak['mean'], words, 0)}).",
        table=total,
        columns=(
            f"month <month>; mean: expected [{words}] .0; q05: 1 in 20 below [{words}] .0; "
            f"q95: 1 in 20 above [{words}] .0; last_year: last year [{words}] .0; "
            f"budget_quantity: budget [{words}] .0"
        ),
        file="demand_season",
    )


def season_table(results: Results) -> Block:
    """Return the twelve-month requirement of each material."""
    table = results["demand_season"]
    total = table.groupby("material")[["mean", "budget_quantity", "budget_cost"]].sum(min_count=12)
    total["unit"] = [unit_of(results, name) or "each" for name in total.index]
    # Only months that are known of both years are compared: the running month is not over.
    both = table.dropna(subset=["mean", "last_year"]).groupby("material")
    total["last_year"], total["months"] = both["last_year"].sum(), both.size().astype(float)
    total["change"] = 100 * (both["mean"].sum() / total["last_year"] - 1)
    return sheet(
        total.reset_index(),
        name="season-by-material",
        caption="The next twelve months by material; last year's months are added up by day of publication",
        columns=(
            "material; unit; mean: expected .0; months: months known of last year .0; "
            "last_year: used in them .0; change: expected against that [%] .1; "
            f"budget_quantity: budget .0; budget_cost: budget [{results.logs.plant.currency}] .0"
        ),
        file="demand_season",
    )


def contract(results: Results) -> Block:
    """Return what 52 weeks need of each material, low, expected and high, and what that costs."""
    if results.outlook is None:
        return note("There is no forecast of the year: the logs are too short, or hold no materials table.")
    table = year_spend(results.logs, results.outlook, results["order_plan"])
    currency = results.logs.plant.currency
    table["unit"] = [unit_of(results, name) or "each" for name in table["material"]]
    total, of = total_spend(table)
    spend = f"{quantity(total, currency, 0)} at the prices that hold now{f' ({of})' if of else ''}"
    then = results.logs.as_of + pd.Timedelta(weeks=52)
    later = [
        row.material
        for row in table.dropna(subset="price").itertuples()
        if agreed_price(results.logs, row.material, then, row.order_size) != row.price
    ]
    if later:
        spend += f"; the price agreed for later of {list_words(later)} is not in it"
    return sheet(
        table,
        name="contract",
        caption=f"The next 52 weeks for contract talks: {spend}",
        columns=(
            "material; unit; low: 1 in 20 below .0; expected .0; high: 1 in 20 above .0; "
            f"order_size: ordered at a time .0; price: price of that now [{currency}] .4; "
            f"spend_low: spend, low [{currency}] .0; spend_expected: expected [{currency}] .0; "
            f"spend_high: high [{currency}] .0"
        ),
    )


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
