"""The published tables of money: what it cost, why it changed, whose it is."""

from __future__ import annotations

from .columns import Column, Table
from .columns import date as _d
from .columns import limits as _limits
from .columns import number as _n
from .columns import text as _t

__all__ = ["MONEY"]

#: Whose past the limits of a run are taken from.
_SUCH_RUNS = "by runs of its title on its press in the 52 weeks before its own, by all of its press where those are few"

#: In the order in which they are published.
MONEY = (
    Table("run_record", "run", ("run_id",)).holding(
        _t("run_id", "identifier of the run"),
        _d("date", "publication date"),
        _t("title", "title printed"),
        _t("press", "press that printed it"),
        _t("crew", "crew on duty; empty: not logged"),
        _n("copies_good", "1", "net good copies"),
        _n("pages", "1", "pages of a copy"),
        _n("webs", "1", "webs threaded"),
        _n("good_kg", "kg", "good copies at nominal grammage"),
        _n("startup_kg", "kg", "start-up waste at nominal grammage"),
        _n("running_kg", "kg", "running waste at nominal grammage"),
        _n("uncounted_kg", "kg", "copies that no counter tells, at nominal grammage"),
        _n("strip_kg", "kg", "torn off the outside"),
        _n("reel_end_kg", "kg", "left on the core"),
        _n("scrapped_kg", "kg", "thrown away otherwise"),
        _n("unexplained_kg", "kg", "mounted less all of these"),
        _n(
            "startup_expected_kg",
            "kg",
            "expected of its title, press and webs by the 52 weeks before its week",
        ),
        *_limits("startup_", "kg", f"80 % interval of its start-up waste, {_SUCH_RUNS}"),
        _n("running_expected_kg", "kg", "expected of its title, press and paper printed"),
        *_limits("running_", "kg", f"80 % interval of its running waste, {_SUCH_RUNS}"),
        _n("wasted_kg", "kg", "start-up and running waste together"),
        _n("wasted_expected_kg", "kg", "expected of both together"),
        *_limits("wasted_", "kg", f"80 % interval of both together, {_SUCH_RUNS}"),
        _n("ink_kg", "kg", "its share of the ink that the dips before and after it tell"),
        _n("ink_expected_kg", "kg", "expected of its title and press by film, starts and coverage"),
        *_limits("ink_", "kg", f"80 % interval of its ink, {_SUCH_RUNS}"),
        _n("cost_over_expected", "currency", "wasted less expected, at the price of the last receipts"),
        _n("breaks", "1", "web breaks"),
        _n("breaks_expected", "1", "expected of its title, press and printed area"),
        _n("breaks_high", "1", "exceeded by chance in one run of ten at most"),
        _n("plates", "1", "plates exposed"),
        _n("plates_expected", "1", "expected of its title, press, pages and colour pages"),
        *_limits("plates_", "1", f"80 % interval of its plates, {_SUCH_RUNS}"),
        _n("remade", "1", "plates exposed again"),
        _n("remade_expected", "1", "expected of its title, press and plates"),
        _n("remade_high", "1", "exceeded by chance in one run of ten at most"),
        _n(
            "minutes_late",
            "min",
            "ended later (negative: earlier) than its title does on its press and weekday",
        ),
        *_limits("minutes_", "min", f"80 % interval of when it ends, about the usual, {_SUCH_RUNS}"),
        _n(
            "minutes_after_deadline",
            "min",
            "ended after (negative: before) its deadline; blank: none is logged",
        ),
    ),
    Table("waste_cost", "period, press, title and stream", ("period", "press", "title", "stream")).holding(
        _t(
            "period",
            "week: the last whole one; weeks_13 and weeks_52 end with it; year_to_date ends with as-of",
        ),
        _t("press", "press, as plant.toml names it"),
        _t("title", "title"),
        _t(
            "stream",
            "stream of waste; heavy paper and mounted less net good stand beside it and are in no sum",
        ),
        _t("kind", "white, printed, unknown (unexplained paper), or beside"),
        _d("first_day", "first day of the period"),
        _d("last_day", "last day of the period"),
        _n(
            "kg", "kg", "of runs with complete reel records; blank: those printed less than half of the paper"
        ),
        _n("cost", "currency", "at the price of the last receipts"),
        _n(
            "income", "currency", "at what the last 52 weeks' sales of its kind brought; blank: none is known"
        ),
        _n("net_cost", "currency", "cost less income, where one is known"),
        _n("kg_before", "kg", "the same of as many days before"),
        _n("kg_last_year", "kg", "the same 52 weeks before, or of the same days of last year"),
        _n("cost_before", "currency", "of as many days before, at today's prices"),
        _n("cost_last_year", "currency", "of last year, at today's prices"),
    ),
    Table("waste_sales", "kind of waste sold and month", ("kind", "month")).holding(
        _t("kind", "as waste_sold and [waste.KIND] name it"),
        Column("month", "month", "", "first day of the month"),
        _t("holds", "streams that it holds"),
        _n("sold_kg", "kg", "as the buyer weighed it"),
        _n("moisture_kg", "kg", "water in it, where moisture is logged"),
        _n("dry_kg", "kg", "sold less moisture"),
        _n("stream_kg", "kg", "what the streams took; blank: a run or a stream of it is not known"),
        _n("difference_kg", "kg", "dry less streams"),
        *_limits(
            "ci_", "kg", "95 % limits of the difference, if only weighing, counting and what waits moves it"
        ),
        _n("income", "currency", "what it was sold for"),
    ),
    Table("title_cost", "month and title", ("month", "title")).holding(
        Column("month", "month", "", "first day of the month"),
        _t("title", "title"),
        _t("customer", "who it is printed for; empty: not known"),
        _n("copies_good", "1", "net good copies"),
        _n("copies_over", "1", "good copies over what was ordered, run by run"),
        _n("paper_kg", "kg", "mounted for its runs"),
        _n("ink_kg", "kg", "by film, starts and coverage, with its share of idle loss"),
        _n("plates", "1", "exposed for its runs"),
        _n("paper_cost", "currency", "what was paid"),
        _n("ink_cost", "currency", "what was paid"),
        _n("plate_cost", "currency", "what was paid"),
        _n("waste_income", "currency", "its share of what waste brought that month; blank: no [waste.KIND]"),
        _n(
            "cost_per_1000",
            "currency / 1000",
            "paper, ink and plates less waste income, per 1,000 net good copies",
        ),
        *_limits("ci_", "currency / 1000", "95 % interval: errors of weighing, counting and sharing ink"),
        _n("co2_kg", "kg", "carbon dioxide of its paper, ink and plates; blank where terms has no factor"),
    ),
    Table("bridge", "material, comparison and effect", ("of", "between", "effect")).holding(
        _t("of", "newsprint, ink or plates"),
        _t(
            "between",
            "week: the last whole one and the one before; last_year: and the same 52 weeks before; budget",
        ),
        _t("effect", "what moved it"),
        _n("quantity", "", "how much it moved the use; the effects of a comparison add up to its difference"),
        _t("unit", "of the quantities"),
        _n("cost", "currency", "how much it moved the cost, at what was paid"),
        _n("quantity_before", "", "use of the earlier period, or the budget"),
        _n("quantity_now", "", "use of the later period"),
        _n("cost_before", "currency", "cost of the earlier period, or the budget"),
        _n("cost_now", "currency", "cost of the later period"),
        _d("first_day", "first day of the later period"),
        _d("last_day", "last day of the later period"),
        _d("before_first_day", "first day of the earlier period"),
        _d("before_last_day", "last day of the earlier period"),
    ),
    Table("month_close", "month and material", ("month", "material")).holding(
        Column("month", "month", "", "first day of the month"),
        _t("material", "code of the material"),
        _t("kind", "newsprint, ink, plate or other"),
        _t("unit", "unit of the quantities"),
        _d("through", "last day included: the month's, or as-of"),
        _n("opening", "material unit", "on hand before the month: the closing of the month before"),
        _n("received", "material unit", "came in the month"),
        _n("used", "material unit", "used by the issues dated in the month, idle loss included"),
        _n("difference", "material unit", "what counts and dips found more (negative: less) than the book"),
        _n("closing", "material unit", "opening + received - used + difference; blank: never counted"),
        _n("opening_value", "currency", "value of the opening stock"),
        _n("received_value", "currency", "as invoiced, else as agreed"),
        _n("used_value", "currency", "what was paid for what was used"),
        _n("difference_value", "currency", "value of the difference"),
        _n("closing_value", "currency", "opening + received - used + difference, in value"),
        _t("valuation", "first in first out, or moving average"),
        _n("used_estimated", "material unit", "part of `used` that was neither weighed, counted nor dipped"),
        _d("counted_on", "last count or dip of the month; blank: none"),
        _n("received_uninvoiced", "material unit", "part of `received` without a price as invoiced"),
        _t("without_invoice", "deliveries without a price as invoiced, parted by ;"),
        _n("budget_quantity", "material unit", "budget of the month"),
        _n("budget_cost", "currency", "budget of the month"),
        _n(
            "price_variance",
            "currency",
            "used at the price paid less at the budget's; blank until the month is over",
        ),
        _n(
            "volume_variance", "currency", "standard use of the output less the budget, at the budget's price"
        ),
        _n(
            "waste_variance",
            "currency",
            "used beyond the standard of the output, at the budget's price; blank: no standard",
        ),
    ),
    Table("year_end", "material, and all together", ("material",)).holding(
        _t("material", "code of the material, or all materials"),
        _t("kind", "newsprint, ink, plate or other"),
        _t("unit", "unit of the quantities"),
        _d("from", "first day of the year that the logs know"),
        _n("used", "material unit", "used in the year to as-of"),
        _n("spent", "currency", "what was paid for it"),
        _n("expected", "material unit", "expected use of the whole year"),
        _n("q05", "material unit", "5 % quantile of it"),
        _n("q95", "material unit", "95 % quantile of it"),
        _n("expected_cost", "currency", "expected cost of the whole year"),
        _n("cost_q05", "currency", "5 % quantile of it, as use alone moves it"),
        _n("cost_q95", "currency", "95 % quantile of it, as use alone moves it"),
        _n("budget_quantity", "material unit", "budget of the year; blank: not of twelve months"),
        _n("budget_cost", "currency", "budget of the year; blank: not of twelve months"),
    ),
)
