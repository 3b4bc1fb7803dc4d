"""The files of the logs folder: which table goes into which file, and on which line each row stands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .logbook import Sheet, write_csv, write_parquet
from .scenario import (
    CLOSED_EVERY_YEAR,
    COPIES_PCT,
    DIP_KG,
    NO_RECEIPTS,
    ORDERING_CLOSED,
    PRESSES,
    REEL_KG,
    SMALL_KG,
    SPLICE_TARGET_M,
    TANKS,
    Scenario,
)

if TYPE_CHECKING:
    from .simulation import Plant

__all__ = ["Overlap", "Written", "write_logs", "write_plant_toml"]

BY_YEAR = ("runs", "reel_mounts")
POLICY = """[targets]
waste_pct = 3.6                 # of mounted paper
breaks_per_100_reels = 2.2

[policy]
service_level = 0.998
review_day = "wednesday"
looked_at = "daily"             # stock and trucks, between reviews
cover_days_minimum = 3          # what other means take to come
cover_days_maximum = 21
newsprint_storage_maximum_kg = 480000
holding_cost_rate = 0.12
failed_splice_cost = 400
freight_per_load = 600
expedite_cost_per_t = 150
stockout_cost = 50000
price_breaks_by = "order"       # all materials of an order together
standby_hours = 96
"""
WASTE_AND_PEOPLE = """
[waste."white bales"]
holds = ["strip", "reel_end", "scrapped"]

[waste."printed bales"]
holds = ["startup", "running", "uncounted"]

[waste.aluminium]
holds = ["plates"]
plate_kg = 0.11

[owners]
purchasing = "paper buyer, desk 2"
pressroom = "pressroom foreman, desk 7"
paper_store = "store keeper, desk 4"

[contacts]
"Brantelow" = "Ilse Marrow, order desk, 0100 555 21"
"Okkerin" = "Tam Velder, order desk, 0100 555 34"
"Vosgard" = "Runa Asketh, mill office, 0100 555 47"
"Corvane Inks" = "Pell Dorrit, tanker planning, 0100 555 52"
"Ardelle Plate Works" = "Sefa Winlock, dispatch, 0100 555 68"
"Mirrin Pressroom Supply" = "Odo Karrick, counter, 0100 555 73"
"emergency newsprint" = "Hale & Orrin, paper merchants, 0100 555 80"
"emergency plate" = "Sefa Winlock, dispatch, 0100 555 68"
"emergency ink" = "Pell Dorrit, tanker planning, 0100 555 52"
"""
OVERLAPPING = ("runs", "reel_mounts")
SEMICOLONS = ("waste_sold",)
PARQUET = ("plan", "reels", "run_webs")


@dataclass(frozen=True)
class Overlap:
    """A second export that repeats rows of a first one."""

    table: str
    file: str
    repeats: str
    rows: int


@dataclass
class Written:
    """Where every row went."""

    place: dict[int, tuple[str, int]]  # by identity of the row: file and line, the header being line 1
    overlaps: list[Overlap]


def write_logs(plant: Plant, out: Path) -> Written:
    """Write all tables of a plant.

    Parameters
    ----------
    plant : Plant
        The plant, its logs as they are to be written.
    out : Path
        The folder; it must exist.

    Returns
    -------
    Written
        File and line of each row, and the exports that overlap.
    """
    written = Written({}, [])
    dates = {row[0]: row[1] for row in plant.logbook["runs"].rows if not row[0].startswith("TEST")}
    for name, sheet in plant.logbook.sheets.items():
        if not sheet.rows:  # this plant keeps no such table
            continue
        if name in PARQUET:
            write_parquet(out / f"{name}.parquet", sheet)
            continue
        for file, rows in (
            _by_year(sheet, dates) if name in BY_YEAR else {f"{name}.csv": sheet.rows}
        ).items():
            write_csv(out / file, sheet.columns, rows, ";" if name in SEMICOLONS else ",")
            written.place |= {id(row): (file, line) for line, row in enumerate(rows, start=2)}
    for name in OVERLAPPING:
        written.overlaps.append(_repeat(plant, name, dates, written, out))
    return written


def _by_year(sheet: Sheet, dates: dict[str, str]) -> dict[str, list[list[str]]]:
    """Split rows by the year of their run; a row of no known run stays with its neighbour."""
    files: dict[str, list[list[str]]] = {}
    run_at, year = sheet.column("run_id"), min(dates.values())[:4]
    for row in sheet.rows:
        year = dates.get(row[run_at], year)[:4]
        files.setdefault(f"{sheet.table}_{year}.csv", []).append(row)
    return files


def _repeat(plant: Plant, name: str, dates: dict[str, str], written: Written, out: Path) -> Overlap:
    first, last = plant.scenario.overlap
    sheet = plant.logbook[name]
    run_at = sheet.column("run_id")
    rows = [row for row in sheet.rows if first.isoformat() <= dates.get(row[run_at], "") <= last.isoformat()]
    file = f"{name}_{first:%G-W%V}-{last:W%V}.csv"
    write_csv(out / file, sheet.columns, rows)
    return Overlap(name, file, written.place[id(rows[0])][0], len(rows))


def write_plant_toml(scenario: Scenario, path: Path) -> None:
    """Write ``plant.toml``."""
    once = [day.isoformat() for day in scenario.closed_once]
    closed = ", ".join(f'"{day}"' for day in (*CLOSED_EVERY_YEAR, *once))
    no_receipts = ", ".join(f'"{day}"' for day in ("saturday", "sunday", *NO_RECEIPTS))
    ordering_closed = ", ".join(f'"{day}"' for day in ORDERING_CLOSED)
    presses = "\n".join(f"[presses.{name}]\nweb_width_max_mm = 1280\n" for name in PRESSES)
    tanks = "\n".join(
        f'[tanks.{name}]\nink = "{ink}"\ncapacity_kg = {kg}\n' for name, (ink, kg) in TANKS.items()
    )
    text = f"""# An invented plant: see README.md in this folder. Every key but the first three has a default.
name = "Tollenby Night Press"
timezone = "CET"
currency = "EUR"
week_starts = "monday"

# [format] is left out: the exports are ISO (waste_sold.csv comes with semicolons).

[calendar]
closed = [{closed}]
no_receipts = [{no_receipts}]
ordering_closed = [{ordering_closed}]

[reel]
core_diameter_mm = 76
caliper_um = 75
splice_target_m = {SPLICE_TARGET_M:.0f}

{presses}
{tanks}
{POLICY}
[measurement]                   # one standard deviation: the true errors of this invented plant
reel_kg = {REEL_KG}
butt_kg = {SMALL_KG}
copies_pct = {COPIES_PCT}
dip_kg = {DIP_KG}
{WASTE_AND_PEOPLE}"""
    path.write_bytes(text.encode("utf-8"))
