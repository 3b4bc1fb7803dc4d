"""What the good output of a month takes of each material at the standard: what waste is a variance from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ..geometry import paper_kg
from ..tables import month_of

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["standard_use", "standard_waste"]


def standard_waste(logs: Logs) -> pd.Series:
    """Return the standard waste of each title that was printed [% of mounted paper], else the plant's target."""
    titles = pd.Index(logs["runs"]["title"].unique(), name="title")
    waste = pd.Series(float("nan"), titles)
    if logs.has("titles"):
        waste = logs["titles"].set_index("title")["standard_waste_pct"].reindex(titles).astype("float64")
    return waste.fillna(logs.plant.targets.waste_pct).rename("standard_waste_pct")


def standard_use(logs: Logs, weighed: WeighedPaper) -> pd.DataFrame:
    """Return what the good output of each month takes at standard.

    Parameters
    ----------
    logs : Logs
        The logs.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`.

    Returns
    -------
    DataFrame, shape (months x materials, 3)
        month, material and standard [unit of the material]: of newsprint the good copies at what the paper weighs, and
        the standard waste of their title on top; of plates those exposed once. Ink has no standard, and no row.
    """
    runs, webs = weighed.runs, weighed.webs
    run = webs["run"].to_numpy()
    good = logs["runs"]["copies_good"].to_numpy()[run]
    heavier = 1 + (runs["good_grammage_kg"] / runs["good_kg"]).fillna(0.0).to_numpy()[run]
    waste = webs["title"].map(standard_waste(logs)).to_numpy(dtype=float) / 100
    kg = paper_kg(webs["copy_m2"], webs["nominal_gsm"]) * good * heavier / (1 - waste)
    parts = [pd.DataFrame({"date": webs["date"], "material": webs["material"], "standard": kg})]
    plates = logs.listed("plate")
    table = logs["runs"]
    if len(plates) == 1 and table["plates"].notna().any() and table["plates_remade"].notna().any():
        once = table["plates"] - table["plates_remade"].fillna(0.0)
        parts.append(pd.DataFrame({"date": table["date"], "material": plates.iloc[0], "standard": once}))
    rows = pd.concat(parts, ignore_index=True)
    month = month_of(rows["date"]).rename("month")
    # A run that cannot be weighed leaves its month without a standard.
    sums = (
        rows["standard"].groupby([month, rows["material"].astype("str")]).agg(lambda kg: kg.sum(skipna=False))
    )
    return sums.reset_index()
