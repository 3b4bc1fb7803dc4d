"""What the buying outlook shows of those who deliver: contracts, suppliers side by side, claims, emergency supply."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import pandas as pd

from ..exhibits import Block, folded, logged, note, quantity, sheet, together
from ..orders import drawn_beyond, expected_rushes, rush_day
from ..orders.emergency import contact_key as emergency
from ..prices import is_agreed
from ..watch.supplier_exceptions import first_moved_words
from .common import counted, daily_use, day_cells, day_words, list_words, unbroken
from .demand import unit_of

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["claims", "contracts", "emergencies", "side_by_side"]

#: Chance of ending outside its tolerance from which a contract is told first.
_LIKELY = 0.1
#: Contracts told in a finding.
_TOLD = 3
#: Weeks of a year with emergency supply or a stock-out from which a material is told.
_SELDOM = 0.005


def contracts(results: Results) -> Block:
    """Return how likely each contract ends outside its tolerance, and what shift of call-offs mends it."""
    if results.plan is None:
        return note("How contracts end is unknown: there is no forecast.")
    table = results.plan.contracts
    if table.empty:
        return note("No contract runs: none with its first and last day is among the terms.")
    outside = 100 * (table["chance_below"] + table["chance_above"])
    terms = table["assumed"].map({True: "assumed to continue", False: "logged"})
    assumed = "; terms" if table["assumed"].any() else ""
    units = [unit_of(results, name) or "each" for name in table["material"]]
    table = table.assign(outside=outside, terms=terms, unit=units)
    table = table.assign(later=table["contract_from"] > results.logs.as_of)
    table = table.sort_values(["later", "outside"], ascending=[True, False], kind="stable")
    running = counted(int((~table["later"]).sum()), "running contract")
    likely = table[(table["outside"] > 100 * _LIKELY) & ~table["later"]]
    if likely.empty:
        finding = f"{running}, each likely to end within its tolerance."
    else:
        shifts = "; ".join(
            f"{logged(row['supplier'])}, {logged(row['material'])}: {row['outside']:.0f} %{_mended(results, row)}"
            for _, row in likely.head(_TOLD).iterrows()
        )
        whose = "its" if len(likely) == 1 else "their"
        finding = f"{len(likely)} of {running} may end outside {whose} tolerance. {shifts}."
    rows = sheet(
        table,
        name="contracts",
        caption=finding,
        columns=(
            "supplier; material; unit; contract_quantity: agreed .0; tolerance_pct: tolerance [%] .0; "
            "drawn: drawn or on order .0; q50: expected by its end .0; q05: 1 in 20 below .0; q95: 1 in 20 above .0; "
            f"outside: chance outside [%] .0; contract_from: begins <date>; contract_to: ends <date>{assumed}"
        ),
    )
    kept = "After the weeks of the plan each supplier is assumed to keep the share that it has in it."
    return together(rows, note(f"{kept}{_beyond(results)}{_next_contracts(table)}"))


def _beyond(results: Results) -> str:
    """Say whom the plan draws most beyond its contract while another is drawn less, why, and what that costs."""
    assert results.plan is not None
    found = drawn_beyond(results.plan.contracts, results["supplier_record"], results.logs.as_of)
    if found is None:
        return ""
    unit, currency = unit_of(results, found.material), results.logs.plant.currency
    words = (
        f" Of {logged(found.material)}, {logged(found.supplier)} is expected to end "
        f"{quantity(found.over, unit, 0)} above what is agreed, and {logged(found.other)} "
        f"{quantity(found.under, unit, 0)} below"
    )
    if found.paper_less > 0:
        words += (
            f": its price with waste and breaks is {quantity(found.paper_less, currency, 0)} a tonne lower"
        )
    if found.all_in_more > 0:
        words += (
            f". All in it is {quantity(found.all_in_more, currency, 0)} a tonne dearer, which on what is above comes "
            f"to {quantity(found.all_in_more * found.over / 1000, currency, 0)}"
        )
    return f"{words}."


def _next_contracts(table: pd.DataFrame) -> str:
    """Name the next contracts that the need may not fit, how likely, and which are assumed to continue."""
    later = table[table["later"]]
    likely = later.assign(chance=later["outside"])[later["outside"] > 100 * _LIKELY]
    below = likely["chance_below"] > likely["chance_above"]
    words = ""
    for rows, what in ((likely[below], "below"), (likely[~below], "above")):
        words += _named(
            rows, f" Next contracts that may end outside their tolerance, likelier {what} it: {{names}}."
        )
    return words + _named(
        later[later["assumed"]],
        " No terms from {first} on are logged of {names}: the present contracts and shares are assumed to continue.",
    )


def _named(rows: pd.DataFrame, words: str) -> str:
    """Fill in whose contracts rows are and when the first begins; nothing where there are none."""
    if rows.empty:
        return ""
    chance = [f" ({one:.0f} %)" for one in rows["chance"]] if "chance" in rows else [""] * len(rows)
    each = zip(rows["supplier"], rows["material"], chance, strict=True)
    names = "; ".join(f"{logged(supplier)}, {logged(material)}{often}" for supplier, material, often in each)
    first = rows["contract_from"].min()
    return words.format(first=f"{day_words(first)} {first.year}", names=names)


def _mended(results: Results, row: pd.Series) -> str:
    """Say what shift of call-offs mends a contract, what it leaves, and what mending is worth by its end."""
    if not row["shift"] and not row["left"]:
        return ""
    unit = unit_of(results, row["material"])
    less = row["shift"] + row["left"] < 0
    can = "take" if less else "spare"
    left = (
        f"{quantity(abs(row['left']), unit, 0)} too {'much' if less else 'little'} for a risk of one in ten"
    )
    words, moved = f", no other supplier can {can} any: {left}", ""
    if row["other"]:
        way = "to" if less else "from"
        words = f", move {quantity(abs(row['shift']), unit, 0)} {way} {logged(row['other'])}"
        words += f", all that it can {can}, which leaves {left}" if row["left"] else " to mend it"
        moved = "; " + first_moved_words(
            day_words(row["first_on"]) if pd.notna(row["first_on"]) else "",
            quantity(row["first_quantity"], unit, 0),
            logged(row["other"] if less else row["supplier"]),
            whole=row["first_quantity"] <= abs(row["shift"]),
        )
    worth = quantity(abs(row["worth"]), results.logs.plant.currency, 0)
    costs = "which costs {} more than it spares" if row["worth"] < 0 else "worth {}"
    return f"{words}, {costs.format(worth)} by its end{moved}"


def emergencies(results: Results) -> Block:
    """Say how often emergency supply is to be expected, of what, from when on it is there, and what it costs."""
    if results.plan is None or results.plan.service.empty:
        return note("How often emergency supply is to be expected is unknown: there is no order plan.")
    table = expected_rushes(results.logs, results.plan.service, daily_use(results))
    total = float(table["a_year"].sum())
    currency = results.logs.plant.currency
    finding = "This plan is expected to need no emergency supply"
    if total > 0:
        most = table.iloc[0]
        cost = float((table["a_year"] * table["cost"]).sum(min_count=1))
        finding = (
            f"At the rate of the plan's 13 weeks emergency supply is called in {total:.1f} times a year, most often of "
            f"{logged(most['material'])} ({most['a_year']:.1f}), and proves needed {table['needed'].sum():.1f} times"
        )
        if cost > 0:
            finding += f"; at a night's supply each time it costs {quantity(cost, currency, 0)} a year"
    there = rush_day(results.logs)
    placed = "" if pd.isna(there) else f". Ordered on the next working day it arrives on {day_words(there)}"
    # Less than once in 200 years is told of none.
    often = table[table["a_year"] + table["out"] >= _SELDOM]
    if often.empty:
        return note(f"{finding}.")
    often, whom = _from_whom(results, often)
    return sheet(
        often,
        name="emergencies",
        caption=f"{finding}{placed}.{whom}",
        columns=(
            "material; a_year: emergency supply [a year] .2; needed: proves needed [a year] .2; "
            "packs: packs for a night .0; night: quantity .0; unit; "
            f"cost: cost beyond its price [{currency}] .0; out: still runs out [a year] .2; "
            "source: whom to ring <text>"
        ),
    )


def _from_whom(results: Results, table: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Add whom to ring for each material's emergency supply; say of which kinds that is not set, and where it is."""
    kinds = results.logs.of_material(table["material"], "kind").fillna("other").astype("str")
    contacts = results.logs.plant.contacts
    table = table.assign(source=kinds.map(lambda kind: unbroken(contacts.get(emergency(kind), "not set"))))
    missing = list(dict.fromkeys(kinds[table["source"] == "not set"]))
    if not missing:
        return table, ""
    keys = ", ".join(f'"{emergency(kind)}"' for kind in missing)
    none = f"Nobody is named for emergency supply of {list_words(missing)}"
    return table, f" {none}: set {keys} in [contacts] of plant.toml"


