"""Several plants: each against what its work explains, and suppliers over all of them."""

from .described import PLANTS, Outcome, PlantGroup, read_group, read_outcomes, write_outcomes
from .opening import Group, open_group
from .published import COMPARED_DAYS, PlantOf
from .shrinking import shrunk_effects
from .standard import MEASURES, compared_waste
from .suppliers import compared_breaks, compared_costs

__all__ = [
    "COMPARED_DAYS",
    "MEASURES",
    "PLANTS",
    "Group",
    "Outcome",
    "PlantGroup",
    "PlantOf",
    "compared_breaks",
    "compared_costs",
    "compared_waste",
    "open_group",
    "read_group",
    "read_outcomes",
    "shrunk_effects",
    "write_outcomes",
]
