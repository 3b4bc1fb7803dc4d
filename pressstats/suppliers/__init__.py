"""Suppliers: how late, how heavy and how sound what they deliver is, what it truly costs, what to claim."""

from .claims import claims
from .quality import paper_quality
from .record import premiums, supplier_quality, supplier_record
from .truecost import true_costs

__all__ = ["claims", "paper_quality", "premiums", "supplier_quality", "supplier_record", "true_costs"]
