"""Waste sold beside waste made: whether the buyer's weights agree, and what a difference looks like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import OUTPUTS, as_published, month_of

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["waste_sales", "waste_sales_findings"]

#: One standard deviation of a buyer's weighbridge, of a load: common practice, no source.
_WEIGHBRIDGE_SHARE = 0.005
_NORMAL_95 = 1.959964
#: Months that a finding looks back over, the fewest known among them, and the share on one side that is steady.
_MONTHS, _LEAST = 12, 6
_STEADY = 0.75
_PLATES = "plates"


def waste_sales(logs: Logs, waste: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``waste_sales``: waste sold beside the streams that it holds, by kind and month.

    `waste` is that of :func:`pressstats.accounts.run_waste`. A kind that no ``[waste.KIND]`` names is left out. A
    stream that is blank in a run, or never weighed, leaves its month blank.
    """
    if not logs.has("waste_sold"):
        return OUTPUTS["waste_sales"].empty()
    sold = logs["waste_sold"]
    first, last = waste["date"].min().to_period("M"), logs.as_of.to_period("M")
    months = pd.period_range(first, last, freq="M").to_timestamp().as_unit("us").rename("month")
    month_of_run = month_of(waste["date"])
    counts = (waste["mounted less net good"].abs() * logs.plant.measurement.copies_pct / 100) ** 2
    counts = counts.groupby(month_of_run).sum().reindex(months).fillna(0.0)
    parts = []
    for kind, what in logs.plant.waste.items():
        own = sold[sold["kind"] == kind]
        if own.empty:
            continue
        plates = what.holds == (_PLATES,)
        by_run = (
            logs["runs"]["plates"] * what.plate_kg
            if plates
            else waste[[*what.holds]].sum(axis=1, skipna=False)
        )
        water = own["kg"] * own["moisture_pct"].fillna(0.0) / 100
        of_loads = {"sold_kg": own["kg"], "moisture_kg": water, "income": own["kg"] * own["unit_price"]}
        of_loads["squared"] = own["kg"] ** 2
        table = pd.DataFrame(of_loads).groupby(month_of(own["sold_on"])).sum().reindex(months).fillna(0.0)
        # What waits in the bay at an end of the month is anything from nothing to a load.
        waiting = float(own["kg"].mean()) ** 2 / 12 * 2
        spread = np.sqrt(_WEIGHBRIDGE_SHARE**2 * table["squared"] + (0.0 if plates else counts) + waiting)
        table["stream_kg"] = by_run.groupby(month_of_run).sum(skipna=False).reindex(months)
        table["dry_kg"] = table["sold_kg"] - table["moisture_kg"]
        table["difference_kg"] = table["dry_kg"] - table["stream_kg"]
        table["ci_low"], table["ci_high"] = -_NORMAL_95 * spread, _NORMAL_95 * spread
        parts.append(table.reset_index().assign(kind=kind, holds=", ".join(what.holds)))
    return as_published(pd.concat(parts), "waste_sales") if parts else OUTPUTS["waste_sales"].empty()


def waste_sales_findings(sales: pd.DataFrame) -> pd.DataFrame:
    """Return what the last twelve whole months of each kind look like.

    Parameters
    ----------
    sales : DataFrame
        Published table ``waste_sales``; its last month, which may not be over, is left out.

    Returns
    -------
    DataFrame, shape (kinds, 7)
        kind, months (known ones), stream_kg, difference_kg, ci_low, ci_high (95 %, of all of them: what waits at their
        ends counts once) [kg] and finding: ``agrees``; ``miscount`` where single months lie outside and the whole does
        not, or steadily more is sold than counted and water does not explain it, since another kind does not have as
        much, or metal takes none; ``moisture`` where steadily more is sold than made; ``loss`` where steadily less is;
        ``uneven`` where more or less is, but not steadily; ``unknown`` where fewer than six months are known.

    Examples
    --------
    >>> waste_sales_findings(results["waste_sales"])[["kind", "finding"]]  # doctest: +SKIP
    """
    rows = []
    for kind, own in sales.groupby("kind"):
        own = own.sort_values("month").iloc[:-1].tail(_MONTHS).dropna(subset="difference_kg")
        whole, stream = float(own["difference_kg"].sum()), float(own["stream_kg"].sum())
        if len(own) < _LEAST:
            rows.append((kind, len(own), np.nan, np.nan, np.nan, np.nan, "unknown", False))
            continue
        # In a sum of months the bay's ends in between cancel: the widest month holds one pair of them.
        half = float(np.sqrt((own["ci_high"] ** 2).mean()))
        outside = (own["difference_kg"] < own["ci_low"]) | (own["difference_kg"] > own["ci_high"])
        steady = float((np.sign(own["difference_kg"]) == np.sign(whole)).mean()) >= _STEADY
        finding = "miscount" if outside.any() else "agrees"
        if abs(whole) > half:
            finding = ("moisture" if whole > 0 else "loss") if steady else "uneven"
        metal = bool((own["holds"] == _PLATES).all())
        rows.append((kind, len(own), stream, whole, -half, half, finding, metal))
    columns = ["kind", "months", "stream_kg", "difference_kg", "ci_low", "ci_high", "finding", "metal"]
    table = pd.DataFrame(rows, columns=columns)
    share = table["difference_kg"] / table["stream_kg"]
    paper = table[~table["metal"] & (table["finding"] != "unknown")]
    for row in table.index[table["finding"] == "moisture"]:
        # All paper lies in the same air: water would have made every kind as much heavier.
        drier = (paper["difference_kg"] + paper["ci_high"]) / paper["stream_kg"] < share[row] + (
            table["ci_low"] / table["stream_kg"]
        )[row]
        if table.loc[row, "metal"] or drier.any():
            table.loc[row, "finding"] = "miscount"
    return table.drop(columns="metal")
