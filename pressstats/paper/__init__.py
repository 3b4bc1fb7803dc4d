"""Paper: where every kilogram went, and what a square metre really weighs."""

from .balance import STREAMS, balance_by, paper_balance, run_balance
from .delivered import announced_changes
from .errors import unexplained_limits
from .grammage import PaperWeights, paper_weights
from .in_time import grammage_regimes, mount_grammage
from .runs import mount_weights, web_use
from .shifts import date_shift, level_shifts
from .unweighed import UNWEIGHED_WORDS, sold_streams, unweighed_streams
from .waste import counter_waste, runs_of, waste_by, waste_totals
from .weighed import WeighedPaper, weighed_paper

__all__ = [
    "STREAMS",
    "UNWEIGHED_WORDS",
    "PaperWeights",
    "WeighedPaper",
    "announced_changes",
    "balance_by",
    "counter_waste",
    "date_shift",
    "grammage_regimes",
    "level_shifts",
    "mount_grammage",
    "mount_weights",
    "paper_balance",
    "paper_weights",
    "run_balance",
    "runs_of",
    "sold_streams",
    "unexplained_limits",
    "unweighed_streams",
    "waste_by",
    "waste_totals",
    "web_use",
    "weighed_paper",
]
