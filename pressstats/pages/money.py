"""What pages show of money: why paper cost more or less, what waste and titles cost, how the month closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..accounts import ALL_MATERIALS, WASTE, close_totals, recharge_statement, waste_sales_findings
from ..exhibits import Block, declared, exhibit, logged, note, quantity, sheet
from ..prices import price_words
from .common import STREAM_WORDS, day_words, per_cent, streams_words, whole

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "bridge",
    "bridge_words",
    "month_end",
    "recharge",
    "titles",
    "waste_buyer",
    "waste_in_money",
    "waste_words",
    "year",
]

#: Money that rounds to nothing is not told [currency].
_SHOWN = 0.5
_BETWEEN = {"week": "the week before", "last_year": "the same week of last year"}


def bridge(results: Results, of: str = "newsprint", between: str = "week") -> Block:
    """Return why the last whole week cost more or less than another."""
    rows = _effects(results, of, between)
    if rows.empty:
        return note(f"Why {of} cost more or less is not known: two whole weeks with their prices are needed.")
    currency = results.logs.plant.currency
    first = rows.iloc[0]
    shown = rows[rows["size"] >= _SHOWN]
    if shown.empty:
        return note(f"{of.capitalize()} cost the same as in {_BETWEEN[between]}.")
    finding = (
        f"{of.capitalize()} of the week from {day_words(first['first_day'])} cost "
        f"{quantity(first['cost_now'], currency, 0)}, {_change(first, between, currency)}"
    )
    return exhibit(
        figures.waterfall(shown, name="effect", value="cost", unit=currency),
        name=f"bridge-{of}-{between.replace('_', '-')}",
        finding=finding,
        table=rows,
        columns=f"effect; quantity [{first['unit']}] .0; cost [{currency}] .0",
        file="bridge",
    )


def bridge_words(results: Results, of: str = "newsprint") -> str:
    """Say what the last whole week cost against the week before and last year; nothing where neither is known."""
    effects = {between: _effects(results, of, between) for between in _BETWEEN}
    largest = {between: rows.iloc[0] for between, rows in effects.items() if len(rows)}
    largest = {between: first for between, first in largest.items() if first["size"] >= _SHOWN}
    if not largest:
        return ""
    currency = results.logs.plant.currency
    words = "; ".join(_change(first, between, currency) for between, first in largest.items())
    cost = next(iter(largest.values()))["cost_now"]
    return f"{of.capitalize()} cost {quantity(cost, currency, 0)}: {words} (paper balance)."


def waste_words(results: Results) -> str:
    """Say which waste changed most in money against the week before and last year; nothing where neither is known."""
    table = results["waste_cost"]
    rows = table[(table["period"] == "week") & table["stream"].isin(list(WASTE))]
    # Rounded first, so that the numbers beside each other add up.
    costs = rows.groupby("stream")[["cost", "cost_before", "cost_last_year"]].agg(whole).round()
    parts = []
    for before, between in (("cost_before", "week"), ("cost_last_year", "last_year")):
        change = (costs["cost"] - costs[before]).dropna()
        if change.abs().max() > 0:
            name = str(change.abs().idxmax())
            amount = quantity(abs(float(change[name])), results.logs.plant.currency, 0)
            then, now = (quantity(float(costs[column][name]), "", 0) for column in (before, "cost"))
            parts.append(
                f"{STREAM_WORDS.get(f'{name}_kg', name)} cost {amount} {'more' if change[name] > 0 else 'less'} than "
                f"{_BETWEEN[between]} ({now}, was {then})"
            )
    return f"Largest changes of waste: {'; '.join(parts)}." if parts else ""


def _effects(results: Results, of: str, between: str) -> pd.DataFrame:
    """Return the effects of a bridge, the largest first."""
    table = results["bridge"]
    rows = table[(table["of"] == of) & (table["between"] == between)]
    return rows.assign(size=rows["cost"].abs()).sort_values("size", ascending=False, kind="stable")


def _change(first: pd.Series, between: str, currency: str) -> str:
    """Say how much more or less was spent, and by which effect, the largest, most of all."""
    change = first["cost_now"] - first["cost_before"]
    if abs(change) < _SHOWN:
        return f"as much as {_BETWEEN[between]}; the largest of the effects that cancel is {first['effect']}"
    return (
        f"{quantity(abs(change), currency, 0)} {'more' if change > 0 else 'less'} than {_BETWEEN[between]}, "
        f"mainly by {first['effect']}"
    )


def waste_in_money(results: Results) -> Block:
    """Return what the streams of waste cost in the last 13 whole weeks, and what they bring."""
    table = results["waste_cost"]
    rows = table[(table["period"] == "weeks_13") & table["stream"].isin(list(WASTE))]
    if not rows["cost"].notna().any():
        return note(
            "What waste cost is not known: thirteen whole weeks with reel records and prices are needed."
        )
    currency = results.logs.plant.currency
    sums = ["kg", "cost", "net_cost", "kg_before", "kg_last_year"]
    by = rows.groupby(["kind", "stream"])[sums].sum(min_count=1)
    by["income"] = rows.groupby(["kind", "stream"])["income"].sum(min_count=1)
    by = by.reset_index().sort_values("cost", ascending=False)
    by["stream"] = [STREAM_WORDS.get(f"{name}_kg", name) for name in by["stream"]]
    known = by["income"].notna().any()
    income = f", {quantity(by['income'].sum(), currency, 0)} of it sold as waste paper" if known else ""
    return sheet(
        by,
        name="waste-cost",
        caption=(
            f"Waste cost {quantity(by['cost'].sum(), currency, 0)} in the last 13 weeks{income}, "
            f"{price_words(results.logs)}; wasted copies count as they weigh, in the balance at nominal weight; heavy "
            "paper is not in it"
        ),
        columns=(
            f"kind; stream; kg: weight [kg] .0; cost [{currency}] .0; income: sold for [{currency}] .0; "
            f"net_cost: net cost [{currency}] .0; kg_before?: 13 weeks before [kg] .0; kg_last_year?: last year [kg] .0"
        ),
        file="waste_cost",
    )


#: What waste sold beside waste made looks like, and what to do about it.
_LOOKS = {
    "agrees": "as weighing and counting allow",
    "miscount": "as a miscount: compare weigh notes and copy counts of the months outside",
    "moisture": "as water would: have the moisture of a load measured",
    "loss": "as a loss: ask where waste leaves by another way",
    "uneven": "unevenly: look at the months outside",
    "unknown": "too few months are known",
}


def waste_buyer(results: Results) -> Block:
    """Return waste sold beside waste made, month by month, and what the difference looks like."""
    sales = results["waste_sales"]
    found = waste_sales_findings(sales)
    known = sales.dropna(subset="difference_kg")
    if known.empty:
        return note(
            "Waste sold is not held against waste made: waste_sold, [waste.KIND] in plant.toml and a month whose runs "
            "all have reel records are needed."
        )
    words = []
    shares = 100 * found["difference_kg"] / found["stream_kg"]
    for kind, share, finding in zip(found["kind"], shares, found["finding"], strict=True):
        how = f"{per_cent(abs(share), 1)} {'more' if share > 0 else 'less'}, " if np.isfinite(share) else ""
        words.append(f"{logged(kind)} {how}{_LOOKS[finding]}")
    return exhibit(
        figures.within_errors(
            known.assign(low=known["ci_low"], high=known["ci_high"]),
            x="month",
            by="kind",
            value="difference_kg",
            words=("sold dry less made", "95 % limits of weighing, counting and what waits in the bay"),
        ),
        name="waste-buyer",
        finding=f"Waste sold, less the water logged in it, against waste made, last twelve whole months: "
        f"{'; '.join(words)}. A single month outside "
        "points to a miscount, a steady excess in all paper to water, a steady lack to a loss.",
        table=sales.assign(holds=sales["holds"].map(streams_words)).sort_values(
            ["month", "kind"], ascending=[False, True]
        ),
        columns=declared("waste_sales", currency=results.logs.plant.currency),
        file="waste_sales",
    )


def month_end(results: Results) -> Block:
    """Return the close of the last month that is over, in money, by kind of material."""
    close = results["month_close"]
    whole = close[close["through"] == close["month"] + pd.offsets.MonthEnd(1)]
    if whole.empty:
        return note("No month is over and can be closed.")
    last = whole[whole["month"] == whole["month"].max()]
    totals = close_totals(last)
    currency = results.logs.plant.currency
    every = totals[totals["kind"] == "all"].iloc[0]
    bare = int(last["without_invoice"].ne("").sum())
    words = f"; {bare} materials have receipts without an invoice price" if bare else ""
    used = every["used_value"]
    spent = (
        f"used {quantity(used, currency, 0)}"
        if np.isfinite(used)
        else "the use of some material is not known"
    )
    names = ["opening", "received", "used", "difference", "closing"]
    columns = "; ".join(f"{name}_value: {name} [{currency}] .0" for name in names)
    return sheet(
        totals.sort_values("kind"),
        name="month-close",
        caption=f"Close of {last['month'].iloc[0]:%B %Y}, {last['valuation'].iloc[0]}: {spent}{words}",
        columns=(
            f"kind; {columns}; budget_cost: budget [{currency}] .0; price_variance: by price [{currency}] .0; "
            f"volume_variance: by volume [{currency}] .0; waste_variance: by waste [{currency}] .0"
        ),
        file="month_close",
    )


def titles(results: Results) -> Block:
    """Return what a thousand net good copies of each title cost in the last month that is over."""
    table = results["title_cost"]
    over = table[table["month"] + pd.offsets.MonthEnd(1) <= results.logs.as_of]
    over = over[over["cost_per_1000"].notna()]
    if over.empty:
        return note("What a title costs is not known: a whole month with prices is needed.")
    rows = over[over["month"] == over["month"].max()].sort_values("cost_per_1000", ascending=False)
    currency = results.logs.plant.currency
    top = rows.iloc[0]
    # Grams a copy, where the terms of every material that the title took carry a factor.
    rows = rows.assign(co2_g=1000 * rows["co2_kg"] / rows["copies_good"].where(rows["copies_good"] > 0))
    carbon = "; co2_g: carbon dioxide a copy [g] .0" if rows["co2_g"].notna().any() else ""
    return sheet(
        rows,
        name="title-cost",
        caption=(
            f"{rows['month'].iloc[0]:%B %Y}: a thousand net good copies of {logged(top['title'])} took "
            f"{quantity(top['cost_per_1000'], currency, 0)} of paper, ink and plates, the most of {len(rows)} titles"
        ),
        columns=(
            "title; customer; copies_good: net good copies .0; copies_over: over the order .0; "
            f"paper_cost: paper [{currency}] .0; ink_cost: ink [{currency}] .0; plate_cost: plates [{currency}] .0; "
            f"cost_per_1000: per 1,000 [{currency}] .2; ci_low: from [{currency}] .2; ci_high: to [{currency}] .2"
            f"{carbon}"
        ),
        file="title_cost",
    )


def recharge(results: Results) -> Block:
    """Return what to recharge to the customers of contracts for the last month that is over."""
    table = results["title_cost"]
    over = table[(table["month"] + pd.offsets.MonthEnd(1) <= results.logs.as_of) & (table["customer"] != "")]
    if over.empty:
        return note(
            "Nothing is to be recharged: no whole month has a title of a customer, as titles names them."
        )
    last = over[over["month"] == over["month"].max()]
    parts = [
        recharge_statement(last, name).assign(customer=name) for name in sorted(last["customer"].unique())
    ]
    rows = pd.concat(parts, ignore_index=True)
    currency = results.logs.plant.currency
    costs = "; ".join(
        f"{name}_cost: {words} [{currency}] .0"
        for name, words in (("paper", "paper"), ("ink", "ink"), ("plate", "plates"), ("over", "of it overs"))
    )
    return sheet(
        rows,
        name="recharge",
        caption=(
            f"To recharge for {last['month'].iloc[0]:%B %Y}: {quantity(rows['net_cost'].sum(), currency, 0)} of paper, "
            f"ink and plates less waste sold, to {len(parts)} customer{'s' if len(parts) > 1 else ''}; overs are "
            "copies over what was ordered, and are in paper and ink"
        ),
        columns=(
            f"customer; title; copies_good: net good copies .0; copies_over: over the order .0; {costs}; "
            f"waste_income: waste sold [{currency}] .0; net_cost: to recharge [{currency}] .0"
        ),
        file="title_cost",
    )


def year(results: Results) -> Block:
    """Return what the year took to date, and what the whole of it is expected to cost."""
    table = results["year_end"]
    # Where a part of the logs is not believed, nothing is told of all together.
    if not (table["material"] == ALL_MATERIALS).any():
        return note("What the year took is not known: materials with their use are needed.")
    currency = results.logs.plant.currency
    whole = table[table["material"] == ALL_MATERIALS].iloc[0]
    believed = np.isfinite(whole["expected_cost"])
    expected = (
        f"the whole year is expected to cost {quantity(whole['expected_cost'], currency, 0)} "
        f"(90 % interval {quantity(whole['cost_q05'], '', 0)} to {quantity(whole['cost_q95'], '', 0)})"
        if believed
        else "what the whole year will cost is not known: some material has no forecast"
    )
    return sheet(
        table,
        name="year-end",
        caption=f"{quantity(whole['spent'], currency, 0)} spent on what was used from "
        f"{day_words(whole['from'])} to {day_words(results.logs.as_of)} {results.logs.as_of.year}; "
        f"{expected}",
        columns=(
            f"material; unit; used .0; spent [{currency}] .0; "
            "expected: expected, whole year .0; q05: from .0; q95: to .0; "
            f"expected_cost: expected cost [{currency}] .0; cost_q05: from [{currency}] .0; "
            f"cost_q95: to [{currency}] .0; budget_cost: budget [{currency}] .0"
        ),
        file="year_end",
    )
