"""Plants with a December: pages and copies that swell before Christmas, a trough until Epiphany, Easter, closed days.

Each seed is another plant: two to four titles, one to three years known before the November cut, a booking list or
none, a country or none, tanks dipped daily or weekly. Of every week the true use is known, also after the cuts.
Years differ: each has humps of its own size. Pages go on webs of three widths, as in ``issue_simulation``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from small_plant import small_tables, write_small_plant

__all__ = ["CUTS", "DecemberPlant", "december_plant"]

#: Last days known: before Christmas, before Easter, in the summer.
CUTS = {
    "November": pd.Timestamp("2025-11-30"),
    "March": pd.Timestamp("2026-03-29"),
    "June": pd.Timestamp("2026-06-28"),
}
_END = pd.Timestamp("2026-10-04")
_WIDTHS = {"N1200": 1200.0, "N900": 900.0, "N600": 600.0}
_CUTOFF = 400.0
_PAGE_M2 = 0.12
_FILM = {"black": 1.4, "cyan": 1.2, "magenta": 1.25, "yellow": 1.3}
_STANDING = {"black": 12.0, "cyan": 5.0, "magenta": 5.0, "yellow": 5.0}
_START_KG = {"black": 5.0, "cyan": 3.0, "magenta": 3.0, "yellow": 3.0}
#: Western Easter Sundays (from memory; the formula of Gauss gives the same).
_EASTER = pd.to_datetime(["2022-04-17", "2023-04-09", "2024-03-31", "2025-04-20", "2026-04-05"])


@dataclass(frozen=True)
class DecemberPlant:
    """A plant on disk and what it truly used.

    Attributes
    ----------
    folder : Path
        Its logs.
    use : DataFrame, shape (weeks, materials)
        True use of each week [kg, plates].
    dip_kg : float
        Error of a dip [kg].
    """

    folder: Path
    use: pd.DataFrame
    dip_kg: float


def _hump(days: pd.DatetimeIndex, chance: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return what Christmas and Easter do to pages and to copies, as a share, years differing by a sixth."""
    pages, copies = np.zeros(len(days)), np.zeros(len(days))
    swell, trough, easter = chance.uniform(0.12, 0.35), chance.uniform(0.10, 0.30), chance.uniform(0.0, 0.2)
    sold, unsold = chance.uniform(0.0, 0.06), chance.uniform(0.02, 0.12)
    for year in range(days[0].year - 1, days[-1].year + 1):
        own = 1 + chance.normal(0, 1 / 6)
        to = ((days - pd.Timestamp(year, 12, 24)).days).to_numpy()
        rise = np.where((to <= -1) & (to > -45), np.exp(-(((to + 14) / 11) ** 2)), 0.0)
        quiet = ((to >= 1) & (to <= 13)).astype(float)
        pages += own * (swell * rise - trough * quiet)
        copies += own * (sold * rise - unsold * quiet)
    for sunday in _EASTER:
        own, to = 1 + chance.normal(0, 1 / 6), (days - sunday).days.to_numpy()
        pages += own * easter * (((to >= -10) & (to <= -1)) - 0.7 * ((to >= 1) & (to <= 7)))
    return pages, copies


