"""What goes wrong with the logs on their way: lost records, slipped digits, rows that cannot be true."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .calendar_days import DAY
from .scenario import TANKS

if TYPE_CHECKING:
    from .logbook import Sheet
    from .simulation import Plant

__all__ = ["Faults", "Impossible", "plant_faults"]


@dataclass
class Impossible:
    """A row that cannot be true, and what is lost by setting it aside."""

    table: str
    row: list[str]
    column: str
    value: str
    rule: str
    loses: dict[str, str] = field(default_factory=dict)


@dataclass
class Faults:
    """Everything that was done to the logs."""

    impossible: list[Impossible] = field(default_factory=list)
    rows_without_reels: int = 0
    runs_without_reels: list[str] = field(default_factory=list)


def plant_faults(plant: Plant) -> Faults:
    """Change the logs of a plant as lost records and slips of the pen would.

    Parameters
    ----------
    plant : Plant
        A plant whose logs are complete; they are changed in place.

    Returns
    -------
    Faults
        What was done. Most impossible rows are rows too many, so that nothing true is lost with them.
    """
    faults = Faults()
    _lose_reel_records(plant, faults)
    _slips_at_the_reelstands(plant, faults)
    _slips_at_the_tanks(plant, faults)
    _slips_elsewhere(plant, faults)
    _ghost_runs(plant, faults)
    return faults


def _first_on(sheet: Sheet, column: str, day: dt.date) -> int:
    """Return the place of the first row on or after a day."""
    return next(n for n, value in enumerate(sheet.values(column)) if value >= day.isoformat())


def _lose_reel_records(plant: Plant, faults: Faults) -> None:
    week = plant.scenario.week_without_reels
    dates = dict(
        zip(plant.logbook["runs"].values("run_id"), plant.logbook["runs"].values("date"), strict=True)
    )
    lost = {run for run, date in dates.items() if week.isoformat() <= date < (week + 7 * DAY).isoformat()}
    sheet = plant.logbook["reel_mounts"]
    before = len(sheet.rows)
    sheet.rows = [row for row in sheet.rows if row[0] not in lost]
    faults.rows_without_reels = before - len(sheet.rows)
    faults.runs_without_reels = sorted(lost)


def _ghost_runs(plant: Plant, faults: Faults) -> None:
    """Add runs that were never printed: typed by mistake, or left by somebody who tried the form."""
    sheet = plant.logbook["runs"]
    for share, name, changes, column, rule in (
        (0.21, "TEST-1", {"copies_good": "-120"}, "copies_good", "below 0"),
        (0.47, "TEST-2", {"pages": "5000"}, "pages", "more than 400 pages"),
        (0.73, "TEST-3", {}, "finished_at", "before started_at"),
        (0.34, "TEST-4", {"date": "2205-03-12"}, "date", "after today, and centuries from all the others"),
    ):
        place = _first_on(sheet, "date", plant.scenario.monday(share))
        row = list(sheet.rows[place])
        row[sheet.column("run_id")] = name
        for changed, value in changes.items():
            row[sheet.column(changed)] = value
        if not changes:
            started, finished = sheet.column("started_at"), sheet.column("finished_at")
            row[started], row[finished] = row[finished], row[started]
        sheet.rows.insert(place + 1, row)
        faults.impossible.append(Impossible("runs", row, column, row[sheet.column(column)], rule))


def _slips_at_the_reelstands(plant: Plant, faults: Faults) -> None:
    """Slip a digit, miswrite a word and mistype a material, all in one run, so that only one week loses by it."""
    runs, sheet = plant.logbook["runs"], plant.logbook["reel_mounts"]
    run_at, start_at, end_at = sheet.column("run_id"), sheet.column("start_kg"), sheet.column("ended_by")
    material_at, strip_at = sheet.column("material"), sheet.column("strip_kg")
    reel_at = slice(sheet.column("supplier"), sheet.column("reel_id") + 1)
    # Reels hurt on the road stay legible: nothing planted hides another.
    kept = [[reel.supplier, reel.reel_id] for reel in plant.newsprint.damaged]
    first = _first_on(runs, "date", plant.scenario.monday(0.70))
    known = runs.rows[first:]
    dates = {row[0]: (row[1], row[3]) for row in known}
    place = next(
        n
        for n, row in enumerate(sheet.rows)
        if row[run_at] in dates
        and float(row[start_at]) > 850
        and row[strip_at] != "0"
        and row[end_at] == "splice"
        and row[reel_at] not in kept
    )
    row = sheet.rows[place]
    date, press = dates[row[run_at]]
    day = dt.date.fromisoformat(date)
    week = (day - day.weekday() * DAY).isoformat()
    loses = {
        "week": week,
        "press": press,
        "run_id": row[run_at],
        "what": "reel streams of the week and press",
    }
    row[start_at] += "0"
    faults.impossible.append(
        Impossible(
            "reel_mounts", row, "start_kg", row[start_at], "ten times what the reel weighs; above 6000", loses
        )
    )
    other = next(
        r
        for n, r in enumerate(sheet.rows)
        if r[run_at] == row[run_at] and r is not row and r[end_at] == "splice" and r[reel_at] not in kept
    )
    other[end_at] = "glued"
    faults.impossible.append(
        Impossible("reel_mounts", other, "ended_by", "glued", "not an allowed word", loses)
    )
    ghost = list(other)
    ghost[sheet.column("reel_id")], ghost[material_at], ghost[end_at] = "N5-0001", "N54-1260", "splice"
    sheet.rows.insert(next(n for n, r in enumerate(sheet.rows) if r is other) + 1, ghost)
    faults.impossible.append(
        Impossible("reel_mounts", ghost, "material", "N54-1260", "not in materials", loses)
    )


def _slips_at_the_tanks(plant: Plant, faults: Faults) -> None:
    sheet = plant.logbook["tank_readings"]
    day = plant.scenario.monday(0.3) + 3 * DAY
    tank = "C1"
    row = [tank, f"{day} 14:10", TANKS[tank][0], "41500"]
    sheet.rows.insert(_first_on(sheet, "read_at", day + DAY), row)
    rule = f"above the capacity of {tank}, {TANKS[tank][1]} kg"
    faults.impossible.append(Impossible("tank_readings", row, "level_kg", "41500", rule))
    tank, missed = next((t, d) for t, d in plant.inks.missed if d >= plant.scenario.first + 20 * DAY)
    row = [tank, f"{missed} 05:40", TANKS[tank][0], "21O4"]
    sheet.rows.insert(_first_on(sheet, "read_at", missed), row)
    faults.impossible.append(Impossible("tank_readings", row, "level_kg", "21O4", "not a number: a letter O"))


def _slips_elsewhere(plant: Plant, faults: Faults) -> None:
    scenario, logbook = plant.scenario, plant.logbook
    coverage = logbook["coverage"]
    row = ["240231-P1a", "black", "4.25"]
    coverage.rows.insert(len(coverage.rows) // 3, row)
    faults.impossible.append(Impossible("coverage", row, "run_id", row[0], "not in runs"))
    runs = logbook["runs"]
    run = runs.rows[_first_on(runs, "date", scenario.monday(0.25) + 2 * DAY)]
    place = next(n for n, r in enumerate(coverage.rows) if r[0] == run[0] and r[1] == "yellow")
    row = [run[0], "gold", "96.50"]
    coverage.rows.insert(place + 1, row)
    faults.impossible.append(
        Impossible(
            "coverage", row, "solid_pages", "96.50", f"above the {run[runs.column('pages')]} pages of the run",
            {"run_id": run[0], "what": "ink coverage of the run"},
        )
    )  # fmt: skip
    counts = logbook["stock_counts"]
    day = scenario.monday(0.4) + 3 * DAY
    row = [day.isoformat(), "N45-630", "-400"]
    counts.rows.insert(_first_on(counts, "counted_on", day), row)
    faults.impossible.append(Impossible("stock_counts", row, "quantity", "-400", "below 0"))
    deliveries = logbook["deliveries"]
    ordered, material = deliveries.values("ordered_on"), deliveries.values("material")
    day = scenario.monday(0.5)
    place = next(n for n, o in enumerate(ordered) if o >= day.isoformat() and material[n].startswith("N"))
    row = list(deliveries.rows[place])
    row[0], row[deliveries.column("material")] = "PO-TEST", "N46-1260"
    deliveries.rows.insert(place + 1, row)
    faults.impossible.append(Impossible("deliveries", row, "material", "N46-1260", "not in materials"))
