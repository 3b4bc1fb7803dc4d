"""Ink: the ledger of the tanks, film weight, start-up and standing use, and what departs from them."""

from .ledger import NO_COVERAGE, ink_exposure, ink_intervals, no_ledger, tank_levels
from .model import TERMS, expected_use, ink_model, judge_intervals

__all__ = [
    "NO_COVERAGE",
    "TERMS",
    "expected_use",
    "ink_exposure",
    "ink_intervals",
    "ink_model",
    "judge_intervals",
    "no_ledger",
    "tank_levels",
]
