"""Waste sold beside waste made: whether the buyer's weights agree, and what a difference looks like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["waste_sales", "waste_sales_findings"]

#: One standard deviation of a buyer's weighbridge, of a load: common practice, no source.
_WEIGHBRIDGE_SHARE = 0.005
_NORMAL_95 = 1.959964
#: Months that a finding looks back over, and of which most must lie on one side to be steady.
_MONTHS = 12
_STEADY = 0.75
_COLUMNS = [
    "month",
    "kind",
    "sold_kg",
    "moisture_kg",
    "dry_kg",
    "stream_kg",
    "difference_kg",
    "ci_low",
    "ci_high",
]


def waste_sales(logs: Logs, waste: pd.DataFrame) -> pd.DataFrame:
    """Return waste sold beside the streams that it holds, by kind and month.

    Parameters
    ----------
    logs : Logs
        Logs with ``waste_sold``; ``[waste.KIND] holds`` of ``plant.toml`` says which streams a kind holds. A kind that
        it does not name is left out.
    waste : DataFrame
        Result of :func:`pressstats.accounts.run_waste`.

    Returns
    -------
    DataFrame, shape (kinds x months, 9)
        month, kind, sold_kg, moisture_kg (water in it), dry_kg, stream_kg (what the streams took), difference_kg (dry
        less streams), ci_low and ci_high [kg]: the 95 % limits between which the difference lies if nothing but
        weighing, counting and what waits in the bay at the ends of the month moves it. A stream that is blank in a run
        leaves its month blank.
    """
    if not logs.has("waste_sold") or not logs.plant.waste:
        return pd.DataFrame(columns=_COLUMNS)
    sold = logs["waste_sold"]
    first, last = waste["date"].min().to_period("M"), logs.as_of.to_period("M")
    months = pd.period_range(first, last, freq="M").to_timestamp().as_unit("us")
    month_of_run = waste["date"].dt.to_period("M").dt.to_timestamp()
    parts = []
    for kind, what in logs.plant.waste.items():
        own = sold[sold["kind"] == kind]
        if own.empty:
            continue
        held = [name for name in what.holds if name in waste]
        by_run = waste[held].sum(axis=1, skipna=False)
        stream = by_run.groupby(month_of_run).sum(skipna=False).reindex(months)
        month = own["sold_on"].dt.to_period("M").dt.to_timestamp()
        water = own["kg"] * own["moisture_pct"].fillna(0.0) / 100
        sums = pd.DataFrame({"sold_kg": own["kg"], "moisture_kg": water, "loads": own["kg"] ** 2}).groupby(
            month
        )
        table = sums.sum().reindex(months).fillna(0.0)
        counts = (waste["mounted less net good"].abs() * logs.plant.measurement.copies_pct / 100) ** 2
        scale = _WEIGHBRIDGE_SHARE**2 * table["loads"]
        # What waits in the bay at an end of the month is anything from nothing to a load.
        waiting = float(own["kg"].mean()) ** 2 / 12 * 2
        spread = np.sqrt(scale + counts.groupby(month_of_run).sum().reindex(months).fillna(0.0) + waiting)
        table = table.assign(kind=kind, stream_kg=stream, dry_kg=table["sold_kg"] - table["moisture_kg"])
        table["difference_kg"] = table["dry_kg"] - table["stream_kg"]
        table["ci_low"], table["ci_high"] = -_NORMAL_95 * spread, _NORMAL_95 * spread
        parts.append(table.rename_axis("month").reset_index())
    return pd.concat(parts, ignore_index=True)[_COLUMNS] if parts else pd.DataFrame(columns=_COLUMNS)


def waste_sales_findings(sales: pd.DataFrame) -> pd.DataFrame:
    """Return what the last twelve whole months of each kind look like.

    Parameters
    ----------
    sales : DataFrame
        Result of :func:`waste_sales`; its last month, which may not be over, is left out.

    Returns
    -------
    DataFrame, shape (kinds, 6)
        kind, months, difference_kg, ci_low, ci_high (95 %, of all of them: what waits at their ends counts once) [kg]
        and finding: ``agrees``; ``miscount`` where single months lie outside and the whole does not; ``moisture``
        where steadily more is sold than made; ``loss`` where steadily less is; ``uneven`` where more or less is, but
        not steadily; ``unknown`` where a stream is not known.
    """
    rows = []
    for kind, own in sales.groupby("kind"):
        own = own.sort_values("month").iloc[:-1].tail(_MONTHS)
        whole = float(own["difference_kg"].sum(skipna=False)) if len(own) else float("nan")
        if np.isnan(whole):
            rows.append((kind, len(own), whole, np.nan, np.nan, "unknown"))
            continue
        # In a sum of months the bay's ends in between cancel: the widest month holds one pair of them.
        half = float(np.sqrt((own["ci_high"] ** 2).mean()))
        outside = (own["difference_kg"] < own["ci_low"]) | (own["difference_kg"] > own["ci_high"])
        steady = float((np.sign(own["difference_kg"]) == np.sign(whole)).mean()) >= _STEADY
        finding = "miscount" if outside.any() else "agrees"
        if abs(whole) > half:
            finding = ("moisture" if whole > 0 else "loss") if steady else "uneven"
        rows.append((kind, len(own), whole, -half, half, finding))
    columns = ["kind", "months", "difference_kg", "ci_low", "ci_high", "finding"]
    return pd.DataFrame(rows, columns=columns)
