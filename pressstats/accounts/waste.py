"""What waste cost: by stream, press and title, over a week, 13 and 52 weeks and the year, net of what it sells for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ..paper.waste import KNOWN_SHARE
from ..prices import run_prices
from ..tables import as_published
from .bridge import Span

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["BESIDE", "WASTE", "run_waste", "waste_cost", "waste_price"]

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
    logs : Logs
        The logs.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`.

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
    waste = _summed(waste, streams)
    parts = []
    for period, spans in _periods(logs).items():
        of_spans = [span.of(waste) for span in spans]
        if of_spans[0].empty:
            continue
        # A title that moved to another press stands on both: sums over titles are whole in each of the spans.
        pairs = pd.MultiIndex.from_frame(
            pd.concat(of_spans)[["press", "title"]].drop_duplicates()
        ).sort_values()
        now, before, last_year = (
            _sums(rows, pairs, streams, span.first >= begin)
            for rows, span in zip(of_spans, spans, strict=True)
        )
        now = now.assign(
            kg_before=before["kg"].reindex(now.index),
            kg_last_year=last_year["kg"].reindex(now.index),
            cost_before=before["cost"].reindex(now.index),
            cost_last_year=last_year["cost"].reindex(now.index),
        )
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
    areas = waste[["date", "press", "title", "area_m2"]].assign(known_m2=waste["area_m2"].where(known, 0.0))
    unpriced = (waste["price"].isna() & known).astype(float)
    return pd.concat([areas.assign(unpriced=unpriced), waste[streams], cost], axis=1)


def _sums(waste: pd.DataFrame, pairs: pd.MultiIndex, streams: list[str], whole: bool) -> pd.DataFrame:
    """Return kg and cost by press, title and stream; nothing was wasted where nothing was printed."""
    sums = waste.drop(columns="date").groupby(["press", "title"]).sum()
    known = ((sums["known_m2"] / sums["area_m2"] >= KNOWN_SHARE) & whole).reindex(pairs, fill_value=whole)
    sums = sums.reindex(pairs, fill_value=0.0)
    kg = sums[streams].where(known)
    cost = sums[[_COST + name for name in streams]].where(known & (sums["unpriced"] == 0))
    levels = [pairs.get_level_values(level).repeat(len(streams)) for level in ("press", "title")]
    index = pd.MultiIndex.from_arrays([*levels, streams * len(pairs)], names=["press", "title", "stream"])
    return pd.DataFrame({"kg": kg.to_numpy().ravel(), "cost": cost.to_numpy().ravel()}, index)
