"""What each page shows, in blocks; a notebook calls one module or several."""

from . import (
    buying_files,
    buying_orders,
    buying_outlook,
    buying_suppliers,
    buying_year,
    demand,
    demand_record,
    glossary,
    group,
    ink_checks,
    ink_use,
    last_night,
    late_deliveries,
    log_check,
    money,
    order_cards,
    paper_balance,
    reel_ends,
    reel_store,
    reels,
    weekly_actions,
    weekly_more,
    weekly_page,
    weekly_sheet,
)
from .common import foot
from .opening import leave_out_refused, opening

__all__ = [
    "buying_files",
    "buying_orders",
    "buying_outlook",
    "buying_suppliers",
    "buying_year",
    "demand",
    "demand_record",
    "foot",
    "glossary",
    "group",
    "ink_checks",
    "ink_use",
    "last_night",
    "late_deliveries",
    "log_check",
    "money",
    "opening",
    "order_cards",
    "paper_balance",
    "reel_ends",
    "reel_store",
    "reels",
    "weekly_actions",
    "weekly_more",
    "weekly_page",
    "weekly_sheet",
]

_PAPER, _INK, _DEMAND, _ANY = ("paper",), ("ink",), ("demand",), ("paper", "ink", "demand")

# Where a part of the logs is refused, what rests on it is not shown. Blocks of the buying outlook and of
# demand rest on materials; those of a refused kind are no longer among them.
leave_out_refused(paper_balance, {"*": _PAPER})
leave_out_refused(money, {"*": _PAPER, "month_end": ()})
leave_out_refused(reels, {"*": _PAPER})
leave_out_refused(reel_ends, {"*": _PAPER})
leave_out_refused(reel_store, {"*": _PAPER, "reel_ages": ()})
leave_out_refused(ink_use, {"*": _INK})
leave_out_refused(ink_checks, {"*": _INK})
leave_out_refused(demand, {"*": _DEMAND, "headline": ("paper", "demand"), "levers": _ANY})
leave_out_refused(demand_record, {"*": _DEMAND})
leave_out_refused(buying_outlook, {"*": _DEMAND, "unknown_stock": (), "on_order": ()})
leave_out_refused(order_cards, {"*": _DEMAND})
leave_out_refused(buying_year, {"*": _DEMAND})
leave_out_refused(buying_suppliers, {"contracts": _DEMAND, "emergencies": _DEMAND})
leave_out_refused(
    buying_orders, {"stock_ahead": _DEMAND, "plan_words": _DEMAND, "changes": _DEMAND, "counts": _ANY}
)
leave_out_refused(
    last_night,
    {"runs": _PAPER, "webs": _PAPER, "reels": _PAPER, "splices": _PAPER, "tanks": _INK},
)
leave_out_refused(weekly_more, {"inks": _INK})
leave_out_refused(weekly_sheet, {"waste": _PAPER, "waste_cost": _PAPER, "stock": _DEMAND})
