"""Whether logs can be true as a whole, asked before and apart from all other analysis."""

from __future__ import annotations

import pandas as pd

from .. import ink, paper
from ..logs import Logs
from .plausible import implausible

__all__ = ["implausible_logs"]


def implausible_logs(logs: Logs) -> pd.DataFrame:
    """Return what of the logs cannot be true as a whole.

    Parameters
    ----------
    logs : Logs
        The logs.

    Returns
    -------
    DataFrame
        As :func:`pressstats.watch.implausible` returns it.
    """
    webs = paper.web_use(logs)
    mounts = paper.mount_weights(logs, webs) if logs.has("reel_mounts") else None
    weights = paper.paper_weights(logs, webs, mounts)
    grammage = paper.effective_grammage(weights.threading, logs)
    runs = paper.run_balance(logs, grammage, webs, mounts, weights.regimes)
    exposure, intervals = ink.no_ledger()
    fits: dict[str, ink.InkFit] = {}
    if logs.has("tank_readings"):
        exposure = ink.ink_exposure(logs)
        intervals, fits, _ = ink.judge_inks(ink.ink_intervals(logs, exposure))
    return implausible(logs, runs, grammage, ink.ink_model(intervals, fits))
