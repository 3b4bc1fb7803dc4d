"""The second side of the manager's page: waste in money, budget, stock, inks, what was resolved, what is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..accounts import WASTE
from ..exhibits import Block, declared, exhibit, logged, note, points, quantity, say, sheet
from ..logs.requirements import losses
from ..watch import KINDS, days_state, last_week, weeks_logged, worst
from .common import (
    STREAM_WORDS,
    by_default,
    counted,
    day_cell,
    day_words,
    last_weeks,
    list_words,
    not_set,
    per_cent,
    spoken,
    weeks_words,
    whole,
)
from .material_words import material_words
from .money import bridge_words, waste_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "budget",
    "ink_line",
    "latest_words",
    "not_said",
    "since",
    "stock",
    "waste",
    "waste_cost",
    "year_words",
]

#: Presses that have a column of their own, materials on the page, and lines of what is not known.
_PRESSES, _MATERIALS, _LINES = 4, 12, 6
#: Exceptions that tell of the stock of a material, and how many that have too much are named.
_OF_STOCK, _NAMED = ("days of stock low", "days of stock high", "count in doubt"), 3


def waste_cost(results: Results) -> Block:
    """Return waste of the week by cause and press, in kilograms and money, against earlier weeks and last year."""
    table = results["waste_cost"]
    rows = table[table["stream"].isin(list(WASTE))]
    week = rows[rows["period"] == "week"]
    names = ["kg", "cost", "cost_before", "cost_last_year"]
    by = week.groupby("stream")[names].agg(whole)
    if not by["cost"].notna().any():
        return note(f"What the waste of the week cost is not known. {_why(results, 'wasted paper cost')}")
    currency = results.logs.plant.currency
    quarter = rows[rows["period"] == "weeks_13"].groupby("stream")["cost"].agg(whole)
    by["weeks_13"] = quarter.reindex(by.index) / 13
    presses = sorted(week["press"].unique())
    shown = presses if len(presses) <= _PRESSES else []
    for number, press in enumerate(shown):
        by[f"press{number}"] = week[week["press"] == press].groupby("stream")["cost"].agg(whole)
    by = by.sort_values("cost", ascending=False)
    total = by.agg(whole)
    by.loc["all"] = total
    by = by.reset_index()
    by["cause"] = [STREAM_WORDS.get(f"{name}_kg", "all waste") for name in by["stream"]]
    columns = f"cause; kg: weight [kg] .0; cost: cost [{currency}] .0; "
    columns += "".join(
        f"press{number}: {_head(press)} [{currency}] .0; " for number, press in enumerate(shown)
    )
    columns += (
        f"cost_before: week before [{currency}] .0; cost_last_year?: last year [{currency}] .0; "
        f"weeks_13?: 13-week mean [{currency}] .0"
    )
    top = by.iloc[0]
    words = "What all waste of the week cost is not known: some runs lack reel records"
    if np.isfinite(total["cost"]):
        words = f"Waste of the week cost {quantity(total['cost'], currency, 0)}, before what it sells for"
    return sheet(
        by,
        name="waste-cost",
        caption=f"{words}; {top['cause']} is the largest cause, {quantity(top['cost'], currency, 0)}",
        columns=columns,
        file="waste_cost",
    )


def _head(press: str) -> str:
    """Return the name of a press as the head of a column, without what parts heads."""
    return "".join(mark for mark in str(press) if mark not in ":;[]<>.")[:20].strip() or "press"


def waste(results: Results) -> Block:
    """Return waste by week and press over a year, with the target and what changed for good."""
    weeks = last_weeks(results, 52, results["paper_balance"])
    if weeks["waste_pct"].isna().all():
        return note(
            f"Waste of mounted paper is unknown in the last {weeks_words(results, 52)}. {_why(results, 'waste')}"
        )
    target = results.logs.plant.targets.waste_pct
    against = by_default(results, "waste")
    by_press = weeks.groupby("press")["waste_pct"].mean()
    words = ", ".join(f"{logged(press)} {per_cent(share)}" for press, share in by_press.items())
    regimes = results["regimes"]
    changed = regimes[regimes["measure"].isin(["start-up waste", "grammage"]) & regimes["dated_low"].notna()]
    changed = changed[changed["from"] >= weeks["week"].min()].tail(2)
    named = changed["measure"] + " of " + changed["subject"]
    marks = list(zip(changed["from"], named, strict=True))
    against += "".join(
        f"; {logged(words)} changed on {day_words(day, results.logs.as_of)}" for day, words in marks
    )
    return exhibit(
        figures.lines_by(
            weeks,
            x="week",
            y="waste_pct",
            by="press",
            unit="waste [% of mounted paper]",
            target=target,
            marks=marks,
            height=290,
        ),
        name="waste",
        finding=f"Waste over {weeks_words(results, 52)}, mean of the weeks: {words}; target {target:g} %{against}.",
        table=weeks.sort_values(["week", "press"], ascending=[False, True]),
        columns=declared("paper_balance", "week", "press", "runs", "mounted_kg", "waste_pct"),
        limit=30,
        file="paper_balance",
    )


def budget(results: Results) -> Block:
    """Return the year to date against its budget, volume and price apart, and what the whole year may cost."""
    table = results["budget_year"]
    known = table[table["budget"].notna() | table["year_expected"].notna()]
    if known.empty:
        return note(
            "Against a budget nothing can be said: log budget, and a month of the year must be over."
            if not results.logs.has("budget")
            else "Against the budget nothing can be said yet: no month of the year is over, or its use is not known."
        )
    currency = results.logs.plant.currency
    every = _all_of(known)
    first = _unlogged_until(results)
    span = f"The year from {day_words(first)}, the first day logged" if first is not None else "The year"
    caption = (
        f"{span} against its budget" if known["budget"].notna().any() else f"{span}; no budget is logged"
    )
    if np.isfinite(every["spent"]) and np.isfinite(every["budget"]):
        over = every["spent"] - every["budget"]
        day = day_words(known["through"].iloc[0])
        caption = f"To {day} all materials cost {_more(over, currency)} than the budget"
    order = {"newsprint": 0, "ink": 1, "plate": 2, "other": 3, "all": 4}
    known = known.sort_values("kind", key=lambda kinds: kinds.map(order).fillna(3))
    return sheet(
        known,
        name="budget",
        caption=caption,
        columns=(
            f"kind; spent: to date [{currency}] .0; budget?: budget [{currency}] .0; "
            f"by_volume?: by volume [{currency}] .0; by_price?: by price [{currency}] .0; "
            f"by_rest?: by waste, rest [{currency}] .0; year_expected: year expected [{currency}] .0; "
            f"year_budget?: year's budget [{currency}] .0"
        ),
        file="budget_year",
    )


def year_words(results: Results) -> Block | None:
    """Say why the year to date is off its budget, and what the whole year may cost; nothing where neither is known."""
    every, currency = _all_of(results["budget_year"]), results.logs.plant.currency
    parts = []
    if np.isfinite(every["budget"]) and np.isfinite(every["spent"]):
        parts.append(
            f"Spent {quantity(every['spent'], currency, 0)}, budget {quantity(every['budget'], currency, 0)}: "
            f"{_signed(every['by_volume'])} by volume, {_signed(every['by_price'])} by price. "
            f"{_by_kind(results['budget_year'])}"
        )
    if np.isfinite(every["year_expected"]):
        low, high = (quantity(every[name], "", 0) for name in ("year_q05", "year_q95"))
        beyond = every["year_expected"] - every["year_budget"]
        against = f", {_more(beyond, currency)} than its budget" if np.isfinite(beyond) else ""
        first = _unlogged_until(results)
        span = "The whole year"
        if first is not None:
            span = f"The year from {day_words(first)}, the first day logged,"
        parts.append(
            f"{span} is expected to cost {quantity(every['year_expected'], currency, 0)}{against} "
            f"(90 % interval {low} to {high}, with prices as agreed)."
        )
    return say(" ".join(parts)) if parts else None


def _unlogged_until(results: Results) -> pd.Timestamp | None:
    """Return the first day logged, where the year had begun by then: of what ran before it nobody knows."""
    first = results["year_end"]["from"].min()
    return first if first > pd.Timestamp(results.logs.as_of.year, 1, 1) else None


def _all_of(table: pd.DataFrame) -> dict[str, float]:
    """Return the money of all kinds together, blank where that row is not there."""
    rows = table[table["kind"] == "all"]
    money = [str(name) for name in table if name not in ("kind", "through")]
    return {name: float(rows[name].iloc[0]) if len(rows) else np.nan for name in money}


def _by_kind(table: pd.DataFrame) -> str:
    """Say what waste and the rest cost against the budget, of each kind: less paper makes up for no plates."""
    rows = table[(table["kind"] != "all") & (table["by_rest"].abs() >= 0.5)]
    names = rows["kind"].replace({"plate": "plates"})
    words = [f"{logged(n)} cost {_more(rest, '')}" for n, rest in zip(names, rows["by_rest"], strict=True)]
    return f"By waste and the rest {', '.join(words)}." if words else ""


def _more(amount: float, currency: str) -> str:
    return f"{quantity(abs(amount), currency, 0)} {'more' if amount > 0 else 'less'}"


def _signed(amount: float) -> str:
    return ("+" if amount > 0 else "") + quantity(amount, "", 0) if np.isfinite(amount) else "not known"


def ink_line(results: Results) -> Block:
    """Say in a line how inks were used."""
    figure = results["week_figures"].set_index("figure").loc["ink use"]
    if not np.isfinite(figure["value"]):
        return note(f"Ink use is unknown. {_why(results, 'ink use')}")
    if figure["state"] == "in control":
        return note(
            f"All inks were used as expected in the last four weeks ({figure['value'] - 100:+.1f} %)."
        )
    return note(f"Ink use in the last four weeks: {_why(results, 'ink use')}")


def latest_words(results: Results) -> str:
    """Say how many runs of the last week ended late and which the latest; against deadlines where any is logged."""
    week, runs = last_week(results.logs), results["run_record"]
    runs = runs[runs["date"].between(week, week + pd.Timedelta(days=6))]
    if runs["minutes_after_deadline"].notna().any():
        known, by = runs.dropna(subset="minutes_after_deadline"), "minutes_after_deadline"
        late, than = known[known[by] > 0], "after their deadline"
    else:
        known, by = runs.dropna(subset=["minutes_late", "minutes_high"]), "minutes_late"
        late, than = known[known[by] > known["minutes_high"]], "later than nine of ten such runs do"
    if known.empty:
        return ""
    of = counted(len(known), "run")
    if late.empty:
        return f"Of {of} none ended {than}."
    last = late.sort_values(by, kind="stable").iloc[-1]
    usual = "" if by == "minutes_after_deadline" else " after its usual end; no deadlines are logged"
    return (
        f"{len(late)} of {of} ended {than}: the latest, {logged(last['title'])} on {logged(last['press'])} "
        f"({day_words(last['date'], results.logs.as_of)}), {quantity(last[by], 'min', 0)}{usual}."
    )


def stock(results: Results) -> Block:
    """Return how long the shortest materials last, when the next of each comes, and when to order it."""
    table = results["stock_cover"].dropna(subset="days_cover")
    if table.empty:
        return note("No material has both a count and a forecast, so no days of stock can be told.")
    policy = results.logs.plant.policy
    as_of = results.logs.as_of
    table = table.sort_values(["days_cover", "material"])
    open_orders = results.open_orders.sort_values("promised_on").drop_duplicates("material")
    due = open_orders.set_index("material")["promised_on"]
    order = results["order_plan"].groupby("material")["order_on"].min()
    nothing = "none" if results.logs.has("deliveries") else ""
    words = material_words(results.logs)
    raised = results["exceptions"]
    raised = raised[raised["kind"].isin(_OF_STOCK)]
    table = table.assign(
        words=[words.get(name, name) for name in table["material"]],
        state=_states(results, table, raised),
        out=[day_cell(day, as_of) for day in table["runs_out_q05"]],
        due=[day_cell(day, as_of) or nothing for day in due.reindex(table["material"])],
        order=[day_cell(day, as_of) or "none" for day in order.reindex(table["material"])],
    )
    # What is not in control first, so that it is never among what the page has no room for.
    table = table.assign(calm=table["state"].eq("in control")).sort_values(
        ["calm", "days_cover"], kind="stable"
    )
    short = int((table["days_cover"] < policy.cover_days_minimum).sum())
    first = table.sort_values("days_cover").iloc[0]
    below = (
        f"{short} of {len(table)} materials {'is' if short == 1 else 'are'}" if short else "No material is"
    )
    unknown = int(results.on_hand["quantity"].isna().sum())
    much = raised[raised["kind"] == "days of stock high"]
    over = "".join(
        f"; {logged(name)}: {logged(why.split('; ')[0])}"
        for name, why in zip(much["subject"].head(_NAMED), much["why"], strict=False)
    )
    more = f"; of {counted(unknown, 'material')} the stock is unknown" if unknown else ""
    return sheet(
        table,
        name="stock",
        caption=(
            f"{below} below {policy.cover_days_minimum:g} days of stock; the shortest is "
            f"{logged(first['material'])} with {first['days_cover']:.{int(first['days_cover'] < 10)}f} days, "
            f"open orders left out{over}{more}"
        ),
        columns=(
            "words: material; state <state>; days_cover: days of stock on hand [day] .0; "
            "out: may run out with open orders, 1 in 20 <text>; due: next due <text>; order: planned order <text>"
        ),
        limit=_MATERIALS,
        file="stock_cover",
    )


def _states(results: Results, table: pd.DataFrame, raised: pd.DataFrame) -> list[str]:
    """Return the state of each material's stock: the worst of its days, its risk, and what is raised of it."""
    policy = results.logs.plant.policy
    risk = results.risk.reindex(table["material"]).to_numpy(dtype=float)
    return [
        worst(
            [
                days_state(days, policy.cover_days_minimum, one, 1 - policy.service_level, 0),
                *raised.loc[raised["subject"] == name, "state"],
            ]
        )
        for name, days, one in zip(table["material"], table["days_cover"], risk, strict=True)
    ]


