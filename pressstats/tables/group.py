"""The published tables of a group of plants: how they compare, and what their suppliers delivered to all of them."""

from __future__ import annotations

from .columns import Table
from .columns import count as _c
from .columns import date as _d
from .columns import limits as _limits
from .columns import number as _n
from .columns import text as _t

__all__ = ["GROUP"]


#: In the order in which they are published.
GROUP = (
    Table("group_plants", "plant of the group", ("plant",)).holding(
        _t("plant", "plant, as the group's plant.toml names it"),
        _t("name", "what the plant calls itself; empty: not published"),
        _t("state", "published, unchanged (published before from the same logs) or failed"),
        _d("as_of", "last day that its publication knows; blank: it failed"),
        _d("first_day", "first day that is compared"),
        _c("runs", "runs of the 52 weeks to its as-of day"),
        _n("copies_good", "1", "net good copies of these runs"),
        _n("good_kg", "kg", "good copies at nominal grammage"),
        _n(
            "waste_pct",
            "%",
            "all waste of what was mounted, as it is: plants that print other work waste otherwise",
        ),
        _t("currency", "currency of the plant, ISO 4217"),
        _t("headline", "headline of its page of the week"),
        _t("why", "why it failed, or why it is not compared"),
    ),
    Table("group_waste", "plant and measure", ("plant", "measure")).holding(
        _t("plant", "plant"),
        _t("measure", "all waste, start-up waste, running waste, or white waste and butts"),
        _n("actual_kg", "kg", "wasted in the runs that are compared"),
        _n("expected_kg", "kg", "what the same runs waste at the level of the group"),
        _n("ratio", "1", "actual over expected"),
        _n("std_error", "1", "standard error of the ratio's logarithm"),
        _n(
            "adjusted",
            "1",
            "the ratio adjusted for small numbers: drawn towards 1 as far as chance may explain it",
        ),
        *_limits("ci_", "1", "95 % interval of the adjusted ratio"),
        _t("state", "more than the group, less than the group, or not told apart"),
        _n("beyond_kg", "kg", "wasted beyond the level of the group, by the adjusted ratio"),
        _n("beyond_cost", "currency", "the same at the price of the last receipts; blank: not known"),
        *_limits("beyond_", "currency", "95 % interval of the cost"),
    ),
    Table("group_standard", "measure and term", ("measure", "term")).holding(
        _t("measure", "as in group_waste"),
        _t("term", "what waste is expected in proportion to"),
        _n("estimate", "", "level of the group"),
        _n("std_error", "", "standard error of the estimate"),
        _t("unit", "of the estimate"),
    ),
    Table("group_suppliers", "supplier and measure", ("supplier", "measure")).holding(
        _t("supplier", "supplier, as the logs of the plants spell it"),
        _t("measure", "web breaks, or true cost"),
        _c("plants", "plants in which it is compared with another supplier"),
        _n("size", "1", "distinct reels mounted; of true cost materials, each plant's counted apart"),
        _n("actual", "1", "web breaks; blank of true cost"),
        _n("expected", "1", "web breaks if all suppliers were alike in each plant; blank of true cost"),
        _n("ratio", "1", "over the other suppliers of the same plants (and materials)"),
        _n("adjusted", "1", "the ratio adjusted for small numbers"),
        *_limits("ci_", "1", "95 % interval of the adjusted ratio"),
        _n("p_value", "1", "how often chance alone shows as much"),
        _t("state", "more than the others, less than the others, or not told apart"),
    ),
)
