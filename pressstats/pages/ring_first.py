"""Whom to ring before ordering: what may run out before it arrives, what is late, what nobody counts on any more."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..exhibits import logged, quantity
from ..orders import SOON, LeadTimes, truck_numbers
from ..orders.emergency import contact_key
from ..orders.plan_tables import BEFORE_ANY_ORDER, NO_ROOM, NOT_QUITE, WORTH_A_RUSH
from ..orders.reasons import MUST_ORDER
from ..orders.rushing import EXPEDITE_DAYS
from ..watch.kinds import owner_of
from .common import counted, day_words, list_words, unbroken
from .demand import unit_of
from .late_deliveries import fewest_to_spare, spared_weeks
from .material_words import material_words, short_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["looked_words", "ring_first"]

_CAUSES = {
    BEFORE_ANY_ORDER: "an order of the next review may come too late for it",
    NO_ROOM: "what is needed has no room, or is less than an order minimum",
    NOT_QUITE: "orders that can come keep it near the service level, and not quite at it",
    WORTH_A_RUSH: "nights that are lost would cost more than an emergency order",
}
#: Lines of one kind that are told.
_TOLD = 8


def ring_first(results: Results) -> list[str]:
    """Return sentences on whom to ring, the most pressing first; if nobody, one that says what that is known from."""
    if results.plan is None:
        return ["Whether anything runs out is unknown: there is no order plan."]
    lines = [*_risks(results), *_overdue(results)]
    if not results.logs.has("deliveries"):
        ask = "Whether an open order is late is unknown: no deliveries are logged. Ask the suppliers before ordering."
        return [ask, *lines]
    unknown = int(results.on_hand["quantity"].isna().sum())
    stock = f"; the stock of {unknown} is unknown" if unknown else ""
    nothing = (
        f"Nobody today: nothing is late, and nothing is likely to run out before these orders arrive{stock}."
    )
    return [*(lines or [nothing]), *_claims(results), *_next_due(results), *_shortest(results)]


def _claims(results: Results) -> list[str]:
    """Say which suppliers must have their claims before the orders are placed."""
    exceptions, first = results["exceptions"], results["order_plan"]["order_on"].min()
    rows: Any = exceptions[(exceptions["kind"] == "claim") & (exceptions["by"] <= first)]
    currency = results.logs.plant.currency
    return [
        f"By {day_words(row.by, results.logs.as_of)}: send {logged(row.subject)} our claims"
        f"{f', {quantity(row.cost, currency, 0)}' if row.cost > 0 else ''}; the first lapse then."
        for row in rows.itertuples()
    ]


def _next_due(results: Results) -> list[str]:
    """Say what is due next, and until when it is needed."""
    as_of = results.logs.as_of
    table = results["late_trucks"]
    table = table[(table["state"] == "on order") & (table["promised_on"] >= as_of)]
    if table.empty:
        return []
    first: Any = table[table["promised_on"] == table["promised_on"].min()]
    needed, spared = [], []
    for row in first.sort_values("latest_on", kind="stable").itertuples():
        trucks = counted(row.trucks, "truck") if row.trucks > 0 else "what is on order"
        what = f"{trucks} from {logged(row.supplier) if row.supplier else 'no named supplier'}"
        if pd.isna(row.latest_on) and row.runs_out == "" and np.isfinite(row.chance_promised):
            spared.append(what)
        else:
            until = f", needed by {day_words(row.latest_on, as_of)}" if pd.notna(row.latest_on) else ""
            needed.append(f"{what}{until}")
    lines = []
    if needed:
        lines.append(f"{'; '.join(needed)}: ring the next morning for what is missing")
    if spared:
        lines.append(f"{'; '.join(spared)} can be spared {spared_weeks()}")
    return [f"Due {day_words(first['promised_on'].iloc[0], as_of)}: {'. '.join(lines)}."]


def _shortest(results: Results) -> list[str]:
    """Say what has the fewest days to spare, where its supplier uses them up one time in 20 or oftener."""
    row = fewest_to_spare(results["late_trucks"])
    if row is None or not row["supplier"]:
        return []
    late = LeadTimes(results.logs).summary().set_index("supplier")["late_q95"].get(row["supplier"], np.inf)
    spare = max(row["days_late"], 0.0)
    if spare > late:
        return []
    often = f"; it is {counted(round(late), 'day')} late or more one time in 20" if np.isfinite(late) else ""
    trucks = ""
    if row["state"] == "to order":
        plan = results["order_plan"]
        together = plan["supplier"].eq(row["supplier"]) & plan["due_on"].eq(row["promised_on"])
        plan = plan[together & plan["material"].eq(row["runs_out"])]
        numbers = [f"{number}" for number in truck_numbers(plan["order"]).unique()]
        trucks = f", truck {list_words(numbers, len(numbers))}" if numbers else ", order"
    day = day_words(row["promised_on"], results.logs.as_of)
    return [
        f"Fewest days to spare: {logged(row['supplier'])}{trucks}, due {day}: {counted(spare, 'day')}, then "
        f"{logged(short_words(results.logs).get(row['runs_out'], row['runs_out']))} runs out first{often}."
    ]


def looked_words(results: Results) -> str:
    """Say how often it is asked what must be rushed."""
    return "every working day" if results.logs.plant.policy.looked_at == "daily" else "on every review day"


def _ring(results: Results, supplier: Any) -> str:
    """Return whom to ring of a supplier; where the logs hold no number, who is asked for it."""
    name = "" if pd.isna(supplier) else str(supplier)
    if name in results.logs.plant.contacts:
        return f"**Ring {logged(name)}, {logged(unbroken(results.logs.plant.contacts[name]))}**"
    who = owner_of(results.logs.plant, "delivery late")
    return f"**Ring {logged(name) if name else 'the supplier'}** (no number in the logs; ask {logged(who)})"


def _risks(results: Results) -> list[str]:
    """Return a line for each material that may run out more often than the service level allows."""
    plan, logs = results.plan, results.logs
    assert plan is not None
    words = material_words(logs)
    allowed = 100 * (1 - logs.plant.policy.service_level)
    rows: Any = plan.service[plan.service["short_on"].notna()]
    lines = []
    for row in rows.sort_values(["at_once", "chance"], ascending=False, kind="stable").itertuples():
        name = logged(words.get(row.material, row.material))
        due = results.open_orders[results.open_orders["material"] == row.material].sort_values("promised_on")
        risk = f"{_at_risk(row, allowed, logs.has('deliveries'), logs.as_of)}. {_help(results, row)}."
        if len(due):
            first = due.iloc[0]
            amount = quantity(first["quantity"], unit_of(results, row.material), 0)
            asked = (
                f"do the {amount} of {name} ({logged(first['delivery_id'])}) come on "
                f"{day_words(first['promised_on'], logs.as_of)} or earlier?"
            )
            lines.append(f"{_ring(results, first['supplier'])}: {asked} {risk}")
        elif row.at_once > 0:
            listed = logs["materials"].set_index("material")["supplier"].get(row.material)
            lines.append(f"{_ring(results, listed)} about {name}. {risk}")
        else:
            lines.append(f"**{name}**. {risk}")
    return lines


def _help(results: Results, row: Any) -> str:
    """Say what holds the level of a material."""
    unit = unit_of(results, row.material)
    if not row.expedite > 0:
        return _without_rush(results, row.material, row.cause)
    if row.at_once > 0:
        now = f"{quantity(row.at_once, unit, 0)} of that are worth an emergency order today{_from(results, row)}"
    else:
        now = f"it is not worth one today: that takes {EXPEDITE_DAYS} days, so look again {looked_words(results)}"
    return f"An emergency order of {quantity(row.expedite, unit, 0)} would hold the level; {now}"


def _from(results: Results, row: Any) -> str:
    """Say of whom an emergency order is asked, if that is set."""
    kind = results.logs["materials"].set_index("material")["kind"].get(row.material, "other")
    contact = results.logs.plant.contacts.get(contact_key(str(kind)))
    return f": ring {logged(unbroken(contact))}" if contact else ""


def _at_risk(row: Any, allowed: float, known: bool, as_of: pd.Timestamp) -> str:
    """Say how likely a material runs out, until when, and what that comes from."""
    # A risk that is above its limit is told with the digits that show it.
    digits = 1 if f"{100 * row.chance:.1f}" != f"{allowed:.1f}" else 2
    chance, week = f"{100 * row.chance:.{digits}f} %", day_words(row.short_on, as_of)
    if row.cause not in SOON:
        return (
            f"The service level cannot be held: in the week from {week} it runs out in {chance} of scenarios "
            f"(limit {allowed:.1f} %): {_CAUSES[row.cause]}"
        )
    risk = f"Stock-out risk before the next order can arrive: {chance}, limit {allowed:.1f} %"
    if not known:
        return f"{risk}; what is on order is unknown, no deliveries are logged"
    if row.chance >= MUST_ORDER:
        return f"Must order, it is likely to run out before the next order can arrive: {chance}"
    return f"{risk}, first in the week from {week}{'' if row.on_order > 0 else '; nothing of it is on order'}"


def _without_rush(results: Results, material: str, cause: str) -> str:
    """Say what holds the level of a material of which nothing is to be rushed."""
    service = (
        results.plan.service if results.plan is not None else pd.DataFrame({"material": [], "expedite": []})
    )
    rushed = set(service.loc[service["expedite"] > 0, "material"])
    listed = results.logs["materials"].set_index("material")
    other = listed["stands_in_for"].get(material) if "stands_in_for" in listed else None
    if other in rushed:
        return f"It stands in for {logged(other)}, and emergency supply of that holds it"
    if cause not in SOON:
        return "What is missing can still be ordered, or come as an emergency order, at a later review"
    return "No emergency order comes in time: change the run, or use a stand-in"


def _overdue(results: Results) -> list[str]:
    """Return a line for each supplier whose open orders are late, and one of orders that nobody counts on."""
    logs = results.logs
    late = results.open_orders[results.open_orders["promised_on"] < logs.as_of].sort_values("promised_on")
    lost = late["delivery_id"].isin(LeadTimes(logs).forgotten) if len(late) else late["promised_on"].isna()
    lines = [
        f"{_ring(results, supplier)} for a new day: {_listed(results, rows)}."
        for supplier, rows in late[~lost].groupby("supplier", dropna=False, sort=False)
    ]
    if lost.any():
        lines.append(
            f"**Not counted on**: {_listed(results, late[lost])}. Nothing ever came so late, and orders placed after "
            "it have arrived: have it promised anew or cancelled."
        )
    return lines


def _listed(results: Results, rows: Any) -> str:
    listed = ", ".join(
        f"{logged(row.delivery_id)} ({quantity(row.quantity, unit_of(results, row.material), 0)} "
        f"{logged(row.material)}, promised for {day_words(row.promised_on, results.logs.as_of)})"
        for row in rows.head(_TOLD).itertuples()
    )
    return f"{listed} and {len(rows) - _TOLD} more" if len(rows) > _TOLD else listed
