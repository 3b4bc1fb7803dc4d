"""What departs from the model of an ink: misread dips, steps of a level, drifts of film weight, leaks.

Each candidate is one more regressor, tested by generalised least squares with the covariance of the dips:

=============  ======================================================  =============================
kind           what it does to the use between dips                    regressor
=============  ======================================================  =============================
misread dip    one interval too much, the next as much too little      +1 and -1 in two neighbours
step           one interval alone (a gauge set anew, a delivery        1 in one interval
               that nobody logged, a spill)
drift          film weight changed for some weeks                      area of solid in the window
leak           use without printing for some weeks                     days in the window
change         film weight or idle loss went to another level and      area or days before it
               stayed there (``changes``)
=============  ======================================================  =============================

All kinds compete at once, the clearest is taken, and the search goes on with it in the model. A finding is
made where the squared statistic passes a limit that allows for how many places were looked at. A kind is
named only where it explains clearly more than every other kind does at that place; else it is a ``change``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..beside import beside
from .banded import fit_banded
from .changes import (
    Change,
    changed_windows,
    clearest_change,
    doubtful,
    findings_of_changes,
    held_changes,
    refined_changes,
    score_tests_of,
)
from .finding import Finding
from .ledger import NO_COVERAGE
from .model import InkFit, dip_pattern, fit_days, fit_ink
from .score_tests import ScoreTests, ScoreTestsByShare, on_known_scale
from .windows import Window

__all__ = ["LASTING", "NAMED", "SINGLE", "STEP", "WINDOW", "Finding", "candidates", "judge_inks", "set_aside"]

#: Squared statistic from which on a single dip or interval is suspected, and from which on a window of
#: weeks is. Places and windows are many, so both were set by simulation of undisturbed inks, three years of
#: daily dips, 10 to 60 kg error of a dip and 130 to 520 kg a day (tests/bench/bench_ink.py false-alarms): one ink in
#: two hundred goes beyond 25.0 by a single interval, 22.4 by a window that ended or 12.8 by a lasting change, where
#: chance is most generous; of 800 inks of sixty weeks the largest lasting change was 17.7.
SINGLE = 26.0
WINDOW = 24.0
LASTING = 18.0
#: Why the use of an interval is not known.
STEP = "step"
#: How much better a kind must explain than its rival to be named: a ratio of likelihoods of 20. Of drifts
#: and leaks so named 99 in 100 were so rightly in simulated plants; from 4 on, 96 (tests/bench/bench_ink.py).
NAMED = 6.0
#: Lengths of windows [weeks].
_LENGTHS = (2, 3, 4, 6, 8, 12, 17, 26)
#: Dips around the ends of a window that are tried when its place is known.
_NEAR = 10
#: What is shorter than this is no window: a single interval does as well.
_SHORTEST = np.timedelta64(10, "D")
#: What a window must explain more than a single interval for its two ends, which are free to follow chance.
_ENDS = 4.0
#: Intervals on either side of a single one within which windows compete with it.
_OVER = 21
_ROUNDS = 8
#: Fewer intervals than this say nothing of a mean use a day and its scatter.
_MEAN_MINIMUM = 8
#: Fewer intervals than this are not searched for what departs from a model of what was printed.
_SEARCHED = 12


def judge_inks(intervals: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, InkFit], list[Finding]]:
    """Fit every ink; set aside or split what departs from its model, each with its evidence.

    Parameters
    ----------
    intervals : DataFrame
        Result of :func:`pressstats.ink.ink_intervals`.

    Returns
    -------
    judged : DataFrame, shape (intervals, any)
        The two intervals beside a misread dip are one, from the dip before to the dip after; `why` is ``step`` where
        the use of an interval is not known for one.
    fits : dict of InkFit
        Model of each ink that has one; drifts and leaks are terms of their own in it, so film weight, start-up and
        standing are those of the time without them.
    findings : list of Finding
        What was found, by ink, the clearest first.
    """
    parts, fits, findings = [], {}, []
    inks = [(str(ink), rows) for ink, rows in intervals.groupby("ink", sort=True)]
    half = (len(inks) + 1) // 2
    later = beside(lambda: [_judged(*one) for one in inks[half:]]) if half < len(inks) else list
    judged_inks = [_judged(*one) for one in inks[:half]] + later()
    for (ink, _), (judged, fit, of_ink) in zip(inks, judged_inks, strict=True):
        parts.append(judged)
        findings += of_ink
        if fit is not None:
            fits[ink] = fit
    return (pd.concat(parts, ignore_index=True) if parts else intervals.copy()), fits, findings


def _judged(ink: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, InkFit | None, list[Finding]]:
    """Return judged intervals, model and findings of one ink."""
    rows = rows.sort_values("read_at", ignore_index=True)
    return _judge_ink(ink, rows) if _by_pages(rows) else _judge_by_days(ink, rows)


def _by_pages(rows: pd.DataFrame) -> bool:
    """Say whether what was printed tells more of use than the calendar: in most of the intervals it is known."""
    used = rows["used_kg"].notna()
    known, dark = (used & (rows["why"] == "")).sum(), (used & (rows["why"] == NO_COVERAGE)).sum()
    return bool(known and (known >= _MEAN_MINIMUM or known >= dark) and rows["solid_m2"].sum() > 0)


def _judge_ink(ink: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, InkFit | None, list[Finding]]:
    windows: list[Window] = []
    changes: list[Change] = []
    findings: list[Finding] = []
    first = rows["since"].iloc[0]
    for _ in range(_ROUNDS):
        usable = rows[rows["why"] == ""].reset_index()
        fit = fit_ink(ink, usable, [*windows, *changed_windows(changes, first)])
        # Few intervals tell a use by pages, and nothing of what departs from it.
        clearest = _clearest(fit) if fit is not None and len(usable) >= _SEARCHED else None
        if clearest is None:
            break
        finding, places = clearest
        if isinstance(finding, Change):
            changes.append(finding)
            continue
        findings.append(finding)
        if places:
            rows = set_aside(rows, usable.loc[places, "index"].tolist())
        else:
            windows.append(Window(finding.exposure, finding.since, finding.until))
    usable = rows[rows["why"] == ""].reset_index(drop=True)
    if changes:
        changes = refined_changes(ink, usable, windows, changes, LASTING, NAMED)
    fit = fit_ink(ink, usable, [*windows, *changed_windows(changes, first)])
    if fit is None:
        return rows, None, findings
    changes = held_changes(fit, changes)
    return rows, doubtful(fit, changes), findings + findings_of_changes(fit, changes)


def _judge_by_days(ink: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, InkFit | None, list[Finding]]:
    """Look for steps and misread dips where there is no model, against a mean use a day.

    Without area and starts every night's use is scatter, so only what is large is found: a delivery that
    nobody logged, a slipped digit.
    """
    findings: list[Finding] = []
    for _ in range(_ROUNDS):
        usable = rows[rows["used_kg"].notna() & rows["why"].isin(["", NO_COVERAGE])].reset_index()
        if len(usable) < _MEAN_MINIMUM:
            break
        days, used = usable[["days"]].to_numpy(), usable["used_kg"].to_numpy()
        pattern = dip_pattern(usable)
        fit = fit_banded(days, used, pattern, days[:, 0])
        diagonal = fit.dip_variance * pattern[0] + fit.scatter_variance * days[:, 0]
        score_tests = ScoreTests(diagonal, fit.dip_variance * pattern[1], days, used)
        freedom = len(usable) - 1
        (step_kg, step), (misread_kg, misread) = score_tests.steps(), score_tests.misread()
        step, misread = (
            on_known_scale(step, freedom),
            np.where(pattern[1] != 0, on_known_scale(misread, freedom), 0.0),
        )
        if max(step.max(), misread.max(initial=0.0)) < SINGLE:
            break
        is_step = step.max() >= misread.max(initial=0.0)
        row = int(np.argmax(step if is_step else misread))
        places = [row] if is_step else [row, row + 1]
        size = float(step_kg[row] if is_step else -misread_kg[row])
        findings.append(
            Finding(
                ink,
                STEP if is_step else "misread dip",
                usable["since"].iloc[row],
                usable["read_at"].iloc[row],
                size,
                size if is_step else 0.0,
                float((step if is_step else misread)[row]),
                float(_beside(misread)[row] if is_step else step[places].max()),
            )
        )
        rows = set_aside(rows, usable.loc[places, "index"].tolist())
    usable = rows[rows["used_kg"].notna() & rows["why"].isin(["", NO_COVERAGE])]
    return rows, fit_days(ink, usable.reset_index(drop=True)), findings


def candidates(fit: InkFit) -> list[tuple[Finding | Change, list[int]]]:
    """Return the clearest single dip or interval, window and lasting change, whatever their statistics.

    Each comes with the rows of `fit` that it concerns where it is a single one, and none otherwise.
    """
    score_tests = score_tests_of(fit)
    (step_kg, step), (misread_kg, misread) = score_tests.ask("steps"), score_tests.ask("misread")
    # A dip that two intervals do not share is no dip between them.
    misread = np.where(dip_pattern(fit.rows)[1] != 0, misread, 0.0)
    singles: list[tuple[Finding | Change, list[int]]] = [
        _best_single(fit, score_tests, (step_kg, step), (misread_kg, misread))
    ]
    window = _best_window(fit, score_tests, np.maximum(step, _beside(misread)))
    change = clearest_change(fit, score_tests, NAMED)
    return singles + [(one, []) for one in (window, change) if one is not None]


def _clearest(fit: InkFit) -> tuple[Finding | Change, list[int]] | None:
    """Return the finding that goes furthest beyond its limit, and the rows of a single one."""
    suspected = candidates(fit)
    clear = [
        one
        for one in suspected
        if one[0].statistic >= (SINGLE if one[1] else LASTING if isinstance(one[0], Change) else WINDOW)
    ]

    change = max((one.statistic for one, _ in clear if isinstance(one, Change)), default=-np.inf)
    # That a drift or leak has ended is one more claim: a change that lasts stands unless the end is clear.
    clear = [
        (one, places)
        for one, places in clear
        if places or isinstance(one, Change) or one.statistic - _ENDS / 2 - NAMED >= change
    ]

    def beyond(one: tuple[Finding | Change, list[int]]) -> float:
        # Ends are free to follow chance: a window has two, a lasting change one.
        free = 0.0 if one[1] else _ENDS / 2 if isinstance(one[0], Change) else _ENDS
        return one[0].statistic - free

    return max(clear, key=beyond, default=None)


def _beside(between: np.ndarray) -> np.ndarray:
    """Return for each interval the larger of two values that stand between it and its neighbours."""
    return np.maximum(np.append(between, 0.0), np.append(0.0, between))


def _best_single(
    fit: InkFit,
    score_tests: ScoreTestsByShare,
    step: tuple[np.ndarray, np.ndarray],
    misread: tuple[np.ndarray, np.ndarray],
) -> tuple[Finding, list[int]]:
    rows = fit.rows
    if misread[1].max(initial=0.0) > step[1].max():
        row = int(np.argmax(misread[1]))
        statistic, places, kind = float(misread[1][row]), [row, row + 1], "misread dip"
        rival = float(step[1][places].max())
        # The interval before a dip that reads too high shows too little use.
        size, extra = -float(misread[0][row]), 0.0
    else:
        row = int(np.argmax(step[1]))
        statistic, places, kind = float(step[1][row]), [row], "step"
        rival = float(_beside(misread[1])[row])
        size = extra = float(step[0][row])
    solid, days = _both_kinds(fit, score_tests, *_windows_over(row, rows))
    window = max(float(solid[1].max(initial=0.0)), float(days[1].max(initial=0.0)))
    rival = max(rival, window - _ENDS)
    kind = kind if statistic - rival >= NAMED else "change"
    since, until = rows["since"].iloc[places[0]], rows["read_at"].iloc[places[0]]
    return Finding(fit.ink, kind, since, until, size, extra, statistic, rival), places


def _windows_over(row: int, rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last interval of the windows that hold the interval `place`, some weeks long."""
    first, last = np.meshgrid(row - np.arange(_OVER), row + np.arange(_OVER))
    return _long_enough(rows, first.ravel(), last.ravel())


