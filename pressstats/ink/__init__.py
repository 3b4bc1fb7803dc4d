"""Ink: the ledger of the tanks, film weight, start-up and standing use, and what departs from them."""

from .adequacy import EXTENSIONS, adequacy, influence, robust_estimate
from .findings import STEP, Finding, judge_inks
from .ledger import NO_COVERAGE, ink_exposure, ink_intervals, tank_levels
from .mean_use import mean_use
from .model import COMBINED, TERMS, InkFit
from .prediction import expected_use, ink_model, predict_use, surprises
from .published import ink_findings, ink_ledger, ink_regimes, size_unit
from .study import study_inks
from .use import use_by_week
from .yields import kg_per_million_pages, m2_per_kg, mileage_in2_per_lb

__all__ = [
    "COMBINED",
    "EXTENSIONS",
    "NO_COVERAGE",
    "STEP",
    "TERMS",
    "Finding",
    "InkFit",
    "adequacy",
    "expected_use",
    "influence",
    "ink_exposure",
    "ink_findings",
    "ink_intervals",
    "ink_ledger",
    "ink_model",
    "ink_regimes",
    "judge_inks",
    "kg_per_million_pages",
    "m2_per_kg",
    "mean_use",
    "mileage_in2_per_lb",
    "predict_use",
    "robust_estimate",
    "size_unit",
    "study_inks",
    "surprises",
    "tank_levels",
    "use_by_week",
]
