"""Orders: what is on hand, how long it lasts, and what to call off."""

from .cover import Paths, demand_paths, lateness, stock_cover
from .plan import order_plan, price_of
from .position import open_orders, stock_on_hand

__all__ = [
    "Paths",
    "demand_paths",
    "lateness",
    "open_orders",
    "order_plan",
    "price_of",
    "stock_cover",
    "stock_on_hand",
]
