"""What departs from the model of an ink: misread dips, steps of a level, drifts of film weight, leaks.

Each suspicion is one more regressor, tested by generalised least squares with the covariance of the dips:

=============  ======================================================  =============================
kind           what it does to the use between dips                    regressor
=============  ======================================================  =============================
misread dip    one interval too much, the next as much too little      +1 and -1 in two neighbours
step           one interval alone (a gauge set anew, a delivery        1 in one interval
               that nobody logged, a spill)
drift          film weight changed for some weeks                      area of solid in the window
leak           use without printing for some weeks                     days in the window
=============  ======================================================  =============================

All kinds compete at once, the clearest is taken, and the search goes on with it in the model. A finding is
made where the squared statistic passes a limit that allows for how many places were looked at. Drift
and leak are told apart only where one explains clearly more than the other; else it is a ``change``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from .model import InkFit, Window, dip_pattern, fit_ink, ink_design, window_columns
from .suspects import Suspects

__all__ = ["NAMED", "SINGLE", "WINDOW", "Finding", "judge_inks"]

#: Squared statistic from which on a single dip or interval is suspected, and from which on a window of
#: weeks is. Places and windows are many, so both were set by simulation of undisturbed plants
#: (tests/bench/bench_ink.py): fewer than one ink in a hundred has a finding in three years.
SINGLE = 25.0
WINDOW = 21.0
#: How much better a kind must explain than its rival to be named: a ratio of likelihoods of 20.
NAMED = 6.0
#: Lengths of windows [weeks].
_LENGTHS = (2, 3, 4, 6, 8, 12, 17, 26)
#: Dips around the ends of a window that are tried when its place is known.
_NEAR = 10
_ROUNDS = 8


@dataclass(frozen=True)
class Finding:
    """One departure from the model.

    Attributes
    ----------
    ink : str
        The ink.
    kind : str
        ``misread dip``, ``step``, ``drift``, ``leak`` or ``change`` (drift or leak: not separable).
    since, until : Timestamp
        First and last dip concerned.
    size : float
        Kilograms by which a dip read too high or a step took ink away [kg], of a leak a day
        [kg/day], of a drift [g/m2 of solid].
    extra_kg : float
        What left the tank beyond expectation in all [kg]; 0 for a misread dip.
    statistic : float
        Squared statistic.
    rival : float
        Squared statistic of the best other kind at the same place.
    """

    ink: str
    kind: str
    since: pd.Timestamp
    until: pd.Timestamp
    size: float
    extra_kg: float
    statistic: float
    rival: float


def judge_inks(intervals: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, InkFit], list[Finding]]:
    """Fit every ink; set aside or split what departs from its model, each with its evidence.

    Parameters
    ----------
    intervals : DataFrame
        Result of :func:`pressstats.ink.ink_intervals`.

    Returns
    -------
    judged : DataFrame, shape (intervals, any)
        With `why` filled where an interval cannot serve the model: ``step``, or ``misread dip`` (the
        two beside it, which are replaced by one from the dip before to the dip after).
    fits : dict of InkFit
        Model of each ink that has one; drifts and leaks are terms of their own in it, so film
        weight, start-up and standing are those of the time without them.
    findings : list of Finding
        What was found, by ink, the clearest first.
    """
    parts, fits, findings = [], {}, []
    for ink, rows in intervals.groupby("ink", sort=True):
        judged, fit, found = _judge_ink(str(ink), rows.sort_values("read_at", ignore_index=True))
        parts.append(judged)
        findings += found
        if fit is not None:
            fits[str(ink)] = fit
    return (pd.concat(parts, ignore_index=True) if parts else intervals.copy()), fits, findings


def _judge_ink(ink: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, InkFit | None, list[Finding]]:
    windows: list[Window] = []
    findings: list[Finding] = []
    for _ in range(_ROUNDS):
        usable = rows[rows["why"] == ""].reset_index()
        fit = fit_ink(ink, usable, windows)
        found = _clearest(fit) if fit is not None else None
        if found is None:
            return rows, fit, findings
        finding, places = found
        findings.append(finding)
        if finding.kind in ("step", "misread dip"):
            rows = _set_aside(rows, usable.loc[places, "index"].tolist(), finding.kind)
        else:
            windows.append(
                Window("days" if finding.kind == "leak" else "solid_m2", finding.since, finding.until)
            )
    usable = rows[rows["why"] == ""].reset_index(drop=True)
    return rows, fit_ink(ink, usable, windows), findings


def _clearest(fit: InkFit) -> tuple[Finding, list[int]] | None:
    """Return the finding with the largest statistic beyond its limit, and the rows of a single one."""
    diagonal, beside = dip_pattern(fit.rows)
    suspects = Suspects(
        diagonal=fit.fit.dip_variance * diagonal + fit.fit.scatter_variance * fit.scatter,
        beside=fit.fit.dip_variance * beside,
        design=np.column_stack([ink_design(fit.rows), window_columns(fit.rows, fit.windows)]),
        response=fit.rows["used_kg"].to_numpy(),
    )
    single, window = _best_single(fit, suspects, beside != 0), _best_window(fit, suspects)
    if window is not None and (single is None or window.statistic - WINDOW >= single[0].statistic - SINGLE):
        return window, []
    return single


def _best_single(fit: InkFit, suspects: Suspects, shared: np.ndarray) -> tuple[Finding, list[int]] | None:
    rows = fit.rows
    step, step_statistic = suspects.steps()
    misread, misread_statistic = suspects.misread()
    misread_statistic = np.where(shared, misread_statistic, 0.0)
    if max(step_statistic.max(), misread_statistic.max(initial=0.0)) < SINGLE:
        return None
    if misread_statistic.max(initial=0.0) > step_statistic.max():
        place = int(np.argmax(misread_statistic))
        statistic, size = float(misread_statistic[place]), float(misread[place])
        rival = float(step_statistic[[place, place + 1]].max())
        places, kind = [place, place + 1], "misread dip"
        # The interval before a dip that reads too high shows too little use.
        size, extra = -size, 0.0
    else:
        place = int(np.argmax(step_statistic))
        statistic, size = float(step_statistic[place]), float(step[place])
        near = misread_statistic[max(place - 1, 0) : place + 1]
        rival, places, kind, extra = float(near.max(initial=0.0)), [place], "step", size
    since, until = rows["since"].iloc[places[0]], rows["read_at"].iloc[places[0]]
    return Finding(fit.ink, kind, since, until, size, extra, statistic, rival), places


def _best_window(fit: InkFit, suspects: Suspects) -> Finding | None:
    rows = fit.rows
    first, last = _windows(rows)
    if len(first) == 0:
        return None
    # Weekly starts and a few lengths find the place; every dip near its ends is tried then.
    for _ in range(2):
        solid, days = _both_kinds(suspects, rows, first, last)
        best = int(np.argmax(np.maximum(solid[1], days[1])))
        begin, end = int(first[best]), int(last[best])
        near = np.arange(-_NEAR, _NEAR + 1)
        first, last = (grid.ravel() for grid in np.meshgrid(begin + near, end + near))
        usable = (first >= 0) & (last < len(rows)) & (last > first)
        first, last = first[usable], last[usable]
    solid, days = _both_kinds(suspects, rows, first, last)
    is_drift = solid[1].max() >= days[1].max()
    mine, other = (solid, days) if is_drift else (days, solid)
    best = int(np.argmax(mine[1]))
    statistic, rival = float(mine[1][best]), float(other[1].max())
    if statistic < WINDOW:
        return None
    begin, end = int(first[best]), int(last[best])
    exposure = rows["solid_m2" if is_drift else "days"].iloc[begin : end + 1].sum() / (
        1000 if is_drift else 1
    )
    kind = "change" if statistic - rival < NAMED else "drift" if is_drift else "leak"
    size = float(mine[0][best])
    since, until = rows["since"].iloc[begin], rows["read_at"].iloc[end]
    return Finding(fit.ink, kind, since, until, size, float(size * exposure), statistic, rival)


def _both_kinds(
    suspects: Suspects, rows: pd.DataFrame, first: np.ndarray, last: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Return coefficient and statistic of a drift and of a leak in each window."""
    drift = suspects.windows(rows["solid_m2"].to_numpy() / 1000, first, last)
    leak, statistic = suspects.windows(rows["days"].to_numpy(), first, last)
    # A leak only ever takes ink away; film weight may fall as well as rise.
    return drift, (leak, np.where(leak > 0, statistic, 0.0))


