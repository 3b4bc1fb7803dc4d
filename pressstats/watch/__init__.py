"""Watch: control charts on residuals, and the exceptions that need a person."""

from .charts import EWMA_LIMIT, EWMA_WEIGHT, ewma, ewma_limits, ewma_run_length, ewma_signals
from .exceptions import Findings, exceptions
from .ink import ink_watch
from .plausible import implausible, refused_parts
from .waste import MEASURES, step_of, waste_chart

__all__ = [
    "EWMA_LIMIT",
    "EWMA_WEIGHT",
    "MEASURES",
    "Findings",
    "ewma",
    "ewma_limits",
    "ewma_run_length",
    "ewma_signals",
    "exceptions",
    "implausible",
    "ink_watch",
    "refused_parts",
    "step_of",
    "waste_chart",
]
