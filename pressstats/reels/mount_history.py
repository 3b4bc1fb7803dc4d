"""Each mount as a part of a reel's life: metres already run, metres run now, age, how often it was mounted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..paper import WeighedPaper, mount_grammage
from ..tables import INPUTS

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = [
    "LEVELS_IN_ORDER",
    "metre_kg",
    "mount_history",
    "no_mounts",
    "receipts_of",
    "reel_codes",
    "unlogged_runs",
]

_REEL = ["supplier", "reel_id"]
#: Columns taken as they are in ``reel_mounts``.
_COPIED = ["start_kg", "strip_kg", "returned_kg", "butt_kg", "butt_mm", "scrapped_kg"]
_SEASONS = np.array(["December to February", "March to May", "June to August", "September to November"])
_AGES = (7, 14, 28)  # days
_AGE_WORDS = np.array(["up to 1 week", "1 to 2 weeks", "2 to 4 weeks", "more than 4 weeks", "not known"])
_MOUNT_WORDS = np.array(["first mount", "second mount", "third mount", "fourth or later"])
#: Levels of season, age and mounts in the order in which time passes.
LEVELS_IN_ORDER = (*_SEASONS.tolist(), *_AGE_WORDS.tolist(), *_MOUNT_WORDS.tolist())


def reel_codes(frame: pd.DataFrame) -> np.ndarray:
    """Return a whole number for each reel by supplier and name, from 0 in the order of first appearance."""
    suppliers, _ = pd.factorize(frame["supplier"])
    names, known = pd.factorize(frame["reel_id"])
    return pd.factorize(suppliers * max(len(known), 1) + names)[0]


def unlogged_runs(logs: Logs) -> np.ndarray:
    """Return when the runs started whose reels nobody logged, in order."""
    runs = logs["runs"]
    logged = pd.Index(logs["reel_mounts"]["run_id"].unique()).get_indexer(runs["run_id"])
    return np.sort(runs["started_at"].to_numpy()[logged < 0])


def metre_kg(logs: Logs, grammage: pd.DataFrame) -> pd.Series:
    """Return the weight of a metre of each material's web [kg / m]; nominal where its effective grammage is blank."""
    if not logs.has("materials"):
        return pd.Series(dtype="float64")
    known = grammage.set_index("material")
    gsm = known["effective_gsm"].fillna(known["nominal_gsm"])
    width = logs["materials"].set_index("material")["width_mm"]
    return width.astype("float64") * gsm.reindex(width.index).astype("float64") / 1e6


