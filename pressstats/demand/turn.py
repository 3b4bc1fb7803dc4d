"""How much wider errors are about the turn of the year: learned from those seen there, drawn to what plants show.

Errors of ordinary weeks and those of the weeks about Christmas are made alike by a factor, so that neither the
one widens the other's interval nor the other narrows the one's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["turn_factor", "turn_share"]

#: Days from Christmas Day that belong to the turn of the year.
_FIRST, _LAST = -24, 12
#: Errors there over those of other weeks before any were seen, and how many turns of the year that is worth; measured
#: on simulated plants (tests/bench/bench_demand.py december): 1.07 for paper by width, 1.4 for inks, 1.2 for plates.
_USUAL, _USUAL_TURNS = 1.25, 1.0
#: Turns that the factor of all materials is worth beside a material's own.
_COMMON_TURNS = 2.0
_LEAST, _MOST = 0.8, 4.0


def turn_share(weeks: pd.DatetimeIndex) -> np.ndarray:
    """Return the share of each week's days that lie about the turn of the year, shape (weeks,)."""
    days = weeks.to_numpy().astype("datetime64[D]")[:, None] + np.arange(7)
    year = days.astype("datetime64[Y]")
    about = np.zeros(days.shape, dtype=bool)
    for later in (-1, 0):
        christmas = (year + later).astype("datetime64[M]") + 11
        away = (days - (christmas.astype("datetime64[D]") + 24)).astype(int)
        about |= (away >= _FIRST) & (away <= _LAST)
    return np.asarray(about.mean(axis=1))


def turn_factor(errors: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Return how many times as large errors about the turn of the year are as others, shape (materials,).

    Errors are absolute, shape (origins, materials, horizon), in any one unit; shares of the weeks (origins, horizon).
    """
    known = np.isfinite(errors)
    inside = known & (share >= 0.5)[:, None, :]
    outside = known & (share == 0)[:, None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = _means(errors, inside) / _means(errors, outside)
    # A run of weeks about one Christmas is one turn, however many origins looked at it.
    seen = (share >= 0.5) & known.any(axis=1)
    weeks = np.unique((np.arange(len(share))[:, None] + np.arange(share.shape[1]))[seen])
    turns = float(1 + (np.diff(weeks) > 20).sum()) if len(weeks) else 0.0
    measured = np.isfinite(ratio) & (ratio > 0)
    common = np.log(_USUAL)
    if measured.any():
        common = (turns * np.log(ratio[measured]).mean() + _USUAL_TURNS * common) / (turns + _USUAL_TURNS)
    own = np.where(measured, np.log(np.where(measured, ratio, 1.0)), common)
    return np.clip(np.exp((turns * own + _COMMON_TURNS * common) / (turns + _COMMON_TURNS)), _LEAST, _MOST)


def _means(values: np.ndarray, used: np.ndarray) -> np.ndarray:
    return np.asarray(np.where(used, values, 0.0).sum(axis=(0, 2)) / used.sum(axis=(0, 2)))
