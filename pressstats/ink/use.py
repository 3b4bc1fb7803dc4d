"""What was truly used of each ink, by interval and by week, free of the error of dips.

A difference of two dips holds the error of both, which for a night's use of an ink is often as large as the use. But
the model knows what was printed, and successive differences know each other's errors: of

    difference = expected + scatter of use + error of a dip - error of the next

the scatter is estimated by its best linear unbiased prediction (Henderson 1975, Biometrics 31:423; Robinson 1991,
Statistical Science 6:15; both from memory), and true use is expectation plus that. Sums over long spans are
those of the dips; short ones lean on what was printed. Variances are not known: everything is averaged over what the
readings allow (``variances``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import linalg

from .ledger import NO_COVERAGE
from .model import InkFit, dip_pattern
from .prediction import scatter_of

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["use_by_week", "use_of_groups"]

#: Shares of scatter that weigh less than this are left out: they move nothing and cost as much as any.
_LIGHT = 0.002


def use_by_week(
    logs: Logs, exposure: pd.DataFrame, intervals: pd.DataFrame, fits: dict[str, InkFit]
) -> pd.DataFrame:
    """Return the true use of each ink in each week, with its standard error.

    Parameters
    ----------
    logs : Logs
        The logs: they say when weeks start and what as-of is.
    exposure, intervals, fits
        Results of :func:`pressstats.ink.ink_exposure` and :func:`pressstats.ink.judge_inks`.

    Returns
    -------
    DataFrame, shape (inks x weeks, 4)
        ink, week (from that of the first dip to that of as-of), used_kg and std_error [kg]. Runs belong to the week
        of their publication, days to the calendar's. What the dips do not reach (after the last one) is expected use.
        Blank where a run's coverage is not known and its interval lies in several weeks.
    """
    parts = []
    for ink, rows in intervals.groupby("ink", sort=True):
        fit = fits.get(str(ink))
        if fit is None:
            continue
        rows = rows.reset_index(drop=True)
        cells = _cells(logs, exposure[exposure["ink"] == ink], rows)
        weeks = pd.DatetimeIndex(sorted(cells["week"].unique()))
        cells["group"] = weeks.get_indexer(pd.DatetimeIndex(cells["week"]))
        used = use_of_groups(fit, cells, rows, len(weeks))
        parts.append(
            pd.DataFrame({"ink": ink, "week": weeks, "used_kg": used[:, 0], "std_error": used[:, 1]})
        )
    names = ["ink", "week", "used_kg", "std_error"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _cells(logs: Logs, exposure: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Return runs, and days cut at dips and weeks: each lies in one week and in one interval or none (-1)."""
    first, last = rows["since"].iloc[0], rows["read_at"].iloc[-1]
    end = max(logs.as_of + pd.Timedelta(days=1), last)
    runs = exposure[exposure["finished_at"] > first]
    printed = pd.DataFrame(
        {
            "week": runs["week"],
            "since": runs["finished_at"],
            "read_at": runs["finished_at"],
            "solid_m2": runs["solid_m2"],
            "solid_squared": runs["solid_m2"] ** 2,
            "starts": runs["starts"],
            "days": 0.0,
        }
    )
    weeks = pd.date_range(logs.plant.week_start(first), end, freq="7D", unit="us")
    cuts = np.unique(
        np.concatenate([[first, end], rows["since"], rows["read_at"], weeks[1:]]).astype("M8[us]")
    )
    idle = pd.DataFrame({"since": cuts[:-1], "read_at": cuts[1:]})
    idle["week"] = weeks[np.searchsorted(weeks.to_numpy(), cuts[:-1], "right") - 1]
    idle["days"] = (idle["read_at"] - idle["since"]) / pd.Timedelta(days=1)
    cells = pd.concat([printed, idle], ignore_index=True)
    bare = ["solid_m2", "solid_squared", "starts"]
    cells.loc[len(printed) :, bare] = 0.0
    ends = np.append(rows["since"].to_numpy()[:1], rows["read_at"].to_numpy())
    interval = np.searchsorted(ends, cells["read_at"].to_numpy(), "left") - 1
    cells["interval"] = np.where((interval >= 0) & (interval < len(rows)), interval, -1)
    # Terms of some weeks go by the interval that a cell lies in.
    inside = cells["interval"] >= 0
    for column in ("since", "read_at"):
        cells.loc[inside, column] = rows[column].to_numpy()[cells.loc[inside, "interval"]]
    return cells


