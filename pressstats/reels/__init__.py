"""Reels: the life of each, what stays on the cores, what is torn off, and what breaks."""

from .age import new_in_store, passed_over, reel_ages
from .breaks import CHANCE_OF_NAMING
from .chain import reel_chain
from .ends import ends_by, ends_cost, reel_ends
from .mount_history import LEVELS_IN_ORDER
from .rates import funnel_limits, poisson_interval, shrunk_rates
from .running import breaks_per_1000_km, log_rank, running_length, survival
from .strip import new_reels
from .study import ReelStudy, study_reels

__all__ = [
    "CHANCE_OF_NAMING",
    "LEVELS_IN_ORDER",
    "ReelStudy",
    "breaks_per_1000_km",
    "ends_by",
    "ends_cost",
    "funnel_limits",
    "log_rank",
    "new_in_store",
    "new_reels",
    "passed_over",
    "poisson_interval",
    "reel_ages",
    "reel_chain",
    "reel_ends",
    "running_length",
    "shrunk_rates",
    "study_reels",
    "survival",
]