def side_by_side(results: Results) -> Block:
    """Return suppliers side by side: punctuality, breaks, strip, weight, price with waste and breaks, and all in."""
    table = results["supplier_record"]
    if table.empty:
        return note("Suppliers are not known: no table materials or terms names one.")
    table = table.sort_values(["material", "true_cost_per_t", "supplier"], kind="stable")
    interval = [
        f"{low:.0f} to {high:.0f}" if high == high else ""
        for low, high in zip(table["true_ci_low"], table["true_ci_high"], strict=True)
    ]
    contacts = results.logs.plant.contacts
    table = table.assign(
        outside=100 * table["chance_outside_tolerance"],
        interval=interval,
        contact=[unbroken(contacts.get(name, "")) for name in table["supplier"]],
    )
    currency = results.logs.plant.currency
    known = table.dropna(subset="true_cost_per_t")
    several = known[known.duplicated("material", keep=False)]
    finding = _dearest(several, currency) if len(several) else "What each supplier delivers, and how"
    how = "loads .0; on_time_pct: on time [%] .0; days_late_mean: days late, mean, early as 0 .1; "
    contact = "; contact" if table["contact"].any() else ""
    # What is bought by the reel is compared; of the rest there is only how it comes.
    paper = table["true_cost_per_t"].notna() | table["reels"].notna()
    blocks = [
        sheet(
            table[paper],
            name="suppliers-side-by-side",
            caption=f"{finding}. Price: of one full load, before the break of a larger order, which order cards carry"
            f"{_not_agreed(results, table)}",
            columns=f"material; supplier; {how}price: price [{currency} / kg] .4; "
            "breaks_per_100: breaks per 100 reels .2; strip_pct: white waste [%] .2; "
            f"heavier_pct: heavier [%] .2; paper_cost_per_t: with waste and breaks [{currency} / t] .0; "
            f"true_cost_per_t: all in [{currency} / t] .0; interval: all in, 95 % interval; "
            f"outside: contract outside [%] .0{contact}",
            file="supplier_record",
        )
    ]
    if len(several):
        blocks.append(
            note(
                "With waste and breaks: the price plus what heavier paper, white waste and web breaks cost. All in: "
                "lateness too. Orders are planned by the first, within contracts and shares: lateness is not charged, "
                "stock is kept for it. So the plan may order from a mill that is dearer all in."
            )
        )
    if not paper.all():
        rest = table[~paper]
        rest = rest.assign(unit=[unit_of(results, name) or "each" for name in rest["material"]])
        words = f"{counted(len(rest), 'other material')}: how they come"
        columns = f"material; supplier; {how}price: price a unit [{currency}] .4; unit{contact}"
        rows = sheet(rest, name="other-suppliers", caption=words, columns=columns)
        blocks.append(folded(words, rows))
    return together(*blocks)


