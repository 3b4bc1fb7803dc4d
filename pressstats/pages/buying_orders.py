"""What the buying outlook shows of its orders: why, what changed, how stock goes on, lateness, counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from .. import figures
from ..exhibits import Block, exhibit, logged, note, points, quantity, sheet
from ..orders import SOON, LeadTimes, count_differences, miscounts, plan_changes
from ..orders.plan import FRESH
from ..orders.plan_tables import BEFORE_ANY_ORDER, NO_ROOM, NOT_QUITE, WORTH_A_RUSH
from ..orders.reasons import MUST_ORDER
from ..orders.rushing import EXPEDITE_DAYS
from .common import by_reason, counted, daily_use, list_words, needs
from .demand import newsprint, unit_of
from .order_reasons import reason_words

if TYPE_CHECKING:
    from ..plant import Policy
    from ..results import Results

__all__ = ["changes", "counts", "not_planned", "plan_words", "reasons", "stock_ahead", "suppliers"]

_CAUSES = {
    BEFORE_ANY_ORDER: "an order of the next review may come too late for it",
    NO_ROOM: "what is needed has no room, or is less than an order minimum",
    NOT_QUITE: "orders that can come keep it near the service level, and not quite at it",
    WORTH_A_RUSH: "nights that are lost would cost more than an emergency order",
}
#: Days back for which miscounts are told.
_RECENT = 365


def reasons(results: Results) -> Block:
    """Return why each of the next loads is ordered."""
    if results.plan is None or results.plan.reasons.empty:
        return note("No order is planned, so there is none to explain.")
    plan = results["order_plan"]
    first = plan["order_on"].min()
    soon = plan[plan["order_on"] <= first + pd.Timedelta(days=7)].sort_values(["order_on", "order"])
    why = reason_words(results)
    return points([f"**{logged(name)}**: {why[name]}" for name in soon["order"].unique()[:20]])


def plan_words(results: Results) -> Block:  # long: sentences, one after the other
    """Say how the plan is made, what it costs, and where it cannot hold the service level."""
    policy = results.logs.plant.policy
    currency = results.logs.plant.currency
    if results.plan is None:
        return note("There is no forecast, so no order can be planned.")
    plan = results.plan
    held = plan.service.dropna(subset="weeks_short")
    allowed = 100 * (1 - policy.service_level)
    lines = [
        f"Reviewed every {policy.review_day.title()}: what has been ordered must last until the next order has come, "
        "late as its supplier may be, and a later order follows what is known by then. Each material is meant to last "
        f"in {100 * policy.service_level:g} % of weeks (the service level: share of weeks without a stock-out), if "
        f"somebody looks {_looks(policy)} and what is seen coming is met by emergency orders (an express truck, the "
        f"stock of a merchant or another printer), which take {EXPEDITE_DAYS} days. At least "
        f"{policy.cover_days_minimum:g} days of stock are aimed at, and more than "
        f"{policy.cover_days_maximum:g} only where that is worth its money.",
        "Loads, price breaks, agreed changes of price, order minimums and storage are weighed by mixed-integer "
        f"programming (proven within {100 * plan.gap:.1f} % of the least cost). Orders are valued at the price "
        "agreed for the day on which they are placed, and for their quantity.",
        f"Freight {quantity(plan.freight, currency, 0)} and holding {quantity(plan.holding, currency, 0)} over the "
        "weeks of the plan."
        + (
            f" On {quantity(FRESH, 'scenarios', 0)} that the plan was not made from, the material worst off runs out "
            f"in {100 * held['weeks_short'].max():.2f} % of the weeks that its orders decide (limit {allowed:.1f} %)"
            f"{_without_other_means(held)}."
            if len(held)
            else ""
        ),
    ]
    for row in plan.service[plan.service["short_on"].notna()].itertuples():
        unit = unit_of(results, row.material)
        now = (
            f", and {quantity(row.at_once, unit, 0)} of that are worth an emergency order today"
            if row.at_once > 0
            else f"; not worth an emergency order today: it takes {EXPEDITE_DAYS} days, so look again "
            f"{_looks(policy)}"
        )
        help_ = (
            f"an emergency order of {quantity(row.expedite, unit, 0)} would hold the level{now}"
            if row.expedite > 0
            else _without_rush(results, row.material, row.cause)
        )
        lines.append(f"{_at_risk(row, allowed, results.logs.has('deliveries'))}; {help_}.")
    if plan.expediting > 0:
        named = plan.service.loc[plan.service["expedite"] > 0, "material"]
        trucks = (
            results.logs["materials"].set_index("material")["supplier"].reindex(named).nunique(dropna=False)
        )
        cost = plan.expediting + policy.freight_per_load * trucks
        lines.append(
            f"All that emergency supply costs about {quantity(cost, currency, 0)}, its freight counted, at the "
            f"policy's rate by weight and half the price of what is counted.{_spared(plan.service)}"
        )
    lost = results.open_orders[results.open_orders["delivery_id"].isin(LeadTimes(results.logs).forgotten)]
    if len(lost):
        orders = ", ".join(
            f"{logged(row.delivery_id)} ({quantity(row.quantity, unit_of(results, row.material), 0)} "
            f"{logged(row.material)}, promised for {row.promised_on:%Y-%m-%d})"
            for row in lost.head(8).itertuples()
        )
        more = f" and {len(lost) - 8} more" if len(lost) > 8 else ""
        lines.append(
            f"**Not counted on**: {orders}{more}. Nothing was ever so late, and what was ordered later has come: "
            "have it promised anew or cancelled."
        )
    left_out = not_planned(results)
    if left_out:
        lines.append(f"**Not planned**: {left_out}.")
    return points(lines)


def _at_risk(row: Any, allowed: float, known: bool) -> str:
    """Say how likely a material runs out, until when, and what that comes from."""
    name, soon = logged(row.material), row.cause in SOON
    if not soon:
        return (
            f"**{name}: the service level cannot be held.** In the week from {row.short_on:%Y-%m-%d} it runs out in "
            f"{100 * row.chance:.1f} % of scenarios (limit {allowed:.1f} %): {_CAUSES[row.cause]}"
        )
    risk = f"the stock-out risk before the next order can arrive is {100 * row.chance:.1f} %"
    if row.chance >= MUST_ORDER and known:
        return f"**{name}: must order, it is likely to run out before the next order can arrive.** {risk.capitalize()}"
    late = "open orders may be late" if row.on_order > 0 else "nothing of it is on order"
    if not known:
        late = "what is on order is unknown, no deliveries are logged"
    week = f"first in the week from {row.short_on:%Y-%m-%d}"
    return f"**{name}: {late}.** {risk.capitalize()}, {week}: {_CAUSES[row.cause]}"


def _spared(service: pd.DataFrame) -> str:
    """Say what may spare an emergency order, where something is on order."""
    if not (service.loc[service["expedite"] > 0, "on_order"] > 0).any():
        return ""
    return " An open order that its supplier brings forward may spare it."


def _looks(policy: Policy) -> str:
    """Say how often it is asked what must be rushed."""
    return "every working day" if policy.looked_at == "daily" else "on every review day"


def _without_other_means(held: pd.DataFrame) -> str:
    """Say of the material that leans most on other means how often it would run out without them."""
    most = held.loc[held["weeks_saved"].idxmax()]
    if not most["weeks_saved"] > 0:
        return ""
    return (
        f"; without emergency orders {logged(most['material'])} would run out in "
        f"{100 * (most['weeks_short'] + most['weeks_saved']):.2f} %"
    )


def _without_rush(results: Results, material: str, cause: str) -> str:
    """Say what holds the level of a material of which nothing is to be rushed."""
    service = (
        results.plan.service if results.plan is not None else pd.DataFrame({"material": [], "expedite": []})
    )
    rushed = set(service.loc[service["expedite"] > 0, "material"])
    listed = results.logs["materials"].set_index("material")
    other = listed["stands_in_for"].get(material) if "stands_in_for" in listed else None
    if other in rushed:
        return f"it stands in for {logged(other)}, and emergency supply of that holds it"
    if cause not in SOON:
        return "what is missing can still be ordered, or come as an emergency order, at a later review"
    return "no emergency order comes in time: change the run, or use a stand-in"


def not_planned(results: Results) -> str:
    """Name the materials that no order is planned for, and why."""
    if not results.logs.has("materials"):
        return "any material (no table materials, so neither stock nor suppliers are known)"
    planned = set() if results.plan is None else set(results.plan.service["material"])
    known = set() if results.outlook is None else set(results.outlook.names)
    left_out = [
        (row.material, row.why or "its use or how much that varies is not known")
        for row in results.on_hand.itertuples()
        if row.material not in planned and (pd.isna(row.quantity) or row.material in known)
    ]
    return by_reason(left_out)


def changes(results: Results) -> Block:
    """Return what the plan says otherwise than the one published before, and what was news since."""
    before = results.plan_before
    if before is None or results.outlook is None or results.plan is None:
        return note("First publication: no earlier plan to compare with.")
    said = {name: getattr(before, name) for name in ("order_plan", "stock_cover", "demand_forecast")}
    table = plan_changes(
        results.logs, results.outlook, results.on_hand, results["order_plan"], before.made_on, said
    )
    if table.empty:
        return note(
            f"For the next six reviews the plan is that of {before.made_on:%a %d %b}, order by order."
        )
    table["unit"] = [unit_of(results, name) or "each" for name in table["material"]]
    return sheet(
        table,
        name="plan-changes",
        caption=f"Changed since the plan of {before.made_on:%a %d %b}: {list_words(list(table['material']))}",
        columns=(
            "material; unit; then: next six reviews, said then .0; now: said now .0; "
            "moved: moved to other days .0; stock_news: on hand against expected .0; "
            "forecast_news: six weeks' need against said .0"
        ),
    )


def stock_ahead(results: Results) -> Block:
    """Return how stock of newsprint goes on with open orders and the plan."""
    if results.plan is None or results.plan.stock_ahead.empty:
        return note("There is no plan, so nobody can say how stock goes on.")
    ahead = results.plan.stock_ahead
    names = [name for name in newsprint(results) if name in set(ahead["material"])]
    if not names:
        names = list(ahead["material"].unique())
    units = {unit_of(results, name) or "each" for name in names}
    unit = units.pop() if len(units) == 1 else ""
    scale = 1000 if unit == "kg" else 1
    rows = pd.concat([ahead[ahead["material"] == name] for name in names])
    # A day a week is enough to read; the figure itself has them all.
    weekly = rows[rows["day"].dt.day_name().str.lower() == results.logs.plant.policy.review_day]
    levels = ["q05", "q50", "q95"]
    drawn = rows.assign(**{name: rows[name] / scale for name in levels})
    limits = _limits(results, names, scale)
    cover = drawn["q05"] / drawn["material"].map(limits.set_index("material")["daily"])
    lowest = drawn.loc[cover.idxmin()] if cover.notna().any() else drawn.loc[drawn["q05"].idxmin()]
    of_lowest = unit_of(results, str(lowest["material"]))
    given = (
        "With open orders and the plan"
        if results.logs.has("deliveries")
        else "With the plan, open orders unknown"
    )
    often = "one case of twenty" if lowest["q50"] > 0 else "half of all cases or more"
    return exhibit(
        figures.stock_panels(drawn, limits, unit="t" if scale == 1000 else unit or "unit of each"),
        name="stock-ahead",
        finding=f"{given}, {logged(lowest['material'])} runs out by {lowest['day']:%Y-%m-%d} in {often}."
        if not lowest["q05"] > 0
        else f"{given}, {logged(lowest['material'])} comes closest to its end: on "
        f"{lowest['day']:%Y-%m-%d} less than {quantity(lowest['q05'] * scale, of_lowest, 0)}"
        f"{f', {_days(cover.min())} of mean use,' if cover.notna().any() else ''} are left in one case of twenty.",
        table=weekly.assign(unit=[unit_of(results, name) or "each" for name in weekly["material"]]),
        columns="material; unit; day <date>; q05: 1 in 20 below .0; q50: median .0; q95: 1 in 20 above .0",
    )


def _days(days: float) -> str:
    return "less than a day" if days < 1 else counted(float(f"{days:.0f}"), "day")


def _limits(results: Results, names: list[str], scale: float) -> pd.DataFrame:
    """Return mean use of a day, least cover and room of each material, in the figure's unit."""
    materials = results.logs["materials"].set_index("material")
    daily = daily_use(results).reindex(names)
    return pd.DataFrame(
        {
            "material": names,
            "daily": daily.to_numpy() / scale,
            "least": results.logs.plant.policy.cover_days_minimum * daily.to_numpy() / scale,
            "most": materials["storage_maximum"].reindex(names).to_numpy() / scale,
        }
    )


