"""What the buying outlook shows of its orders: why, what changed, how stock goes on, lateness, counts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from .. import figures
from ..exhibits import Block, exhibit, folded, logged, note, points, quantity, sheet
from ..orders import LeadTimes, count_differences, miscounts, plan_changes
from ..orders.plan import FRESH
from ..orders.rushing import EXPEDITE_DAYS
from ..prices import agreed_words
from .common import by_reason, counted, daily_use, day_cells, day_words, list_words, needs, not_set
from .demand import newsprint, unit_of
from .material_words import material_words
from .ring_first import looked_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["changes", "counts", "not_planned", "plan_words", "stock_ahead", "suppliers"]

#: Days back for which miscounts are told.
_RECENT = 365
#: How far the time line goes.
_SHOWN = pd.Timedelta(weeks=13)


def plan_words(results: Results) -> Block:
    """Say how the plan is made and what it costs."""
    policy = results.logs.plant.policy
    currency = results.logs.plant.currency
    if results.plan is None:
        return note("There is no forecast, so no order can be planned.")
    plan = results.plan
    held = plan.service.dropna(subset="weeks_short")
    allowed = 100 * (1 - policy.service_level)
    lines = [
        f"Orders are reviewed every {policy.review_day.title()}: what is ordered must last until the next order comes, "
        "however late its supplier may be; later orders follow what is known by then. Each material is meant to last "
        f"in {100 * policy.service_level:g} % of weeks (the service level: share of weeks without a stock-out), if "
        f"somebody looks {looked_words(results)} and what is seen coming is met by emergency orders (an express truck, "
        f"the stock of a merchant or another printer), which take {EXPEDITE_DAYS} days. At least "
        f"{policy.cover_days_minimum:g} days of stock are aimed at, and more than "
        f"{policy.cover_days_maximum:g} only where that is worth its money.",
        "Loads, price breaks, agreed changes of price, order minimums and storage are weighed together: the plan costs "
        f"at most {100 * plan.gap:.1f} % more than the cheapest there could be. Orders are valued "
        f"{agreed_words(results.logs, results['order_plan'])} on the day on which they are placed, for their quantity.",
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
    left_out = not_planned(results)
    if left_out:
        lines.append(f"**Not planned**: {left_out}.")
    if settings := not_set(results, "policy"):
        lines.append(f"**By default, not set by the plant**: {settings}.")
    return folded("How the plan is made, and what it costs", points(lines))


def _without_other_means(held: pd.DataFrame) -> str:
    """Say of the material that leans most on other means how often it would run out without them."""
    most = held.loc[held["weeks_saved"].idxmax()]
    if not most["weeks_saved"] > 0:
        return ""
    return (
        f"; without emergency orders {logged(most['material'])} would run out in "
        f"{100 * (most['weeks_short'] + most['weeks_saved']):.2f} %"
    )


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
            f"For the next six reviews the plan is that of {day_words(before.made_on, results.logs.as_of)}, order by "
            "order."
        )
    table["unit"] = [unit_of(results, name) or "each" for name in table["material"]]
    return sheet(
        table,
        name="plan-changes",
        caption=f"Changed since the plan of {day_words(before.made_on, results.logs.as_of)}: "
        f"{list_words(list(table['material']))}",
        columns=(
            "material; unit; then: next six reviews, said then .0; now: said now .0; "
            "moved: moved to other days .0; stock_news: on hand against expected .0; "
            "forecast_news: six weeks' need against said .0"
        ),
    )


def stock_ahead(results: Results) -> Block:
    """Return 13 weeks of each material as a time line: stock, orders to place, and what is due."""
    if results.plan is None or results.plan.stock_ahead.empty:
        return note("There is no plan, so nobody can say how stock goes on.")
    ahead = results.plan.stock_ahead
    ahead = ahead[ahead["day"] <= results.logs.as_of + _SHOWN]
    names = newsprint(results)
    names = [name for name in names if name in set(ahead["material"])]
    names += [name for name in ahead["material"].unique() if name not in names]
    units = {name: unit_of(results, name) or "each" for name in names}
    scale = pd.Series({name: 1000.0 if name in newsprint(results) else 1.0 for name in names})
    rows = pd.concat([ahead[ahead["material"] == name] for name in names])
    levels = ["q05", "q50", "q95"]
    drawn = rows.assign(**{name: rows[name] / rows["material"].map(scale) for name in levels})
    limits = _limits(results, names, scale)
    daily = daily_use(results)
    days = rows["q05"] / rows["material"].map(daily)
    lowest = rows.loc[days.idxmin()] if days.notna().any() else rows.loc[rows["q05"].idxmin()]
    words = material_words(results.logs)
    titles = {
        name: f"{words.get(name, name)} [{'t' if scale[name] == 1000 else units[name]}]" for name in names
    }
    # A day a week is enough to read; the figure itself has them all.
    weekly = rows[rows["day"].dt.day_name().str.lower() == results.logs.plant.policy.review_day]
    return exhibit(
        figures.stock_panels(drawn, limits, _marks(results, names), titles),
        name="stock-ahead",
        finding=_closest(results, lowest, days.min()),
        table=weekly.assign(unit=weekly["material"].map(units)),
        columns="material; unit; day <date>; q05: 1 in 20 below .0; q50: median .0; q95: 1 in 20 above .0",
        limit=200,
    )


def _closest(results: Results, lowest: pd.Series, days: float) -> str:
    """Say which material comes closest to its end in the weeks shown, and when."""
    given = (
        "With open orders and the plan"
        if results.logs.has("deliveries")
        else "With the plan, open orders unknown"
    )
    name = logged(material_words(results.logs).get(lowest["material"], lowest["material"]))
    day = day_words(lowest["day"], results.logs.as_of)
    if not lowest["q05"] > 0:
        often = "one case of 20" if lowest["q50"] > 0 else "half of all cases or more"
        return f"{given}, {name} runs out by {day} in {often}."
    left = quantity(lowest["q05"], unit_of(results, str(lowest["material"])), 0)
    use = f", {_days(days)} of mean use," if days > 0 else ""
    return f"{given}, {name} comes closest to running out: on {day} less than {left}{use} is left in one case of 20."


def _marks(results: Results, names: list[str]) -> pd.DataFrame:
    """Return what happens on which day: orders of the plan, what of it is due, open orders."""
    plan, opens = results["order_plan"], results.open_orders
    parts = [
        plan[["material", "order_on"]].rename(columns={"order_on": "day"}).assign(what="order to place"),
        plan[["material", "due_on"]].rename(columns={"due_on": "day"}).assign(what="delivery of the plan"),
        opens[["material", "promised_on"]]
        .rename(columns={"promised_on": "day"})
        .assign(what="open order promised"),
    ]
    marks = pd.concat([part for part in parts if len(part)] or parts[:1]).drop_duplicates()
    last = results.logs.as_of + _SHOWN
    return marks[marks["material"].isin(names) & marks["day"].between(results.logs.as_of, last)]


def _days(days: float) -> str:
    return "less than a day" if days < 1 else counted(float(f"{days:.0f}"), "day")


def _limits(results: Results, names: list[str], scale: pd.Series) -> pd.DataFrame:
    """Return the least stock wanted and the room of each material, in the figure's unit."""
    materials = results.logs["materials"].set_index("material")
    least = results.logs.plant.policy.cover_days_minimum * daily_use(results).reindex(names) / scale
    most = materials["storage_maximum"].reindex(names) / scale
    return pd.DataFrame({"material": names, "least": least.to_numpy(), "most": most.to_numpy()})


