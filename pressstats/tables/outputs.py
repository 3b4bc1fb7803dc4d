"""The published tables: what ``publish`` leaves in ``tables/``, column by column, with units."""

from __future__ import annotations

import pandas as pd

from .columns import Column, Table

__all__ = ["OUTPUTS", "QUANTILES", "as_published"]

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


def _t(name: str, meaning: str = "") -> Column:
    return Column(name, "text", "", meaning)


def _d(name: str, meaning: str = "") -> Column:
    return Column(name, "date", "", meaning)


def _n(name: str, unit: str = "", meaning: str = "") -> Column:
    return Column(name, "number", unit, meaning)


def _c(name: str, meaning: str = "") -> Column:
    return Column(name, "count", "", meaning)


def _quantiles() -> tuple[Column, ...]:
    return tuple(_n(name, "material unit", f"{100 * p:g} % quantile") for name, p in QUANTILES.items())


def _table(name: str, row: str, key: tuple[str, ...], *columns: Column) -> Table:
    return Table(name, row, key, columns)


_ALL = (
    _table(
        "paper_balance",
        "week and press",
        ("week", "press"),
        _d("week", "first day of the week"),
        _t("press"),
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
    _table(
        "grammage",
        "material",
        ("material",),
        _t("material"),
        _n("nominal_gsm", "g/m2"),
        _n("effective_gsm", "g/m2"),
        _n("std_error", "g/m2"),
        _n("ci_low", "g/m2"),
        _n("ci_high", "g/m2"),
        _c("runs"),
    ),
    _table(
        "regimes",
        "measure, subject and first day of a regime",
        ("measure", "subject", "from"),
        _t("measure", "grammage, film weight, idle loss or start-up waste"),
        _t("subject", "material, ink or press; a supplier's own level after a comma"),
        _d("from", "first day of the regime"),
        _d("to", "last day of the regime; blank: it is the present one"),
        _d("dated_low", "earliest day on which it may have begun, 95 %; blank for the first regime"),
        _d("dated_high", "latest day on which it may have begun, 95 %; blank for the first regime"),
        _n("estimate"),
        _n("ci_low", "", "95 %"),
        _n("ci_high", "", "95 %"),
        _t("unit", "of the estimate"),
        _n("cost_since", "currency", "of the change since it began; blank for the first regime"),
        _t("why"),
    ),
    _table(
        "ink_model",
        "ink and term",
        ("ink", "term"),
        _t("ink"),
        _t(
            "term",
            "film_g_m2, startup_kg_per_run, standing_kg_per_day; where they cannot be told apart also what stands for "
            "those left blank: beyond_film_kg_per_week, use_g_m2 or use_kg_per_week",
        ),
        _n("estimate"),
        _n("std_error"),
        _n("ci_low"),
        _n("ci_high"),
        _c("readings"),
    ),
    _table(
        "ink_watch",
        "ink and interval between dips",
        ("ink", "read_at"),
        _t("ink"),
        Column("read_at", "time", "", "end of the interval"),
        _n("used_kg", "kg"),
        _n("expected_kg", "kg"),
        _n("z", "", "standardised residual"),
        _t("signal"),
    ),
    _table(
        "ink_findings",
        "departure of an ink from its model",
        ("ink", "kind", "from"),
        _t("ink"),
        _t("kind", "film weight change, drift, leak, step, misread dip or change"),
        _d("from", "day of the dip before it"),
        _d("to", "day of its last dip; blank: it lasts"),
        _n("size"),
        _t("unit", "of the size"),
        _t("evidence"),
    ),
    _table(
        "ink_ledger",
        "tank and dip",
        ("tank", "read_at"),
        _t("tank"),
        Column("read_at", "time"),
        _n("level_kg", "kg"),
        _n("received_kg", "kg", "since the dip before"),
        _n("used_kg", "kg", "since the dip before: all that left the tank"),
        _n("printed", "m2 of solid", "of the tank's ink since the dip before, from whichever of its tanks"),
        _t("why", "empty, or why used_kg is blank"),
    ),
    _table(
        "reel_ends",
        "reelstand and material",
        ("reelstand", "material"),
        _t("reelstand"),
        _t("material"),
        _c("splices"),
        _n("butt_kg_mean", "kg"),
        _n("butt_m_mean", "m"),
        _n("butt_m_ci_low", "m"),
        _n("butt_m_ci_high", "m"),
        _n("lost_kg_per_year", "kg / year"),
        _n("lost_cost_per_year", "currency / year"),
    ),
    _table(
        "splice_target",
        "material",
        ("material",),
        _t("material"),
        _n("current_m", "m"),
        _n("best_m", "m"),
        _n("saving_per_year", "currency / year"),
        _n("failure_probability"),
    ),
    _table(
        "breaks",
        "level of a factor",
        ("by", "level"),
        _t("by", "supplier, material, reelstand or press"),
        _t("level"),
        _c("reels", "distinct reels mounted"),
        _c("breaks", "mounts that ended by a web break"),
        _n("per_100_reels"),
        _n("ci_low"),
        _n("ci_high"),
        _n("km", "km"),
    ),
    _table(
        "demand_forecast",
        "material and week",
        ("material", "week"),
        _t("material"),
        _d("week", "first day of the week"),
        _n("mean", "material unit"),
        *_quantiles(),
    ),
    _table(
        "demand_season",
        "material and month",
        ("material", "month"),
        _t("material"),
        Column("month", "month", "", "first day of the month"),
        _n("mean", "material unit"),
        *_quantiles(),
        _n("last_year", "material unit"),
        _n("budget_quantity", "material unit"),
        _n("budget_cost", "currency"),
    ),
    _table(
        "reel_chain",
        "reel",
        ("supplier", "reel_id"),
        _t("supplier"),
        _t("reel_id"),
        _t("material"),
        _c("mounts"),
        Column("first_mounted", "time"),
        Column("last_ended", "time"),
        _n("store_loss_kg", "kg", "lost between going back and the next mount"),
        _n("in_store_kg", "kg"),
    ),
    _table(
        "forecast_record",
        "material, day of making and week",
        ("material", "made_on", "week"),
        _t("material"),
        _d("made_on"),
        _d("week"),
        _t("source", "published or remade"),
        _n("mean", "material unit"),
        _n("q05", "material unit"),
        _n("q95", "material unit"),
        _n("actual", "material unit"),
    ),
    _table(
        "stock_cover",
        "material",
        ("material",),
        _t("material"),
        _n("quantity", "material unit"),
        _d("counted_on"),
        _n("days_cover", "day"),
        _d("runs_out_q05"),
        _d("runs_out_q50"),
    ),
    _table(
        "order_plan",
        "order and material",
        ("order", "material"),
        _t("order"),
        _t("material"),
        _d("order_on"),
        _d("due_on"),
        _n("quantity", "material unit"),
        _n("loads"),
        _n("cost", "currency"),
        _n("stock_before", "material unit"),
        _n("stock_after", "material unit"),
        _n("stockout_probability"),
    ),
    _table(
        "exceptions",
        "exception",
        ("exception",),
        _t("exception"),
        _t("kind"),
        _t("subject"),
        _d("week"),
        _n("size"),
        _t("unit"),
        _n("cost", "currency"),
        _t("cost_basis", "to date or a year; empty without a cost"),
        _t("state", "act or watch"),
        _t("owner", "who is asked"),
        _t("why"),
    ),
    _table(
        "week_figures",
        "figure of the week",
        ("figure",),
        _t("figure"),
        _n("value", "", "of the last whole week, or as `why` says"),
        _t("unit"),
        _n("low", "", "95 % interval of the value, where it has one"),
        _n("high"),
        _n("last_week", "", "the same of the week before"),
        _n("last_year", "", "the same 52 weeks before"),
        _n("weeks_13", "", "the same of the last 13 whole weeks together"),
        _n("target"),
        _t("state", "in control, watch, act, unknown; empty where nothing is judged"),
        _t("why"),
    ),
    _table(
        "to_do",
        "thing to do",
        ("rank",),
        _c("rank", "the most pressing first"),
        _t("do"),
        _t("who"),
        _d("by"),
        _t("why"),
        _n("cost", "currency"),
        _t("cost_basis", "to date, a year, or order value"),
        _t("state", "act or watch"),
        _t("exception", "exceptions that it answers, parted by ;"),
    ),
    _table(
        "rejected_rows",
        "row set aside",
        ("table", "file", "line"),
        _t("table"),
        _t("file"),
        _c("line"),
        _t("column"),
        _t("value"),
        _t("rule"),
    ),
    _table(
        "warning_rows",
        "row used with a warning",
        ("table", "file", "line", "column", "rule"),
        _t("table"),
        _t("file"),
        _c("line"),
        _t("column"),
        _t("value"),
        _t("rule"),
    ),
)

OUTPUTS: dict[str, Table] = {table.name: table for table in _ALL}


def as_published(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return `frame` with exactly the columns of the published table `name`, sorted by its key.

    Parameters
    ----------
    frame : DataFrame, shape (rows, any)
        Rows with at least the columns of the table.
    name : str
        Name of a published table.

    Returns
    -------
    DataFrame, shape (rows, columns of the table)
        A new frame with a fresh index.

    Raises
    ------
    KeyError
        If `name` is not a published table or a column is missing.
    ValueError
        If two rows share a key.
    """
    table = OUTPUTS[name]
    missing = [column for column in table.names if column not in frame.columns]
    if missing:
        raise KeyError(f"published table {name} lacks {', '.join(missing)}")
    result = frame[table.names].sort_values(list(table.key), ignore_index=True)
    if result.duplicated(list(table.key)).any():
        raise ValueError(f"published table {name} has two rows of one key {table.key}")
    return result
