"""The published tables: what ``publish`` leaves in ``tables/``, column by column, with units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .columns import Column, Table
from .columns import count as _c
from .columns import date as _d
from .columns import limits as _limits
from .columns import number as _n
from .columns import text as _t
from .columns import time as _time
from .group import GROUP
from .money import MONEY
from .week import WEEK

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GROUP_OUTPUTS", "OUTPUTS", "PUBLISHED", "QUANTILES", "as_published"]

#: Published quantiles by column name.
QUANTILES: dict[str, float] = {
    "q05": 0.05,
    "q10": 0.10,
    "q25": 0.25,
    "q50": 0.50,
    "q75": 0.75,
    "q90": 0.90,
    "q95": 0.95,
}


def _quantiles() -> tuple[Column, ...]:
    return tuple(_n(name, "material unit", f"{100 * p:g} % quantile") for name, p in QUANTILES.items())


_PROBLEM = (
    _t("table", "input table"),
    _t("file", "file, with its sheet in square brackets"),
    _c("line", "line of the file"),
    _t("column", "column or columns; empty: the whole row"),
    _t("value", "what stands there"),
    _t("rule", "rule that it breaks"),
)

_ALL = (
    Table("paper_balance", "week and press", ("week", "press")).holding(
        _d("week", "first day of the week"),
        _t("press", "press, as plant.toml names it"),
        _c("runs", "runs of the week"),
        _c("runs_with_reels", "runs whose reel records are complete"),
        _n("area_m2", "m2", "printed area of the gross copies"),
        _n("mounted_kg", "kg", "left the store for good"),
        _n("good_kg", "kg", "good copies at nominal grammage"),
        _n("startup_kg", "kg", "start-up waste at nominal grammage"),
        _n("running_kg", "kg", "running waste at nominal grammage"),
        _n("uncounted_kg", "kg", "gross less good, start-up and running, at nominal grammage"),
        _n("grammage_kg", "kg", "area x (effective - nominal) grammage"),
        _n("strip_kg", "kg", "torn off the outside"),
        _n("reel_end_kg", "kg", "left on the core"),
        _n("scrapped_kg", "kg", "thrown away otherwise"),
        _n("unexplained_kg", "kg", "mounted less all of these"),
        _n("waste_pct", "%", "100 x (mounted - good - its share of grammage) / mounted"),
    ),
    Table("grammage", "material", ("material",)).holding(
        _t("material", "code of the material"),
        _n("nominal_gsm", "g/m2", "as materials says"),
        _n("effective_gsm", "g/m2", "what the mounted paper of the last four weeks weighs"),
        _n("std_error", "g/m2", "standard error of the effective grammage"),
        *_limits("ci_", "g/m2", "95 % interval of the effective grammage"),
        _c("runs", "runs with complete reel records that it is estimated from"),
    ),
    Table("regimes", "measure, subject and first day of a regime", ("measure", "subject", "from")).holding(
        _t("measure", "grammage, film weight, idle loss or start-up waste"),
        _t("subject", "material, ink or press; a supplier's own level after a comma"),
        _d("from", "first day of the regime"),
        _d("to", "last day of the regime; blank: it is the present one"),
        _d("dated_low", "earliest day on which it may have begun, 95 %; blank for the first regime"),
        _d("dated_high", "latest day on which it may have begun, 95 %; blank for the first regime"),
        _n("estimate", "", "level of the measure in the regime"),
        *_limits("ci_", "", "95 %"),
        _t("unit", "of the estimate"),
        _n("cost_since", "currency", "of the change since it began; blank for the first regime"),
        _t("why", "what the change looks like, in words"),
    ),
    Table("ink_model", "ink and term", ("ink", "term")).holding(
        _t("ink", "ink: black, cyan, magenta, yellow or a spot colour"),
        _t(
            "term",
            "film_g_m2, startup_kg_per_run, standing_kg_per_day; where they cannot be told apart also what stands for "
            "those left blank: beyond_film_kg_per_week, use_g_m2 or use_kg_per_week",
        ),
        _n("estimate", "", "of the present; the unit is in the name of the term"),
        _n("std_error", "", "standard error of the estimate"),
        *_limits("ci_", "", "95 % interval"),
        _c("readings", "intervals between dips that it is estimated from"),
    ),
    Table("ink_watch", "ink and interval between dips", ("ink", "read_at")).holding(
        _t("ink", "ink: black, cyan, magenta, yellow or a spot colour"),
        _time("read_at", "end of the interval"),
        _n("used_kg", "kg", "used in the interval, by levels and deliveries"),
        _n("expected_kg", "kg", "what the model expects of its pages, starts and days"),
        _n("z", "1", "standardised residual"),
        _t("signal", "high or low: beyond the limits of the chart; else the kind of finding, or empty"),
    ),
    Table("ink_findings", "departure of an ink from its model", ("ink", "kind", "from")).holding(
        _t("ink", "ink: black, cyan, magenta, yellow or a spot colour"),
        _t("kind", "film weight change, drift, leak, step, misread dip or change"),
        _d("from", "day of the dip before it"),
        _d("to", "day of its last dip; blank: it lasts"),
        _n("size", "", "how much use departs"),
        _t("unit", "of the size"),
        _t("evidence", "what speaks for it, in words"),
    ),
    Table("ink_ledger", "tank and dip", ("tank", "read_at")).holding(
        _t("tank", "tank, as plant.toml names it"),
        _time("read_at", "time of the dip"),
        _n("level_kg", "kg", "level at the dip"),
        _n("received_kg", "kg", "since the dip before"),
        _n("used_kg", "kg", "since the dip before: all that left the tank"),
        _n("printed", "m2 of solid", "of the tank's ink since the dip before, from whichever of its tanks"),
        _t("why", "empty, or why used_kg is blank"),
    ),
    Table("reel_ends", "reelstand and material", ("reelstand", "material")).holding(
        _t("reelstand", "reelstand"),
        _t("material", "code of the material"),
        _c("splices", "reels spliced to the next while running"),
        _n("butt_kg_mean", "kg", "mean paper left on the core at a splice"),
        _n("butt_m_mean", "m", "the same as length"),
        *_limits("butt_m_ci_", "m", "95 % interval of the mean length"),
        _n("lost_kg_per_year", "kg / year", "butts of a year at the pace of the logs"),
        _n("lost_cost_per_year", "currency / year", "the same at the price of the last receipts"),
    ),
    Table("splice_target", "material", ("material",)).holding(
        _t("material", "code of the material"),
        _n("current_m", "m", "length that is left on the core now, on average"),
        _n("best_m", "m", "target of least cost"),
        _n("saving_per_year", "currency / year", "of the best target against the present one"),
        _n("failure_probability", "1", "chance that a splice fails at the present target, 0 to 1"),
    ),
    Table("breaks", "level of a factor", ("by", "level")).holding(
        _t("by", "supplier, material, reelstand or press"),
        _t("level", "which supplier, material, reelstand or press"),
        _c("reels", "distinct reels mounted"),
        _c("breaks", "mounts that ended by a web break"),
        _n("per_100_reels", "1 / (100 reels)", "web breaks per 100 reels"),
        *_limits("ci_", "1 / (100 reels)", "exact 95 % Poisson interval"),
        _n("km", "km", "paper run"),
    ),
    Table("demand_forecast", "material and week", ("material", "week")).holding(
        _t("material", "code of the material"),
        _d("week", "first day of the week"),
        _n("mean", "material unit", "expected use of the week"),
        *_quantiles(),
    ),
    Table("demand_season", "material and month", ("material", "month")).holding(
        _t("material", "code of the material"),
        Column("month", "month", "", "first day of the month"),
        _n("mean", "material unit", "expected use of the month"),
        *_quantiles(),
        _n("last_year", "material unit", "used in the same month a year before"),
        _n("budget_quantity", "material unit", "budget of the month"),
        _n("budget_cost", "currency", "budget of the month"),
    ),
    Table("reel_chain", "reel", ("supplier", "reel_id")).holding(
        _t("supplier", "supplier or mill"),
        _t("reel_id", "the supplier's number of the reel"),
        _t("material", "code of the material"),
        _c("mounts", "times that it was mounted"),
        _time("first_mounted", "start of its first mount"),
        _time("last_ended", "end of its last mount"),
        _n("store_loss_kg", "kg", "lost between going back and the next mount"),
        _n("in_store_kg", "kg", "what is left of it in the store; 0: used up"),
    ),
    Table("forecast_record", "material, day of making and week", ("material", "made_on", "week")).holding(
        _t("material", "code of the material"),
        _d("made_on", "last day that the forecast knew"),
        _d("week", "first day of the week"),
        _t("source", "published, or reconstructed from the logs of that day"),
        _n("mean", "material unit", "what was forecast"),
        _n("q05", "material unit", "5 % quantile of the forecast"),
        _n("q95", "material unit", "95 % quantile of the forecast"),
        _n("actual", "material unit", "what was used; of ink free of the error of dips"),
    ),
    Table("stock_cover", "material", ("material",)).holding(
        _t("material", "code of the material"),
        _n("quantity", "material unit", "on hand at the end of as-of; blank: unknown"),
        _d("counted_on", "day of the count or dip that it rests on"),
        _n("days_cover", "day", "days that it lasts at the forecast, without orders"),
        _d("runs_out_q05", "day by which it runs out with a chance of 5 %, without orders"),
        _d("runs_out_q50", "day by which it runs out with a chance of 50 %, without orders"),
    ),
    Table("order_plan", "order and material", ("order", "material")).holding(
        _t("order", "order: what one supplier is asked for on one day"),
        _t("material", "code of the material"),
        _t("supplier", "who it is ordered from"),
        _n("packs", "1", "reels, totes or boxes"),
        _n(
            "unit_price",
            "currency / material unit",
            "agreed for the day and size of the order, else as listed; without freight",
        ),
        _d("order_on", "day of ordering"),
        _d("due_on", "day on which it is due"),
        _n("quantity", "material unit", "whole packs"),
        _n("loads", "1", "truck loads, or the share of one"),
        _n("cost", "currency", "at the price of the day of ordering, with freight"),
        _n("stock_before", "material unit", "expected on the due day before it comes"),
        _n("stock_after", "material unit", "the same with it"),
        _n("stockout_probability", "1", "stock-out risk before it arrives, 0 to 1"),
    ),
    Table(
        "late_trucks",
        "supplier and day of what is on order or to order next, whatever the number of trucks",
        ("supplier", "promised_on", "state"),
    ).holding(
        _t("supplier", "who delivers it"),
        _d("promised_on", "day for which it is promised, or on which what is ordered next is due"),
        _t("state", "on order, to order, or not counted on"),
        _t("materials", "what it brings, parted by ;"),
        _n("trucks", "1", "trucks that this takes at least, by the size of a load; blank: not known"),
        _d(
            "latest_on", "last day to come on with which all it brings lasts until then in 19 of 20 scenarios"
        ),
        _n("days_late", "day", "that day less the promised one; negative: it must come earlier"),
        _t("runs_out", "what is likeliest to run out if it comes later than that"),
        _d("issue", "first issue that lacks something it brings, in one scenario of 20 without it"),
        _n(
            "chance_promised",
            "1",
            "chance that something on it runs out before it serves, come as promised or next",
        ),
        _n("chance_week_late", "1", "the same, come a week later than promised"),
        _t("why", "what is blank, and why"),
    ),
    *WEEK,
    *MONEY,
    Table("supplier_record", "supplier and material", ("supplier", "material")).holding(
        _t("supplier", "supplier"),
        _t("material", "material"),
        _c("loads", "loads that brought this material"),
        _n("on_time_pct", "%", "loads of the supplier by the promised day; few loads drawn to what all do"),
        _n("days_late_mean", "day", "mean days after the promised day, an early load 0; drawn likewise"),
        _c("reels", "distinct reels mounted"),
        _n(
            "breaks_per_100",
            "per 100 reels",
            "web breaks per 100 reels mounted, few reels drawn to what all suppliers' do",
        ),
        *_limits("ci_", "per 100 reels", "95 % limit of breaks_per_100"),
        _n("strip_pct", "%", "white waste torn off, of what whole reels weighed"),
        _n("heavier_pct", "%", "effective over nominal grammage of its paper"),
        _n(
            "price",
            "currency / material unit",
            "agreed for a full load ordered at as-of, else last invoiced, else listed",
        ),
        _n(
            "true_cost_per_t",
            "currency / t",
            "cost of a tonne of printable paper: price, weight, waste less what it sells for, breaks, lateness",
        ),
        *_limits("true_ci_", "currency / t", "95 % limit of true_cost_per_t"),
        _n(
            "paper_cost_per_t",
            "currency / t",
            "price with waste and breaks: true_cost_per_t without lateness, which the order plan meets by stock",
        ),
        _n(
            "contract_drawn",
            "material unit",
            "received in the time of the contract that runs, open orders in it added",
        ),
        _n("contract_quantity", "material unit", "to be called off by its last day"),
        _n("chance_outside_tolerance", "1", "chance that the contract ends outside its tolerance, 0 to 1"),
        _t("why", "what is blank, and why"),
    ),
    Table("claims", "reel or delivery to claim for", ("supplier", "delivery_id", "reel_id")).holding(
        _t("supplier", "who delivered it"),
        _t("delivery_id", "delivery; blank where it is not logged"),
        _t("reel_id", "reel; blank where the whole delivery is meant"),
        _t("why", "what is wrong, by which evidence"),
        _n("kg", "kg", "paper to claim for; blank where none is missing"),
        _n(
            "cost",
            "currency",
            "its price, or what was invoiced too much; blank where nothing was paid by the logs",
        ),
        _d("seen_on", "day it could be seen"),
    ),
    Table("rejected_rows", "row set aside", ("table", "file", "line")).holding(*_PROBLEM),
    Table("warning_rows", "row used with a warning", ("table", "file", "line", "column", "rule")).holding(
        *_PROBLEM
    ),
)

#: Published of each plant; of a group of plants; and of either.
OUTPUTS: dict[str, Table] = {table.name: table for table in _ALL}
GROUP_OUTPUTS: dict[str, Table] = {table.name: table for table in GROUP}
PUBLISHED = OUTPUTS | GROUP_OUTPUTS


def as_published(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return a frame with exactly the columns of the published table `name`, sorted by its key, with a fresh index.

    Raises
    ------
    KeyError
        If `name` is not a published table or a column is missing.
    ValueError
        If two rows share a key.
    """
    table = PUBLISHED[name]
    missing = [column for column in table.names if column not in frame.columns]
    if missing:
        raise KeyError(f"published table {name} lacks {', '.join(missing)}")
    result = frame[table.names].sort_values(list(table.key), ignore_index=True)
    if result.duplicated(list(table.key)).any():
        raise ValueError(f"published table {name} has two rows of one key {table.key}")
    return result
