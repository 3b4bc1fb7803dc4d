"""Rules that one row can break by itself, given the description of the plant.

A rule *rejects* where the row contradicts itself, so that some figure in it is wrong and nobody can
tell which; it *warns* where the figures that the analysis takes are still usable.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from .keys import as_mask, cells_at, positions_in

if TYPE_CHECKING:
    from ..plant import Plant
    from .rows import Rows

__all__ = ["check_each_row", "exists_twice", "missing", "tanks_of", "to_utc"]

_DAY = np.timedelta64(1, "D")
_HOUR = np.timedelta64(1, "h")
#: Days between a publication date and the start of printing (preprints are run early).
_DATE_APART = 3
#: Unaccounted copies that are worth a line: a share of the gross, or a number where that is small.
_UNCOUNTED_SHARE, _UNCOUNTED_COPIES = 0.005, 50
_PACKS = ("pack_quantity", "load_quantity", "a pack is more than a load")


# -- wall time across a change of the clocks -------------------------------------------------------


def missing(zone: ZoneInfo, times: np.ndarray) -> np.ndarray:
    """Return a mask of wall times in an hour that the clocks leapt over."""
    first = np.ones(len(times), dtype=bool)
    local = pd.DatetimeIndex(times).tz_localize(zone, ambiguous=first, nonexistent="NaT")
    return np.asarray(local.isna() & ~np.isnat(times))


def exists_twice(zone: ZoneInfo, times: np.ndarray) -> np.ndarray:
    """Return a mask of wall times in an hour that the clocks went through twice."""
    local = pd.DatetimeIndex(times).tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
    return np.asarray(local.isna() & ~np.isnat(times))


def to_utc(zone: ZoneInfo, times: np.ndarray, second: bool = False) -> np.ndarray:
    """Convert wall time to UTC, an hour that exists twice as its first or `second` occurrence.

    An hour that does not exist is read with the offset before the change, as PEP 495 does.
    """
    first = np.full(len(times), not second)
    wall = pd.DatetimeIndex(times)
    utc = wall.tz_localize(zone, ambiguous=first, nonexistent="NaT").tz_convert(None)
    # The day before has the offset from before the change.
    day = pd.Timedelta(days=1)
    before = (wall - day).tz_localize(zone, ambiguous=first, nonexistent="shift_forward").tz_convert(None)
    return utc.where(utc.notna(), before + day).to_numpy(dtype="datetime64[us]")


# -- rules -----------------------------------------------------------------------------------------


def _no_more(rows: Rows, first: str, second: str, rule: str, rejects: bool = False) -> None:
    """Note rows in which the first of two columns is above the second."""
    (rows.reject if rejects else rows.warn)(rows[first] > rows[second], (first, second), rule)


def _warn_unknown(rows: Rows, column: str, known: Iterable[str]) -> None:
    """Note names that are none of those that ``plant.toml`` lists, where it lists any."""
    if names := list(known):
        unknown = positions_in(rows[column], pa.array(names)) < 0
        rows.warn(unknown & ~rows.blank(column), column, f"no {column} of plant.toml")


def tanks_of(rows: Rows, plant: Plant) -> tuple[np.ndarray, pa.Array]:
    """Return which tank of ``plant.toml`` each row names, -1 where it is none, and the ink in it."""
    at = positions_in(rows["tank"], pa.array(list(plant.tanks)))
    return at, cells_at(pa.array([tank.ink for tank in plant.tanks.values()]), at)


def _check_runs(rows: Rows, plant: Plant) -> None:
    gross, good = rows["copies_gross"], rows["copies_good"]
    startup, running = rows["copies_startup_waste"], rows["copies_running_waste"]
    _no_more(rows, "copies_good", "copies_gross", "more good copies than gross", rejects=True)
    rest = gross - good - startup - running
    beyond = np.abs(rest) > np.maximum(_UNCOUNTED_SHARE * gross, _UNCOUNTED_COPIES)
    rows.warn(
        beyond & (good <= gross),
        ("copies_gross", "copies_good", "copies_startup_waste", "copies_running_waste"),
        "gross is not good + start-up + running, by more than 0.5 % and 50 copies",
    )
    _no_more(rows, "colour_pages", "pages", "more colour pages than pages")
    _no_more(rows, "plates_remade", "plates", "more plates remade than exposed")
    _warn_unknown(rows, "press", plant.presses)
    _check_duration(rows, plant)
    apart = np.abs(rows["started_at"].astype("datetime64[D]") - rows["date"].astype("datetime64[D]"))
    rule = f"publication date more than {_DATE_APART} days from the start of printing"
    rows.reject(apart > _DATE_APART * _DAY, ("date", "started_at"), rule)


def _check_duration(rows: Rows, plant: Plant) -> None:
    """Check the duration in UTC, so that a change of the clocks is no fault.

    In an hour that exists twice a start is the first one and a finish the first that comes after it,
    else the second; where that leaves the duration open the row is marked.
    """
    start, finish = rows["started_at"], rows["finished_at"]
    utc_start, utc_finish = to_utc(plant.zone, start), to_utc(plant.zone, finish)
    second = to_utc(plant.zone, finish, second=True)
    utc_finish = np.where(utc_finish < utc_start, second, utc_finish)
    columns = ("started_at", "finished_at")
    rows.reject(utc_finish < utc_start, columns, "finished before it started")
    rows.reject(utc_finish - utc_start > 24 * _HOUR, columns, "a run of more than 24 hours")
    for name, times in (("started_at", start), ("finished_at", finish)):
        rule = "the clocks went back and this hour exists twice: duration uncertain by it"
        rows.warn(exists_twice(plant.zone, times), name, rule)


def _check_mounts(rows: Rows, plant: Plant) -> None:
    error = plant.measurement
    start = rows["start_kg"]
    names = ("strip_kg", "returned_kg", "butt_kg", "scrapped_kg")
    spent = sum(np.nan_to_num(rows[name]) for name in names)
    # Start and remainder are weighed alike, the butt on another scale.
    sigma = float(np.sqrt(2 * error.reel_kg**2 + error.butt_kg**2))
    rule = "strip, returned, butt and scrapped are more than the reel held"
    rows.reject(spent > start + 3 * sigma, ("start_kg", *names), rule)
    thicker = rows["returned_mm"] > rows["start_mm"]
    rows.reject(thicker, ("start_mm", "returned_mm"), "thicker after the run than before it")
    otherwise = ~rows.is_in("ended_by", "splice", "failed_splice") & ~rows.blank("ended_by")
    butt = (rows["butt_kg"] > 0) & otherwise
    rows.warn(butt, ("butt_kg", "ended_by"), "a butt is left by a splice only")


def _check_tank_readings(rows: Rows, plant: Plant) -> None:
    if not plant.tanks:
        return
    at, declared = tanks_of(rows, plant)
    rows.reject((at < 0) & ~rows.blank("tank"), "tank", "no tank of plant.toml")
    held = [tank.capacity_kg for tank in plant.tanks.values()]
    capacity = np.array([np.inf if kg is None else kg for kg in held])[at]
    above = (at >= 0) & (rows["level_kg"] > capacity)
    rows.reject(above, "level_kg", "above the capacity of the tank; {:g} kg", capacity)
    other = as_mask(pc.not_equal(pc.utf8_lower(declared), pc.utf8_lower(rows["ink"])))
    rows.reject(other, ("tank", "ink"), "another ink than plant.toml declares for the tank")


def _check_deliveries(rows: Rows, plant: Plant) -> None:
    ordered, delivered = rows["ordered_on"], rows["delivered_on"]
    rows.reject(delivered < ordered, ("delivered_on", "ordered_on"), "delivered before it was ordered")
    rows.warn(rows["promised_on"] < ordered, ("promised_on", "ordered_on"), "promised before it was ordered")
    same = rows["delivered_at"].astype("datetime64[D]") == delivered.astype("datetime64[D]")
    timed, came = ~np.isnat(rows["delivered_at"]), ~np.isnat(delivered)
    columns = ("delivered_at", "delivered_on")
    rows.warn(timed & came & ~same, columns, "time of receipt on another day than the day of receipt")
    rows.warn(timed & ~came, columns, "a time of receipt, but no day: taken for an open order")
    cancelled = ~np.isnat(rows["cancelled_on"])
    rows.warn(cancelled & came, ("cancelled_on", "delivered_on"), "cancelled, yet delivered")
    _warn_unknown(rows, "tank", plant.tanks)


def _check_stock_counts(rows: Rows, _plant: Plant) -> None:
    at, day = rows["counted_at"].astype("datetime64[D]"), rows["counted_on"].astype("datetime64[D]")
    apart = (at != day) & ~np.isnat(at) & ~np.isnat(day)
    rows.warn(apart, ("counted_at", "counted_on"), "time of the count on another day")


def _check_materials(rows: Rows, _plant: Plant) -> None:
    paper, ink, plate = (rows.is_in("kind", kind) for kind in ("newsprint", "ink", "plate"))
    other_than_kg, other_than_each = (as_mask(pc.not_equal(rows["unit"], unit)) for unit in ("kg", "each"))
    for column in ("width_mm", "grammage_gsm"):
        rows.reject(paper & np.isnan(rows[column]), column, "newsprint needs its width and its grammage")
    rows.reject(paper & other_than_kg, "unit", "newsprint is counted in kg")
    rows.warn(ink & rows.blank("ink"), "ink", "which ink it is, is not said: its use cannot be forecast")
    rows.warn(ink & other_than_kg, "unit", "tanks and coverage tell ink in kg")
    rows.warn(plate & other_than_each, "unit", "plates are counted each")
    _no_more(rows, "order_minimum", "storage_maximum", "the least order is more than can be stored")
    _no_more(rows, *_PACKS)


def _check_terms(rows: Rows, _plant: Plant) -> None:
    _no_more(rows, "contract_from", "contract_to", "the contract ends before it begins", rejects=True)
    least, most = "share_minimum_pct", "share_maximum_pct"
    _no_more(rows, least, most, "the least share is above the largest", rejects=True)
    columns = ("contract_quantity", "contract_from", "contract_to")
    undated = np.isnat(rows["contract_from"]) | np.isnat(rows["contract_to"])
    rule = "a contract without its first and last day: it is not followed"
    rows.warn((rows["contract_quantity"] > 0) & undated, columns, rule)
    alone = ~np.isnan(rows["tolerance_pct"]) & rows.blank("contract_quantity")
    rule = "a tolerance without the quantity of its contract"
    rows.warn(alone, ("tolerance_pct", "contract_quantity"), rule)
    _no_more(rows, *_PACKS)


def _check_titles(rows: Rows, _plant: Plant) -> None:
    contract = rows.is_in("kind", "contract")
    rows.warn(contract & rows.blank("customer"), "customer", "contract printing without a customer")


def _check_plan(rows: Rows, _plant: Plant) -> None:
    _no_more(rows, "colour_pages", "pages_planned", "more colour pages than pages")
    empty = (rows["copies_planned"] > 0) & (rows["pages_planned"] == 0)
    rows.warn(empty, ("copies_planned", "pages_planned"), "copies without pages")


_CHECKS: dict[str, Callable[[Rows, Plant], None]] = {
    "runs": _check_runs,
    "reel_mounts": _check_mounts,
    "tank_readings": _check_tank_readings,
    "deliveries": _check_deliveries,
    "stock_counts": _check_stock_counts,
    "materials": _check_materials,
    "terms": _check_terms,
    "titles": _check_titles,
    "plan": _check_plan,
}


def check_each_row(name: str, rows: Rows, plant: Plant) -> None:
    """Check each typed row of a table by itself; what breaks a rule is noted, and not live where that rejects."""
    if name in _CHECKS:
        _CHECKS[name](rows, plant)
    for column in rows.raw.table.columns:
        if column.kind == "time":
            rule = "the clocks went forward and this hour does not exist"
            rows.warn(missing(plant.zone, rows[column.name]), column.name, rule)
