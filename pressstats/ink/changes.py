"""Changes that last: film weight or idle loss went to another level at some day, and stayed there.

A change of any age is sought over the whole history: for every dip, the time before it gets a term of its own, and the
dip at which that explains most is where the level changed. Which terms changed (area of solid, days, or both where the
evidence does not tell) is decided as for other findings. The days on which it may have happened are those at which the
likelihood is nearly as high: for a change in a long history twice the drop of the log-likelihood from its best to its
true place has distribution (1 - exp(-x/2))^2 (Siegmund 1988, Annals of Statistics 16:31; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .finding import Finding
from .model import InkFit, Window, dip_pattern, fit_ink
from .suspects import Suspects, on_known_scale

__all__ = ["Change", "changed_windows", "clearest_change", "refined_changes", "suspects_of", "told_changes"]

#: Drop of the squared statistic within which a day is among those of the change: 1 - 2 ln(1 - .95 ** .5) at 95 %.
DATED = float(-2 * np.log(1 - np.sqrt(0.95)))
#: What is younger is no lasting change yet, and what is left before must tell the level before.
_YOUNGEST = np.timedelta64(10, "D")
_BEFORE = np.timedelta64(28, "D")
_ROWS_AFTER = 2
_ROWS_BEFORE = 3
_PASSES = 2


@dataclass(frozen=True)
class Change:
    """A lasting change as it is found, before its size is told.

    Attributes
    ----------
    at : Timestamp
        The last dip before it.
    dated_low, dated_high : Timestamp
        Between these dips it happened, with 95 % probability.
    exposures : tuple of str
        What changed: ``solid_m2`` (film weight), ``days`` (idle loss or a leak), or both where nothing tells which.
    statistic, rival : float
        Squared statistic, and that of the other exposure.
    """

    at: pd.Timestamp
    dated_low: pd.Timestamp
    dated_high: pd.Timestamp
    exposures: tuple[str, ...]
    statistic: float
    rival: float


def suspects_of(fit: InkFit) -> Suspects:
    """Return a fit ready to be asked about further terms."""
    diagonal, beside = dip_pattern(fit.rows)
    return Suspects(
        diagonal=fit.fit.dip_variance * diagonal + fit.fit.scatter_variance * fit.scatter,
        beside=fit.fit.dip_variance * beside,
        design=fit.design,
        response=fit.rows["used_kg"].to_numpy(),
    )


def clearest_change(
    fit: InkFit,
    suspects: Suspects,
    named: float,
    after: pd.Timestamp | None = None,
    before: pd.Timestamp | None = None,
) -> Change | None:
    """Return the lasting change that explains most, whatever its statistic.

    Parameters
    ----------
    fit : InkFit
        The model without it.
    suspects : Suspects
        The same, ready to be asked.
    named : float
        How much better one exposure must explain than the other to be named alone.
    after, before : Timestamp, optional
        Other changes that it lies between.

    Returns
    -------
    Change or None
        None where the history is too short for one.
    """
    rows = fit.rows
    ends = rows["read_at"].to_numpy()[:-1]
    place = np.arange(len(ends))
    first, last = after or rows["since"].iloc[0], before or rows["read_at"].iloc[-1]
    allowed = (ends >= np.datetime64(first) + _BEFORE) & (ends <= np.datetime64(last) - _YOUNGEST)
    allowed &= (place + 1 >= _ROWS_BEFORE) & (len(rows) - 1 - place >= _ROWS_AFTER)
    if not allowed.any():
        return None
    curves = {}
    for exposure, size in (("solid_m2", 1000.0), ("days", 1.0)):
        _, statistic = suspects.before(rows[exposure].to_numpy(dtype=float) / size)
        curves[exposure] = np.where(allowed, on_known_scale(statistic, fit.freedom), -np.inf)
    best = max(curves, key=lambda exposure: curves[exposure].max())
    other = "days" if best == "solid_m2" else "solid_m2"
    top, rival = float(curves[best].max()), float(curves[other].max())
    near = np.flatnonzero(curves[best] >= top - DATED)
    times = np.append(rows["since"].to_numpy()[:1], rows["read_at"].to_numpy())
    return Change(
        at=rows["read_at"].iloc[int(np.argmax(curves[best]))],
        # It may lie within the intervals beside the dips.
        dated_low=pd.Timestamp(times[near[0]]),
        dated_high=pd.Timestamp(times[near[-1] + 2]),
        exposures=(best,) if top - rival >= named else ("solid_m2", "days"),
        statistic=top,
        rival=rival,
    )


def changed_windows(changes: Sequence[Change], first: pd.Timestamp) -> list[Window]:
    """Return the terms of the time before each change, from the `first` dip on."""
    return [Window(what, first, one.at, lasting=True) for one in changes for what in one.exposures]


def refined_changes(
    ink: str,
    rows: pd.DataFrame,
    windows: Sequence[Window],
    changes: Sequence[Change],
    limit: float,
    named: float,
) -> list[Change]:
    """Date each change again with all others in the model, and drop what they leave nothing of.

    Parameters
    ----------
    ink : str
        The ink.
    rows : DataFrame, shape (intervals, any)
        Its usable intervals.
    windows : sequence of Window
        Drifts and leaks that ended.
    changes : sequence of Change
        As they were found, one after the other.
    limit : float
        Squared statistic that a change must keep.
    named : float
        As in :func:`clearest_change`.

    Returns
    -------
    list of Change
        In order of time.
    """
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
            again = clearest_change(fit, suspects_of(fit), named, earlier, later)
            if again is None or again.statistic < limit:
                kept = others
            else:
                kept = sorted([*others, replace(again)], key=lambda change: change.at)
    return kept


def told_changes(fit: InkFit, changes: Sequence[Change]) -> list[Finding]:
    """Return lasting changes with their sizes, each until the next one or the last dip."""
    told = []
    ends = [*[one.at for one in changes], fit.rows["read_at"].iloc[-1]][1:]
    size_of = dict(zip(fit.windows, fit.fit.estimate[len(fit.terms) :], strict=True))
    for one, end in zip(changes, ends, strict=True):
        since = fit.rows[(fit.rows["since"] >= one.at) & (fit.rows["read_at"] <= end)]
        sizes = {
            window.exposure: -float(size)
            for window, size in size_of.items()
            if window.lasting and window.until == one.at
        }
        area, days = float(since["solid_m2"].sum()) / 1000, float(since["days"].sum())
        extra = sizes.get("solid_m2", 0.0) * area + sizes.get("days", 0.0) * days
        alone = one.exposures[0] if len(one.exposures) == 1 else ""
        kind = {"solid_m2": "film weight change", "days": "leak" if extra > 0 else "change", "": "change"}[
            alone
        ]
        size = sizes[alone] if alone else extra / max(days, 1.0)
        told.append(
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
                dated_low=one.dated_low,
                dated_high=one.dated_high,
            )
        )
    return told
