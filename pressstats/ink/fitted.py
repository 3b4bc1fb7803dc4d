"""A fit as general libraries print it: estimates by name with their limits, and what the readings are like."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from statsmodels.iolib.summary2 import Summary

__all__ = ["summary_of"]


def summary_of(title: str, table: pd.DataFrame, notes: Mapping[str, str]) -> Summary:
    """Return a summary to be printed or shown: a row a term, and below it what is known besides."""
    from statsmodels.iolib.summary2 import Summary

    summary = Summary()
    summary.add_title(title)
    summary.add_df(table, float_format="%.4f")
    summary.add_dict(dict(notes))
    return summary
