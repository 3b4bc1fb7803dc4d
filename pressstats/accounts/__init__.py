"""Accounts: what it cost, why it changed, whose it is."""

from .book import MaterialBook, material_books
from .bridge import Span, bridge, bridge_of, usual_spans
from .cells import valued_use
from .close import close_totals, month_close, standard_use, standard_waste
from .compare import compare_periods, rate_by
from .lmdi import lmdi_effects, logarithmic_mean, part_effects
from .published import InkAccount, money_tables
from .record import CREW_NOTE, named_groups, run_record
from .titles import recharge_statement, title_cost
from .use import ink_materials, material_use
from .waste import BESIDE, WASTE, run_waste, waste_cost, waste_price, waste_sales, waste_sales_findings
from .whatif import what_if_cost
from .year import ALL_MATERIALS, budget_year, year_end

__all__ = [
    "ALL_MATERIALS",
    "BESIDE",
    "CREW_NOTE",
    "WASTE",
    "InkAccount",
    "MaterialBook",
    "Span",
    "bridge",
    "bridge_of",
    "budget_year",
    "close_totals",
    "compare_periods",
    "ink_materials",
    "lmdi_effects",
    "logarithmic_mean",
    "material_books",
    "material_use",
    "money_tables",
    "month_close",
    "named_groups",
    "part_effects",
    "rate_by",
    "recharge_statement",
    "run_record",
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
    "what_if_cost",
    "year_end",
]
