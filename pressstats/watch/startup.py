"""Lasting changes of start-up waste of a press: when they began, how large they are, what they cost since."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from ..paper import date_shift, level_shifts

__all__ = ["startup_regimes", "startup_shift", "startup_values"]

#: A smaller change of a press's start-up waste is none: routine moves it by a twentieth (common practice, no source).
_SMALLEST_SHARE = 0.05
#: A start this many standard deviations off its title's others counts as one that is just so far off.
_FAR = 4.0
#: Days either side of a change in which its day is looked for.
_DATING_DAYS = 56
#: Days whose mix of titles an estimate is for.
_MIX_DAYS = 91
_MEASURE = "start-up waste"
_COLUMNS = ["measure", "subject", "from", "to", "dated_low", "dated_high", "estimate", "ci_low", "ci_high"]
_COLUMNS += ["unit", "cost_since", "why"]


@dataclass(frozen=True)
class _Change:
    day: pd.Timestamp
    low: pd.Timestamp
    high: pd.Timestamp


def startup_values(runs: pd.DataFrame) -> pd.DataFrame:
    """Return start-up waste of each run: title, press, date, week, value [kg per web started] and starts."""
    table = runs[["title", "press", "date", "week", "starts"]].assign(
        value=runs["startup_kg"] / runs["starts"].where(runs["starts"] > 0)
    )
    return table.dropna()


def startup_regimes(runs: pd.DataFrame, price: float) -> pd.DataFrame:
    """Return the presses' rows of the published table ``regimes``; `price` of paper [currency / kg].

    Estimates are kg per web started, of the mix of titles of the last 13 weeks, with 95 % limits (Student's t
    over weeks). cost_since is what the starts of the spell wasted more than before the change; negative where
    they wasted less.
    """
    rows: list[dict[str, object]] = []
    for press, of_press in startup_values(runs).groupby("press", sort=True):
        rows += _press(str(press), of_press.sort_values("date", kind="stable"), price)
    return pd.DataFrame(rows, columns=_COLUMNS)


def startup_shift(regimes: pd.DataFrame, press: str, date: pd.Series) -> pd.Series:
    """Return how far the level of each day's spell lies above the present one [kg per web started]; 0 where unknown."""
    shift = pd.Series(0.0, date.index)
    spells = regimes[(regimes["measure"] == _MEASURE) & (regimes["subject"] == press)].sort_values("from")
    for spell in spells.to_dict("records"):
        shift[date >= spell["from"]] = spell["estimate"] - spells["estimate"].iloc[-1]
    return shift


def _press(press: str, starts: pd.DataFrame, price: float) -> list[dict[str, object]]:
    changes: list[_Change] = []
    for _ in range(2):
        # Titles are compared within the spells found so far, or a change would be part of their means.
        spell = _spell_of(starts["date"], changes)
        title, effect = _fitted(starts, spell)
        again = _changes(starts, starts["value"] - title, _SMALLEST_SHARE * float(starts["value"].mean()))
        if [change.day for change in again] == [change.day for change in changes]:
            break
        changes = again
    spell = _spell_of(starts["date"], changes)
    title, effect = _fitted(starts, spell)
    last = starts["date"] >= starts["date"].max() - pd.Timedelta(days=_MIX_DAYS)
    usual = float(np.average(title[last], weights=starts.loc[last, "starts"]))
    rows = []
    before = np.nan
    for number in range(len(changes) + 1):
        inside = spell == number
        value = usual + effect[number]
        half = _half_width(
            starts, starts["value"] - title - effect[number], inside & ~_unsure(starts["date"], changes)
        )
        change = changes[number - 1] if number else None
        kg = float(starts.loc[inside, "starts"].sum()) * (value - before)
        rows.append(
            {
                "measure": _MEASURE,
                "subject": press,
                "from": change.day if change else starts["date"].min(),
                "to": changes[number].day - pd.Timedelta(days=1) if number < len(changes) else pd.NaT,
                "dated_low": change.low if change else pd.NaT,
                "dated_high": change.high if change else pd.NaT,
                "estimate": value,
                "ci_low": value - half,
                "ci_high": value + half,
                "unit": "kg per web started",
                "cost_since": kg * price,
                "why": f"{value - before:+.2g} kg per web started against before"
                if change
                else "the first that the logs know",
            }
        )
        before = value
    return rows


