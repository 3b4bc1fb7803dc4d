"""What one run would take of each ink, whatever its copies, pages and coverage."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..ink import predict_use

if TYPE_CHECKING:
    from ..ink import InkFit
    from ..logs import Logs

__all__ = ["mean_coverage", "run_ink"]

_LATELY = pd.Timedelta(weeks=52)


def mean_coverage(logs: Logs, exposure: pd.DataFrame, run_ids: pd.Index | None = None) -> pd.Series:
    """Return the covered fraction of the pages of the runs whose coverage is known, by ink."""
    runs = logs["runs"].set_index("run_id")
    printed = runs["copies_gross"] * runs["pages"] * runs["page_width_mm"] * runs["page_height_mm"] / 1e6
    known = exposure.dropna(subset="solid_m2")
    if run_ids is not None:
        known = known[known["run_id"].isin(run_ids)]
    area = known["run_id"].map(printed).groupby(known["ink"]).sum()
    return known.groupby("ink")["solid_m2"].sum() / area


def run_ink(
    logs: Logs,
    fits: dict[str, InkFit],
    exposure: pd.DataFrame,
    copies: float,
    pages: float,
    coverage: float,
) -> pd.DataFrame:
    """Return what one run would take of each ink that is known by what was printed, idle loss left out.

    Its page is the median one of the last 52 weeks; `coverage` is against their mean: 1.1 is a tenth more. Columns are
    ink, coverage [%] and those of :func:`pressstats.ink.predict_use`.
    """
    known = {ink: fit for ink, fit in fits.items() if fit.by_area}
    if not known:
        return pd.DataFrame(columns=["ink", "coverage", "mean"])
    runs = logs["runs"].set_index("run_id")
    lately = runs[runs["date"] > logs.as_of - _LATELY]
    page_m2 = float((lately["page_width_mm"] * lately["page_height_mm"]).median() / 1e6)
    usual = mean_coverage(logs, exposure, lately.index)
    rows = []
    for ink, fit in known.items():
        mean = float(usual.get(ink, np.nan)) * coverage
        solid = copies * pages * page_m2 * mean
        one = pd.DataFrame({"solid_m2": [solid], "solid_squared": [solid**2], "starts": [1.0], "days": [0.0]})
        predicted = predict_use(fit, one)
        predicted.insert(0, "ink", ink)
        predicted.insert(1, "coverage", 100 * mean)
        rows.append(predicted)
    return pd.concat(rows, ignore_index=True)
