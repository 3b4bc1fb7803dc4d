"""Frames that a question starts from: all that is known of a run, mount, reel, dip, material or week in one row.

A frame joins what the parts found out. Nothing is estimated here; what is not known is blank.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..orders import on_order
from ..paper import waste_by
from ..prices import receipt_prices
from ..tables import FRAMES, month_of

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs

__all__ = [
    "file_frame",
    "forecast_frame",
    "ink_frame",
    "mount_frame",
    "reel_frame",
    "run_frame",
    "stock_frame",
    "week_frame",
]

_COUNTED = ["startup_kg", "running_kg", "uncounted_kg"]
_WEIGHED = ["strip_kg", "reel_end_kg", "scrapped_kg"]
_SECONDS = 3600.0
_GRAMS = 1000.0


def _declared(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return the columns that are declared, in their order; those that nothing is known of are blank."""
    table = FRAMES[name]
    empty = table.empty()
    whole = frame.reindex(columns=table.names)
    blank = [column for column in table.names if column not in frame]
    return whole.astype({column: empty.dtypes[column] for column in blank}).reset_index(drop=True)


def run_frame(
    logs: Logs, balance: pd.DataFrame, record: pd.DataFrame, exposure: pd.DataFrame, model: pd.DataFrame
) -> pd.DataFrame:
    """Return one row a run.

    Parameters
    ----------
    logs : Logs
        The logs.
    balance, record, exposure, model : DataFrame
        Paper balance of each run, the published ``run_record``, what each run printed of each ink, and ``ink_model``.

    Returns
    -------
    DataFrame, shape (runs, columns of ``FRAMES["runs"]``)
        The runs in the order of the logs.
    """
    runs = logs["runs"].rename(columns={"web_breaks": "counter_breaks"})
    kept = runs.columns.difference(["date", "title", "press"])
    table = balance.merge(runs[kept], on="run_id", how="left", validate="1:1")
    columns = [name for name in record if name == "run_id" or name not in table]
    table = table.merge(record[columns], on="run_id", how="left", validate="1:1")
    webs = logs["run_webs"].groupby("run_id").size()
    table["webs"] = table["run_id"].map(webs).astype("float64")
    table["month"] = month_of(table["date"])
    table["weekday"] = table["date"].dt.day_name()
    table["hours"] = (table["finished_at"] - table["started_at"]).dt.total_seconds() / _SECONDS
    table["pages_printed"] = table["pages"] * table["copies_gross"]
    # One rule for waste, as in pressstats.paper.waste: heavy paper in good copies is none.
    table["wasted_kg"] = (
        table["mounted_kg"] - table["good_kg"] - table["good_grammage_kg"].fillna(0.0)
    ).where(table["has_reels"])
    terms = model.pivot(index="ink", columns="term", values="estimate")
    for ink, rows in exposure.groupby("ink"):
        printed = rows.set_index("run_id")[["solid_m2", "starts"]].reindex(table["run_id"]).fillna(0.0)
        table[f"{ink}_m2"] = printed["solid_m2"].to_numpy()
        if ink in terms.index and {"film_g_m2", "startup_kg_per_run"} <= set(terms):
            film, start = terms.loc[ink, ["film_g_m2", "startup_kg_per_run"]].to_numpy(dtype=float)
            started = printed["starts"].to_numpy(dtype=float)
            table[f"{ink}_kg"] = table[f"{ink}_m2"].to_numpy(dtype=float) * film / _GRAMS + started * start
    return _declared(table, "runs")


def mount_frame(
    history: pd.DataFrame, ends: pd.DataFrame, chain_of: pd.DataFrame, runs: pd.DataFrame
) -> pd.DataFrame:
    """Return one row a mount.

    Parameters
    ----------
    history, ends : DataFrame
        Mounts and butts of the reel study.
    chain_of : DataFrame
        The published ``reel_chain``, whose rows `history` numbers as `reel`.
    runs : DataFrame
        Result of :func:`run_frame`: copies that a run spoilt are shared among its mounts by the paper that they ran.

    Returns
    -------
    DataFrame, shape (mounts, columns of ``FRAMES["mounts"]``)
        The mounts in order of time.
    """
    if history.empty:
        return FRAMES["mounts"].empty()
    table = history.sort_values(["mounted_at", "reelstand"], kind="stable").rename(
        columns={"butt_kg": "reel_end_kg"}
    )
    table["reel_id"] = chain_of["reel_id"].reindex(table["reel"]).to_numpy()
    table["month"] = month_of(table["date"])
    table["broke"] = (table["ended_by"] == "web_break").astype("float64")
    table["new"] = table["new"].astype("float64")
    table["run_km"] = table["run_m"] / 1000
    table["mounted_kg"] = table["start_kg"] - table["returned_kg"]
    table["butt_m"] = ends["butt_m"].reindex(table.index) if len(ends) else np.nan
    ran = table["mounted_kg"] - table[_WEIGHED].fillna(0.0).sum(axis=1)
    share = ran / ran.groupby(table["run_id"]).transform("sum")
    spoilt = runs.set_index("run_id")[_COUNTED].reindex(table["run_id"])
    for name in _COUNTED:
        table[name] = share * spoilt[name].to_numpy()
    table["wasted_kg"] = table[_COUNTED].sum(axis=1, skipna=False) + table[_WEIGHED].fillna(0.0).sum(axis=1)
    return _declared(table, "mounts")