def _not_agreed(results: Results, table: pd.DataFrame) -> str:
    """Say where prices come from that nobody agreed."""
    pairs = table.dropna(subset="price")[["material", "supplier"]]
    if all(is_agreed(results.logs, *pair) for pair in pairs.itertuples(index=False)):
        return ""
    return "; a price that is not agreed is the one last invoiced, else listed"


def _dearest(several: pd.DataFrame, currency: str) -> str:
    """Say where suppliers differ most what the dearest costs more, and whose difference may be chance."""
    cost = several.groupby("material")["true_cost_per_t"]
    widest = (cost.max() - cost.min()).idxmax()
    of_paper = several[several["material"] == widest].sort_values("true_cost_per_t")
    low, high = of_paper.iloc[0], of_paper.iloc[-1]
    # The intervals of two that are told apart do not touch.
    alike = [
        (first["supplier"], second["supplier"])
        for (_, first), (_, second) in combinations(of_paper.iterrows(), 2)
        if not second["true_ci_low"] > first["true_ci_high"]
    ]
    ends = (low["supplier"], high["supplier"])
    others = "; ".join(f"{logged(one)} and {logged(other)}" for one, other in alike if (one, other) != ends)
    return (
        f"{logged(widest)}: a tonne from {logged(high['supplier'])} costs "
        f"{quantity(high['true_cost_per_t'] - low['true_cost_per_t'], currency, 0)} more all in than one from "
        f"{logged(low['supplier'])}{', which may be chance' if ends in alike else ''}"
        f"{f'. Between {others} the difference may be chance' if others else ''}"
    )


def claims(results: Results) -> Block:
    """Return what can be claimed from suppliers."""
    table = results["claims"].sort_values("cost", ascending=False, kind="stable")
    if table.empty:
        return note("Nothing is found that a supplier could be asked to pay for.")
    days = results.logs.plant.policy.claim_days
    until, as_of = table["seen_on"] + pd.Timedelta(days=days), results.logs.as_of
    running = until >= as_of
    table = table.assign(until=day_cells(until, as_of), seen=day_cells(table["seen_on"], as_of), last=until)
    blocks = []
    if running.any():
        rows = table[running].sort_values("last", kind="stable")
        words = f"{_worth(results, rows)}: send the evidence to the supplier by the day beside each"
        blocks.append(_claimed(results, rows, "claims", words))
    if not running.all():
        rows = table[~running]
        words = f"{_worth(results, rows)}, past their {days:g} days: ask all the same"
        blocks.append(folded(words, _claimed(results, rows, "claims-over", words)))
    return together(*blocks)


def _worth(results: Results, rows: pd.DataFrame) -> str:
    """Say how many claims there are, and what they are worth together."""
    cost = quantity(rows["cost"].sum(), results.logs.plant.currency, 0)
    return f"{counted(len(rows), 'claim')} worth {cost}"


def _claimed(results: Results, table: pd.DataFrame, name: str, caption: str) -> Block:
    """Return a table of claims."""
    return sheet(
        table,
        name=name,
        caption=caption,
        columns=(
            "supplier; delivery_id: delivery; reel_id: reel; why: what is wrong; kg .0; "
            f"cost: cost [{results.logs.plant.currency}] .0; seen <text>; until: claim by <text>"
        ),
        limit=30,
        file="claims",
    )
