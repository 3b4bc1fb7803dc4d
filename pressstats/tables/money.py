"""The published tables of money: what it cost, why it changed, whose it is."""

from __future__ import annotations

from .columns import Column
from .declaring import date as _d
from .declaring import number as _n
from .declaring import table as _table
from .declaring import text as _t

__all__ = ["MONEY"]

#: In the order in which they are published.
MONEY = (
    _table(
        "bridge",
        "material, comparison and effect",
        ("of", "between", "effect"),
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
    _table(
        "month_close",
        "month and material",
        ("month", "material"),
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
    _table(
        "year_end",
        "material, and all together",
        ("material",),
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
