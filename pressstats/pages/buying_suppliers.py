"""What the buying outlook shows of those who deliver: contracts, suppliers side by side, claims, emergency supply."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..exhibits import Block, logged, note, quantity, sheet
from .common import counted
from .demand import unit_of

if TYPE_CHECKING:
    import pandas as pd

    from ..results import Results

__all__ = ["claims", "contracts", "emergencies", "side_by_side"]

#: Chance of ending outside its tolerance from which a contract is told first.
_LIKELY = 0.1
_WEEKS_A_YEAR = 52


def contracts(results: Results) -> Block:
    """Return how likely each running contract ends outside its tolerance, and what shift of call-offs mends it."""
    if results.plan is None:
        return note("How contracts end is unknown: there is no forecast.")
    table = results.plan.contracts
    if table.empty:
        return note("No contract runs: none with its first and last day is among the terms.")
    outside = 100 * (table["chance_below"] + table["chance_above"])
    table = table.assign(outside=outside).sort_values("outside", ascending=False, kind="stable")
    likely = table[table["outside"] > 100 * _LIKELY]
    if likely.empty:
        finding = f"{counted(len(table), 'contract')}, each likely to end within its tolerance."
    else:
        first = likely.iloc[0]
        finding = (
            f"{len(likely)} of {counted(len(table), 'contract')} may end outside their tolerance; most likely "
            f"{logged(first['supplier'])}, {logged(first['material'])}: {first['outside']:.0f} %"
            f"{_mended(results, first)}."
        )
    currency = results.logs.plant.currency
    return sheet(
        table,
        name="contracts",
        caption=f"{finding} What is bought after the plan is taken to be shared as in it",
        columns=(
            "supplier; material; contract_quantity: agreed .0; tolerance_pct: tolerance [%] .0; "
            "drawn: drawn or on order .0; q50: by its end .0; outside: chance outside [%] .0; "
            f"shift: to move .0; other: from or to; shift_cost: costs [{currency}] .0; contract_to: ends <date>"
        ),
    )


def _mended(results: Results, row: pd.Series) -> str:
    """Say what shift of call-offs mends a contract."""
    if not row["shift"]:
        return ""
    amount = quantity(abs(row["shift"]), unit_of(results, row["material"]), 0)
    if not row["other"]:
        more = "more" if row["shift"] > 0 else "less"
        return f": {amount} {more} would have to be called off, and nobody else delivers it"
    way = "from" if row["shift"] > 0 else "to"
    cost = quantity(abs(row["shift_cost"]), results.logs.plant.currency, 0)
    words = f"for {cost}" if row["shift_cost"] > 0 else f"sparing {cost}"
    return f". Moving {amount} {way} {logged(row['other'])} by then mends it, {words}"


def emergencies(results: Results) -> Block:
    """Say how often emergency supply is to be expected, and of what."""
    if results.plan is None or results.plan.service.empty:
        return note("How often emergency supply is to be expected is unknown: there is no order plan.")
    service = results.plan.service.dropna(subset=["weeks_saved", "weeks_short"])
    often = service.assign(
        a_year=_WEEKS_A_YEAR * service["weeks_saved"], out=_WEEKS_A_YEAR * service["weeks_short"]
    )
    total = float(often["a_year"].sum())
    most = often.sort_values("a_year").iloc[-1] if total > 0 else None
    finding = (
        "With this plan no emergency supply is to be expected"
        if most is None
        else f"With this plan emergency supply is to be expected {total:.1f} times a year, most often of "
        f"{logged(most['material'])} ({most['a_year']:.1f})"
    )
    return sheet(
        often.sort_values("a_year", ascending=False, kind="stable"),
        name="emergencies",
        caption=f"{finding}: weeks in which it spares a stock-out, and weeks in which something runs out all the same",
        columns="material; a_year: emergency supply [a year] .2; out: stock-outs [a year] .2; at_once: today .0",
    )


def side_by_side(results: Results) -> Block:
    """Return suppliers side by side: punctuality, breaks, strip, weight, price and true cost."""
    table = results["supplier_record"]
    if table.empty:
        return note("Suppliers are not known: no table materials or terms names one.")
    table = table.sort_values(["material", "true_cost_per_t", "supplier"], kind="stable")
    currency = results.logs.plant.currency
    known = table.dropna(subset="true_cost_per_t")
    several = known[known.duplicated("material", keep=False)]
    finding = "What each supplier delivers, and how"
    if len(several):
        widest = (
            several.groupby("material")["true_cost_per_t"].agg(lambda cost: cost.max() - cost.min()).idxmax()
        )
        mine = several[several["material"] == widest].sort_values("true_cost_per_t")
        low, high = mine.iloc[0], mine.iloc[-1]
        apart = high["true_ci_low"] > low["true_ci_high"]
        finding = (
            f"Of {logged(widest)} a tonne of {logged(high['supplier'])} costs "
            f"{quantity(high['true_cost_per_t'] - low['true_cost_per_t'], currency, 0)} more all in than one of "
            f"{logged(low['supplier'])}{'' if apart else ', though the logs cannot tell them apart yet'}"
        )
    return sheet(
        table,
        name="suppliers-side-by-side",
        caption=f"{finding}. True cost is price with heavier paper, strip, breaks and lateness",
        columns=(
            "material; supplier; loads .0; on_time_pct: on time [%] .0; days_late_mean: days late .1; "
            f"price: price [{currency}] .3; "
            "breaks_per_100: breaks per 100 reels .2; strip_pct: strip [%] .2; heavier_pct: heavier [%] .2; "
            f"true_cost_per_t: true cost [{currency} / t] .0; true_ci_low: low .0; true_ci_high: high .0"
        ),
        file="supplier_record",
    )


def claims(results: Results) -> Block:
    """Return what can be claimed from suppliers."""
    table = results["claims"].sort_values("cost", ascending=False, kind="stable")
    if table.empty:
        return note("Nothing is found that a supplier could be asked to pay for.")
    currency = results.logs.plant.currency
    return sheet(
        table,
        name="claims",
        caption=f"{counted(len(table), 'claim')} worth {quantity(table['cost'].sum(), currency, 0)}: show the evidence "
        "to the supplier before the period ends that the contract gives",
        columns=(
            "supplier; delivery_id: delivery; reel_id: reel; why: what is wrong; kg .0; "
            f"cost: cost [{currency}] .0; seen_on: seen <date>"
        ),
        limit=30,
        file="claims",
    )
