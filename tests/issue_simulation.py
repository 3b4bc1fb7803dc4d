"""A plant made from issues, exact to the kilogram, for tests of what turns issues into materials.

Pages are of 300 x 400 mm. Eight of them go on a full web (N1200, 0.48 m2 a copy), four left over on a half web
(N600, 0.24 m2). Gross copies are 1.02 times those ordered and 400 more at each start. Mounted paper is 1.06 times
what the gross copies weigh. Black covers 0.1 of each page, cyan 0.2 of each colour page; inks take 2 g/m2 of
solid, 0.5 kg at each start and 1 kg a day standing. Plates are one a page and three more a colour page, again for
every 25,000 gross copies begun where `Plant.plate_life` says so. Fountain concentrate goes by copies, wash by runs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from small_plant import small_tables, write_small_plant

from pressstats.demand import Recipe, recipe_of, weekly_use
from pressstats.ink import ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.logs import Logs, read_logs
from pressstats.paper import weighed_paper

__all__ = [
    "FIRST",
    "OVERHEAD",
    "Plant",
    "Title",
    "area_of",
    "gross_of",
    "logs_of",
    "plant_tables",
    "recipe_from",
    "use_of",
]

FIRST = pd.Timestamp("2024-01-01")  # a Monday
OVER, STARTUP, OVERHEAD = 1.02, 400.0, 1.06
GRAMMAGE = {"N1200": 45.0, "N600": 48.0}
FILM_KG, START_KG, STANDING_KG = 0.002, 0.5, 1.0
SOLID_PER_PAGE, SOLID_PER_COLOUR_PAGE = 0.1, 0.2
PAGE_M2 = 0.12
FOUNTAIN_PER_COPY, WASH_PER_RUN = 0.001, 3.0

TOML = """\
name = "Plant of Issues"
timezone = "Europe/Vienna"
currency = "EUR"
{first}
[presses.P1]
web_width_max_mm = 1300
[tanks.K1]
ink = "black"
capacity_kg = 90000
[tanks.C1]
ink = "cyan"
capacity_kg = 90000
{last}
"""


def _always(value: float) -> Callable[[int], float]:
    return lambda _: value


_COPIES, _PAGES, _COLOUR = _always(20_000.0), _always(24.0), _always(8.0)


@dataclass(frozen=True)
class Title:
    """A title: weekdays (Monday 0), and what it is on the n-th day."""

    name: str
    weekdays: Sequence[int] = range(7)
    copies: Callable[[int], float] = _COPIES
    pages: Callable[[int], float] = _PAGES
    colour: Callable[[int], float] = _COLOUR
    first: int = 0
    last: int = 10_000
    every: int = 1
    runs: int = 1


@dataclass(frozen=True)
class Plant:
    """What is printed, and for how long."""

    titles: Sequence[Title] = (Title("Daily"), Title("Weekly", (3,), _always(8_000.0), _always(12.0)))
    days: int = 210
    plate_life: float = np.inf
    closed: Sequence[int] = ()
    toml: tuple[str, str] = ("", "")
    #: Rows of ``plan``: day of publication, title, day of making, copies, pages, colour pages, event.
    plan: Sequence[tuple[int, str, int, float, float, float, str]] = field(default=())

    def issues(self) -> list[tuple[int, Title]]:
        """Return day and title of every issue, in the order of time."""
        return [
            (day, title)
            for day in range(self.days)
            for title in self.titles
            if day % 7 in title.weekdays
            and title.first <= day <= title.last
            and (day - title.first) // 7 % title.every == 0
            and day not in self.closed
        ]


def gross_of(copies: float, runs: float = 1.0) -> float:
    """Return gross copies of an issue."""
    return copies * OVER + STARTUP * runs


def area_of(pages: float) -> dict[str, float]:
    """Return the area of a copy by material [m2]."""
    full, half = divmod(int(pages), 8)
    return {"N1200": 0.48 * full, "N600": 0.24 if half >= 4 else 0.0}


def _runs(plant: Plant) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for day, title in plant.issues():
        date = FIRST + pd.Timedelta(days=day)
        for number in range(title.runs):
            copies = title.copies(day) / title.runs
            gross, colour = gross_of(copies), title.colour(day)
            start = date - pd.Timedelta(hours=2 * len(rows) % 4 + 2)
            rows.append(
                {
                    "run_id": f"{day:04d}{title.name}{number}",
                    "date": date,
                    "title": title.name,
                    "press": "P1",
                    "started_at": start,
                    "finished_at": start + pd.Timedelta(minutes=50),
                    "production": "straight",
                    "page_width_mm": 300.0,
                    "page_height_mm": 400.0,
                    "pages": title.pages(day),
                    "copies_ordered": round(copies),
                    "copies_gross": round(gross),
                    "copies_good": round(copies),
                    "copies_startup_waste": STARTUP,
                    "copies_running_waste": round(gross) - round(copies) - STARTUP,
                    "plates": (title.pages(day) + 3 * colour) * max(np.ceil(gross / plant.plate_life), 1.0),
                    "colour_pages": colour,
                }
            )
    return pd.DataFrame(rows)


def _webs(runs: pd.DataFrame) -> pd.DataFrame:
    rows: list[tuple[object, ...]] = []
    for run in runs.itertuples():
        full, half = divmod(int(run.pages), 8)
        widths = [("N1200", 1200.0, 8.0)] * full + [("N600", 600.0, 4.0)] * (half >= 4)
        for web, (material, width, pages) in zip("ABCDEFGH", widths, strict=False):
            rows.append((run.run_id, web, material, width, 400.0, 1.0, pages))
    columns = ["run_id", "web", "material", "width_mm", "cutoff_mm", "cutoffs_per_copy", "pages"]
    return pd.DataFrame(rows, columns=columns)


def _mounts(runs: pd.DataFrame, webs: pd.DataFrame) -> pd.DataFrame:
    about = webs[["run_id", "web", "material", "width_mm"]].merge(runs, on="run_id")
    gsm = about["material"].map(GRAMMAGE)
    kg = about["copies_gross"] * about["width_mm"] * 400 / 1e6 * gsm / 1000 * OVERHEAD
    mounts = about[["run_id", "web", "material"]].assign(
        supplier="Northmill", reelstand="R" + about["web"], mounted_at=about["started_at"]
    )
    mounts["reel_id"] = [f"N{number:06d}" for number in range(len(mounts))]
    return mounts.assign(
        start_kg=(kg + 50).round(6), strip_kg=0.0, returned_kg=50.0, butt_kg=0.0, ended_by="run_end"
    )


def _dips(plant: Plant, runs: pd.DataFrame) -> pd.DataFrame:
    solid = runs["copies_gross"] * PAGE_M2
    pages = {
        "black": runs["pages"] * SOLID_PER_PAGE,
        "cyan": runs["colour_pages"] * SOLID_PER_COLOUR_PAGE,
    }
    rows = []
    for tank, ink in (("K1", "black"), ("C1", "cyan")):
        kg = solid * pages[ink] * FILM_KG + START_KG * (pages[ink] > 0)
        daily = kg.groupby(runs["date"]).sum()
        level = 80_000.0
        for day in range(plant.days + 1):
            date = FIRST + pd.Timedelta(days=day - 1)
            level -= daily.get(date, 0.0) + STANDING_KG
            rows.append((tank, date + pd.Timedelta(hours=6), ink, round(level, 4)))
    return pd.DataFrame(rows, columns=["tank", "read_at", "ink", "level_kg"])


def _counts(plant: Plant, runs: pd.DataFrame) -> pd.DataFrame:
    """Counted every Sunday: what fountain concentrate and wash are left."""
    rows = []
    for place in range(plant.days // 7 + 1):
        day = FIRST + pd.Timedelta(days=7 * place - 1)
        printed = runs[runs["date"] <= day]
        left = {
            "fountain": 90_000.0 - FOUNTAIN_PER_COPY * printed["copies_gross"].sum(),
            "wash": 90_000.0 - WASH_PER_RUN * len(printed),
        }
        rows += [(day, material, round(quantity, 4)) for material, quantity in left.items()]
    return pd.DataFrame(rows, columns=["counted_on", "material", "quantity"])


def plant_tables(plant: Plant) -> dict[str, pd.DataFrame]:
    """Return the tables of a plant, as its logs hold them."""
    runs = _runs(plant)
    webs = _webs(runs)
    solid = {"black": runs["pages"] * SOLID_PER_PAGE, "cyan": runs["colour_pages"] * SOLID_PER_COLOUR_PAGE}
    coverage = [runs[["run_id"]].assign(ink=ink, solid_pages=pages) for ink, pages in solid.items()]
    base = small_tables(1)["materials"].set_index("material", drop=False)
    other = base.loc["plate"]
    materials = pd.DataFrame(
        [
            dict(base.loc["N1200"]),
            dict(base.loc["N1200"]) | {"material": "N600", "width_mm": 600.0, "grammage_gsm": 48.0},
            dict(base.loc["black"]),
            dict(base.loc["cyan"]),
            dict(other),
            dict(other) | {"material": "fountain", "kind": "other", "unit": "l"},
            dict(other) | {"material": "wash", "kind": "other", "unit": "l"},
        ]
    )
    tables = {
        "runs": runs,
        "run_webs": webs,
        "reel_mounts": _mounts(runs, webs),
        "coverage": pd.concat(coverage, ignore_index=True),
        "tank_readings": _dips(plant, runs),
        "stock_counts": _counts(plant, runs),
        "materials": materials,
    }
    if plant.plan:
        columns = ["date", "title", "made_on", "copies_planned", "pages_planned", "colour_pages", "event"]
        plan = pd.DataFrame(plant.plan, columns=columns)
        days = {
            name: FIRST + pd.to_timedelta(plan[name].astype(float), unit="D") for name in ("date", "made_on")
        }
        tables["plan"] = plan.assign(**days)
    return tables


def logs_of(
    folder: Path,
    plant: Plant,
    tables: dict[str, pd.DataFrame] | None = None,
    as_of: str | None = None,
) -> Logs:
    """Write the plant's tables, or others in their place, and read them."""
    toml = TOML.format(first=plant.toml[0], last=plant.toml[1])
    found = plant_tables(plant) if tables is None else tables
    return read_logs(write_small_plant(folder / "logs", found, toml), as_of)


def use_of(logs: Logs) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return weekly use and the exposure of the inks."""
    runs = weighed_paper(logs).runs
    exposure = ink_exposure(logs)
    intervals, fits, _ = judge_inks(ink_intervals(logs, exposure))
    return weekly_use(logs, runs, exposure, intervals, ink_model(intervals, fits), fits), exposure


def recipe_from(logs: Logs) -> Recipe:
    """Return what turns the issues of these logs into materials."""
    return recipe_of(logs, *use_of(logs))
