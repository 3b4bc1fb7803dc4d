"""Watch: control charts on residuals, and the exceptions that need a person."""

from .agreeing import doubt_words
from .charts import EWMA_LIMIT, EWMA_WEIGHT, ewma, ewma_limits, ewma_run_length, ewma_signals
from .exceptions import ExceptionInputs, exception_changes, exceptions
from .figure import Period, WeekInputs, last_week, of_period, weeks_logged
from .ink import ink_watch
from .kinds import KINDS, PLANNED, kind_of
from .plausible import implausible, implausible_logs, refused_parts
from .refusing import believable, refused_materials, refused_tables
from .startup import startup_regimes
from .states import days_state, waste_state, worst
from .stock_exceptions import wanted_now
from .to_do import Supply, to_do
from .waste import MEASURES, step_of, waste_chart
from .week_figures import week_figures, week_history

__all__ = [
    "EWMA_LIMIT",
    "EWMA_WEIGHT",
    "KINDS",
    "MEASURES",
    "PLANNED",
    "ExceptionInputs",
    "Period",
    "Supply",
    "WeekInputs",
    "believable",
    "days_state",
    "doubt_words",
    "ewma",
    "ewma_limits",
    "ewma_run_length",
    "ewma_signals",
    "exception_changes",
    "exceptions",
    "implausible",
    "implausible_logs",
    "ink_watch",
    "kind_of",
    "last_week",
    "of_period",
    "refused_materials",
    "refused_parts",
    "refused_tables",
    "startup_regimes",
    "step_of",
    "to_do",
    "wanted_now",
    "waste_chart",
    "waste_state",
    "week_figures",
    "week_history",
    "weeks_logged",
    "worst",
]