def mount_history(logs: Logs, weighed: WeighedPaper) -> pd.DataFrame:
    """Return each mount with its place in the life of its reel.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`: metres are reckoned with the grammage of their own days.

    Returns
    -------
    DataFrame, shape (mounts, 27), rows as in ``reel_mounts``
        reel (number of the reel), run_id, date, press, title, crew, hour (of the mount, 0 to 23), supplier, material,
        width_mm [mm], reelstand, mounted_at, ended_by, start_kg, strip_kg, returned_kg, butt_kg, butt_mm [mm],
        scrapped_kg [kg], number (1 for the first mount of the reel), new (first mount, and the reel was whole),
        entered_m (run on this reel before), run_m (run in this mount) [m], kg_per_m (of its paper, in its days) [kg /
        m], lot (delivery, else supplier, material and week), season, age and mounts (in words). `entered_m` is blank
        where nobody knows how much was gone when the logs began.
    """
    mounts, weights = logs["reel_mounts"], weighed.mounts
    if weights is None:
        raise ValueError("no reel_mounts, so no mount has a history")
    history = weights[["run_id", "supplier", "material", "reelstand", "mounted_at", "ended_by"]].copy()
    history.insert(0, "reel", reel_codes(mounts))
    runs, run = logs["runs"], weights["run"].to_numpy()
    for column in ("date", "press", "title", "crew"):
        # A mount whose run is not there (-1) has neither day nor press.
        history[column] = pd.Series(runs[column].array.take(run, allow_fill=True), history.index)
    history[_COPIED] = mounts[_COPIED]
    history["hour"] = history["mounted_at"].dt.hour.astype("float64")
    history["width_mm"] = logs.of_material(history["material"], "width_mm")
    own = mount_grammage(weighed.weights.regimes, history, history["date"]) * history["width_mm"] / 1e6
    per_metre = own.fillna(history["material"].map(metre_kg(logs, weighed.grammage)).astype("float64"))
    history["kg_per_m"] = per_metre
    # A reel that is not weighed has its metres from the counter, else from what left it by its diameters.
    counted = mounts["used_m"].fillna(weights["mounted_kg"] / per_metre)
    weighed_both = mounts["start_kg"].notna() & mounts["returned_kg"].notna()
    # Errors of weighing can make a short mount negative.
    history["run_m"] = np.maximum((weights["net_kg"] / per_metre).where(weighed_both, counted), 0.0)
    _add_place_in_life(history, per_metre, logs, receipts_of(logs, mounts))
    history["season"] = pd.array(_SEASONS[history["mounted_at"].dt.month.to_numpy() % 12 // 3], dtype="str")
    return history


def no_mounts() -> pd.DataFrame:
    """Return the empty frame that stands where no mount is logged."""
    words = ["run_id", "supplier", "material", "reelstand", "ended_by", "press", "title", "crew"]
    kinds = dict.fromkeys([*words, "season", "age", "mounts"], "str")
    kinds |= dict.fromkeys(
        [*_COPIED, "hour", "width_mm", "kg_per_m", "number", "entered_m", "run_m"], "float64"
    )
    kinds |= {"reel": "int64", "lot": "int64", "new": "bool"}
    kinds |= dict.fromkeys(["mounted_at", "date"], "datetime64[us]")
    return pd.DataFrame(columns=list(kinds)).astype(kinds)


def receipts_of(logs: Logs, mounts: pd.DataFrame) -> pd.DataFrame:
    """Return what is known of the receipt of each mount's reel: received_on, received_kg, delivery_id."""
    reels = logs["reels"] if logs.has("reels") else INPUTS["reels"].empty()
    codes = reel_codes(pd.concat([reels[_REEL], mounts[_REEL]], ignore_index=True))
    position = pd.Index(codes[: len(reels)]).get_indexer(codes[len(reels) :])
    columns = ("received_on", "received_kg", "delivery_id")
    return pd.DataFrame(
        {name: reels[name].array.take(position, allow_fill=True) for name in columns}, index=mounts.index
    )


def _add_place_in_life(
    history: pd.DataFrame, per_metre: pd.Series, logs: Logs, received: pd.DataFrame
) -> None:
    """Add number, new, entered_m, lot, age and mounts."""
    order = np.lexsort((history["mounted_at"].to_numpy(), history["reel"].to_numpy()))
    reel = history["reel"].to_numpy()[order]
    first = np.ones(len(reel), dtype=bool)
    first[1:] = reel[1:] != reel[:-1]
    begins = np.maximum.accumulate(np.where(first, np.arange(len(reel)), 0)) if len(reel) else reel
    number = np.arange(len(reel)) - begins + 1
    start = history["start_kg"].to_numpy()[order]
    # Torn off or thrown away is gone from the reel, but was never run.
    gone = np.nan_to_num(history["strip_kg"].to_numpy()) + np.where(
        history["ended_by"].isin(["splice", "failed_splice"]), 0.0, np.nan_to_num(history["scrapped_kg"])
    )
    gone = gone[order]
    before = np.cumsum(gone) - gone
    before -= before[begins]
    whole = received["received_kg"].to_numpy()[order][begins]
    fresh = _fresh(history, logs, start[begins], received, order, begins)
    # A whole reel that came short of weight never had what is missing: none of that was run.
    whole = np.where(fresh, start[begins], whole)
    metres = (whole - start - before) / per_metre.to_numpy()[order]
    # At its first mount a whole reel has run nothing; later, errors of weighing can make it negative.
    metres = np.where(fresh & (number == 1), 0.0, np.maximum(metres, 0.0))
    back = np.empty(len(order), dtype=int)
    back[order] = np.arange(len(order))
    history["number"] = number[back].astype("float64")
    history["new"] = (fresh & (number == 1))[back]
    history["entered_m"] = metres[back]
    history["mounts"] = pd.array(_MOUNT_WORDS[np.minimum(number, 4) - 1][back], dtype="str")
    history["lot"] = _lots(history, received)
    days = (history["mounted_at"] - received["received_on"]).dt.days.to_numpy(dtype="float64")
    band = np.where(np.isnan(days), len(_AGES) + 1, np.searchsorted(_AGES, np.nan_to_num(days), side="left"))
    history["age"] = pd.array(_AGE_WORDS[band], dtype="str")


def _fresh(
    history: pd.DataFrame,
    logs: Logs,
    start: np.ndarray,
    received: pd.DataFrame,
    order: np.ndarray,
    begins: np.ndarray,
) -> np.ndarray:
    """Say of each mount, in order, whether its reel was whole when it was first mounted in these logs."""
    if not len(order):
        return np.zeros(0, dtype=bool)
    weighed = received["received_kg"].to_numpy()[order][begins]
    near = 6 * np.sqrt(2) * logs.plant.measurement.reel_kg
    # Without a weight received, a reel is whole if it is about as heavy as those of its kind mostly are.
    once = pd.Series(start).where(begins == np.arange(len(begins)))
    kind = history["material"].to_numpy()[order]
    usual = once.groupby(kind).transform(lambda kg: kg.quantile(0.75)).to_numpy()
    # Nothing can have run from a reel that came, and was mounted, while every run was logged.
    came = received["received_on"].to_numpy()[order][begins]
    at = history["mounted_at"].to_numpy()[order][begins]
    unlogged = unlogged_runs(logs)
    seen = (came > logs["runs"]["started_at"].min()) & (
        np.searchsorted(unlogged, came, side="left") == np.searchsorted(unlogged, at, side="left")
    )
    heavy = np.where(np.isnan(weighed), start > 0.9 * usual, start > weighed - near)
    return np.asarray(heavy | (seen & ~np.isnan(start)))


def _lots(history: pd.DataFrame, received: pd.DataFrame) -> np.ndarray:
    """Return the number of each mount's lot: reels of one delivery, else of one supplier, material and week."""
    week = history["mounted_at"].to_numpy().astype("datetime64[W]").astype("int64")
    codes = pd.factorize(history["supplier"])[0] * 100_000 + week
    made, kinds = pd.factorize(history["material"])
    codes = codes * max(len(kinds), 1) + made
    delivery, _ = pd.factorize(received["delivery_id"])
    return pd.factorize(np.where(delivery >= 0, -1 - delivery, codes - codes.min() if len(codes) else codes))[
        0
    ]
