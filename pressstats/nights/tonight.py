"""The published tables of the next booked night, and what lies in each ink tank against what it takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import OUTPUTS, as_published
from .jobs import night_jobs
from .pulling import night_reels, night_splices, night_webs

if TYPE_CHECKING:
    from ..logs import Logs
    from ..orders import Paths
    from ..reels import ReelStudy

__all__ = ["night_tables", "night_tanks"]

#: A dip older than this says nothing of tonight.
_OLD = pd.Timedelta(days=3)


def night_tanks(logs: Logs, paths: Paths | None) -> pd.DataFrame:
    """Return the published table ``night_tanks``.

    Parameters
    ----------
    logs : Logs
        The logs; without ``tank_readings`` there are no rows.
    paths : Paths or None
        Result of :func:`pressstats.orders.demand_paths`; without it the use of the night is not known.

    Returns
    -------
    DataFrame, shape (tanks, 9)
        The published columns. What was filled in after the last dip is not in the level.
    """
    if not logs.has("tank_readings") or logs["tank_readings"].empty:
        return OUTPUTS["night_tanks"].empty()
    dips = logs["tank_readings"].dropna(subset="level_kg").sort_values("read_at", kind="stable")
    table = dips.drop_duplicates("tank", keep="last")[["tank", "ink", "read_at", "level_kg"]]
    tanks = logs.plant.tanks
    table["capacity_kg"] = [tanks[name].capacity_kg if name in tanks else np.nan for name in table["tank"]]
    table["capacity_kg"] = table["capacity_kg"].astype("float64")
    old = table["read_at"] < logs.as_of - _OLD
    table["ink_level_kg"] = (
        table["level_kg"].mask(old).groupby(table["ink"]).transform(lambda kg: kg.sum(skipna=False))
    )
    use = _tonight(logs, paths)
    table["tonight_kg"] = [use.get(ink, (np.nan, np.nan))[0] for ink in table["ink"]]
    table["tonight_high_kg"] = [use.get(ink, (np.nan, np.nan))[1] for ink in table["ink"]]
    table["state"] = np.select(
        [
            table["ink_level_kg"].isna() | table["tonight_high_kg"].isna(),
            table["ink_level_kg"] < table["tonight_high_kg"],
            table["level_kg"] < table["tonight_high_kg"],
        ],
        ["unknown", "act", "watch"],
        "in control",
    )
    return as_published(table, "night_tanks")


def _tonight(logs: Logs, paths: Paths | None) -> dict[str, tuple[float, float]]:
    """Return expected use and its 95 % quantile on the day after as-of, by ink [kg]."""
    if paths is None or not logs.has("materials"):
        return {}
    materials = logs["materials"]
    inks = materials[(materials["kind"] == "ink") & materials["ink"].notna()]
    found = {}
    for ink, names in inks.groupby("ink")["material"]:
        rows = [paths.names.index(name) for name in names if name in paths.names]
        if rows:
            first = paths.use[rows, :, 0].sum(axis=0)
            found[str(ink)] = (float(paths.mean[rows, 0].sum()), float(np.quantile(first, 0.95)))
    return found


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