def reel_frame(logs: Logs, chain_of: pd.DataFrame, mounts: pd.DataFrame) -> pd.DataFrame:
    """Return one row a reel, shape (reels, columns of ``FRAMES["reels"]``), from its receipt to its core."""
    key = ["supplier", "reel_id"]
    table = chain_of
    if logs.has("reels"):
        received = logs["reels"][[*key, "delivery_id", "received_on", "received_kg"]]
        table = table.merge(received, on=key, how="left", validate="1:1")
        table["rested_days"] = (table["first_mounted"].dt.normalize() - table["received_on"]).dt.days.astype(
            "float64"
        )
    sums = mounts.groupby(key)[["run_km", "broke", *_WEIGHED]].sum(min_count=1).reset_index()
    return _declared(table.merge(sums.rename(columns={"broke": "breaks"}), on=key, how="left"), "reels")


def ink_frame(
    logs: Logs, intervals: pd.DataFrame, watched: pd.DataFrame, exposure: pd.DataFrame
) -> pd.DataFrame:
    """Return one row an ink and dip, shape (dips, columns of ``FRAMES["ink"]``)."""
    if intervals.empty:
        return FRAMES["ink"].empty()
    key = ["ink", "read_at"]
    table = intervals.merge(watched[[*key, "expected_kg", "z", "signal"]], on=key, how="left", validate="1:1")
    table["date"] = table["read_at"].dt.normalize()
    table["month"] = month_of(table["date"])
    runs = logs["runs"].set_index("run_id")
    pages = (runs["pages"] * runs["copies_gross"]).rename("pages_printed")
    printed = exposure.join(pages, on="run_id")
    for ink, rows in table.groupby("ink").indices.items():
        own = printed[printed["ink"] == ink].sort_values("finished_at")
        # A dip comes after every run that had finished by then.
        ended = own["finished_at"].to_numpy()
        total = np.concatenate([[0.0], np.nancumsum(own["pages_printed"].to_numpy())])
        at = {
            side: np.searchsorted(ended, table[side].to_numpy()[rows], side="right")
            for side in ("since", "read_at")
        }
        table.loc[table.index[rows], "pages_printed"] = total[at["read_at"]] - total[at["since"]]
    return _declared(table, "ink")


def stock_frame(
    logs: Logs, on_hand: pd.DataFrame, cover: pd.DataFrame, open_orders: pd.DataFrame, risk: pd.Series
) -> pd.DataFrame:
    """Return one row a material, shape (materials, columns of ``FRAMES["stock"]``)."""
    if not logs.has("materials"):
        return FRAMES["stock"].empty()
    table = logs["materials"][["material", "kind", "unit"]].merge(on_hand, on="material", how="left")
    extra = [name for name in cover if name == "material" or name not in table]
    table = table.merge(cover[extra], on="material", how="left")
    table["on_order"] = on_order(logs, open_orders, table["material"])
    table["risk"] = table["material"].map(risk).astype("float64")
    table["value"] = table["quantity"] * table["material"].map(receipt_prices(logs)).astype("float64")
    return _declared(table, "stock")


def week_frame(runs: pd.DataFrame, balance: pd.DataFrame) -> pd.DataFrame:
    """Return one row a week, shape (weeks, columns of ``FRAMES["weeks"]``), from runs and their paper balance."""
    counts = [
        name for name in FRAMES["weeks"].names if name in runs and name not in ("week", "date", "month")
    ]
    by_week = runs.groupby("week")
    waste = waste_by(balance, ["week"]).rename(columns={"runs": "runs_with_reels", "of_runs": "runs"})
    counts = [name for name in counts if name not in waste]
    table = waste.merge(by_week[counts].sum(min_count=1).reset_index(), on="week", how="left")
    table["date"], table["month"] = table["week"], month_of(table["week"])
    return _declared(table, "weeks")


def file_frame(logs: Logs) -> pd.DataFrame:
    """Return one row a file that was read, shape (files, columns of ``FRAMES["files"]``)."""
    table = pd.DataFrame([dataclasses.asdict(one) for one in logs.sources])
    table = table[table["table"].isin(logs.tables)].rename(columns={"rejected": "set_aside"})
    for name in ("rows", "used", "duplicates", "set_aside"):
        table[name] = table[name].astype("float64")
    for name in ("first", "last"):
        table[name] = pd.to_datetime(table[name]).astype("datetime64[us]")
    for name in ("file", "table"):
        table[name] = table[name].astype("str")
    return _declared(table, "files")


def forecast_frame(logs: Logs, outlook: Outlook | None, forecast: pd.DataFrame) -> pd.DataFrame:
    """Return one row a material and week, past and ahead, columns of ``FRAMES["forecast"]``."""
    if outlook is None:
        return FRAMES["forecast"].empty()
    past = (
        outlook.history.rename_axis("week").reset_index().melt("week", var_name="material", value_name="used")
    )
    table = pd.concat([past, forecast], ignore_index=True)
    before = past.assign(week=past["week"] + pd.Timedelta(weeks=52)).rename(columns={"used": "last_year"})
    table = table.merge(before, on=["material", "week"], how="left")
    listed = logs["materials"][["material", "kind", "unit"]]
    table = table.merge(listed, on="material", how="left").sort_values(["material", "week"])
    return _declared(table, "forecast")
