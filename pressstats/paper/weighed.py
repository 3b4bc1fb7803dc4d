"""Paper from webs and mounts to the balance of each run, in the order in which each step needs the one before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .balance import run_balance
from .grammage import PaperWeights, effective_grammage, paper_weights
from .runs import mount_weights, web_use

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs

__all__ = ["WeighedPaper", "weighed_paper"]


@dataclass(frozen=True)
class WeighedPaper:
    """What is known of paper before anything is judged.

    Attributes
    ----------
    webs : DataFrame
        Use of each web (:func:`pressstats.paper.web_use`).
    mounts : DataFrame or None
        Weights of each mount (:func:`pressstats.paper.mount_weights`); None without ``reel_mounts``.
    weights : PaperWeights
        Terms of the regression and regimes (:func:`pressstats.paper.paper_weights`).
    grammage : DataFrame
        Published table ``grammage``.
    runs : DataFrame
        Balance of each run (:func:`pressstats.paper.run_balance`).
    """

    webs: pd.DataFrame
    mounts: pd.DataFrame | None
    weights: PaperWeights
    grammage: pd.DataFrame
    runs: pd.DataFrame


def weighed_paper(logs: Logs) -> WeighedPaper:
    """Return webs, mounts, grammage and the balance of each run of the logs, each step computed once."""
    webs = web_use(logs)
    mounts = mount_weights(logs, webs) if logs.has("reel_mounts") else None
    weights = paper_weights(logs, webs, mounts)
    grammage = effective_grammage(weights.threading, logs)
    runs = run_balance(logs, grammage, webs, mounts, weights.regimes)
    return WeighedPaper(webs, mounts, weights, grammage, runs)
