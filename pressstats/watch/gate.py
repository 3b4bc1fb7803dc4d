"""Whether logs can be true as a whole, asked before and apart from all other analysis."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .. import ink, paper
from .plausible import implausible

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs

__all__ = ["implausible_logs"]


def implausible_logs(logs: Logs) -> pd.DataFrame:
    """Return what of the logs cannot be true as a whole."""
    weighed = paper.weighed_paper(logs)
    _, intervals, fits, _ = ink.study_inks(logs)
    return implausible(logs, weighed.runs, weighed.grammage, ink.ink_model(intervals, fits))