def use_of_groups(fit: InkFit, cells: pd.DataFrame, rows: pd.DataFrame, groups: int) -> np.ndarray:
    """Return true use and its standard error by group of cells, shape (groups, 2)."""
    by_days = not fit.by_area
    # Where a run's coverage is not known the dips are all that tells of the whole interval.
    dark = ((rows["why"] == NO_COVERAGE) & (not by_days)).to_numpy()
    in_dark = np.append(dark, False)[cells["interval"].to_numpy()]
    lit = cells[~in_dark]
    design, scatter = fit.design_of(lit), scatter_of(fit, lit.fillna({"solid_m2": 0.0, "starts": 0.0}))
    group = lit["group"].to_numpy()
    position = pd.Series(np.arange(len(fit.rows)), index=fit.rows["read_at"].to_numpy())
    row = position.reindex(rows["read_at"].to_numpy()).fillna(-1).to_numpy(dtype=int)
    row = np.where(lit["interval"] >= 0, row[lit["interval"].to_numpy()], -1)
    total = np.zeros((groups, design.shape[1]))
    np.add.at(total, group, design)
    amount = np.bincount(group, scatter, groups)
    shared = np.zeros((len(fit.rows), groups))
    np.add.at(shared, (row[row >= 0], group[row >= 0]), scatter[row >= 0])
    used = _averaged(fit, total, amount, shared)
    return _with_dark(used, fit, cells[in_dark], rows)


def _averaged(fit: InkFit, total: np.ndarray, amount: np.ndarray, shared: np.ndarray) -> np.ndarray:
    """Average over the variances: `total` of regressors and `amount` of scatter by group, `shared` also by row."""
    spread, response = fit.spread, fit.rows["used_kg"].to_numpy()
    diagonal, beside = dip_pattern(fit.rows)
    kept = spread.weight >= _LIGHT
    means, variances = [], []
    for dip, one, estimate, covariance in zip(
        spread.dip_variance[kept],
        spread.scatter_variance[kept],
        spread.estimate[kept],
        spread.covariance[kept],
        strict=True,
    ):
        bands = np.zeros((2, len(response)))
        bands[0], bands[1, :-1] = dip * diagonal + one * fit.scatter, dip * beside
        lean = one * shared
        solved = linalg.solveh_banded(bands, lean, lower=True, check_finite=False)
        means.append(total @ estimate + solved.T @ (response - fit.design @ estimate))
        terms = total - solved.T @ fit.design
        given = one * amount - (lean * solved).sum(axis=0)
        variances.append(np.maximum(given, 0.0) + np.einsum("gi,ij,gj->g", terms, covariance, terms))
    weight = spread.weight[kept] / spread.weight[kept].sum()
    mean = weight @ np.array(means)
    variance = weight @ (np.array(variances) + (np.array(means) - mean) ** 2)
    return np.column_stack([mean, np.sqrt(variance)])


def _with_dark(used: np.ndarray, fit: InkFit, cells: pd.DataFrame, rows: pd.DataFrame) -> np.ndarray:
    """Add the use of intervals with a run of unknown coverage: as dipped, where one group holds the whole interval."""
    for interval, groups in cells.groupby("interval")["group"]:
        group = groups.unique()
        if len(group) == 1:
            used[group[0], 0] += float(rows["used_kg"].iloc[int(interval)])
            used[group[0], 1] = np.hypot(used[group[0], 1], np.sqrt(2) * fit.dip_kg)
        else:
            used[group] = np.nan
    return used
