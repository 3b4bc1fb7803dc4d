"""Paper: where every kilogram went, and what a square metre really weighs."""

from .balance import COUNTED, REEL_STREAMS, STREAMS, balance_by, paper_balance, run_balance
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
from .grammage import effective_grammage, linked_least_squares, threading_paper, web_net_weights
from .runs import mount_weights, run_copies, web_use

__all__ = [
    "COUNTED",
    "REEL_STREAMS",
    "STREAMS",
    "balance_by",
    "butt_fraction",
    "copy_area_m2",
    "depth_on_core_mm",
    "effective_grammage",
    "length_m",
    "linked_least_squares",
    "mount_weights",
    "paper_balance",
    "paper_kg",
    "reel_length_m",
    "run_balance",
    "run_copies",
    "strip_fraction",
    "threading_paper",
    "unexplained_limits",
    "web_net_weights",
    "web_use",
]
