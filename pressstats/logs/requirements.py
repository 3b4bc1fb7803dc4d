"""The one table of what each analysis needs from the logs, and what it loses without."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from .result import Logs

__all__ = ["REQUIREMENTS", "WHOLE", "Need", "Requirement", "losses"]


@dataclass(frozen=True)
class Need:
    """One table that an analysis uses, and optional columns of it (required ones are there when the table is).

    `without` says what is lost without the table, or without these columns; empty where the whole analysis is.
    """

    table: str
    columns: tuple[str, ...] = ()
    without: str = ""


@dataclass(frozen=True)
class Requirement:
    """One analysis (published table or report), its question, the tables it uses, and what rows set aside cost it."""

    analysis: str
    answers: str
    needs: tuple[Need, ...] = ()
    set_aside: str = ""

    def needing(self, *needs: Need, set_aside: str) -> Requirement:
        """Return the requirement with what it needs."""
        return replace(self, needs=needs, set_aside=set_aside)


#: What is lost where nothing of an analysis is left.
WHOLE = "all of it"
_RUNS, _WEBS, _MOUNTS, _LISTED = map(Need, ("runs", "run_webs", "reel_mounts", "materials"))
_PAPER = Need("materials", ("width_mm", "grammage_gsm"))
_COUNTED, _PRINTED = (_RUNS, _WEBS, _LISTED), (_RUNS, _WEBS, _PAPER)
_WEIGHED = (_RUNS, _WEBS, _MOUNTS, _PAPER)

REQUIREMENTS: tuple[Requirement, ...] = (
    Requirement("paper_balance", "Where did every tonne of paper go?").needing(
        *_PRINTED,
        Need("reel_mounts", without="every stream weighed on reels, waste and what is unexplained are blank"),
        Need("waste_sold", without="waste cannot be compared with the waste paper sold"),
        set_aside="weeks with such a run have blank reel streams; a run set aside is in no stream",
    ),
    Requirement("grammage", "What does the paper really weigh?").needing(
        *_WEIGHED,
        set_aside="runs with such a row do not enter the estimate",
    ),
    Requirement("ink_model", "What does ink use depend on?").needing(
        _RUNS,
        Need("coverage"),
        Need("tank_readings"),
        Need("deliveries", ("delivered_at", "tank"), without="intervals with a delivery cannot be told"),
        Need("materials", ("ink",), without="deliveries cannot be put to an ink"),
        set_aside="intervals between dips that hold such a run or dip are left out or longer",
    ),
    Requirement("ink_watch", "Did ink use change?").needing(
        _RUNS,
        Need("coverage"),
        Need("tank_readings"),
        Need("deliveries", without="intervals in which a level rose tell nothing"),
        set_aside="intervals between dips that hold such a run or dip are left out or longer",
    ),
    Requirement("reel_ends", "How much paper stays on the cores?").needing(
        _MOUNTS,
        _PAPER,
        Need("reel_mounts", ("butt_mm",), without="depths of paper on the core are not compared"),
        set_aside="such splices do not count",
    ),
    Requirement("splice_target", "How much paper to leave at a splice?").needing(
        _MOUNTS,
        _PAPER,
        set_aside="such splices do not count",
    ),
    Requirement("breaks", "Which paper, reelstand or press breaks more?").needing(
        _RUNS,
        _MOUNTS,
        _PAPER,
        Need("runs", ("web_breaks",), without="breaks cannot be compared with the press counter"),
        set_aside="reels and breaks of such rows do not count",
    ),
    Requirement("reel_chain", "What became of each reel?").needing(
        _MOUNTS,
        Need("reels", ("received_on", "received_kg"), without="only reels that were mounted are followed"),
        set_aside="such a reel is followed with a gap",
    ),
    Requirement("demand_forecast", "What will be needed?").needing(
        *_PRINTED,
        Need("reel_mounts", without="newsprint is forecast from copies and pages alone"),
        Need("coverage", without="inks are not forecast from coverage"),
        Need("tank_readings", without="inks are not forecast"),
        Need("plan", without="booked pages and events are not known"),
        Need("plan", ("made_on",), without="backtests leave the plan out"),
        set_aside="weeks with such rows are low or blank in the history",
    ),
    Requirement("demand_season", "What will the next twelve months need, against the budget?").needing(
        *_PRINTED,
        Need("budget", without="the budget columns are blank"),
        set_aside="months with such rows are low or blank in the history",
    ),
    Requirement("stock_cover", "How long does the stock last?").needing(
        _RUNS,
        _LISTED,
        Need("stock_counts", without="stock of paper and plates is not known"),
        Need("tank_readings", without="stock of ink is not known"),
        Need(
            "deliveries",
            without="open orders are not known, nor what is in stock after the day of the last count or dip",
        ),
        set_aside="the stock is that of the last good count or dip",
    ),
    Requirement("order_plan", "What must be ordered, and when?").needing(
        _RUNS,
        _LISTED,
        Need("stock_counts"),
        Need("deliveries", without="stock, open orders and lead times are not known"),
        Need("prices", without="prices of the list of materials are taken, without quantity breaks"),
        set_aside="an order whose row is set aside is not known to be on its way",
    ),
    Requirement("late_trucks", "How late may each truck come?").needing(
        _RUNS,
        _LISTED,
        Need("stock_counts"),
        Need("deliveries"),
        set_aside="as order_plan",
    ),
    Requirement(
        "bridge", "Why do paper, ink, plates and their cost differ from last week, last year, the budget?"
    ).needing(
        *_COUNTED,
        Need("reel_mounts", without="streams of waste weighed on reels are not told apart"),
        Need("coverage", without="ink is not explained"),
        Need("runs", ("plates",), without="plates are not explained"),
        Need("deliveries", without="there is no price paid"),
        Need("budget", without="nothing is held against a budget"),
        set_aside="as month_close",
    ),
    Requirement("run_record", "How was last night against what was expected of it?").needing(
        *_PRINTED,
        Need("reel_mounts", without="streams weighed on reels are blank"),
        Need("runs", ("web_breaks",), without="without reels breaks are not known"),
        Need("runs", ("plates_remade",), without="remakes are not known"),
        Need("coverage", without="ink of a run is not known"),
        Need("tank_readings", without="ink of a run is not known"),
        Need("runs", ("crew",), without="nothing is told by crew"),
        Need("runs", ("deadline",), without="lateness is told against the usual end alone"),
        set_aside="such a run is not there",
    ),
    Requirement("waste_cost", "What did waste cost?").needing(
        *_WEIGHED,
        Need("waste_sold", without="what waste brings is not known"),
        set_aside="such a run is in no stream",
    ),
    Requirement("waste_sales", "Do the waste buyer's weights agree with the waste that was made?").needing(
        *_WEIGHED,
        Need("waste_sold"),
        Need("runs", ("plates",), without="plates sold are held against nothing"),
        set_aside="as waste_cost",
    ),
    Requirement("title_cost", "What did each title cost?").needing(
        *_COUNTED,
        Need("reel_mounts", without="paper is estimated from copies at nominal grammage"),
        Need("coverage", without="ink is in no title's cost"),
        Need("deliveries", without="there is no price paid"),
        Need("titles", without="customers are not known"),
        Need("terms", ("co2_kg_per_unit",), without="carbon dioxide is not known"),
        set_aside="as month_close",
    ),
    Requirement("month_close", "What came, was used and was left each month, in quantity and money?").needing(
        *_COUNTED,
        Need("reel_mounts", without="paper used is estimated from copies at nominal grammage"),
        Need("deliveries", without="what came, and what was paid for it, is not known"),
        Need("deliveries", ("unit_price",), without="receipts are valued at agreed prices"),
        Need("stock_counts", without="stock of paper and plates is not known"),
        Need("tank_readings", without="stock of ink is not known"),
        Need("budget", without="there are no variances"),
        set_aside="what such a row used or brought stands in the count difference",
    ),
    Requirement("year_end", "What did the year take to date, and what will it take?").needing(
        *_COUNTED,
        Need("deliveries"),
        Need("budget", without="there is no budget of the year"),
        set_aside="as month_close and demand_forecast",
    ),
    Requirement("coming_days", "What comes out in the coming week, and what is due?").needing(
        _RUNS,
        Need("plan", without="issues are expected as each title's past goes on; no event is known"),
        Need("deliveries", without="what is due is not known"),
        set_aside="such an issue is not among its title's past",
    ),
    Requirement("night_webs", "What is laid out for tonight?").needing(
        *_WEIGHED,
        Need("plan"),
        Need("reels", without="new reels are not named, nor is it known whether they have rested"),
        Need("tank_readings", without="ink is not held against the night"),
        Need("runs", ("plates",), without="plates are not known"),
        set_aside="metres, reels and splices of such a title are not known",
    ),
    Requirement("supplier_record", "What is each supplier worth?").needing(
        _RUNS,
        _LISTED,
        Need("deliveries", without="lateness and contracts are not known, nor any true cost"),
        Need(
            "reel_mounts", without="breaks, strip and grammage by supplier are not known, nor any true cost"
        ),
        Need("terms", without="each material is offered by its supplier of record alone, without contract"),
        Need("prices", without="prices are those of terms, else of the list of materials"),
        Need("waste_sold", without="what is torn off is worth nothing"),
        set_aside="such a load, or reel, does not count",
    ),
    Requirement("claims", "What can be claimed from suppliers?").needing(
        _RUNS,
        _LISTED,
        Need("deliveries", without="quantities and prices of deliveries are not compared"),
        Need("reel_mounts", without="reels are not compared with what was received"),
        Need("reels", ("received_kg", "delivery_id"), without="reels cannot be told to their deliveries"),
        set_aside="such a delivery, or reel, is not claimed for",
    ),
    Requirement("standby", "When must standby supplies be tested?").needing(
        Need("standby"),
        set_aside="such a supply is not watched",
    ),
)


def _absent(logs: Logs, need: Need) -> str:
    """Return what of a need is not there, empty if all of it is."""
    if not logs.has(need.table):
        return f"table {need.table}"
    frame = logs[need.table]
    blank = [name for name in need.columns if not frame[name].notna().any()] if len(frame) else []
    return f"{need.table}.{', '.join(blank)}" if blank else ""


def losses(logs: Logs) -> pd.DataFrame:
    """Return what each analysis loses by absent tables and columns and by rows set aside.

    Returns columns analysis, needs (tables it uses), missing (what is not there) and lost (in words); one row per
    analysis and loss, none where nothing is lost.
    """
    counts = logs.rejected.groupby("table").size().to_dict()
    rows: list[tuple[str, str, str, str]] = []
    for requirement in REQUIREMENTS:
        tables = list(dict.fromkeys(need.table for need in requirement.needs))
        needs = ", ".join(tables)
        for need in requirement.needs:
            absent = _absent(logs, need)
            if absent and not any(row[0] == requirement.analysis and row[2] == absent for row in rows):
                whole = not need.without and not logs.has(need.table)
                lost = need.without or (WHOLE if whole else "rows without it cannot be computed")
                rows.append((requirement.analysis, needs, absent, lost))
        gone = {table: counts[table] for table in tables if counts.get(table) and logs.has(table)}
        if gone:
            missing = ", ".join(
                f"{count} row{'s' if count > 1 else ''} of {table}" for table, count in gone.items()
            )
            rows.append((requirement.analysis, needs, missing, requirement.set_aside))
    return pd.DataFrame(rows, columns=["analysis", "needs", "missing", "lost"]).astype("str")
