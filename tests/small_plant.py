"""A tiny plant with tidy numbers, for tests that check results by hand or by a brute-force loop.

Two weeks of nights, all invented. Weight and length are simulated by walking along each web: a reel
is mounted, stripped, runs, and ends by a splice, at the end of the run (and goes back), by a break
or by damage, so that every row of ``reel_mounts`` is consistent with the copies of its run.

========================  =======================================================================
per night                 Daily on press P1, straight, 16 pages of 300 x 400 mm on webs A and B of
                          1200 x 400 mm (8 pages each); 20,000 gross = 19,000 good + 600 start-up
                          + 300 running + 100 uncounted
every seventh night       Weekly on press P2, collect, 16 pages on one web A of 1200 x 400 mm, two
                          cut-offs a copy; 5,000 gross = 4,600 good + 250 start-up + 150 running
area of a gross copy      0.96 m2 in both
nominal grammage          45 g/m2, effective 46 g/m2, and 5 kg more per start of a web for threading
so a Daily takes          20,000 x 0.48 m2 x 46 g = 441.6 kg + 5 kg on each web
so a Weekly takes         5,000 x 0.96 m2 x 46 g = 220.8 kg + 5 kg
reels                     1000 kg, 10 kg stripped, 6 kg left on the core at a splice
ink a Daily               20,000 copies x solid pages x 0.12 m2 x 2 g/m2: black 1.6 pages = 7.68 kg
========================  =======================================================================
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

__all__ = ["FIRST_DAY", "PLANT_TOML", "every_table", "small_tables", "write_small_plant"]

FIRST_DAY = pd.Timestamp("2025-03-03")  # a Monday

PLANT_TOML = """\
name = "Small Plant"
timezone = "Europe/Vienna"
currency = "EUR"

[presses.P1]
web_width_max_mm = 1300
[presses.P2]
web_width_max_mm = 1300

[tanks.K1]
ink = "black"
capacity_kg = 2000
[tanks.C1]
ink = "cyan"
capacity_kg = 1000
"""

EFFECTIVE_GSM = 46.0
NOMINAL_GSM = 45.0
THREADING_KG = 5.0
REEL_KG = 1000.0
STRIP_KG = 10.0
BUTT_KG = 6.0
FILM_G_M2 = 2.0
STANDING_KG = 1.0
SOLID_PAGES = {"black": 1.6, "cyan": 0.8}


def _runs(days: int) -> pd.DataFrame:
    rows = []
    for number in range(days):
        date = FIRST_DAY + pd.Timedelta(days=number)
        evening = date - pd.Timedelta(days=1)
        rows.append(
            {
                "run_id": f"{number:03d}1",
                "date": date,
                "title": "Daily",
                "press": "P1",
                "started_at": evening + pd.Timedelta(hours=22),
                "finished_at": evening + pd.Timedelta(hours=23, minutes=30),
                "production": "straight",
                "page_width_mm": 300.0,
                "page_height_mm": 400.0,
                "pages": 16.0,
                "copies_ordered": 19000.0,
                "copies_gross": 20000.0,
                "copies_good": 19000.0,
                "copies_startup_waste": 600.0,
                "copies_running_waste": 300.0,
                "web_breaks": 1.0 if number == 4 else 0.0,
                "plates": 64.0,
                "plates_remade": 0.0,
                "colour_pages": 8.0,
                "crew": "north",
            }
        )
        if number % 7 == 6:
            rows.append(
                rows[-1]
                | {
                    "run_id": f"{number:03d}2",
                    "title": "Weekly",
                    "press": "P2",
                    "started_at": evening + pd.Timedelta(hours=20),
                    "finished_at": evening + pd.Timedelta(hours=21),
                    "production": "collect",
                    "copies_ordered": 4600.0,
                    "copies_gross": 5000.0,
                    "copies_good": 4600.0,
                    "copies_startup_waste": 250.0,
                    "copies_running_waste": 150.0,
                    "web_breaks": 0.0,
                    "crew": "south",
                }
            )
    return pd.DataFrame(rows)


def _run_webs(runs: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for run in runs.itertuples():
        straight = run.production == "straight"
        for web in ("A", "B") if straight else ("A",):
            rows.append(
                {
                    "run_id": run.run_id,
                    "web": web,
                    "material": "N1200",
                    "width_mm": 1200.0,
                    "cutoff_mm": 400.0,
                    "cutoffs_per_copy": 1.0 if straight else 2.0,
                    "pages": 8.0 if straight else 16.0,
                }
            )
    return pd.DataFrame(rows)


class _Stand:
    """One reelstand: the reel on it and what the reel still holds."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.number = 0
        self.reel: tuple[str, str] | None = None
        self.left = 0.0
        self.fresh = True

    def load(self) -> None:
        if self.reel is None:
            self.number += 1
            supplier = "Northmill" if self.number % 2 else "Eastmill"
            self.reel, self.left, self.fresh = (supplier, f"{self.name}{self.number:03d}"), REEL_KG, True


