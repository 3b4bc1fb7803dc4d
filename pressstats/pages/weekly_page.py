"""What the manager's weekly page shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, Shown, Tile, declared, exhibit, logged, note, quantity, sheet
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from ..exhibits import tiles as tiles_block
from ..orders import standby_hours, tonights_hours
from ..prices import newsprint_price, paid_cost
from ..reels import poisson_interval
from ..results import Results
from .buying_outlook import cover
from .common import last_days, last_weeks, per_cent, tonnes, totals
from .weekly_deeds import actions

__all__ = [
    "actions",
    "caution",
    "cover",
    "exceptions",
    "headline",
    "inks",
    "key_figures",
    "standby",
    "tiles",
    "waste",
]

_BREAK_WEEKS = 13


def _week(results: Results) -> pd.Timestamp:
    plant = results.logs.plant
    return plant.week_start(results.logs.as_of + pd.Timedelta(days=1)) - pd.Timedelta(days=7)


def _waste_state(waste: float, target: float) -> str:
    if not np.isfinite(waste):
        return "unknown"
    return "good" if waste <= target else "watch" if waste <= 1.25 * target else "act"


def headline(results: Results) -> Block:
    """Return whether the plant is in control, and what the week cost."""
    week = last_weeks(results, 1, results.runs)
    sums = totals(week)
    currency = results.logs.plant.currency
    target = results.logs.plant.targets.waste_pct
    found = results["exceptions"]
    days = f"{_week(results):%Y-%m-%d}"
    count = len(found)
    needs = {0: "nothing needs you", 1: "one matter needs you"}.get(count, f"{count} matters need somebody")
    if np.isnan(sums["waste_pct"]):
        state = f"Week of {days}: waste is not known, because reel records are missing"
    else:
        against = "within" if sums["waste_pct"] <= target else "above"
        state = f"Week of {days}: waste {per_cent(sums['waste_pct'])}, {against} the target of {target:g} %"
    copies = results.logs["runs"].set_index("run_id").loc[week["run_id"], "copies_good"].sum()
    cost = _waste_kg(sums) * newsprint_price(results.logs, week["run_id"])
    money = (
        f"Wasted paper cost {quantity(cost, currency, 0)} at the price of the last receipts. "
        if np.isfinite(cost)
        else ""
    )
    short = (
        ""
        if len(week) == sums["runs"]
        else f"{len(week) - int(sums['runs'])} runs lack complete reel records. "
    )
    return headline_block(
        f"{state}; {needs}.",
        f"{money}{len(week)} runs printed {quantity(copies, '', 0)} good copies. {short}",
    )


def _waste_kg(sums: pd.Series) -> float:
    return float(sums["waste_pct"] * sums["mounted_kg"] / 100)


def tiles(results: Results) -> Block:
    """Return the week's key figures against their targets."""
    return tiles_block(
        [
            _waste_tile(results),
            _paper_tile(results),
            _break_tile(results),
            _reel_end_tile(results),
            _ink_tile(results),
            _cover_tile(results),
        ]
    )


def _waste_tile(results: Results) -> Tile:
    target = results.logs.plant.targets.waste_pct
    waste = float(totals(last_weeks(results, 1, results.runs))["waste_pct"])
    usual = float(totals(last_weeks(results, 13, results.runs))["waste_pct"])
    detail = f"target {target:g} %, last 13 weeks {per_cent(usual)}"
    return Tile("Waste of mounted paper", waste, "%", detail, _waste_state(waste, target), 1)


def _paper_tile(results: Results) -> Tile:
    sums = totals(last_weeks(results, 1, results.runs))
    cost = (
        _paid(results, last_weeks(results, 1, results.runs)["run_id"]) if sums["mounted_kg"] > 0 else np.nan
    )
    detail = f"{quantity(cost, results.logs.plant.currency, 0)} was paid for it" if np.isfinite(cost) else ""
    return Tile("Paper mounted", float(sums["mounted_kg"]) / 1000, "t", detail, digits=1)


def _paid(results: Results, run_ids: pd.Series) -> float:
    """Return what was paid for the paper that some runs mounted [currency]."""
    logs = results.logs
    if not logs.has("reel_mounts"):
        return np.nan
    mounts = logs["reel_mounts"]
    used = pd.DataFrame(
        {
            "material": mounts["material"],
            "day": mounts["run_id"].map(logs["runs"].set_index("run_id")["date"]),
            "quantity": mounts["start_kg"] - mounts["returned_kg"],
        }
    )
    stock = results.stock.set_index("material")["quantity"]
    return float(paid_cost(logs, used, stock)[mounts["run_id"].isin(run_ids)].sum(skipna=False))