def _windows(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last interval of every window that is sought, a start each week."""
    since, ends = rows["since"].to_numpy(), rows["read_at"].to_numpy()
    starts = np.arange(since[0], ends[-1], np.timedelta64(7, "D"))
    first = np.concatenate([np.searchsorted(since, starts, "left")] * len(_LENGTHS))
    spans = [starts + np.timedelta64(7 * weeks, "D") for weeks in _LENGTHS]
    last = np.searchsorted(ends, np.concatenate(spans), "right") - 1
    # More than half of the history in a window leaves nothing to compare it with.
    usable = (last > first) & (last - first < len(rows) / 2)
    return first[usable], last[usable]


def _set_aside(rows: pd.DataFrame, places: list[int], kind: str) -> pd.DataFrame:
    """Mark the rows at `places`; put one from the dip before to the dip after beside a misread dip."""
    rows = rows.copy()
    rows.loc[places, "why"] = kind
    if kind != "misread dip":
        return rows
    whole = rows.loc[places[:1]].copy()
    whole["why"] = ""
    whole["read_at"] = rows.loc[places[1], "read_at"]
    for column in ("used_kg", "solid_m2", "solid_squared", "starts", "days"):
        whole[column] = rows.loc[places, column].sum()
    return pd.concat([rows, whole]).sort_values(["read_at", "since"], ignore_index=True)