def _walk(stand: _Stand, run: object, web: str, breaks: bool, damaged: bool) -> list[dict[str, object]]:
    """Run one web of a run from its stand; return the mounts."""
    rows: list[dict[str, object]] = []
    area = float(run.copies_gross) * (0.48 if run.production == "straight" else 0.96)  # type: ignore[attr-defined]
    still = area * EFFECTIVE_GSM / 1000 + THREADING_KG
    if breaks:
        still += THREADING_KG
    minute = 0
    while still > 1e-9:
        stand.load()
        strip = STRIP_KG if stand.fresh else 0.0
        row: dict[str, object] = {
            "run_id": run.run_id,  # type: ignore[attr-defined]
            "web": web,
            "supplier": stand.reel[0],  # type: ignore[index]
            "reel_id": stand.reel[1],  # type: ignore[index]
            "material": "N1200",
            "reelstand": stand.name,
            "mounted_at": run.started_at + pd.Timedelta(minutes=minute),  # type: ignore[attr-defined]
            "start_kg": round(stand.left, 3),
            "strip_kg": strip,
            "returned_kg": 0.0,
            "butt_kg": 0.0,
            "butt_mm": float("nan"),
            "scrapped_kg": 0.0,
            "ended_by": "run_end",
        }
        available = stand.left - strip
        if breaks and not rows:  # break after 100 kg, 4 kg thrown away, the same reel re-threaded
            row |= {"scrapped_kg": 4.0, "returned_kg": round(available - 104.0, 3), "ended_by": "web_break"}
            still -= 100.0
            stand.left = available - 104.0
        elif damaged and not rows:  # an edge found damaged after 50 kg, the rest thrown away
            row |= {"scrapped_kg": round(available - 50.0, 3), "ended_by": "damaged"}
            still -= 50.0
            stand.reel = None
        elif available - still <= BUTT_KG:
            row |= {"butt_kg": BUTT_KG, "ended_by": "splice"}
            still -= available - BUTT_KG
            stand.reel = None
        else:
            row["returned_kg"] = round(available - still, 3)
            stand.left = available - still
            still = 0.0
        stand.fresh = False
        rows.append(row)
        minute += 20
    return rows


def _reel_mounts(runs: pd.DataFrame) -> pd.DataFrame:
    stands = {("P1", "A"): _Stand("S1"), ("P1", "B"): _Stand("S2"), ("P2", "A"): _Stand("S3")}
    rows = []
    for run in runs.sort_values("started_at").itertuples():
        for web in ("A", "B") if run.production == "straight" else ("A",):
            breaks = run.run_id == "0041" and web == "A"
            damaged = run.run_id == "0081" and web == "B"
            rows += _walk(stands[run.press, web], run, web, breaks, damaged)
    return pd.DataFrame(rows)


def _reels(mounts: pd.DataFrame) -> pd.DataFrame:
    reels = mounts[["supplier", "reel_id", "material"]].drop_duplicates(ignore_index=True)
    reels["delivery_id"] = "D1"
    reels["received_on"] = FIRST_DAY - pd.Timedelta(days=5)
    reels["received_kg"] = REEL_KG
    return reels


def _coverage(runs: pd.DataFrame) -> pd.DataFrame:
    rows = [
        {"run_id": run_id, "ink": ink, "solid_pages": pages}
        for run_id in runs["run_id"]
        for ink, pages in SOLID_PAGES.items()
    ]
    return pd.DataFrame(rows)


