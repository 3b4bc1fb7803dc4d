"""What each run and each of its webs used: areas, streams at nominal grammage, and reel records.

These frames are the common ground of the balance, the grammages and the limits of error, so that a
mount or a copy is added up in one place only. Runs and webs are held as positions beside their names,
because adding up by whole numbers is many times faster than by words.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .geometry import copy_area_m2, paper_kg

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = [
    "add_up",
    "butt_weights",
    "is_weighed",
    "lost_runs",
    "mount_weights",
    "new_reels",
    "reel_weights",
    "run_copies",
    "web_use",
]

_SPLICED = ("splice", "failed_splice")


def add_up(position: np.ndarray, values: pd.Series | np.ndarray, size: int) -> np.ndarray:
    """Return sums of `values` by position, blank where one of them is; 0 where there is none.

    Parameters
    ----------
    position : ndarray of int, shape (rows,)
        Where each value belongs; -1 is nowhere.
    values : array, shape (rows,)
        What is added up.
    size : int
        Number of positions.

    Returns
    -------
    ndarray, shape (size,)
        The sums.
    """
    known = position >= 0
    return np.bincount(position[known], weights=np.asarray(values, dtype=float)[known], minlength=size)


def lost_runs(logs: Logs, *tables: str) -> np.ndarray:
    """Say of each run whether a row of `tables` was set aside for it, shape (runs,)."""
    aside = logs.set_aside
    lost = aside.loc[aside["table"].isin(tables), "run_id"]
    return logs["runs"]["run_id"].isin(lost).to_numpy()


def web_use(logs: Logs) -> pd.DataFrame:
    """Return the paper that each web of each run printed.

    Parameters
    ----------
    logs : Logs
        Logs with at least ``runs`` and ``run_webs``; without ``materials`` the grammage is blank.

    Returns
    -------
    DataFrame, shape (webs, 13)
        run (position in ``runs``), run_id, web, date, week, title, press, material, width_mm [mm], pages,
        nominal_gsm [g/m2], copy_m2 [m2 per copy], area_m2 [m2 of the gross copies].
    """
    runs = logs["runs"]
    webs = logs["run_webs"]
    run = pd.Index(runs["run_id"]).get_indexer(webs["run_id"])
    webs, run = webs[run >= 0].reset_index(drop=True), run[run >= 0]
    about = runs[["date", "title", "press"]].assign(week=logs.plant.week_of(runs["date"]))
    about = about.take(run).reset_index(drop=True)
    nominal = pd.Series(np.nan, webs.index)
    if logs.has("materials"):
        grammage = logs["materials"].set_index("material")["grammage_gsm"]
        nominal = webs["material"].map(grammage).astype("float64")
    copy_m2 = copy_area_m2(webs)
    return pd.DataFrame(
        {
            "run": run,
            "run_id": webs["run_id"],
            "web": webs["web"],
            "date": about["date"],
            "week": about["week"],
            "title": about["title"],
            "press": about["press"],
            "material": webs["material"],
            "width_mm": webs["width_mm"],
            "pages": webs["pages"].astype("float64"),
            "nominal_gsm": nominal,
            "copy_m2": copy_m2,
            "area_m2": copy_m2 * runs["copies_gross"].to_numpy()[run],
        }
    )


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
    DataFrame, shape (runs, 12), rows as in ``runs``
        run_id, date, week, title, press, copy_m2 [m2 of a copy], area_m2 [m2 of the gross copies],
        spoiled_m2 [m2 of those that are not good], and good_kg, startup_kg, running_kg,
        uncounted_kg [kg at nominal grammage]. A run of which a web is missing or has no grammage is
        blank.
    """
    runs = logs["runs"]
    run, size = webs["run"].to_numpy(), len(runs)
    # A run with a web that cannot be weighed, or with none, has no weight rather than a smaller one.
    missing = (np.bincount(run, minlength=size) == 0) | lost_runs(logs, "run_webs")
    area = np.where(missing, np.nan, add_up(run, webs["copy_m2"], size))
    kg = np.where(missing, np.nan, add_up(run, paper_kg(webs["copy_m2"], webs["nominal_gsm"]), size))
    counted = runs["copies_good"] + runs["copies_startup_waste"] + runs["copies_running_waste"]
    return pd.DataFrame(
        {
            "run_id": runs["run_id"],
            "date": runs["date"],
            "week": logs.plant.week_of(runs["date"]),
            "title": runs["title"],
            "press": runs["press"],
            "copy_m2": area,
            "area_m2": area * runs["copies_gross"],
            "spoiled_m2": area * (runs["copies_gross"] - runs["copies_good"]),
            "good_kg": runs["copies_good"] * kg,
            "startup_kg": runs["copies_startup_waste"] * kg,
            "running_kg": runs["copies_running_waste"] * kg,
            "uncounted_kg": (runs["copies_gross"] - counted) * kg,
        }
    )


