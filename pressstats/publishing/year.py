"""What the tables of past publications say of each week and of the year: however old, damaged or hostile they are.

Numbers are taken from them and nothing else: no text of theirs but a state that there is, or three letters of a
currency, reaches a page.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..markup import STATES, quantity

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["FIGURES", "FigureOfWeek", "Year", "read_year", "week_told"]

#: Figures of the week that are shown of a year: what each is called, and its digits.
FIGURES: dict[str, tuple[str, int]] = {
    "waste": ("Waste of mounted paper", 1),
    "wasted paper cost": ("Cost of wasted paper", 0),
    "paper mounted": ("Paper mounted", 0),
    "web breaks": ("Web breaks, 13 weeks", 1),
    "butts": ("Butts, 13 weeks", 3),
    "ink use": ("Ink use, four weeks", 0),
    "days of stock": ("Days of stock, shortest", 0),
}
#: Units as a page writes them, which no file may change; money has that of the plant.
_UNITS = {
    "waste": "%",
    "paper mounted": "t",
    "web breaks": "per 100 reels",
    "butts": "%",
    "ink use": "% of expected",
    "days of stock": "days",
}
_LARGEST, _ROWS, _WEEKS = 20_000_000, 100_000, 53
_GREATEST = 1e12  # a number beyond it is none of a plant's


@dataclass(frozen=True)
class FigureOfWeek:
    """A figure as a publication told it."""

    figure: str  # one of `FIGURES`
    value: float
    unit: str
    state: str  # one of `STATES`, or empty
    target: float

    @property
    def shown(self) -> str:
        """The value as pages write it."""
        return quantity(self.value, self.unit, FIGURES[self.figure][1])


@dataclass(frozen=True)
class Year:
    """A year of a plant, as its newest publication has it."""

    weeks: pd.DataFrame  # a row a week, a column for each of `FIGURES` that is told
    months: pd.DataFrame  # a row a month that is over: spend and budget [currency], newsprint [days of use]
    currency: str


def week_told(folder: Path) -> dict[str, FigureOfWeek]:
    """Return what a publication told of the figures of its week; nothing where its table cannot be read."""
    rows = _read(folder / "tables" / "week_figures.csv", ["figure", "value", "unit", "target", "state"])
    rows = rows[rows["figure"].isin(list(FIGURES))].drop_duplicates("figure")
    values, targets = _numbers(rows["value"]), _numbers(rows["target"])
    figures = {}
    for name, unit, state, value, target in zip(
        rows["figure"], rows["unit"], rows["state"], values, targets, strict=True
    ):
        if math.isfinite(value):
            unit = _UNITS.get(name) or (unit if re.fullmatch("[A-Z]{3}", unit) else "")
            figures[name] = FigureOfWeek(name, value, unit, state if state in STATES else "", target)
    return {name: figures[name] for name in FIGURES if name in figures}


def read_year(folder: Path) -> Year:
    """Return the year that a publication holds, empty where it has no such tables or they cannot be read."""
    currency = next((one.unit for one in week_told(folder).values() if one.figure not in _UNITS), "")
    return Year(_weeks(folder / "tables"), _months(folder / "tables"), currency)


def _weeks(tables: Path) -> pd.DataFrame:
    rows = _read(tables / "week_history.csv", ["figure", "week", "value"])
    rows = rows[rows["figure"].isin(list(FIGURES))]
    rows = rows.assign(week=_days(rows["week"]), value=_numbers(rows["value"])).dropna(subset=["week"])
    wide = rows.drop_duplicates(["figure", "week"]).pivot(index="week", columns="figure", values="value")
    wide = wide.dropna(axis=1, how="all").tail(_WEEKS)
    return wide[[name for name in FIGURES if name in wide]]


def _months(tables: Path) -> pd.DataFrame:
    """Return spend against budget, and how many days of its use the newsprint at each month's end was."""
    names = ["month", "through", "kind", "closing", "used", "used_value", "budget_cost"]
    rows = _read(tables / "month_close.csv", names)
    days = {"month": _days(rows["month"] + "-01"), "through": _days(rows["through"])}
    rows = rows.assign(**days, **{name: _numbers(rows[name]) for name in names[3:]})
    rows = rows[rows["through"] == rows["month"] + pd.offsets.MonthEnd(1)]
    of = rows.groupby("month")
    paper = rows[rows["kind"] == "newsprint"].groupby("month")[["closing", "used"]].agg(_whole)
    lasts = (
        paper["closing"]
        * pd.DatetimeIndex(paper.index).days_in_month
        / paper["used"].where(paper["used"] > 0)
    )
    table = pd.DataFrame(
        {
            "spend": of["used_value"].agg(_whole),
            "budget": of["budget_cost"].sum(min_count=1),
            "newsprint": lasts.where(lasts >= 0),
        }
    )
    return table.dropna(how="all").tail(13)


def _whole(values: pd.Series) -> float:
    """Return a sum; blank where a part of it is."""
    return float(values.sum(skipna=False))


def _read(path: Path, names: list[str]) -> pd.DataFrame:
    """Return columns of a table as text; no row where it is not there, too large, or cannot be read."""
    try:
        if path.is_file() and path.stat().st_size <= _LARGEST:
            rows = pd.read_csv(path, usecols=names, dtype="str", keep_default_na=False, nrows=_ROWS)
            return rows[names]
    except (OSError, ValueError, OverflowError, MemoryError):
        pass
    return pd.DataFrame(columns=names, dtype="str")


def _numbers(texts: pd.Series) -> pd.Series:
    values = pd.to_numeric(texts, errors="coerce").astype("float64")
    return values.where(np.abs(values) < _GREATEST)


def _days(texts: pd.Series) -> pd.Series:
    days = pd.to_datetime(texts, format="%Y-%m-%d", errors="coerce").astype("datetime64[us]")
    return days.where(days.dt.year.between(1900, 2200))
