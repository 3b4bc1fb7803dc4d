"""Rules that one row can break by itself, given the description of the plant.

A rule *rejects* where the row contradicts itself, so that some figure in it is wrong and nobody can
tell which; it *warns* where the figures that the analysis takes are still usable.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .clock import exists_twice, missing, to_utc
from .keys import positions_in

if TYPE_CHECKING:
    from ..plant import Plant
    from .rows import Rows

__all__ = ["as_mask", "check_each_row"]

_DAY = np.timedelta64(1, "D")
_HOUR = np.timedelta64(1, "h")
#: Days between a publication date and the start of printing (preprints are run early).
_DATE_APART = 3
#: Unaccounted copies that are worth a line: a share of the gross, or a number where that is small.
_UNCOUNTED_SHARE, _UNCOUNTED_COPIES = 0.005, 50


def as_mask(flags: pa.Array | pa.ChunkedArray) -> np.ndarray:
    """Return a mask from an arrow array of bool; null is false."""
    mask: np.ndarray = pc.fill_null(flags, False).to_numpy(zero_copy_only=False)
    return mask


def _check_runs(rows: Rows, plant: Plant) -> None:
    gross, good = rows["copies_gross"], rows["copies_good"]
    startup, running = rows["copies_startup_waste"], rows["copies_running_waste"]
    rows.reject(good > gross, ("copies_good", "copies_gross"), "more good copies than gross")
    rest = gross - good - startup - running
    beyond = np.abs(rest) > np.maximum(_UNCOUNTED_SHARE * gross, _UNCOUNTED_COPIES)
    rows.warn(
        beyond & (good <= gross),
        ("copies_gross", "copies_good", "copies_startup_waste", "copies_running_waste"),
        "gross is not good + start-up + running, by more than 0.5 % and 50 copies",
    )
    rows.warn(rows["colour_pages"] > rows["pages"], ("colour_pages", "pages"), "more colour pages than pages")
    rows.warn(
        rows["plates_remade"] > rows["plates"], ("plates_remade", "plates"), "more plates remade than exposed"
    )
    if plant.presses:
        unknown = positions_in(rows.text("press"), pa.array(list(plant.presses))) < 0
        rows.warn(unknown & ~rows.blank("press"), "press", "no press of plant.toml")
    _check_duration(rows, plant)
    apart = np.abs(rows["started_at"].astype("datetime64[D]") - rows["date"].astype("datetime64[D]"))
    far = apart > _DATE_APART * _DAY
    rows.reject(
        far,
        ("date", "started_at"),
        f"publication date more than {_DATE_APART} days from the start of printing",
    )


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
        twice = exists_twice(plant.zone, times)
        if twice.any():
            rows.warn(
                twice, name, "the clocks went back and this hour exists twice: duration uncertain by it"
            )


def _check_missing_hours(rows: Rows, plant: Plant) -> None:
    for column in rows.raw.table.columns:
        if column.kind == "time":
            rows.warn(
                missing(plant.zone, rows[column.name]),
                column.name,
                "the clocks went forward and this hour does not exist",
            )


def _check_mounts(rows: Rows, plant: Plant) -> None:
    error = plant.measurement
    start = rows["start_kg"]
    names = ("strip_kg", "returned_kg", "butt_kg", "scrapped_kg")
    spent = sum(np.nan_to_num(rows[name]) for name in names)
    # Start and remainder are weighed alike, the butt on another scale.
    sigma = float(np.sqrt(2 * error.reel_kg**2 + error.butt_kg**2))
    rows.reject(
        spent > start + 3 * sigma,
        ("start_kg", *names),
        "strip, returned, butt and scrapped are more than the reel held",
    )
    rows.reject(
        rows["returned_mm"] > rows["start_mm"],
        ("start_mm", "returned_mm"),
        "thicker after the run than before it",
    )
    spliced = as_mask(pc.is_in(rows.text("ended_by"), pa.array(["splice", "failed_splice"])))
    rows.warn(
        (rows["butt_kg"] > 0) & ~spliced & ~rows.blank("ended_by"),
        ("butt_kg", "ended_by"),
        "a butt is left by a splice only",
    )


def _check_tank_readings(rows: Rows, plant: Plant) -> None:
    if not plant.tanks:
        return
    names = list(plant.tanks)
    at = positions_in(rows.text("tank"), pa.array(names))
    rows.reject((at < 0) & ~rows.blank("tank"), "tank", "no tank of plant.toml")
    capacity = np.array([np.inf if (kg := plant.tanks[name].capacity_kg) is None else kg for name in names])
    above = (at >= 0) & (rows["level_kg"] > capacity[at])
    rows.reject(above, "level_kg", [f"above the capacity of the tank; {capacity[a]:g} kg" for a in at[above]])
    declared = pa.array([plant.tanks[name].ink for name in names]).take(pa.array(np.maximum(at, 0)))
    other = (at >= 0) & as_mask(pc.not_equal(pc.utf8_lower(declared), pc.utf8_lower(rows.text("ink"))))
    rows.reject(other, ("tank", "ink"), "another ink than plant.toml declares for the tank")


def _check_deliveries(rows: Rows, plant: Plant) -> None:
    ordered, delivered = rows["ordered_on"], rows["delivered_on"]
    rows.reject(delivered < ordered, ("delivered_on", "ordered_on"), "delivered before it was ordered")
    rows.warn(rows["promised_on"] < ordered, ("promised_on", "ordered_on"), "promised before it was ordered")
    same = rows["delivered_at"].astype("datetime64[D]") == delivered.astype("datetime64[D]")
    both = ~np.isnat(rows["delivered_at"]) & ~np.isnat(delivered)
    rows.warn(
        both & ~same,
        ("delivered_at", "delivered_on"),
        "time of receipt on another day than the day of receipt",
    )
    only = ~np.isnat(rows["delivered_at"]) & rows.blank("delivered_on")
    rows.warn(
        only, ("delivered_at", "delivered_on"), "a time of receipt, but no day: taken for an open order"
    )
    rows.warn(
        ~np.isnat(rows["cancelled_on"]) & ~np.isnat(delivered),
        ("cancelled_on", "delivered_on"),
        "cancelled, yet delivered",
    )
    if plant.tanks:
        unknown = positions_in(rows.text("tank"), pa.array(list(plant.tanks))) < 0
        rows.warn(unknown & ~rows.blank("tank"), "tank", "no tank of plant.toml")


def _check_stock_counts(rows: Rows, _plant: Plant) -> None:
    at, day = rows["counted_at"].astype("datetime64[D]"), rows["counted_on"].astype("datetime64[D]")
    rows.warn(
        (at != day) & ~np.isnat(at) & ~np.isnat(day),
        ("counted_at", "counted_on"),
        "time of the count on another day",
    )


def _check_materials(rows: Rows, _plant: Plant) -> None:
    kind, unit = rows.text("kind"), rows.text("unit")
    paper = as_mask(pc.equal(kind, "newsprint"))
    for column in ("width_mm", "grammage_gsm"):
        rows.reject(paper & np.isnan(rows[column]), column, "newsprint needs its width and its grammage")
    rows.reject(paper & as_mask(pc.not_equal(unit, "kg")), "unit", "newsprint is counted in kg")
    ink = as_mask(pc.equal(kind, "ink"))
    rows.warn(ink & rows.blank("ink"), "ink", "which ink it is, is not said: its use cannot be forecast")
    rows.warn(ink & as_mask(pc.not_equal(unit, "kg")), "unit", "tanks and coverage tell ink in kg")
    plate = as_mask(pc.equal(kind, "plate"))
    rows.warn(plate & as_mask(pc.not_equal(unit, "each")), "unit", "plates are counted each")
    rows.warn(
        rows["order_minimum"] > rows["storage_maximum"],
        ("order_minimum", "storage_maximum"),
        "the least order is more than can be stored",
    )
    _check_packs(rows)


def _check_terms(rows: Rows, _plant: Plant) -> None:
    first, last = rows["contract_from"], rows["contract_to"]
    rows.reject(last < first, ("contract_from", "contract_to"), "the contract ends before it begins")
    least, most = rows["share_minimum_pct"], rows["share_maximum_pct"]
    rows.reject(
        least > most, ("share_minimum_pct", "share_maximum_pct"), "the least share is above the largest"
    )
    dated = ~np.isnat(first) & ~np.isnat(last)
    columns = ("contract_quantity", "contract_from", "contract_to")
    rows.warn(
        (rows["contract_quantity"] > 0) & ~dated,
        columns,
        "a contract without its first and last day: it is not followed",
    )
    rows.warn(
        ~np.isnan(rows["tolerance_pct"]) & rows.blank("contract_quantity"),
        ("tolerance_pct", "contract_quantity"),
        "a tolerance without the quantity of its contract",
    )
    _check_packs(rows)


def _check_titles(rows: Rows, _plant: Plant) -> None:
    contract = as_mask(pc.equal(rows.text("kind"), "contract"))
    rows.warn(contract & rows.blank("customer"), "customer", "contract printing without a customer")


def _check_packs(rows: Rows) -> None:
    rows.warn(
        rows["pack_quantity"] > rows["load_quantity"],
        ("pack_quantity", "load_quantity"),
        "a pack is more than a load",
    )


def _check_plan(rows: Rows, _plant: Plant) -> None:
    rows.warn(
        rows["colour_pages"] > rows["pages_planned"],
        ("colour_pages", "pages_planned"),
        "more colour pages than pages",
    )
    rows.warn(
        (rows["copies_planned"] > 0) & (rows["pages_planned"] == 0),
        ("copies_planned", "pages_planned"),
        "copies without pages",
    )


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
    check = _CHECKS.get(name)
    if check is not None:
        check(rows, plant)
    _check_missing_hours(rows, plant)
