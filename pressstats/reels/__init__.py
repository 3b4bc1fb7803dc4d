"""Reels: the life of each, what stays on the cores, what is torn off, and what breaks."""

from .age import passed_over, reel_ages
from .breaks import CHANCE_OF_NAMING, break_effects, breaks, supplier_pairs, worst_breakers
from .chain import mount_ends, reel_chain
from .counts import CountFit, chance_of_dispersion, count_regression
from .ends import both_lengths, butts, ends_by, ends_cost, logged_years, reel_ends, stand_means
from .failures import FailureCurve, failure_curve, failure_share, least_cost_metres
from .lives import LEVELS_IN_ORDER, metre_kg, mount_lives, no_lives
from .planned import Pick, expected_splices, pick_part_reels, planned_reels, planned_webs
from .pooling import PooledMeans, pooled_means
from .rates import (
    chance_of_excess,
    chance_of_more,
    funnel_limits,
    poisson_interval,
    rate_ratio,
    reels_to_tell_apart,
    shrunk_rates,
)
from .running import breaks_per_1000_km, log_rank, running_length, survival
from .strip import new_reels, strip_by_supplier, transport_claims
from .study import ReelStudy, study_reels
from .target import SpliceStudy, splice_study

__all__ = [
    "CHANCE_OF_NAMING",
    "LEVELS_IN_ORDER",
    "CountFit",
    "FailureCurve",
    "Pick",
    "PooledMeans",
    "ReelStudy",
    "SpliceStudy",
    "both_lengths",
    "break_effects",
    "breaks",
    "breaks_per_1000_km",
    "butts",
    "chance_of_dispersion",
    "chance_of_excess",
    "chance_of_more",
    "count_regression",
    "ends_by",
    "ends_cost",
    "expected_splices",
    "failure_curve",
    "failure_share",
    "funnel_limits",
    "least_cost_metres",
    "log_rank",
    "logged_years",
    "metre_kg",
    "mount_ends",
    "mount_lives",
    "new_reels",
    "no_lives",
    "passed_over",
    "pick_part_reels",
    "planned_reels",
    "planned_webs",
    "poisson_interval",
    "pooled_means",
    "rate_ratio",
    "reel_ages",
    "reel_chain",
    "reel_ends",
    "reels_to_tell_apart",
    "running_length",
    "shrunk_rates",
    "splice_study",
    "stand_means",
    "strip_by_supplier",
    "study_reels",
    "supplier_pairs",
    "survival",
    "transport_claims",
    "worst_breakers",
]
