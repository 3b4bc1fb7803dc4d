"""Paper: where every kilogram went, and what a square metre really weighs."""

from .balance import COUNTED, REEL_STREAMS, STREAMS, balance_by, paper_balance, run_balance
from .delivered import announced_changes, delivered_grammage
from .errors import unexplained_limits
from .geometry import (
    butt_fraction,
    copy_area_m2,
    depth_on_core_mm,
    length_m,
    paper_kg,
    reel_length_m,
    strip_fraction,
)
from .grammage import (
    TERM_WORDS,
    PaperWeights,
    effective_grammage,
    paper_weights,
    threading_paper,
    web_net_weights,
)
from .in_time import grammage_regimes, mount_grammage, web_grammage
from .least_squares import linked_least_squares
from .runs import is_weighed, mount_weights, new_reels, run_copies, web_use
from .shifts import Shift, date_shift, level_shifts
from .unweighed import UNWEIGHED_WORDS, sold_streams, unweighed_streams
from .waste import KNOWN_SHARE, counter_waste, runs_of, waste_by, waste_totals
from .weighed import WeighedPaper, weighed_paper

__all__ = [
    "COUNTED",
    "KNOWN_SHARE",
    "REEL_STREAMS",
    "STREAMS",
    "TERM_WORDS",
    "UNWEIGHED_WORDS",
    "PaperWeights",
    "Shift",
    "WeighedPaper",
    "announced_changes",
    "balance_by",
    "butt_fraction",
    "copy_area_m2",
    "counter_waste",
    "date_shift",
    "delivered_grammage",
    "depth_on_core_mm",
    "effective_grammage",
    "grammage_regimes",
    "is_weighed",
    "length_m",
    "level_shifts",
    "linked_least_squares",
    "mount_grammage",
    "mount_weights",
    "new_reels",
    "paper_balance",
    "paper_kg",
    "paper_weights",
    "reel_length_m",
    "run_balance",
    "run_copies",
    "runs_of",
    "sold_streams",
    "strip_fraction",
    "threading_paper",
    "unexplained_limits",
    "unweighed_streams",
    "waste_by",
    "waste_totals",
    "web_grammage",
    "web_net_weights",
    "web_use",
    "weighed_paper",
]
