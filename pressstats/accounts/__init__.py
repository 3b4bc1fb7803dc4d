"""Accounts: what it cost, why it changed, whose it is."""

from .book import MaterialBook, material_books
from .close import close_totals, month_close
from .published import money_tables
from .standard import standard_use, standard_waste
from .use import ink_materials, material_use
from .year import ALL_MATERIALS, year_end

__all__ = [
    "ALL_MATERIALS",
    "MaterialBook",
    "close_totals",
    "ink_materials",
    "material_books",
    "material_use",
    "money_tables",
    "month_close",
    "standard_use",
    "standard_waste",
    "year_end",
]
