"""Reels: the life of each, what stays on the cores, and what breaks."""

from .breaks import breaks, chance_of_excess, poisson_interval
from .chain import mount_ends, reel_chain
from .ends import butts, reel_ends, splice_target

__all__ = [
    "breaks",
    "butts",
    "chance_of_excess",
    "mount_ends",
    "poisson_interval",
    "reel_chain",
    "reel_ends",
    "splice_target",
]
