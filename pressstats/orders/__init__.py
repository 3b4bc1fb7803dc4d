"""Orders: what is on hand, how long it lasts, and what to call off."""

from .changes import plan_changes
from .contract_ends import drawn_beyond, moved_orders
from .contracts import call_offs
from .counts import count_differences, miscounts
from .cover import Paths, demand_paths, stock_cover
from .disruption import nights_bought, nights_left, sparing_measures
from .emergency import expected_rushes, rush_day
from .latest import latest_order_days
from .leadtimes import LeadTimes
from .loading import truck_numbers
from .milp import Item, Limit, Offer, Orders, Share, solve
from .plan import OrderPlan, plan_orders
from .plan_tables import SOON
from .position import on_order, open_orders, refuse_stock, stock_on_hand
from .standby import standby_hours
from .supplier_parts import received_since, supplier_deliveries, supplier_parts
from .yearly import season_spend, total_spend, year_spend

__all__ = [
    "SOON",
    "Item",
    "LeadTimes",
    "Limit",
    "Offer",
    "OrderPlan",
    "Orders",
    "Paths",
    "Share",
    "call_offs",
    "count_differences",
    "demand_paths",
    "drawn_beyond",
    "expected_rushes",
    "latest_order_days",
    "miscounts",
    "moved_orders",
    "nights_bought",
    "nights_left",
    "on_order",
    "open_orders",
    "plan_changes",
    "plan_orders",
    "received_since",
    "refuse_stock",
    "rush_day",
    "season_spend",
    "solve",
    "sparing_measures",
    "standby_hours",
    "stock_cover",
    "stock_on_hand",
    "supplier_deliveries",
    "supplier_parts",
    "total_spend",
    "truck_numbers",
    "year_spend",
]