def _break_tile(results: Results) -> Tile:
    if not results.logs.has("reel_mounts"):
        return Tile("Web breaks", np.nan, detail="no reel records", state="unknown")
    runs = last_weeks(results, _BREAK_WEEKS, results.runs)
    mounts = results.logs["reel_mounts"]
    mounts = mounts[mounts["run_id"].isin(runs["run_id"])]
    reels = len(mounts[["supplier", "reel_id"]].drop_duplicates())
    events = int((mounts["ended_by"] == "web_break").sum())
    if reels == 0:
        return Tile("Web breaks", np.nan, detail="no reel records", state="unknown")
    low, high = (100 * float(limit[0]) / reels for limit in poisson_interval(np.array([events])))
    target = results.logs.plant.targets.breaks_per_100_reels
    state = "act" if low > target else "good" if high < target or events <= target * reels / 100 else "watch"
    detail = f"{low:.1f} to {high:.1f}; target {target:g}; {events} in {reels} reels, {_BREAK_WEEKS} weeks"
    return Tile("Web breaks", 100 * events / reels, "per 100 reels", detail, state, 1)


def _reel_end_tile(results: Results) -> Tile:
    sums = totals(last_weeks(results, _BREAK_WEEKS, results.runs))
    share = 100 * float(sums["reel_end_kg"] / sums["mounted_kg"])
    year = results["reel_ends"]["lost_cost_per_year"].sum()
    currency = results.logs.plant.currency
    worst = results["exceptions"]
    stands = worst.loc[worst["kind"] == "reel ends", "subject"]
    where = f"; far over target: {', '.join(logged(stand) for stand in stands[:3])}" if len(stands) else ""
    state = "watch" if len(stands) else "good" if np.isfinite(share) else "unknown"
    detail = f"of mounted paper, {_BREAK_WEEKS} weeks; {quantity(year, currency, 0)} a year{where}"
    return Tile("Reel ends", share, "%", detail, state, 2)


def _ink_tile(results: Results) -> Tile:
    recent = last_days(results, 28, results["ink_watch"], "read_at")
    recent = recent.dropna(subset=["used_kg", "z"])
    expected = recent["expected_kg"].sum()
    if not expected > 0:
        return Tile("Ink use", np.nan, detail="no dips or no coverage", state="unknown")
    off = sorted(recent.loc[recent["signal"] != "", "ink"].unique())
    words = (
        f"outside its limits: {', '.join(logged(ink) for ink in off)}"
        if off
        else "every ink within its limits"
    )
    state = "watch" if off else "good"
    return Tile(
        "Ink use", 100 * recent["used_kg"].sum() / expected, "% of expected", f"four weeks; {words}", state, 0
    )


def _cover_tile(results: Results) -> Tile:
    table = results["stock_cover"].dropna(subset="days_cover").sort_values("days_cover")
    if table.empty:
        return Tile("Shortest cover", np.nan, detail="no count or no forecast", state="unknown")
    row = table.iloc[0]
    least = results.logs.plant.policy.cover_days_minimum
    state = "good" if row["days_cover"] >= least else "act"
    out = ""
    if pd.notna(row["runs_out_q05"]):
        out = f"; with what is on order it may run out on {row['runs_out_q05']:%Y-%m-%d}"
    detail = f"{logged(row['material'])}; {least:g} days wanted{out}"
    # Of a few days tenths matter: 6.8 are not the 7 wanted.
    return Tile(
        "Shortest cover", float(row["days_cover"]), "days", detail, state, int(row["days_cover"] < 10)
    )


def exceptions(results: Results) -> Block:
    """Return what departs from its own past by more than chance, the dearest first."""
    table = results["exceptions"]
    if table.empty:
        return note(
            "No exception: every chart is within its limits, stock is covered and no test is overdue."
        )
    table = table.sort_values("cost", ascending=False, na_position="last")
    table = table.assign(
        what=[
            f"{size:.3g} {unit}" if np.isfinite(size) else ""
            for size, unit in zip(table["size"], table["unit"], strict=True)
        ]
    )
    return sheet(
        table,
        name="exceptions",
        caption=f"{len(table)} exceptions, the dearest first (cost to date, or a year's, as the reason says)",
        columns=[
            Shown("kind", "what"),
            Shown("subject", "where"),
            Shown("week", "since the week of", kind="date"),
            Shown("what", "how much", kind="text"),
            Shown("cost", "cost", results.logs.plant.currency, 0),
            Shown("why", "why"),
        ],
        limit=20,
        file="exceptions",
    )


