"""Changes that last: film weight or idle loss went to another level at some day, and stayed there.

A change of any age is sought over the whole history: for every dip, the time before it gets a term of its own, and the
dip at which that explains most is where the level changed. The likeliest term is in the model (``doubts``); it is named
only as other findings are, and what is not known of kind and day widens the intervals of the present. The days on
which it may have happened are those at which the likelihood is nearly as high: for a change in a long history twice
the drop of the log-likelihood from its best to its true place has distribution (1 - exp(-x/2))^2 (Siegmund 1988,
Annals of Statistics 16:31; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .banded import restricted_likelihood
from .doubts import KINDS, doubt_of_changes, log_evidence, size_scale
from .finding import Finding
from .model import InkFit, dip_pattern, fit_ink
from .score_tests import SCATTER_RATIOS, ScoreTests, ScoreTestsByShare
from .windows import Window

__all__ = [
    "Change",
    "changed_windows",
    "clearest_change",
    "doubtful",
    "findings_of_changes",
    "refined_changes",
    "score_tests_of",
]

#: Drop of the squared statistic within which a day is among those of the change: 1 - 2 ln(1 - .95 ** .5) at 95 %.
DATED = float(-2 * np.log(1 - np.sqrt(0.95)))
#: What is younger is no lasting change yet, and what is left before must tell the level before.
_YOUNGEST = np.timedelta64(10, "D")
_BEFORE = np.timedelta64(28, "D")
_ROWS_AFTER = 2
_ROWS_BEFORE = 3
_PASSES = 2
#: Days so far from those of the change weigh nothing any more.
_AROUND = pd.Timedelta(days=14)


@dataclass(frozen=True)
class Change:
    """A lasting change as it is found, before its size is told.

    `at` is the last dip before it; it happened between the dips `dated_low` and `dated_high` with 95 % probability.
    `exposure` is what most likely changed: ``solid_m2`` (film weight) or ``days`` (idle loss or a leak), `named`
    where it explains clearly more than the other. `statistic` is squared, `rival` that of the other exposure.
    """

    at: pd.Timestamp
    dated_low: pd.Timestamp
    dated_high: pd.Timestamp
    exposure: str
    named: bool
    statistic: float
    rival: float


def score_tests_of(fit: InkFit) -> ScoreTestsByShare:
    """Return a fit ready to be asked about further terms."""
    dip, response = dip_pattern(fit.rows), fit.rows["used_kg"].to_numpy()
    score_tests, likelihoods = [], []
    for look in SCATTER_RATIOS:
        share = look * fit.share / (1 - fit.share + look * fit.share)
        likelihood, variance, *_ = restricted_likelihood(share, fit.design, response, dip, fit.scatter)
        likelihoods.append(likelihood)
        of_dip = variance * (1 - share) / float(dip[0].mean())
        scatter = variance * share / float(fit.scatter.mean()) * fit.scatter
        score_tests.append(ScoreTests(of_dip * dip[0] + scatter, of_dip * dip[1], fit.design, response))
    against = tuple(2 * (one - likelihoods[0]) for one in likelihoods)
    return ScoreTestsByShare(tuple(score_tests), against, fit.freedom)


def clearest_change(
    fit: InkFit,
    score_tests: ScoreTestsByShare,
    named_by: float,
    after: pd.Timestamp | None = None,
    before: pd.Timestamp | None = None,
) -> Change | None:
    """Return the lasting change that explains most, whatever its statistic; None in too short a history.

    `named_by` is how much better one exposure must explain than the other to be named alone; it lies between the
    other changes `after` and `before`.
    """
    rows = fit.rows
    allowed = _allowed(rows, after, before)
    if not allowed.any():
        return None
    curves, evidence = {}, {}
    for exposure, size in (("solid_m2", 1000.0), ("days", 1.0)):
        coefficient, statistic = score_tests.ask("before", rows[exposure].to_numpy(dtype=float) / size)
        curves[exposure] = np.where(allowed, statistic, -np.inf)
        sure = log_evidence(coefficient, statistic, size_scale(fit, exposure))[allowed]
        evidence[exposure] = float(np.logaddexp.reduce(sure)) + np.log(KINDS[(exposure,)])
    clearest = max(curves, key=lambda exposure: curves[exposure].max())
    top = float(curves[clearest].max())
    rival = min(float(curve.max()) for curve in curves.values())
    named = top - rival >= named_by
    best = clearest if named else max(evidence, key=lambda exposure: evidence[exposure])
    near = np.flatnonzero(curves[best] >= curves[best].max() - DATED)
    times = np.append(rows["since"].to_numpy()[:1], rows["read_at"].to_numpy())
    return Change(
        at=rows["read_at"].iloc[int(np.argmax(curves[best]))],
        # It may lie within the intervals beside the dips.
        dated_low=pd.Timestamp(times[near[0]]),
        dated_high=pd.Timestamp(times[near[-1] + 2]),
        exposure=best,
        named=named,
        statistic=top,
        rival=rival,
    )


def _allowed(rows: pd.DataFrame, after: pd.Timestamp | None, before: pd.Timestamp | None) -> np.ndarray:
    """Say of each interval but the last whether a change may follow it."""
    ends = rows["read_at"].to_numpy()[:-1]
    row = np.arange(len(ends))
    first, last = after or rows["since"].iloc[0], before or rows["read_at"].iloc[-1]
    allowed = (ends >= np.datetime64(first) + _BEFORE) & (ends <= np.datetime64(last) - _YOUNGEST)
    allowed &= (row + 1 >= _ROWS_BEFORE) & (len(rows) - 1 - row >= _ROWS_AFTER)
    return np.asarray(allowed)


def held_changes(fit: InkFit, changes: Sequence[Change]) -> list[Change]:
    """Return the changes that have a term of their own in the fit: others its terms cannot tell apart."""
    return [one for one in changes if any(_is_of(window, one) for window in fit.windows)]


def doubtful(fit: InkFit, changes: Sequence[Change]) -> InkFit:
    """Return the fit with what is not known of its changes, and of one that was not found, in terms and intervals."""
    if not fit.by_area:
        return fit
    times = [None, *[one.at for one in changes], None]
    ends = fit.rows["read_at"].to_numpy()[:-1]
    places, windows, free = [], [], np.zeros(len(ends), dtype=bool)
    for number in range(len(times) - 1):
        free |= _allowed(fit.rows, times[number], times[number + 1])
    for number, one in enumerate(changes):
        allowed = _allowed(fit.rows, times[number], times[number + 2])
        near = (ends >= np.datetime64(one.dated_low - _AROUND)) & (
            ends <= np.datetime64(one.dated_high + _AROUND)
        )
        # Where the changes beside it leave no room by that rule, it happened on the day that was found.
        there = allowed & near if (allowed & near).any() else ends == np.datetime64(one.at)
        places.append(np.flatnonzero(there))
        windows.append([window for window in fit.windows if _is_of(window, one)])
    shift, doubt = doubt_of_changes(fit, score_tests_of(fit), places, windows, np.flatnonzero(free))
    return replace(fit, shift=shift, doubt=doubt)


def _is_of(window: Window, change: Change) -> bool:
    """Say whether a term of the model is that of a change."""
    return window.lasting and (window.until, window.exposure) == (change.at, change.exposure)


def changed_windows(changes: Sequence[Change], first: pd.Timestamp) -> list[Window]:
    """Return the terms of the time before each change, from the `first` dip on."""
    return [Window(one.exposure, first, one.at, lasting=True) for one in changes]


def refined_changes(
    ink: str,
    rows: pd.DataFrame,
    windows: Sequence[Window],
    changes: Sequence[Change],
    limit: float,
    named_by: float,
) -> list[Change]:
    """Date each change again with all others in the model, and drop what they leave less than `limit` of."""
    first = rows["since"].iloc[0]
    kept = sorted(changes, key=lambda one: one.at)
    for _ in range(_PASSES if len(kept) + len(windows) > 1 else 1):
        for one in list(kept):
            others = [other for other in kept if other is not one]
            fit = fit_ink(ink, rows, [*windows, *changed_windows(others, first)])
            if fit is None:
                continue
            earlier = max((other.at for other in others if other.at < one.at), default=None)
            later = min((other.at for other in others if other.at > one.at), default=None)
            again = clearest_change(fit, score_tests_of(fit), named_by, earlier, later)
            if again is None or again.statistic < limit:
                kept = others
            else:
                kept = sorted([*others, replace(again)], key=lambda change: change.at)
    return kept


def findings_of_changes(fit: InkFit, changes: Sequence[Change]) -> list[Finding]:
    """Return lasting changes with their sizes, each until the next one or the last dip."""
    findings = []
    ends = [*[one.at for one in changes], fit.rows["read_at"].iloc[-1]][1:]
    size_of = dict(zip(fit.windows, fit.fit.estimate[len(fit.terms) :], strict=True))
    for one, end in zip(changes, ends, strict=True):
        since = fit.rows[(fit.rows["since"] >= one.at) & (fit.rows["read_at"] <= end)]
        size = -sum(float(size) for window, size in size_of.items() if _is_of(window, one))
        area, days = float(since["solid_m2"].sum()) / 1000, float(since["days"].sum())
        extra = size * (area if one.exposure == "solid_m2" else days)
        alone = one.exposure if one.named else ""
        kind = {"solid_m2": "film weight change", "days": "leak" if extra > 0 else "change", "": "change"}[
            alone
        ]
        size = size if alone else extra / max(days, 1.0)
        findings.append(
            Finding(
                ink=fit.ink,
                kind=kind,
                since=one.at,
                until=end,
                size=size,
                extra_kg=extra,
                statistic=one.statistic,
                rival=one.rival,
                exposure=alone,
                lasting=True,
                share=extra / max(float(fit.expected(since).sum()) - extra, 1e-9),
                dated_low=one.dated_low,
                dated_high=one.dated_high,
            )
        )
    return findings
