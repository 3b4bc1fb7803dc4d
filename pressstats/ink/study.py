"""Inks from what was printed and dipped to models and findings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .findings import judge_inks
from .ledger import ink_exposure, ink_intervals, no_ledger

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs
    from .finding import Finding
    from .model import InkFit

__all__ = ["study_inks"]


def study_inks(logs: Logs) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, InkFit], list[Finding]]:
    """Return exposure of the runs, judged intervals, models and findings of the inks.

    Each is as of :func:`pressstats.ink.ink_exposure` and :func:`pressstats.ink.judge_inks`; without rows where
    nothing names an ink, or without ``tank_readings``.
    """
    exposure, intervals = no_ledger()
    if logs.has("coverage") or logs.has("tank_readings"):
        exposure = ink_exposure(logs)
    if not logs.has("tank_readings"):
        return exposure, intervals, {}, []
    return exposure, *judge_inks(ink_intervals(logs, exposure))