def inks(results: Results) -> Block:
    """Return use against expectation of each ink, last week and over four weeks."""
    watch = results["ink_watch"]
    if watch.empty:
        return note("No ink is dipped, so its use is not known.")
    rows = []
    for ink, mine in watch.groupby("ink"):
        week = last_days(results, 7, mine, "read_at")
        month = last_days(results, 28, mine, "read_at")
        known = month[month["z"].notna()]
        flagged = month.loc[month["signal"] != "", "signal"]
        expected = known["expected_kg"].sum()
        rows.append(
            {
                "ink": ink,
                "week": week["used_kg"].sum(min_count=1),
                "expected": week["expected_kg"].sum(min_count=1),
                "month": 100 * known["used_kg"].sum() / expected if expected > 0 else np.nan,
                "state": "unknown" if not expected > 0 else "watch" if len(flagged) else "good",
                "signal": flagged.iloc[-1] if len(flagged) else "",
            }
        )
    table = pd.DataFrame(rows)
    off = table.loc[table["signal"] != "", "ink"].tolist()
    words = (
        f"outside its limits: {', '.join(logged(ink) for ink in off)}" if off else "none outside its limits"
    )
    return sheet(
        table,
        name="inks",
        caption=f"Ink used against what pages, starts and idle days explain: {words}",
        columns=[
            Shown("ink"),
            Shown("week", "used in seven days", "kg", 0),
            Shown("expected", "expected", "kg", 0),
            Shown("month", "four weeks, used of expected", "%", 0),
            Shown("state", kind="state"),
            Shown("signal", "last signal"),
        ],
        file="ink_watch",
    )


def waste(results: Results) -> Block:
    """Return waste by week and press over a year, with the target."""
    weeks = last_weeks(results, 52, results["paper_balance"])
    target = results.logs.plant.targets.waste_pct
    by_press = weeks.groupby("press")["waste_pct"].mean()
    words = ", ".join(f"{logged(press)} {per_cent(share)}" for press, share in by_press.items())
    return exhibit(
        figures.lines_by(
            weeks, x="week", y="waste_pct", by="press", unit="waste [% of mounted paper]", target=target
        ),
        name="waste",
        finding=f"Waste over 52 weeks, mean of the weeks: {words}; target {target:g} %.",
        table=weeks.sort_values(["week", "press"], ascending=[False, True]),
        columns=declared("paper_balance", "week", "press", "runs", "mounted_kg", "waste_pct"),
        limit=30,
        file="paper_balance",
    )


def standby(results: Results) -> Block:
    """Return the standby supplies: what each holds, and whether its test is overdue."""
    if not results.logs.has("standby"):
        return note("The logs list no standby supplies.")
    table = standby_hours(results.logs)
    table["state"] = np.where(
        table["tested_on"].isna(), "unknown", np.where(table["days_late"] > 0, "act", "good")
    )
    day, hours = tonights_hours(results.logs)
    # What a supply holds is a promise only as long as it is tested.
    late = (table["state"] != "good") & (table["lasts"] == "yes")
    table["lasts"] = table["lasts"].mask(late, "yes, if it works: no test in time")
    tonight = (
        f"; the work booked for {day:%Y-%m-%d} takes about {hours:.1f} h, and "
        f"{int((table['lasts'] == 'no').sum())} hold less than that"
        if np.isfinite(hours)
        else ""
    )
    return sheet(
        table,
        name="standby",
        caption=f"Standby supplies: {int((table['state'] == 'act').sum())} of {len(table)} tests overdue{tonight}. "
        "Isolation, generators and their tests belong to qualified people",
        columns=[
            Shown("supply"),
            Shown("kind"),
            Shown("holds_hours", "holds", "h", 1),
            Shown("lasts", "lasts the booked work"),
            Shown("tested_on", "last test", kind="date"),
            Shown("test_due_on", "next test due", kind="date"),
            Shown("state", kind="state"),
            Shown("contact"),
        ],
    )


def caution() -> Block:
    """Return the caution beside the actions."""
    return caution_block(
        "Work on presses, reelstands, tanks and electrical supplies is for trained and, for isolation and generators, "
        "qualified people, by the maker's manual and local rules. Reels weigh about a tonne; stacked paper is fire "
        "load: local fire code, insurer and floor load decide how much may be held. Ink and solvents are stored, and "
        "tanks filled, as safety data sheets and local rules say."
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    sums = totals(last_weeks(results, 1, results.runs))
    print(
        f"week of {_week(results):%Y-%m-%d}: mounted {tonnes(sums['mounted_kg'])}, waste {sums['waste_pct']:.1f} %"
    )
    print(f"{len(results['exceptions'])} exceptions")