def mount_weights(logs: Logs, webs: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return the weights of each mount, with what was printed or threaded from it.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.
    webs : DataFrame, optional
        Result of :func:`web_use`, where it is at hand.

    Returns
    -------
    DataFrame, shape (mounts, 15), rows as in ``reel_mounts``
        run (position in ``runs``), place (position in `webs`), -1 where there is none; run_id, web,
        supplier, reel_id, material, reelstand, mounted_at, ended_by, and mounted_kg, strip_kg,
        reel_end_kg, scrapped_kg, net_kg [kg]. A weight that is not known is blank, and so is every
        sum with it; a column in which nothing is weighed counts as part of the net weight, and a net
        weight that stands on diameters or metres is blank.
    """
    mounts = logs["reel_mounts"]
    webs = web_use(logs) if webs is None else webs
    run, place = _places(logs, webs, mounts)
    spliced = mounts["ended_by"].isin(_SPLICED)
    weights = mounts[
        ["run_id", "web", "supplier", "reel_id", "material", "reelstand", "mounted_at", "ended_by"]
    ].copy()
    weights.insert(0, "run", run)
    weights.insert(1, "place", place)
    start, returned = reel_weights(logs, webs, place)
    weights["mounted_kg"] = start - returned
    weights["strip_kg"] = mounts["strip_kg"]
    weights["reel_end_kg"] = butt_weights(logs, webs, place).where(spliced, 0.0)
    weights["scrapped_kg"] = mounts["scrapped_kg"]
    # What no mount was ever weighed for is part of the net weight, and has a term of its own there.
    net = weights["mounted_kg"]
    for name in ("strip_kg", "reel_end_kg", "scrapped_kg"):
        if is_weighed(weights, name):
            net = net - weights[name]
    # A weight that was reckoned from a diameter or from metres tells nothing of grammage.
    weights["net_kg"] = net.where(mounts["start_kg"].notna() & mounts["returned_kg"].notna())
    return weights


def is_weighed(weights: pd.DataFrame, stream: str) -> bool:
    """Say whether any mount has a weight of `stream` (``strip_kg``, ``reel_end_kg`` or ``scrapped_kg``)."""
    known = weights[stream].notna()
    if stream == "reel_end_kg":
        known &= weights["ended_by"].isin(_SPLICED)
        return bool(known.any()) or not weights["ended_by"].isin(_SPLICED).any()
    return bool(known.any())


def new_reels(weights: pd.DataFrame) -> np.ndarray:
    """Say which mounts are the first of their reel, and so the one before which it is stripped."""
    order = weights.sort_values("mounted_at", kind="stable")
    first = ~order.duplicated(["supplier", "reel_id"])
    return first.reindex(weights.index).to_numpy(dtype=bool)


def reel_weights(logs: Logs, webs: pd.DataFrame, place: np.ndarray) -> tuple[pd.Series, pd.Series]:
    """Return the weights with which each mount began and ended.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.
    webs : DataFrame
        Result of :func:`web_use`.
    place : ndarray of int, shape (mounts,)
        Row of `webs` that each mount belongs to, -1 for none.

    Returns
    -------
    start, returned : Series, shape (mounts,)
        As weighed; else from the diameters, with the caliper and the nominal grammage of the material; else
        from the metres run, as if the rest of the reel weighed nothing [kg]. Blank where none is known.
    """
    mounts = logs["reel_mounts"]
    width, gsm, caliper = _paper_of(logs, webs, mounts, place)
    core = logs.plant.reel.core_diameter_mm
    weights = []
    for kg, diameter in (("start_kg", "start_mm"), ("returned_kg", "returned_mm")):
        around = mounts[diameter]
        metres = np.pi * (around**2 - core**2) / (4 * caliper)
        weighed = (metres * width * gsm / 1e6).where(around > core, around * 0.0)
        weights.append(mounts[kg].fillna(weighed))
    start, returned = weights
    run_off = mounts["used_m"] * width * gsm / 1e6
    unknown = start.isna() | returned.isna()
    return start.where(~unknown, run_off), returned.where(~unknown, run_off * 0.0)


def butt_weights(logs: Logs, webs: pd.DataFrame, place: np.ndarray) -> pd.Series:
    """Return what stayed on the core of each mount [kg]: weighed, else from the depth of paper on it."""
    mounts = logs["reel_mounts"]
    width, gsm, caliper = _paper_of(logs, webs, mounts, place)
    core = logs.plant.reel.core_diameter_mm
    metres = np.pi * ((core + 2 * mounts["butt_mm"]) ** 2 - core**2) / (4 * caliper)
    # Depths are read to the millimetre: they stand in only where no butt is weighed at all.
    if mounts["butt_kg"].gt(0).any():
        return mounts["butt_kg"]
    return mounts["butt_kg"].where(mounts["butt_kg"] > 0, metres * width * gsm / 1e6)


def _paper_of(
    logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame, place: np.ndarray
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Return width [mm], nominal grammage [g/m2] and caliper [um] of the paper of each mount."""
    nothing = pd.Series(np.nan, mounts.index)
    width = gsm = caliper = nothing
    if logs.has("materials"):
        known = logs["materials"].drop_duplicates("material").set_index("material")
        width, gsm, caliper = (
            mounts["material"].map(known[name]).astype("float64")
            for name in ("width_mm", "grammage_gsm", "caliper_um")
        )
    if len(webs):
        printed = pd.Series(webs["width_mm"].to_numpy()[place], mounts.index).where(place >= 0)
        width = printed.fillna(width)
    return width, gsm, caliper.fillna(logs.plant.reel.caliper_um)


def _places(logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return the position of each mount's run in ``runs`` and of its web in `webs`."""
    run = pd.Index(logs["runs"]["run_id"]).get_indexer(mounts["run_id"])
    # A web is named within its run: one whole number stands for both names.
    names = pd.Index(webs["web"].unique())
    key_of_web = webs["run"].to_numpy() * len(names) + names.get_indexer(webs["web"])
    web = names.get_indexer(mounts["web"])
    key = np.where((run >= 0) & (web >= 0), run * len(names) + web, -1)
    return run, pd.Index(key_of_web).get_indexer(key)