def since(results: Results) -> Block:
    """Say what newsprint and waste cost against earlier weeks, and what was resolved or is new since the last page."""
    before = results.raised_before
    lines = [words for words in (bridge_words(results), waste_words(results)) if words]
    if before is None:
        first = "First publication: which exceptions are new is not known."
        return points([*lines, first]) if lines else note(first)
    table = results["exception_changes"]
    when = day_words(before, results.logs.as_of)
    for change, words in (("resolved", "Resolved"), ("new", "New")):
        rows = table[table["change"] == change]
        kinds = rows["kind"].map({kind.name: kind.words for kind in KINDS.values()}).fillna(rows["kind"])
        names = [str(name) for name in kinds + ": " + rows["subject"]]
        lines.append(f"**{words} since {when}**: {list_words(names, 5) if names else 'nothing'}.")
    return points(lines)


def not_said(results: Results) -> Block:
    """Say what the logs could not say: figures that are not known, tables that lack, rows set aside."""
    table = results["week_figures"]
    unknown = table[table["state"] == "unknown"]
    lines = [
        f"**{str(figure).capitalize()}**: {logged(spoken(str(why), results.logs.as_of), 160)}."
        for figure, why in zip(unknown["figure"], unknown["why"], strict=True)
    ]
    lacking = losses(results.logs)
    lacking = lacking[lacking["missing"].str.startswith("table ")]
    names = list(dict.fromkeys(lacking["missing"].str.removeprefix("table ")))
    if names:
        lines.append(f"No table {', '.join(names)}: what needs it is left out (log check).")
    aside = len(results["rejected_rows"])
    if aside:
        rows = "1 row was" if aside == 1 else f"{aside} rows were"
        lines.append(f"{rows} set aside, each with its reason (log check).")
    if settings := not_set(results, "targets"):
        lines.insert(0, f"Targets by default, not set by the plant: {settings}.")
    weeks = weeks_logged(results.logs, 52)
    if weeks < 52:
        lines.append(f"Last year: the logs know {counted(weeks, 'week')}.")
    if not lines:
        return note("Nothing that this page needs is missing from the logs.")
    if len(lines) > _LINES:
        lines[_LINES:] = [f"{len(lines) - _LINES} more: see the log check."]
    return points(lines)


def _why(results: Results, figure: str) -> str:
    why = str(results["week_figures"].set_index("figure").loc[figure, "why"])
    return f"{logged(spoken(why, results.logs.as_of), 400)}." if why else ""
