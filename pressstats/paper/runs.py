"""What each run and each of its webs used: areas, streams at nominal grammage, and reel records.

These frames are the common ground of the balance, the grammages and the limits of error, so that a
mount or a copy is added up in one place only. Runs and webs are held as positions beside their names,
because adding up by whole numbers is many times faster than by words.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..geometry import copy_area_m2, paper_kg, reel_length_m

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = [
    "add_up",
    "is_weighed",
    "lost_runs",
    "mount_weights",
    "reel_numbers",
    "run_copies",
    "supplier_kg",
    "threading_counts",
    "web_use",
]

_SPLICED = ("splice", "failed_splice")


def add_up(position: np.ndarray, values: pd.Series | np.ndarray, size: int) -> np.ndarray:
    """Return sums of `values` by position (-1 is nowhere): blank where one of them is, 0 where there is none."""
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
        run (position in ``runs``), run_id, web, date, week, title, press, material, width_mm [mm], pages, nominal_gsm
        [g/m2], copy_m2 [m2 per copy], area_m2 [m2 of the gross copies].
    """
    runs = logs["runs"]
    webs = logs["run_webs"]
    run = _positions(webs["run_id"], runs["run_id"])
    webs, run = webs[run >= 0].reset_index(drop=True), run[run >= 0]
    about = runs[["date", "title", "press"]].assign(week=logs.plant.week_of(runs["date"]))
    about = about.take(run).reset_index(drop=True)
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
            "nominal_gsm": logs.of_material(webs["material"], "grammage_gsm"),
            "copy_m2": copy_m2,
            "area_m2": copy_m2 * runs["copies_gross"].to_numpy()[run],
        }
    )