def _wander(size: int, step: float, keep: float, chance: np.random.Generator) -> np.ndarray:
    """Return a level by day that changes from week to week and is drawn back to nothing."""
    weekly = np.zeros(size // 7 + 2)
    for week in range(1, len(weekly)):
        weekly[week] = keep * weekly[week - 1] + chance.normal(0, step)
    return np.interp(np.arange(size) / 7, np.arange(len(weekly)), weekly)


def _issues(days: pd.DatetimeIndex, chance: np.random.Generator) -> pd.DataFrame:
    turn = 2 * np.pi * days.day_of_year.to_numpy() / 365.25
    years = (days - days[0]).days.to_numpy() / 365.25
    common_pages, common_copies = (
        _wander(len(days), 0.015, 0.8, chance),
        _wander(len(days), 0.004, 0.9, chance),
    )
    parts = []
    for number in range(int(chance.integers(2, 5))):
        runs_on = [range(7), range(6), range(5), (6,), (3,)][
            int(chance.integers(0, 3)) if number < 2 else number + 1
        ]
        weekdays = np.isin(days.day_of_week, list(runs_on))
        pages_hump, copies_hump = _hump(days, chance)
        by_day = 1 + chance.uniform(-0.1, 0.15, 7)
        season = chance.uniform(0.02, 0.12) * np.cos(turn - chance.uniform(5.0, 6.2)) + 0.04 * np.cos(
            2 * turn - 4.6
        )
        pages = chance.uniform(22, 40) * by_day[days.day_of_week] * (1 + season + common_pages + pages_hump)
        pages = np.clip(2 * np.round((pages + chance.normal(0, 1.5, len(days))) / 2), 8, 96)
        copies = chance.uniform(15e3, 50e3) * (1 - chance.uniform(0.0, 0.06)) ** years
        copies *= 1 + common_copies + copies_hump - 0.05 * np.exp(-(((days.day_of_year - 212) / 24.0) ** 2))
        copies *= (1 + chance.normal(0, 0.015, len(days))) * np.where(
            chance.random(len(days)) < 0.015, 1.3, 1.0
        )
        colour = 2 * np.round(pages * np.clip(0.6 + chance.normal(0, 0.06, len(days)), 0, 0.95) / 2)
        parts.append(
            pd.DataFrame(
                {
                    "date": days,
                    "title": f"Title {number}",
                    "pages": pages,
                    "copies": copies.round(-1),
                    "colour": colour,
                }
            )[weekdays]
        )
    issues = pd.concat(parts).sort_values(["date", "title"], ignore_index=True)
    return issues[~issues["date"].dt.strftime("%m-%d").isin(["12-25", "01-01"])].reset_index(drop=True)


def _tables(
    issues: pd.DataFrame, chance: np.random.Generator
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Return runs and webs with mounted paper [kg], and solid pages by ink."""
    copies, number = issues["copies"], len(issues)
    startup = np.round(350 + 6 * issues["pages"] + chance.normal(0, 60, number))
    gross = np.round(copies * (1.008 + 0.003 * chance.random(number)) + startup)
    start = (
        issues["date"]
        - pd.Timedelta(hours=3)
        + pd.to_timedelta(issues.groupby("date").cumcount() * 70, unit="min")
    )
    runs = pd.DataFrame(
        {
            "run_id": issues["date"].dt.strftime("%y%m%d") + issues["title"].str[-1],
            "date": issues["date"], "title": issues["title"], "press": "P1", "started_at": start,
            "finished_at": start + pd.Timedelta(minutes=60), "production": "straight", "page_width_mm": 300.0,
            "page_height_mm": _CUTOFF, "pages": issues["pages"], "copies_ordered": copies, "copies_gross": gross,
            "copies_good": copies, "copies_startup_waste": startup, "copies_running_waste": gross - copies - startup,
            "plates": issues["pages"] + 3 * issues["colour"], "colour_pages": issues["colour"],
        }
    )  # fmt: skip
    full, rest = np.divmod(issues["pages"].to_numpy().astype(int), 8)
    rows = [
        (run, "ABCDEFGHIJKLMN"[web], name, _WIDTHS[name], pages)
        for run, whole, left in zip(runs["run_id"], full, rest, strict=True)
        for web, (name, pages) in enumerate(
            [("N1200", 8.0)] * whole
            + {0: [], 2: [("N600", 4.0)], 4: [("N600", 4.0)], 6: [("N900", 6.0)]}[left]
        )
    ]
    webs = pd.DataFrame(rows, columns=["run_id", "web", "material", "width_mm", "pages"])
    webs = webs.assign(cutoff_mm=_CUTOFF, cutoffs_per_copy=1.0)
    about = webs.merge(runs[["run_id", "copies_gross", "started_at", "date"]], on="run_id")
    kg = about["copies_gross"] * about["width_mm"] * _CUTOFF / 1e6 * 45.4 / 1000
    kg = (kg * (1.015 + 0.004 * chance.normal(size=len(kg))) + 12).round(1)
    mounts = about[["run_id", "web", "material"]].assign(
        supplier="Northmill", reelstand="R" + about["web"], mounted_at=about["started_at"], start_kg=kg + 50.0,
        strip_kg=0.0, returned_kg=50.0, butt_kg=0.0, ended_by="run_end",
        reel_id=[f"N{place:06d}" for place in range(len(kg))],
    )  # fmt: skip
    used = kg.groupby([about["date"], about["material"]]).sum().unstack(fill_value=0.0)
    share = chance.normal(1, 0.08, number)
    solid = {"black": issues["pages"] * 0.16 * share * chance.normal(1, 0.08, number)}
    for ink in ("cyan", "magenta", "yellow"):
        solid[ink] = issues["colour"] * 0.19 * share * chance.normal(1, 0.1, number)
    coverage = pd.concat(
        [runs[["run_id"]].assign(ink=ink, solid_pages=v.round(2)) for ink, v in solid.items()]
    )
    coverage = coverage[coverage["solid_pages"] > 0].reset_index(drop=True)
    area = coverage.merge(runs[["run_id", "copies_gross", "date"]], on="run_id")
    m2 = area["solid_pages"] * area["copies_gross"] * _PAGE_M2
    taken = m2 * area["ink"].map(_FILM) / 1000 * chance.normal(1, 0.05, len(area)) + area["ink"].map(
        _START_KG
    )
    inks = taken.groupby([area["date"], area["ink"]]).sum().unstack(fill_value=0.0)
    plates = runs.groupby("date")["plates"].sum().rename("plate")
    tables = {"runs": runs, "run_webs": webs, "reel_mounts": mounts, "coverage": coverage}
    return tables, pd.concat([used, inks, plates], axis=1)


def _dips(
    use: pd.DataFrame, every: int, error: float, chance: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return dips, and deliveries that keep each tank above a quarter of its 12 t."""
    dips, came = [], []
    for ink in _FILM:
        level = 9_000.0
        for place, (day, kg) in enumerate(use[ink].items()):
            level -= kg + _STANDING[ink]
            at = day + pd.Timedelta(hours=6)
            if place % every == 0:
                dips.append((f"T{ink}", at, ink, max(round(level + chance.normal(0, error)), 0)))
            if level < 5_000:
                came.append(
                    (
                        f"D{ink}{place}",
                        ink,
                        4_000.0,
                        day - pd.Timedelta(days=9),
                        day,
                        day,
                        at + pd.Timedelta(hours=4),
                        f"T{ink}",
                    )
                )
                level += 4_000.0
    columns = [
        "delivery_id",
        "material",
        "quantity",
        "ordered_on",
        "promised_on",
        "delivered_on",
        "delivered_at",
        "tank",
    ]
    return pd.DataFrame(dips, columns=["tank", "read_at", "ink", "level_kg"]), pd.DataFrame(
        came, columns=columns
    )


def _plan(issues: pd.DataFrame, chance: np.random.Generator) -> pd.DataFrame:
    """Return bookings of three weeks ahead: copies to 2 %, pages to two."""
    booked = issues.assign(made_on=issues["date"] - pd.Timedelta(days=21), event="")
    return pd.DataFrame(
        {
            "date": booked["date"], "title": booked["title"], "made_on": booked["made_on"],
            "copies_planned": (booked["copies"] * chance.normal(1, 0.02, len(booked))).round(-1),
            "pages_planned": np.maximum(booked["pages"] + 2 * chance.integers(-1, 2, len(booked)), 8),
            "colour_pages": booked["colour"], "event": "",
        }
    )  # fmt: skip


def december_plant(folder: Path, seed: int, years: int | None = None) -> DecemberPlant:
    """Write a plant.

    Parameters
    ----------
    folder : Path
        Where to.
    seed : int
        Which plant.
    years : int, optional
        Years known before the November cut; 1, 2 or 3 by the seed.

    Returns
    -------
    DecemberPlant
        The plant, until thirteen weeks after the last cut.
    """
    chance = np.random.default_rng([seed, 1225])
    known = years or 1 + seed % 3
    first = CUTS["November"] + pd.Timedelta(days=1) - pd.Timedelta(days=7 * 52 * known + 7)
    days = pd.date_range(first, _END, freq="D")
    every, error = (1, 7)[int(chance.integers(0, 2))], float(chance.choice([20.0, 60.0]))
    issues = _issues(days, chance)
    tables, by_day = _tables(issues, chance)
    use = by_day.reindex(days, fill_value=0.0).fillna(0.0)
    tables["tank_readings"], tables["deliveries"] = _dips(use, every, error, chance)
    base = small_tables(1)["materials"].set_index("material", drop=False)
    paper, ink, plate = dict(base.loc["N1200"]), dict(base.loc["black"]), dict(base.loc["plate"])
    tables["materials"] = pd.DataFrame(
        [
            paper | {"material": name, "width_mm": width, "grammage_gsm": 45.0}
            for name, width in _WIDTHS.items()
        ]
        + [ink | {"material": name, "ink": name} for name in _FILM]
        + [plate]
    )
    if seed % 4 == 0:
        tables["plan"] = _plan(issues, chance)
    country = 'country = "AT"\n' if seed % 2 else ""
    tanks = "".join(f'[tanks.T{name}]\nink = "{name}"\ncapacity_kg = 12000\n' for name in _FILM)
    toml = (
        f'name = "Plant {seed}"\ntimezone = "Europe/Vienna"\ncurrency = "EUR"\n'
        f'[calendar]\n{country}closed = ["12-25", "01-01"]\n[presses.P1]\nweb_width_max_mm = 1300\n{tanks}'
        f"[measurement]\ndip_kg = {error}\n"
    )
    write_small_plant(folder, tables, toml)
    for name, kg in _STANDING.items():
        use[name] += kg
    weekly = use.groupby((days - first).days // 7).sum()
    weekly.index = first + pd.to_timedelta(7 * weekly.index, unit="D")
    return DecemberPlant(folder, weekly, error)
