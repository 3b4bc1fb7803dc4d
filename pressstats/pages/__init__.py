"""What each page shows, one module per notebook: sentences, key figures, figures and tables, in blocks."""

from . import buying_outlook, demand, ink_use, log_check, paper_balance, reels, weekly_page
from .common import foot

__all__ = [
    "buying_outlook",
    "demand",
    "foot",
    "ink_use",
    "log_check",
    "paper_balance",
    "reels",
    "weekly_page",
]
