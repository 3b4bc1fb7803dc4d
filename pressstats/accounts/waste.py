"""What waste cost, by stream, press and title, and whether the buyer's weights of what is sold agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..paper.waste import KNOWN_SHARE
from ..prices import run_prices
from ..tables import OUTPUTS, as_published, month_of
from .bridge import Span

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["BESIDE", "WASTE", "run_waste", "waste_cost", "waste_price", "waste_sales", "waste_sales_findings"]

#: Streams of waste and what they are sold as: white paper, or printed.
WASTE = {
    "startup": "printed",
    "running": "printed",
    "uncounted": "printed",
    "strip": "white",
    "reel_end": "white",
    "scrapped": "white",
    "unexplained": "unknown",
}
#: What stands beside waste, and is not added to it.
BESIDE = ("heavy paper", "mounted less net good")
_COST = "cost of "
_COUNTED = ["startup", "running", "uncounted"]
_YEAR = pd.Timedelta(days=364)
_DAY = pd.Timedelta(days=1)


def run_waste(logs: Logs, weighed: WeighedPaper) -> pd.DataFrame:
    """Return the waste of each run whose reel records are complete.

    Parameters
    ----------
    logs, weighed
        Logs, and the result of :func:`pressstats.paper.weighed_paper`.

    Returns
    -------
    DataFrame, shape (runs, 15), index that of ``runs``
        date, press, title, area_m2 [m2], each stream of `WASTE` and of `BESIDE` [kg], price (of its paper, at the last
        receipts) [currency / kg] and known (whether its records are complete; else its streams are blank). Copies that
        are wasted count with what the paper really weighs: the streams of waste add up to what was mounted less good
        copies and their share of heavy paper.
    """
    runs = weighed.runs
    known = runs["has_reels"] & runs["good_kg"].notna()
    gross = runs[["good_kg", "startup_kg", "running_kg", "uncounted_kg"]].sum(axis=1, skipna=False)
    heavier = 1 + (runs["grammage_kg"] / gross).fillna(0.0)
    table = runs[["date", "press", "title", "area_m2"]].assign(known=known)
    for name in WASTE:
        kg = runs[f"{name}_kg"]
        # What is not weighed reel by reel stands in what is unexplained; what never is, is not known.
        weighed_kg = kg if kg.isna().all() else kg.fillna(0.0)
        table[name] = (kg * heavier if name in _COUNTED else weighed_kg).where(known)
    table["heavy paper"] = runs["good_grammage_kg"].fillna(0.0).where(known)
    table["mounted less net good"] = (runs["mounted_kg"] - runs["good_kg"]).where(known)
    table["price"] = run_prices(logs, weighed.webs, len(runs))
    return table


def waste_price(logs: Logs, first: pd.Timestamp, last: pd.Timestamp) -> pd.Series:
    """Return what a kilogram of each stream of waste brings, as sold from `first` to `last` [currency / kg].

    Weight is without moisture, where it is logged. A stream that no ``[waste.KIND]`` holds, or of which nothing was
    sold, is not there: nothing is known of its income.
    """
    if not logs.has("waste_sold"):
        return pd.Series(dtype="float64")
    sold = logs["waste_sold"]
    sold = sold[sold["sold_on"].between(first, last)]
    dry = sold["kg"] * (1 - sold["moisture_pct"].fillna(0.0) / 100)
    sums = pd.DataFrame({"dry": dry, "income": sold["kg"] * sold["unit_price"]}).groupby(sold["kind"]).sum()
    price = {}
    for stream in WASTE:
        kinds = [
            kind for kind, what in logs.plant.waste.items() if stream in what.holds and kind in sums.index
        ]
        weight = float(sums.loc[kinds, "dry"].sum())
        if weight > 0:
            price[stream] = float(sums.loc[kinds, "income"].sum()) / weight
    return pd.Series(price, dtype="float64")


def _periods(logs: Logs) -> dict[str, tuple[Span, Span, Span]]:
    """Return each period, the same length before it, and the same of last year."""
    end = logs.plant.week_start(logs.as_of + _DAY)
    periods = {}
    for name, weeks in (("week", 1), ("weeks_13", 13), ("weeks_52", 52)):
        length = pd.Timedelta(weeks=weeks)
        spans = (Span(end - length - back, end - back - _DAY) for back in (pd.Timedelta(0), length, _YEAR))
        periods[name] = tuple(spans)
    first, year = pd.Timestamp(logs.as_of.year, 1, 1), pd.DateOffset(years=1)
    length = logs.as_of - first + _DAY
    periods["year_to_date"] = (
        Span(first, logs.as_of),
        Span(first - length, first - _DAY),
        Span(first - year, logs.as_of - year),
    )
    return periods  # type: ignore[return-value]


def waste_cost(logs: Logs, waste: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``waste_cost``.

    Parameters
    ----------
    logs : Logs
        The logs; ``waste_sold`` and ``[waste.KIND]`` for what waste brings.
    waste : DataFrame
        Result of :func:`run_waste`.

    Returns
    -------
    DataFrame
        The published columns, for each period, press and title every stream of `WASTE` and of `BESIDE`. Blank where
        runs with complete reel records printed less than half of the paper, and of a period that begins before the
        logs.
    """
    streams = [*WASTE, *BESIDE]
    begin = waste["date"].min()
    each = pd.MultiIndex.from_frame(waste[["press", "title"]])
    every = each.drop_duplicates().sort_values()
    # By number, since sums by texts take ten times as long.
    waste = _summed(waste, streams).assign(pair=every.get_indexer(each))
    parts = []
    for period, spans in _periods(logs).items():
        of_spans = [span.of(waste) for span in spans]
        if of_spans[0].empty:
            continue
        # A title that moved to another press stands on both: sums over titles are whole in each of the spans.
        pairs = np.unique(np.concatenate([rows["pair"] for rows in of_spans]))
        levels = [every[pairs].get_level_values(level).repeat(len(streams)) for level in ("press", "title")]
        index = pd.MultiIndex.from_arrays([*levels, streams * len(pairs)], names=["press", "title", "stream"])
        columns: dict[str, np.ndarray] = {}
        for when, rows, span in zip(("", "_before", "_last_year"), of_spans, spans, strict=True):
            columns[f"kg{when}"], columns[f"cost{when}"] = _sums(rows, pairs, streams, span.first >= begin)
        now = pd.DataFrame(columns, index)
        price = waste_price(logs, spans[0].last - _YEAR + _DAY, spans[0].last)
        stream = now.index.get_level_values("stream")
        income = now["kg"] * stream.map(price.to_dict()).to_numpy(dtype=float)
        kind = [WASTE.get(name, "beside") for name in stream]
        now = now.assign(kind=kind, income=income, net_cost=now["cost"] - income.fillna(0.0))
        days = {"first_day": spans[0].first, "last_day": spans[0].last}
        parts.append(now.reset_index().assign(period=period, **days))
    names = ["period", "press", "title", "stream"]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)
    return as_published(table, "waste_cost")


def _summed(waste: pd.DataFrame, streams: list[str]) -> pd.DataFrame:
    """Return what is to be added up of each run: areas, kg and cost of each stream, whether its price is lacking."""
    known = waste["known"]
    cost = waste[streams].mul(waste["price"], axis=0).add_prefix(_COST)
    areas = waste[["date", "area_m2"]].assign(known_m2=waste["area_m2"].where(known, 0.0))
    unpriced = (waste["price"].isna() & known).astype(float)
    return pd.concat([areas.assign(unpriced=unpriced), waste[streams], cost], axis=1)


def _sums(
    waste: pd.DataFrame, pairs: np.ndarray, streams: list[str], whole: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return kg and cost by press and title, then stream; nothing was wasted where nothing was printed."""
    sums = waste.drop(columns="date").groupby("pair").sum()
    known = ((sums["known_m2"] / sums["area_m2"] >= KNOWN_SHARE) & whole).reindex(pairs, fill_value=whole)
    sums = sums.reindex(pairs, fill_value=0.0)
    kg = sums[streams].where(known)
    cost = sums[[_COST + name for name in streams]].where(known & (sums["unpriced"] == 0))
    return kg.to_numpy().ravel(), cost.to_numpy().ravel()


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