def run_copies(logs: Logs, webs: pd.DataFrame) -> pd.DataFrame:
    """Return the streams of each run that counters and webs give [kg at nominal grammage], rows as in ``runs``.

    Areas: copy_m2 of a copy, area_m2 of the gross copies, spoiled_m2 of those that are not good [m2]. A run of which
    a web is missing or has no grammage is blank.
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


def mount_weights(logs: Logs, webs: pd.DataFrame) -> pd.DataFrame:
    """Return the weights of each mount, with what was printed or threaded from it.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.
    webs : DataFrame
        Result of :func:`web_use`.

    Returns
    -------
    DataFrame, shape (mounts, 15), rows as in ``reel_mounts``
        run (position in ``runs``), web_row (position in `webs`), -1 where there is none; run_id, web, supplier,
        reel_id, material, reelstand, mounted_at, ended_by, and mounted_kg, strip_kg, reel_end_kg, scrapped_kg, net_kg
        [kg]. A weight that is not known is blank, and so is every sum with it; a column in which nothing is weighed
        counts as part of the net weight, and a net weight that stands on diameters or metres is blank.
    """
    mounts = logs["reel_mounts"]
    run, web_row = _run_and_web(logs, webs, mounts)
    spliced = mounts["ended_by"].isin(_SPLICED)
    weights = mounts[
        ["run_id", "web", "supplier", "reel_id", "material", "reelstand", "mounted_at", "ended_by"]
    ].copy()
    weights.insert(0, "run", run)
    weights.insert(1, "web_row", web_row)
    width, gsm, caliper = _paper_of(logs, webs, mounts, web_row)
    core = logs.plant.reel.core_diameter_mm
    start, returned = _reel_weights(mounts, width, gsm, caliper, core)
    weights["mounted_kg"] = start - returned
    weights["strip_kg"] = mounts["strip_kg"]
    butt = mounts["butt_kg"]
    # Depths are read to the millimetre: they stand in only where no butt is weighed at all.
    if not butt.gt(0).any():
        metres = reel_length_m(core + 2 * mounts["butt_mm"], core, caliper)
        butt = butt.where(butt > 0, metres * width * gsm / 1e6)
    weights["reel_end_kg"] = butt.where(spliced, 0.0)
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


def reel_numbers(mounts: pd.DataFrame) -> np.ndarray:
    """Return a number for the reel of each mount; they stand in the order of reels, then of time, as logs have them."""
    another = np.ones(len(mounts), dtype=bool)
    supplier, reel = mounts["supplier"].array, mounts["reel_id"].array
    another[1:] = (supplier[1:] != supplier[:-1]) | (reel[1:] != reel[:-1])
    return np.cumsum(another) - 1


def threading_counts(mounts: pd.DataFrame) -> dict[str, pd.Series]:
    """Return how many of each term of the regression of paper, beside the start, each mount counts for.

    A reel is stripped before its first mount, which is taken to be ``reel`` by half, as is its splice.
    """
    new_reel = pd.Series(np.diff(reel_numbers(mounts), prepend=-1), mounts.index, dtype="float64")
    spliced = mounts["ended_by"].isin(_SPLICED)
    rethreaded = mounts["ended_by"].isin(["web_break", "failed_splice"])
    return {"break": rethreaded, "new reel": new_reel, "splice": spliced, "reel": (new_reel + spliced) / 2}


def supplier_kg(mounts: pd.DataFrame, web_row: pd.Series | np.ndarray) -> pd.DataFrame:
    """Return the paper mounted by supplier [kg] on some webs (rows of ``web_use``), shape (webs, suppliers)."""
    supplier, names = pd.factorize(mounts["supplier"], sort=True)
    kg = mounts["mounted_kg"].clip(lower=0.0).fillna(0.0)
    row, wanted = mounts["web_row"].to_numpy(), np.asarray(web_row)
    sums = kg.groupby(row * len(names) + supplier, sort=False).sum()
    sums = sums[sums.index >= 0]  # on some web
    by = np.zeros((max(row.max(initial=-1), wanted.max(initial=-1)) + 1, len(names)))
    by.flat[sums.index] = sums
    return pd.DataFrame(by[wanted], web_row, names)


def _reel_weights(
    mounts: pd.DataFrame, width: pd.Series, gsm: pd.Series, caliper: pd.Series, core_mm: float
) -> tuple[pd.Series, pd.Series]:
    """Return the weights with which each mount began and ended [kg], blank where none is known.

    As weighed; else from the diameters, with caliper and nominal grammage; else from the metres run, as if the rest
    of the reel weighed nothing.
    """
    weights = []
    for kg, diameter in (("start_kg", "start_mm"), ("returned_kg", "returned_mm")):
        around = mounts[diameter]
        weighed = reel_length_m(around, core_mm, caliper) * width * gsm / 1e6
        weights.append(mounts[kg].fillna(weighed.where(around > core_mm, around * 0.0)))
    start, returned = weights
    run_off = mounts["used_m"] * width * gsm / 1e6
    unknown = start.isna() | returned.isna()
    return start.where(~unknown, run_off), returned.where(~unknown, run_off * 0.0)


def _paper_of(
    logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame, web_row: np.ndarray
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Return width [mm], nominal grammage [g/m2] and caliper [um] of the paper of each mount."""
    names = ("width_mm", "grammage_gsm", "caliper_um")
    width, gsm, caliper = (logs.of_material(mounts["material"], name) for name in names)
    if len(webs):
        printed = pd.Series(webs["width_mm"].to_numpy()[web_row], mounts.index).where(web_row >= 0)
        width = printed.fillna(width)
    return width, gsm, caliper.fillna(logs.plant.reel.caliper_um)


def _run_and_web(logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return the position of each mount's run in ``runs`` and of its web in `webs`."""
    runs = logs["runs"]["run_id"]
    run = _positions(mounts["run_id"], runs)
    # A web is named within its run: one whole number stands for both names; at the last, -1, is none.
    web_of_web, names = webs["web"].factorize()
    row_of = np.full(len(runs) * len(names) + 1, -1)
    row_of[webs["run"].to_numpy() * len(names) + web_of_web] = np.arange(len(webs))
    web = _positions(mounts["web"], names)
    return run, row_of[np.where((run >= 0) & (web >= 0), run * len(names) + web, -1)]


def _positions(words: pd.Series, known: pd.Series | pd.Index) -> np.ndarray:
    """Return where each word is among the `known`, -1 where it is not; each is looked up once, however often it is."""
    codes, names = words.factorize()
    return np.append(pd.Index(known).get_indexer(names), -1)[codes]