def _tank_readings(runs: pd.DataFrame, days: int) -> pd.DataFrame:
    rows = []
    for tank, ink, level in (("K1", "black", 1500.0), ("C1", "cyan", 800.0)):
        for number in range(days + 1):
            date = FIRST_DAY + pd.Timedelta(days=number - 1)
            printed = runs[runs["date"] == date]
            used = (printed["copies_gross"] * SOLID_PAGES[ink] * 0.12 * FILM_G_M2 / 1000).sum()
            if number:
                level -= used + STANDING_KG
            if number == 7 and tank == "K1":
                level += 300.0
            rows.append(
                {
                    "tank": tank,
                    "read_at": date + pd.Timedelta(hours=6),
                    "ink": ink,
                    "level_kg": round(level, 3),
                }
            )
    return pd.DataFrame(rows)


def _deliveries(days: int) -> pd.DataFrame:
    def row(
        number: int,
        material: str,
        quantity: float,
        ordered: int,
        promised: int,
        come: int | None,
        **more: object,
    ):
        def day(n: int | None) -> pd.Timestamp:
            return pd.NaT if n is None else FIRST_DAY + pd.Timedelta(days=n)

        base: dict[str, object] = {
            "delivery_id": f"D{number}",
            "material": material,
            "quantity": quantity,
            "ordered_on": day(ordered),
            "promised_on": day(promised),
            "delivered_on": day(come),
            "delivered_at": pd.NaT if come is None else day(come) + pd.Timedelta(hours=10),
            "tank": None,
            "load": None if come is None else f"L{number}",
            "unit_price": float("nan") if come is None else 0.5,
            "order_id": f"O{number}",
            "supplier": "Northmill" if material.startswith("N") else "Inkworks",
            "quantity_ordered": quantity,
            "cancelled_on": pd.NaT,
            "frozen": None,
        }
        return base | more

    rows = [
        row(1, "N1200", 40000.0, -20, -5, -5),
        row(2, "N1200", 9900.0, -4, 8, 9, quantity_ordered=10000.0),
        row(3, "black", 300.0, 1, 6, 5, tank="K1"),
        row(4, "N1200", 10000.0, 8, days + 4, None),
        row(5, "N1200", 5000.0, 2, days + 2, None, cancelled_on=FIRST_DAY + pd.Timedelta(days=10)),
    ]
    return pd.DataFrame(rows)


def _materials() -> pd.DataFrame:
    nothing = float("nan")
    common = {
        "lead_time_days": 14.0,
        "pack_quantity": 1000.0,
        "load_quantity": 20000.0,
        "order_minimum": 1000.0,
    }
    return pd.DataFrame(
        [
            {"material": "N1200", "kind": "newsprint", "width_mm": 1200.0, "grammage_gsm": NOMINAL_GSM}
            | {"caliper_um": 70.0, "ink": None, "stands_in_for": None, "unit": "kg", "unit_price": 0.5}
            | common
            | {"storage_maximum": 80000.0, "supplier": "Northmill"},
            {"material": "black", "kind": "ink", "width_mm": nothing, "grammage_gsm": nothing}
            | {"caliper_um": nothing, "ink": "black", "stands_in_for": None, "unit": "kg", "unit_price": 2.0}
            | common
            | {"storage_maximum": 2000.0, "supplier": "Inkworks"},
            {"material": "cyan", "kind": "ink", "width_mm": nothing, "grammage_gsm": nothing}
            | {"caliper_um": nothing, "ink": "cyan", "stands_in_for": None, "unit": "kg", "unit_price": 4.0}
            | common
            | {"storage_maximum": 1000.0, "supplier": "Inkworks"},
            {"material": "plate", "kind": "plate", "width_mm": nothing, "grammage_gsm": nothing}
            | {"caliper_um": nothing, "ink": None, "stands_in_for": None, "unit": "each", "unit_price": 3.0}
            | common
            | {"storage_maximum": 5000.0, "supplier": "Plateworks"},
        ]
    )


