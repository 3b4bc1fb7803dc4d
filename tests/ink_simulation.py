"""Simulated ink: runs, true use, dips with error, and what may go wrong with it; shared by tests and benchmarks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pressstats.ink.use import use_of_groups

if TYPE_CHECKING:
    from pressstats.ink import InkFit

__all__ = ["DISTURBANCES", "Disturbance", "Habits", "lasting_change", "simulate_ink", "use_by_interval"]

FIRST_DIP = pd.Timestamp("2022-01-03 06:00")  # a Monday
#: Runs of a night that print the ink, and how often there are as many.
_RUNS = np.array([0.05, 0.30, 0.40, 0.25])
#: Monday to Sunday: a thick paper before the week-end.
_WEEKDAY = np.array([0.85, 0.9, 1.0, 1.0, 1.1, 1.25, 0.9])


@dataclass(frozen=True)
class Habits:
    """An ink as it truly is; use per day is met by the area that is printed.

    Attributes
    ----------
    film : float
        Film weight [g/m2 of solid].
    start : float
        Start-up [kg per run].
    standing : float
        Standing use [kg/day].
    daily_kg : float
        Mean use of a day [kg], standing and start-up included.
    scatter : float
        Standard deviation of what a run uses, as a share of it.
    dip_kg : float
        Standard deviation of a dip [kg].
    days : int
        Length of the history [day].
    every : int
        Days from dip to dip.
    missed : float
        Share of dips that nobody made.
    weekly_runs : tuple of int, optional
        Runs from Monday to Sunday where every week has the same.
    """

    film: float = 1.42
    start: float = 6.5
    standing: float = 14.0
    daily_kg: float = 130.0
    scatter: float = 0.06
    dip_kg: float = 60.0
    days: int = 364
    every: int = 1
    missed: float = 0.01
    weekly_runs: tuple[int, ...] | None = None

    @property
    def terms(self) -> np.ndarray:
        """Film weight, start-up and standing, shape (3,)."""
        return np.array([self.film, self.start, self.standing])


@dataclass(frozen=True)
class Disturbance:
    """What goes wrong.

    Attributes
    ----------
    kind : str
        ``drift`` (film weight times `size`), ``leak`` (`size` kg/day), ``step`` (the gauge reads `size` kg
        more from then on), ``misread dip`` (one dip reads `size` kg too high).
    size : float
        As above.
    days : int
        How long a drift or leak lasts [day].
    """

    kind: str
    size: float
    days: int = 0


DISTURBANCES = {
    "drift": Disturbance("drift", 1.12, 42),
    "leak": Disturbance("leak", 14.0, 21),
    "step": Disturbance("step", 180.0),
    "misread dip": Disturbance("misread dip", 900.0),
}


def simulate_ink(
    rng: np.random.Generator,
    habits: Habits = Habits(),
    disturbance: Disturbance | None = None,
    ink: str = "black",
) -> tuple[pd.DataFrame, pd.Timestamp | None]:
    """Simulate one ink.

    Returns
    -------
    intervals : DataFrame
        As ``ink_intervals`` returns them, and true_kg, the use without error of dips [kg].
    since : Timestamp or None
        When the disturbance begins: in the middle three fifths of the history.
    """
    nights = rng.choice(len(_RUNS), habits.days, p=_RUNS)
    if habits.weekly_runs is not None:
        nights = np.array(habits.weekly_runs)[np.arange(habits.days) % 7]
    night = np.repeat(np.arange(habits.days), nights)  # the night before dip number night + 1
    shape = rng.lognormal(0.0, 0.35, len(night)) * _WEEKDAY[night % 7]
    printed_kg = habits.daily_kg * habits.days - habits.standing * habits.days - habits.start * len(night)
    solid = shape * printed_kg / habits.film * 1000 / shape.sum()

    begin = int(
        rng.integers(habits.days // 5, habits.days * 4 // 5 - (disturbance.days if disturbance else 0))
    )
    film, lost = np.full(len(night), habits.film), np.zeros(habits.days)
    if disturbance is not None and disturbance.kind == "drift":
        film[(night >= begin) & (night < begin + disturbance.days)] *= disturbance.size
    if disturbance is not None and disturbance.kind == "leak":
        lost[begin : begin + disturbance.days] = disturbance.size
    used = (film * solid / 1000 + habits.start) * (1 + habits.scatter * rng.standard_normal(len(night)))

    def daily(values: np.ndarray) -> np.ndarray:
        return np.bincount(night, weights=values, minlength=habits.days)

    minutes = rng.integers(0, 90, habits.days + 1)
    at = (np.arange(habits.days + 1) + minutes / 1440)[:: habits.every]
    dips = np.arange(0, habits.days + 1, habits.every)
    kept = rng.random(len(dips)) >= habits.missed
    kept[[0, -1]] = True
    dips, at = dips[kept], at[kept]

    def level(values: np.ndarray) -> np.ndarray:
        return np.append(0.0, np.cumsum(values))[dips]

    errors = habits.dip_kg * rng.standard_normal(len(dips))
    if disturbance is not None and disturbance.kind == "step":
        errors[dips > begin] += disturbance.size
    if disturbance is not None and disturbance.kind == "misread dip":
        errors[np.searchsorted(dips, begin + 1)] += disturbance.size
    true = np.diff(level(daily(used) + lost)) + habits.standing * np.diff(at)
    times = FIRST_DIP + pd.to_timedelta(np.round(at * 1440).astype(int), unit="min").as_unit("us")
    intervals = pd.DataFrame(
        {
            "ink": pd.Series(ink, index=range(len(true)), dtype="str"),
            "since": times[:-1],
            "read_at": times[1:],
            "used_kg": true - np.diff(errors),
            "solid_m2": np.diff(level(daily(solid))),
            "solid_squared": np.diff(level(daily(solid**2))),
            "starts": np.diff(level(nights.astype(float))),
            "days": np.diff(at),
            "why": pd.Series("", index=range(len(true)), dtype="str"),
            "true_kg": true,
        }
    )
    return intervals, FIRST_DIP + pd.Timedelta(days=begin) if disturbance is not None else None


def lasting_change(
    rows: pd.DataFrame, weeks: float, ratio: float, habits: Habits
) -> tuple[pd.DataFrame, pd.Timestamp, float]:
    """Return simulated intervals whose film weight changed some weeks before the end, the day, and what it took [kg].

    The change is `ratio` times the film weight of `habits`, from the first dip of that day on.
    """
    begin = rows["read_at"].iloc[-1] - pd.Timedelta(weeks=weeks)
    later = rows["since"] >= begin
    extra = ((ratio - 1) * habits.film * rows["solid_m2"] / 1000).where(later, 0.0)
    changed = rows.assign(used_kg=rows["used_kg"] + extra, true_kg=rows["true_kg"] + extra)
    return changed, begin, float(extra.sum())


def use_by_interval(intervals: pd.DataFrame, fits: dict[str, InkFit]) -> pd.DataFrame:
    """Return the true use of each interval between dips: ink, since, read_at, used_kg, std_error [kg].

    An interval whose dips tell nothing (a step, a hidden refill) has what the model expects, with its larger error;
    with a run of unknown coverage it has the difference of its dips with theirs. An ink without a model is blank.
    """
    parts = []
    for ink, rows in intervals.groupby("ink", sort=True):
        rows = rows.reset_index(drop=True)
        used = rows[["ink", "since", "read_at"]].assign(used_kg=np.nan, std_error=np.nan)
        if (fit := fits.get(str(ink))) is not None:
            cells = rows.assign(group=np.arange(len(rows)), interval=np.arange(len(rows)))
            used[["used_kg", "std_error"]] = use_of_groups(fit, cells, rows, len(rows))
        parts.append(used)
    names = ["ink", "since", "read_at", "used_kg", "std_error"]
    return pd.concat(parts, ignore_index=True)[names] if parts else pd.DataFrame(columns=names)
