"""Rules about reels: weight against size, and one reel followed from mount to mount.

A weight that no reel can have rejects. Doubts about the identity of a reel only warn: its kilograms
were mounted whatever its number was, so the paper balance takes them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..geometry import length_m, reel_diameter_mm
from .keys import as_mask, cells_at, combined_codes, positions_in

if TYPE_CHECKING:
    from ..plant import Plant
    from .rows import Rows

__all__ = ["check_reels", "diameter_m"]

#: Diameter above which a weight is doubtful, and above which it is impossible [m]. Common practice,
#: no source: newsprint reels are 1.0 to 1.27 m thick, and reelstands are built for that.
_DOUBTFUL_M, _IMPOSSIBLE_M = 1.35, 1.7
_NAT = np.datetime64("NaT", "us")


def diameter_m(
    kg: np.ndarray,
    width_mm: np.ndarray,
    grammage_gsm: np.ndarray,
    caliper_um: np.ndarray,
    core_diameter_mm: float,
) -> np.ndarray:
    """Return the diameter of a reel of given weight [m], from the length of its paper."""
    return reel_diameter_mm(length_m(kg, width_mm, grammage_gsm), core_diameter_mm, caliper_um) / 1000


def _check_weight(rows: Rows, column: str, materials: Rows, plant: Plant) -> None:
    live = np.flatnonzero(materials.live)
    at = positions_in(rows["material"], materials["material"].take(pa.array(live)), live)
    caliper = materials["caliper_um"][at]
    with np.errstate(invalid="ignore", divide="ignore"):
        across = diameter_m(
            rows[column],
            materials["width_mm"][at],
            materials["grammage_gsm"][at],
            np.where(np.isnan(caliper), plant.reel.caliper_um, caliper),
            plant.reel.core_diameter_mm,
        )
    known = rows.live & (at >= 0)
    doubtful = known & (across > _DOUBTFUL_M) & (across <= _IMPOSSIBLE_M)
    rows.warn(doubtful, column, "thick for a reel of its width and grammage; {:.2f} m", across)
    rule = "thicker than any reel of its width and grammage; {:.2f} m"
    rows.reject(known & (across > _IMPOSSIBLE_M), column, rule, across)


def _ends(mounts: Rows, live: np.ndarray, runs: Rows, run: np.ndarray, web: np.ndarray) -> np.ndarray:
    """Return by when each live mount certainly still ran: NaT where a break leaves it open.

    The next mount on the same web begins where this one ended; the last one ran to the end of the
    run. After a break or damage a reel may be off the stand long before the next one is threaded.
    """
    times = mounts["mounted_at"][live]
    order = np.lexsort((times, web, run))
    follows = (np.diff(run[order]) == 0) & (np.diff(web[order]) == 0)
    ends = np.full(len(live), _NAT)
    ends[order[:-1][follows]] = times[order[1:]][follows]
    last = mounts.is_in("ended_by", "run_end")[live]
    ends = np.where(last & np.isnat(ends), runs["finished_at"][run], ends)
    return np.where(mounts.is_in("ended_by", "run_end", "splice", "failed_splice")[live], ends, _NAT)


def _follow_reels(mounts: Rows, runs: Rows, run_of_mount: np.ndarray, plant: Plant) -> None:
    """Compare each mount of a reel with the one before."""
    live = np.flatnonzero(mounts.live & (run_of_mount >= 0))
    if len(live) < 2:
        return
    reel = combined_codes([mounts.codes("supplier"), mounts.codes("reel_id")])[live]
    web = mounts.codes("web")[live]
    run, times = run_of_mount[live], mounts["mounted_at"][live]
    order = np.lexsort((times, reel))
    pairs = np.flatnonzero(np.diff(reel[order]) == 0)
    before, after = order[pairs], order[pairs + 1]
    elsewhere = (run[before] != run[after]) | (web[before] != web[after])
    at_once = elsewhere & (times[after] < _ends(mounts, live, runs, run, web)[before])

    spliced = mounts.is_in("ended_by", "splice", "failed_splice")[live][before]
    returned = mounts["returned_kg"][live][before]
    used_up = (returned == 0) | (spliced & ~(returned > 0))
    sigma = np.sqrt(2) * plant.measurement.reel_kg
    heavier = mounts["start_kg"][live][after] > returned + 5 * sigma

    for mask, columns, words in (
        (at_once, ("supplier", "reel_id"), "the same reel still ran on another web"),
        (used_up & ~at_once, ("supplier", "reel_id"), "the same reel was used up or thrown away before"),
        (heavier & ~used_up & ~at_once, ("start_kg",), "heavier than when the same reel went back"),
    ):
        places = [mounts.raw.place(row) for row in live[before[mask]].tolist()]
        mounts.warn(live[after[mask]], columns, [f"{words}; {file}:{line}" for file, line in places])


def _check_received(reels: Rows, mounts: Rows) -> None:
    """Check that a reel is of the material it was mounted as."""
    live = np.flatnonzero(mounts.live)
    at = positions_in(reels["reel_id"], mounts["reel_id"].take(pa.array(live)), live)
    mounted, supplier = cells_at(mounts["material"], at), cells_at(mounts["supplier"], at)
    other = reels.live & as_mask(pc.not_equal(reels["material"], mounted))
    other &= as_mask(pc.equal(reels["supplier"], supplier))
    names = mounted.filter(pa.array(other)).to_pylist()
    reels.warn(other, "material", [f"mounted as another material; {name}" for name in names])


def check_reels(tables: dict[str, Rows], run_of_mount: np.ndarray | None, plant: Plant) -> None:
    """Check weights and identities of reels; `run_of_mount` is -1 where there is none, None without mounts."""
    mounts, reels, materials = tables.get("reel_mounts"), tables.get("reels"), tables.get("materials")
    if materials is not None:
        if mounts is not None:
            _check_weight(mounts, "start_kg", materials, plant)
        if reels is not None:
            _check_weight(reels, "received_kg", materials, plant)
    if mounts is not None and run_of_mount is not None:
        _follow_reels(mounts, tables["runs"], run_of_mount, plant)
    if reels is not None and mounts is not None:
        _check_received(reels, mounts)
