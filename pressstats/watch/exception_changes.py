"""The published table ``exception_changes``: what came and what was resolved since the publication before."""

from __future__ import annotations

import pandas as pd

from ..tables import OUTPUTS, as_published

__all__ = ["exception_changes"]

_NAMES = ["exception", "kind", "subject"]


def exception_changes(now: pd.DataFrame, before: pd.DataFrame, since: pd.Timestamp) -> pd.DataFrame:
    """Return the published table ``exception_changes``.

    Parameters
    ----------
    now, before : DataFrame
        ``exceptions`` as published now and on `since`: exception, kind and subject.
    since : Timestamp
        As-of day of the publication before.

    Returns
    -------
    DataFrame
        The published columns; the resolved first. What cannot be judged any more, since the logs that it rests on are
        gone, is resolved for nobody: whoever reads it says what is not known beside it.
    """
    resolved = before.loc[~before["exception"].isin(now["exception"]), _NAMES].assign(change="resolved")
    new = now.loc[~now["exception"].isin(before["exception"]), _NAMES].assign(change="new")
    parts = [part for part in (resolved, new) if len(part)]
    if not parts:
        return OUTPUTS["exception_changes"].empty()
    return as_published(pd.concat(parts, ignore_index=True).assign(since=since), "exception_changes")