def _spell_of(date: pd.Series, changes: list[_Change]) -> np.ndarray:
    days = np.array([change.day.to_datetime64() for change in changes], dtype="datetime64[us]")
    return np.searchsorted(days, date.to_numpy().astype("datetime64[us]"), side="right")


def _unsure(date: pd.Series, changes: list[_Change]) -> np.ndarray:
    unsure = np.zeros(len(date), dtype=bool)
    for change in changes:
        unsure |= ((date >= change.low) & (date < change.high)).to_numpy()
    return unsure


def _fitted(starts: pd.DataFrame, spell: np.ndarray) -> tuple[pd.Series, np.ndarray]:
    """Return the level of each run's title in the present spell, and of each spell against it (least squares)."""
    codes, _ = pd.factorize(starts["title"])
    titles, spells = codes.max() + 1, int(spell.max()) + 1
    design = np.zeros((len(starts), titles + spells - 1))
    design[np.arange(len(starts)), codes] = 1.0
    past = spell < spells - 1
    design[np.flatnonzero(past), titles + spell[past]] = 1.0
    root = np.sqrt(starts["starts"].to_numpy())
    solution, *_ = np.linalg.lstsq(design * root[:, None], starts["value"].to_numpy() * root, rcond=None)
    return pd.Series(solution[codes], starts.index), np.append(solution[titles:], 0.0)


def _weekly(starts: pd.DataFrame, left: pd.Series, by: str) -> tuple[pd.Index, np.ndarray, np.ndarray]:
    sums = pd.DataFrame({"kg": left * starts["starts"], "starts": starts["starts"]}).groupby(starts[by]).sum()
    return sums.index, (sums["kg"] / sums["starts"]).to_numpy(), sums["starts"].to_numpy()


def _calmed(left: pd.Series, spell_means: pd.Series) -> pd.Series:
    """Draw single starts that are far off back to where they are just far."""
    apart = left - spell_means
    scatter = 1.4826 * float(apart.abs().median())
    return spell_means + apart.clip(-_FAR * scatter, _FAR * scatter) if scatter > 0 else left


def _changes(runs: pd.DataFrame, left: pd.Series, smallest: float) -> list[_Change]:
    usual = left.rolling(31, center=True, min_periods=1).median()
    left = _calmed(left, usual)
    weeks, level, starts = _weekly(runs, left, "week")
    number = ((weeks - weeks[0]).days // 7).to_numpy()
    shifts = level_shifts(level, starts, number, smallest)
    borders = [weeks[0], *(weeks[shift.place] for shift in shifts), weeks[-1] + pd.Timedelta(weeks=1)]
    changes = []
    span = pd.Timedelta(days=_DATING_DAYS)
    for border in range(1, len(borders) - 1):
        begin = max(borders[border - 1] + pd.Timedelta(weeks=1), borders[border] - span)
        near = (runs["date"] >= begin) & (runs["date"] < min(borders[border + 1], borders[border] + span))
        days, by_day, of_day = _weekly(runs[near], left[near], "date")
        if len(days) >= 4:
            first, low, high = date_shift(by_day, of_day)
            changes.append(_Change(days[first], days[low - 1] + pd.Timedelta(days=1), days[high]))
    return changes


def _half_width(runs: pd.DataFrame, left: pd.Series, inside: np.ndarray) -> float:
    """Return half the width of the 95 % interval of a spell's mean, from the scatter of its weeks."""
    _, level, starts = _weekly(runs[inside], left[inside], "week")
    if len(level) < 2:
        return float("nan")
    scatter = (starts * level**2).sum() / (len(level) - 1)
    return float(special.stdtrit(len(level) - 1, 0.975) * np.sqrt(scatter / starts.sum()))
