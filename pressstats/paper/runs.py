"""What each run and each of its webs used: areas, streams at nominal grammage, and reel records.

These frames are the common ground of the balance, the grammages and the limits of error, so that a
mount or a copy is added up in one place only.
"""

from __future__ import annotations

import pandas as pd

from ..logs import Logs
from .geometry import copy_area_m2, paper_kg

__all__ = ["mount_weights", "run_copies", "web_use"]

_SPLICED = ("splice", "failed_splice")


def web_use(logs: Logs) -> pd.DataFrame:
    """Return the paper that each web of each run printed.

    Parameters
    ----------
    logs : Logs
        Logs with at least ``runs`` and ``run_webs``; without ``materials`` the grammage is blank.

    Returns
    -------
    DataFrame, shape (webs, 11)
        run_id, web, date, week, title, press, material, width_mm [mm], nominal_gsm [g/m2],
        copy_m2 [m2 per copy], area_m2 [m2 of the gross copies].
    """
    runs = logs["runs"][["run_id", "date", "title", "press", "copies_gross"]]
    webs = logs["run_webs"].merge(runs, on="run_id", how="inner", validate="many_to_one")
    webs["week"] = logs.plant.week_of(webs["date"])
    webs["copy_m2"] = copy_area_m2(webs)
    webs["area_m2"] = webs["copy_m2"] * webs["copies_gross"]
    webs["nominal_gsm"] = float("nan")
    if logs.has("materials"):
        nominal = logs["materials"].set_index("material")["grammage_gsm"]
        webs["nominal_gsm"] = webs["material"].map(nominal).astype("float64")
    return webs[
        [
            "run_id",
            "web",
            "date",
            "week",
            "title",
            "press",
            "material",
            "width_mm",
            "nominal_gsm",
            "copy_m2",
            "area_m2",
        ]
    ]


def run_copies(logs: Logs, webs: pd.DataFrame) -> pd.DataFrame:
    """Return the paper streams of each run that the counters and the webs give.

    Parameters
    ----------
    logs : Logs
        The logs.
    webs : DataFrame
        Result of :func:`web_use`.

    Returns
    -------
    DataFrame, shape (runs, 9), index run_id
        date, week, title, press, area_m2 [m2], and good_kg, startup_kg, running_kg, uncounted_kg
        [kg at nominal grammage]. A run of which a web is missing or has no grammage is blank.
    """
    runs = logs["runs"].set_index("run_id")
    per_copy = pd.DataFrame(
        {
            "run_id": webs["run_id"],
            "area": webs["copy_m2"],
            "kg": paper_kg(webs["copy_m2"], webs["nominal_gsm"]),
        }
    )
    # skipna=False: a run with a web that cannot be weighed has no weight, not a smaller one.
    per_copy = per_copy.groupby("run_id").sum(skipna=False).reindex(runs.index)
    aside = logs.set_aside
    lost = aside.loc[aside["table"] == "run_webs", "run_id"]
    per_copy.loc[per_copy.index.isin(lost)] = float("nan")
    kg = per_copy["kg"]
    counted = runs["copies_good"] + runs["copies_startup_waste"] + runs["copies_running_waste"]
    return pd.DataFrame(
        {
            "date": runs["date"],
            "week": logs.plant.week_of(runs["date"]),
            "title": runs["title"],
            "press": runs["press"],
            "area_m2": per_copy["area"] * runs["copies_gross"],
            "good_kg": runs["copies_good"] * kg,
            "startup_kg": runs["copies_startup_waste"] * kg,
            "running_kg": runs["copies_running_waste"] * kg,
            "uncounted_kg": (runs["copies_gross"] - counted) * kg,
        }
    )


def mount_weights(logs: Logs) -> pd.DataFrame:
    """Return the weights of each mount, with what was printed or threaded from it.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.

    Returns
    -------
    DataFrame, shape (mounts, 13)
        run_id, web, supplier, reel_id, material, reelstand, mounted_at, ended_by, and mounted_kg,
        strip_kg, reel_end_kg, scrapped_kg, net_kg [kg]. A weight that is not known is blank, and
        so is every sum with it; an optional column that is not logged at all counts as part of
        the net weight.
    """
    mounts = logs["reel_mounts"]
    spliced = mounts["ended_by"].isin(_SPLICED)
    weights = mounts[
        ["run_id", "web", "supplier", "reel_id", "material", "reelstand", "mounted_at", "ended_by"]
    ].copy()
    weights["mounted_kg"] = mounts["start_kg"] - mounts["returned_kg"]
    weights["strip_kg"] = mounts["strip_kg"]
    weights["reel_end_kg"] = mounts["butt_kg"].where(spliced, 0.0)
    weights["scrapped_kg"] = mounts["scrapped_kg"]
    lost = weights["strip_kg"] + weights["reel_end_kg"]
    if mounts["scrapped_kg"].notna().any():
        lost = lost + weights["scrapped_kg"]
    weights["net_kg"] = weights["mounted_kg"] - lost
    return weights
