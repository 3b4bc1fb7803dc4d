"""Ink: the ledger of the tanks, film weight, start-up and standing use, and what departs from them."""

from .findings import Finding, judge_inks
from .ledger import NO_COVERAGE, ink_exposure, ink_intervals, no_ledger, tank_levels
from .model import TERMS, InkFit, expected_use, fit_ink, ink_model, predict_use

__all__ = [
    "NO_COVERAGE",
    "TERMS",
    "Finding",
    "InkFit",
    "expected_use",
    "fit_ink",
    "ink_exposure",
    "ink_intervals",
    "ink_model",
    "judge_inks",
    "no_ledger",
    "predict_use",
    "tank_levels",
]