def _small_tables(days: int) -> dict[str, pd.DataFrame]:
    runs = _runs(days)
    mounts = _reel_mounts(runs)
    last = FIRST_DAY + pd.Timedelta(days=days - 1)
    return {
        "runs": runs,
        "run_webs": _run_webs(runs),
        "reel_mounts": mounts,
        "reels": _reels(mounts),
        "coverage": _coverage(runs),
        "tank_readings": _tank_readings(runs, days),
        "deliveries": _deliveries(days),
        "stock_counts": pd.DataFrame(
            [
                {"counted_on": FIRST_DAY - pd.Timedelta(days=1), "material": "N1200", "quantity": 40000.0},
                {"counted_on": FIRST_DAY + pd.Timedelta(days=6), "material": "N1200", "quantity": 33000.0},
            ]
        ),
        "materials": _materials(),
        "prices": pd.DataFrame(
            [{"material": "N1200", "valid_from": FIRST_DAY, "from_quantity": 0.0, "unit_price": 0.52}]
        ),
        "budget": pd.DataFrame(
            [{"month": pd.Timestamp("2025-03-01"), "material": "N1200", "quantity": 30000.0, "cost": 15000.0}]
        ),
        "plan": pd.DataFrame(
            [
                {
                    "date": last + pd.Timedelta(days=n),
                    "title": "Daily",
                    "made_on": FIRST_DAY,
                    "copies_planned": 19000.0,
                    "pages_planned": 16.0,
                    "colour_pages": 8.0,
                    "event": "fair" if n == 3 else None,
                }
                for n in range(1, 8)
            ]
        ),
        "waste_sold": pd.DataFrame(
            [{"sold_on": FIRST_DAY + pd.Timedelta(days=5), "kind": "white", "kg": 400.0, "unit_price": 0.1}]
        ),
        "standby": pd.DataFrame(
            [
                {
                    "supply": "press water",
                    "kind": "water",
                    "lasts_hours": 4.0,
                    "tested_on": FIRST_DAY - pd.Timedelta(days=30),
                    "test_every_days": 90.0,
                    "contact": "control room",
                }
            ]
        ),
    }


def small_tables(days: int = 14) -> dict[str, pd.DataFrame]:
    """Return every input table of the small plant.

    Parameters
    ----------
    days : int
        Nights printed, from `FIRST_DAY` on.

    Returns
    -------
    dict of DataFrame
        By table name, typed as ``read_logs`` types them (an optional column that is not logged is
        not there), rows in the order of time.
    """
    tables = _small_tables(days)
    for name, table in tables.items():
        for column in table:
            if table[column].dtype == object:
                tables[name] = tables[name].assign(**{str(column): table[column].astype("str")})
    return tables


def every_table(days: int = 14) -> dict[str, pd.DataFrame]:
    """Return the tables of :func:`small_tables` and those of a plant with several suppliers and customers."""
    common = {"lead_time_days": 14.0, "pack_quantity": 1000.0, "load_quantity": 20000.0}
    terms = [
        {"material": "N1200", "supplier": "Northmill", "valid_from": FIRST_DAY - pd.Timedelta(days=60)}
        | {"unit_price": 0.5, **common, "order_minimum": 1000.0, "contract_quantity": 400000.0}
        | {"contract_from": pd.Timestamp("2025-01-01"), "contract_to": pd.Timestamp("2025-12-31")}
        | {"tolerance_pct": 10.0, "share_minimum_pct": 40.0, "share_maximum_pct": 80.0}
        | {"co2_kg_per_unit": 0.4, "recycled_pct": 100.0, "certified": "mixed sources"},
        {"material": "N1200", "supplier": "Eastmill", "valid_from": FIRST_DAY - pd.Timedelta(days=60)}
        | {"unit_price": 0.49, **common, "order_minimum": 2000.0, "share_minimum_pct": 20.0},
        {"material": "N1200", "supplier": "Eastmill", "valid_from": FIRST_DAY + pd.Timedelta(days=7)}
        | {"unit_price": 0.47, **common, "order_minimum": 2000.0, "share_minimum_pct": 30.0},
    ]
    titles = [
        {"title": "Daily", "customer": None, "kind": "own", "standard_waste_pct": float("nan")},
        {"title": "Weekly", "customer": "Harbour Parish", "kind": "contract", "standard_waste_pct": 6.0},
    ]
    return small_tables(days) | {"terms": pd.DataFrame(terms), "titles": pd.DataFrame(titles)}


def write_small_plant(
    folder: Path, tables: dict[str, pd.DataFrame] | None = None, plant_toml: str = PLANT_TOML
) -> Path:
    """Write the small plant as CSV files.

    Parameters
    ----------
    folder : Path
        Where to; made if need be.
    tables : dict of DataFrame, optional
        Tables to write instead of `small_tables()`.
    plant_toml : str
        Text of ``plant.toml``.

    Returns
    -------
    Path
        The folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(plant_toml, encoding="utf-8")
    for name, table in (small_tables() if tables is None else tables).items():
        table.to_csv(folder / f"{name}.csv", index=False)
    return folder