def suppliers(results: Results) -> Block:
    """Return how late each supplier's trucks have been."""
    if not results.logs.has("deliveries"):
        return needs("How late orders come", "deliveries")
    table = LeadTimes(results.logs).summary()
    if table.empty:
        return note("Nothing has been delivered yet, so nobody can say how late orders come.")
    table = table.sort_values("late_q95", ascending=False)
    worst = table.iloc[0]
    return sheet(
        table,
        name="lateness",
        caption=f"How late trucks come: of {logged(worst['supplier'])} one in twenty is "
        f"{worst['late_q95']:.0f} days late or more; few loads: pulled towards the average",
        columns=(
            "supplier; loads: loads received .0; late_mean: late on average [days] .1; "
            "late_q50: half of them [days] .0; late_q95: one in twenty [days] .0"
        ),
    )


def counts(results: Results) -> Block:
    """Return how counts differ from the book, and which of them are in doubt."""
    if not results.logs.has("stock_counts"):
        return needs("How counts agree with the book", "stock_counts")
    table = count_differences(results.logs, results.run_balance)
    known = table.dropna(subset="difference")
    if known.empty:
        return note("No two counts of newsprint or plates can be compared with what was logged between them.")
    doubtful = miscounts(table)
    recent = doubtful[doubtful["counted_on"] > results.logs.as_of - pd.Timedelta(days=_RECENT)]
    last = known.sort_values("counted_on").groupby("material", sort=False).tail(1)
    past = known[known["counted_on"] > results.logs.as_of - pd.Timedelta(days=_RECENT)]
    sums = past.groupby("material")["difference"].agg(["sum", "size"])
    last = last.assign(
        unit=[unit_of(results, name) or "each" for name in last["material"]],
        year=sums["sum"].reindex(last["material"]).to_numpy(),
        counts=sums["size"].reindex(last["material"]).to_numpy(dtype=float),
    )
    words = {
        "last count": "count again, the stock on hand stands on it",
        "taken back": "the next count took it back, so this one was wrong",
        "stays": "the next count confirms it: something came or went that is not in the logs",
    }
    said = "; ".join(
        f"{logged(row.material)} on {row.counted_on:%Y-%m-%d} by "
        f"{quantity(row.difference, unit_of(results, row.material), 0)} ({words[row.state]})"
        for row in recent.head(5).itertuples()
    )
    finding = f"Counts in doubt in the last year: {said}" if said else "No count of the last year is in doubt"
    return sheet(
        last,
        name="counts",
        caption=f"{finding}; counted less book, the last count of each material",
        columns=(
            "material; unit; counted_on: counted <date>; counted: counted .0; "
            "expected: by the book .0; difference .0; spread: usual difference, 1 sd .0; "
            "year: sum of a year .0; counts: counts compared .0"
        ),
    )
