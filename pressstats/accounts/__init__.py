"""Accounts: what it cost, why it changed, whose it is."""

from .book import MaterialBook, material_books
from .bridge import Span, bridge, bridge_of, usual_spans
from .cells import valued_use
from .close import close_totals, month_close
from .lmdi import lmdi_effects, logarithmic_mean, part_effects
from .published import InkAccount, money_tables
from .standard import standard_use, standard_waste
from .titles import recharge_statement, title_cost
from .use import ink_materials, material_use
from .waste import BESIDE, WASTE, run_waste, waste_cost, waste_price
from .waste_buyer import waste_sales, waste_sales_findings
from .year import ALL_MATERIALS, year_end

__all__ = [
    "ALL_MATERIALS",
    "BESIDE",
    "WASTE",
    "InkAccount",
    "MaterialBook",
    "Span",
    "bridge",
    "bridge_of",
    "close_totals",
    "ink_materials",
    "lmdi_effects",
    "logarithmic_mean",
    "material_books",
    "material_use",
    "money_tables",
    "month_close",
    "part_effects",
    "recharge_statement",
    "run_waste",
    "standard_use",
    "standard_waste",
    "title_cost",
    "usual_spans",
    "valued_use",
    "waste_cost",
    "waste_price",
    "waste_sales",
    "waste_sales_findings",
    "year_end",
]
