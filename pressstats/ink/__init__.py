"""Ink: the ledger of the tanks, film weight, start-up and standing use, and what departs from them."""

from .ledger import ink_exposure, ink_intervals
from .model import TERMS, expected_use, ink_model, judge_intervals

__all__ = [
    "TERMS",
    "expected_use",
    "ink_exposure",
    "ink_intervals",
    "ink_model",
    "judge_intervals",
]