def _long_enough(rows: pd.DataFrame, first: np.ndarray, last: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return those windows that lie within the history and are long enough to be one."""
    # A window that reaches the last dip is a change that lasts.
    inside = (first >= 0) & (last < len(rows) - 1) & (last > first)
    first, last = first[inside], last[inside]
    kept = rows["read_at"].to_numpy()[last] - rows["since"].to_numpy()[first] >= _SHORTEST
    return first[kept], last[kept]


def _best_window(fit: InkFit, score_tests: ScoreTestsByShare, single: np.ndarray) -> Finding | None:
    rows = fit.rows
    first, last = _windows(rows)
    # Weekly starts and a few lengths find the place; every dip near its ends is tried then.
    for _ in range(2):
        if len(first) == 0:
            return None
        solid, days = _both_kinds(fit, score_tests, first, last)
        best = int(np.argmax(np.maximum(solid[1], days[1])))
        begin, end = int(first[best]), int(last[best])
        near = np.arange(-_NEAR, _NEAR + 1)
        first, last = (grid.ravel() for grid in np.meshgrid(begin + near, end + near))
        first, last = _long_enough(rows, first, last)
    if len(first) == 0:
        return None
    solid, days = _both_kinds(fit, score_tests, first, last)
    is_drift = solid[1].max() >= days[1].max()
    best_kind, other = (solid, days) if is_drift else (days, solid)
    best = int(np.argmax(best_kind[1]))
    begin, end = int(first[best]), int(last[best])
    statistic = float(best_kind[1][best])
    rival = max(float(other[1].max()), float(single[begin : end + 1].max()) + _ENDS)
    exposure = rows["solid_m2" if is_drift else "days"].iloc[begin : end + 1].sum() / (
        1000 if is_drift else 1
    )
    kind = "change" if statistic - rival < NAMED else "drift" if is_drift else "leak"
    size = float(best_kind[0][best])
    since, until = rows["since"].iloc[begin], rows["read_at"].iloc[end]
    return Finding(
        fit.ink, kind, since, until, size, float(size * exposure), statistic, rival,
        "solid_m2" if is_drift else "days",
    )  # fmt: skip


def _both_kinds(
    fit: InkFit, score_tests: ScoreTestsByShare, first: np.ndarray, last: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Return coefficient and statistic of a drift and of a leak in each window."""
    drift = score_tests.ask("windows", fit.rows["solid_m2"].to_numpy() / 1000, first, last)
    leak, surely_leak = score_tests.ask("windows", fit.rows["days"].to_numpy(), first, last)
    # A leak only ever takes ink away; film weight may fall as well as rise.
    return drift, (leak, np.where(leak > 0, surely_leak, 0.0))


def _windows(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last interval of every window that is sought, a start each week."""
    since, ends = rows["since"].to_numpy(), rows["read_at"].to_numpy()
    starts = np.arange(since[0], ends[-1], np.timedelta64(7, "D"))
    first = np.concatenate([np.searchsorted(since, starts, "left")] * len(_LENGTHS))
    spans = [starts + np.timedelta64(7 * weeks, "D") for weeks in _LENGTHS]
    last = np.searchsorted(ends, np.concatenate(spans), "right") - 1
    # More than half of the history in a window leaves nothing to compare it with.
    usable = (last > first) & (last - first < len(rows) / 2) & (last < len(rows) - 1)
    return first[usable], last[usable]


def set_aside(rows: pd.DataFrame, places: list[int]) -> pd.DataFrame:
    """Mark the row of a step; put one row from the dip before to the dip after a misread one."""
    rows = rows.copy()
    if len(places) == 1:
        rows.loc[places, "why"] = STEP
        return rows
    before, after = places
    for column in {"read_at", "level_after_kg"} & set(rows):
        rows.loc[before, column] = rows.loc[after, column]
    for column in {"used_kg", "delivered_kg", "solid_m2", "solid_squared", "starts", "days"} & set(rows):
        rows.loc[before, column] = rows.loc[places, column].sum()
    return rows.drop(index=after).reset_index(drop=True)