def suppliers(results: Results) -> Block:
    """Return how late each supplier's trucks have been."""
    if not results.logs.has("deliveries"):
        return needs("How late orders come", "deliveries")
    table = LeadTimes(results.logs).summary()
    if table.empty:
        return note("Nothing has been delivered yet, so nobody can say how late orders come.")
    table = table.sort_values("late_q95", ascending=False)
    worst = table.iloc[0]
    most = counted(float(f"{worst['late_q95']:.0f}"), "day")
    words = f"How late trucks come: {logged(worst['supplier'])} is {most} late or more one time in 20"
    rows = sheet(
        table,
        name="lateness",
        caption=f"{words}; few loads: pulled towards the average",
        columns=(
            "supplier; loads: loads received .0; late_mean: days late, mean, early as 0 .1; "
            "late_q50: half of them [days] .0; late_q95: one in twenty [days] .0"
        ),
    )
    return folded(words, rows)


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
        day=day_cells(last["counted_on"], results.logs.as_of),
        year=sums["sum"].reindex(last["material"]).to_numpy(),
        counts=sums["size"].reindex(last["material"]).to_numpy(dtype=float),
    )
    words = {
        "last count": "count again, the stock on hand stands on it",
        "taken back": "the next count took it back, so this one was wrong",
        "stays": "the next count confirms it: something came or went that is not in the logs",
    }
    said = "; ".join(
        f"{logged(row.material)} on {day_words(row.counted_on, results.logs.as_of)} by "
        f"{quantity(row.difference, unit_of(results, row.material), 0)} ({words[row.state]})"
        for row in recent.head(5).itertuples()
    )
    finding = f"Counts in doubt in the last year: {said}" if said else "No count of the last year is in doubt"
    return sheet(
        last,
        name="counts",
        caption=f"{finding}; counted less book, the last count of each material",
        columns=(
            "material; unit; day: counted on <text>; counted: counted .0; "
            "expected: by the book .0; difference .0; spread: usual difference, 1 sd .0; "
            "year: sum of a year .0; counts: counts compared .0"
        ),
    )
