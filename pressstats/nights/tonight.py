"""The published tables of the next booked night, each from those before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .jobs import night_jobs
from .pulling import night_reels, night_splices, night_webs
from .tanks import night_tanks

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs
    from ..orders import Paths
    from ..reels import ReelStudy

__all__ = ["night_tables"]


def night_tables(logs: Logs, study: ReelStudy, paths: Paths | None) -> dict[str, pd.DataFrame]:
    """Return the published tables of the next booked night by name.

    Parameters
    ----------
    logs : Logs
        The logs.
    study : ReelStudy
        Its webs and reels of the next booked night (:func:`pressstats.reels.study_reels`).
    paths : Paths or None
        Result of :func:`pressstats.orders.demand_paths`; None where there is no forecast.

    Returns
    -------
    dict of DataFrame
        ``night_jobs``, ``night_webs``, ``night_reels``, ``night_splices``, ``night_tanks``; without rows where
        nothing is booked, or nothing dipped.
    """
    jobs = night_jobs(logs, study.webs)
    reels = night_reels(logs, study, jobs)
    webs = night_webs(logs, study, jobs, reels)
    return {
        "night_jobs": jobs,
        "night_webs": webs,
        "night_reels": reels,
        "night_splices": night_splices(study.planned, jobs, webs),
        "night_tanks": night_tanks(logs, paths),
    }
