"""What each material has been used, week by week: the history that forecasts start from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..geometry import paper_kg
from ..ink import NO_COVERAGE, STEP, InkFit, expected_use, use_by_week
from ..paper import mount_weights, web_use
from ..paper.runs import lost_runs

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["counted_use", "weekly_use"]

#: How long after the last dip expected use stands in for what the next one will tell.
_AFTER_DIPS = pd.Timedelta(days=35)
#: Weeks without any whole record of reels after which they are taken to be no longer logged.
_REELS_WEEKS = 13


def weekly_use(
    logs: Logs,
    runs: pd.DataFrame,
    exposure: pd.DataFrame,
    intervals: pd.DataFrame,
    model: pd.DataFrame,
    fits: dict[str, InkFit] | None = None,
) -> pd.DataFrame:
    """Return the use of each material in each whole week of the logs, shape (weeks, materials) [unit of the material].

    mounted_kg of newsprint, or the gross copies at nominal grammage where reels are not logged (and times what
    was mounted over that while they were); what left the tanks of an ink, free of the error of dips with
    `fits`; plates exposed; what counts and deliveries say of the rest. Blank where it is not known, also in a
    week without any run, which is rather a log that is missing than a plant that stood still. A material of
    which nothing is known, or that is not bought in kg though its use is weighed, has no column.
    """
    weeks = whole_weeks(logs)
    if not logs.has("materials") or len(weeks) == 0:
        return pd.DataFrame(index=weeks)
    materials = logs["materials"]
    columns: dict[str, pd.Series] = {}
    columns |= _newsprint(logs, runs, weeks)
    columns |= _inks(logs, exposure, intervals, model, fits or {}, weeks)
    columns |= _plates(logs, materials, weeks)
    dipped = logs["tank_readings"]["ink"].unique() if logs.has("tank_readings") else []
    counted = (materials["kind"] == "other") | ((materials["kind"] == "ink") & ~materials["ink"].isin(dipped))
    for material in materials.loc[counted, "material"]:
        columns[material] = counted_use(logs, material, weeks)
    history = pd.DataFrame(columns, index=weeks)
    return history.dropna(axis="columns", how="all").sort_index(axis="columns")


def whole_weeks(logs: Logs) -> pd.DatetimeIndex:
    """Return the first days of the whole weeks between the first run and as-of."""
    dates = logs["runs"]["date"]
    plant = logs.plant
    first = plant.week_start(dates.min())
    # A plant that never prints on the days before its first run still has a whole first week.
    before = pd.date_range(first, dates.min() - pd.Timedelta(days=1)).day_of_week
    if before.isin(dates.dt.day_of_week.unique()).any():
        first += pd.Timedelta(days=7)
    last = plant.week_start(logs.as_of + pd.Timedelta(days=1)) - pd.Timedelta(days=7)
    return pd.date_range(first, last, freq="7D", unit="us")


def _lost_weeks(logs: Logs) -> pd.Series:
    """Return the weeks of which a run was set aside: what is added up over runs would be low."""
    return logs.plant.week_of(logs.lost_nights.to_series())


def _newsprint(logs: Logs, runs: pd.DataFrame, weeks: pd.DatetimeIndex) -> dict[str, pd.Series]:
    names = logs.listed("newsprint", "kg")
    printed = _printed(logs, weeks)
    if not logs.has("reel_mounts"):
        return {name: printed[name] for name in names if name in printed}
    whole = runs.groupby("week")["has_reels"].all().reindex(weeks, fill_value=False)
    whole &= ~weeks.isin(_lost_weeks(logs))
    mounts = mount_weights(logs, web_use(logs)).merge(runs[["run_id", "week"]], on="run_id")
    used = mounts.groupby(["week", "material"])["mounted_kg"].sum().unstack()
    used = used.reindex(weeks).fillna(0.0)
    used[~whole.to_numpy()] = np.nan
    if not whole.to_numpy()[-_REELS_WEEKS:].any():
        # Reels are no longer logged: what is printed goes on telling, with the waste that was usual.
        both = printed.reindex(columns=used.columns).where(used.notna())
        usual = (
            float(used.where(both.notna()).sum().sum() / both.sum().sum()) if both.sum().sum() > 0 else 1.0
        )
        used = used.combine_first(printed * usual)
    return {name: used[name] for name in names if name in used}


def _printed(logs: Logs, weeks: pd.DatetimeIndex) -> pd.DataFrame:
    """Return the gross copies at nominal grammage by material [kg]; blank in weeks of which a run or web is lost."""
    webs = web_use(logs)
    kg = paper_kg(webs["area_m2"], webs["nominal_gsm"])
    printed = kg.groupby([webs["week"], webs["material"]]).sum(min_count=1).unstack().reindex(weeks)
    known = printed.notna().any(axis=1)
    printed.loc[known] = printed.loc[known].fillna(0.0)
    # A material without a nominal grammage weighs nothing that could be told.
    unknown = webs.loc[webs["nominal_gsm"].isna(), "material"].unique()
    aside = logs["runs"].loc[lost_runs(logs, "run_webs"), "date"]
    lost = weeks.isin(_lost_weeks(logs)) | weeks.isin(logs.plant.week_of(aside))
    printed.loc[lost] = np.nan
    return printed.drop(columns=printed.columns.intersection(unknown))


def _inks(
    logs: Logs,
    exposure: pd.DataFrame,
    intervals: pd.DataFrame,
    model: pd.DataFrame,
    fits: dict[str, InkFit],
    weeks: pd.DatetimeIndex,
) -> dict[str, pd.Series]:
    """Return the use of each ink, free of the error of dips where it has a model."""
    materials = logs["materials"]
    inks = materials[(materials["kind"] == "ink") & materials["ink"].notna()]
    columns = {}
    for ink, of_ink in intervals.groupby("ink"):
        bought = inks[inks["ink"] == ink]
        # Two materials of one ink share a tank, and nobody logs which one was used.
        if len(bought) == 1 and bought["unit"].iloc[0] == "kg":
            name = bought["material"].iloc[0]
            printed = exposure[exposure["ink"] == ink]
            dipped = _ink_by_week(logs, of_ink, printed, model).reindex(weeks)
            columns[name] = dipped
            if ink in fits:
                true = use_by_week(logs, printed, of_ink, {str(ink): fits[str(ink)]}).set_index("week")[
                    "used_kg"
                ]
                # Of a run that was set aside the dips know and the model does not.
                reached = _dips_reach(logs, of_ink, printed, weeks) & ~weeks.isin(_lost_weeks(logs))
                columns[name] = true.reindex(weeks).where(reached, dipped)
    return columns


def _dips_reach(
    logs: Logs, intervals: pd.DataFrame, exposure: pd.DataFrame, weeks: pd.DatetimeIndex
) -> np.ndarray:
    """Say of which weeks the dips tell the use: from the first one on, and not long after the last."""
    early = exposure.loc[exposure["finished_at"] <= intervals["since"].min(), "week"]
    last = logs.plant.week_start(intervals["read_at"].max()) + _AFTER_DIPS
    return np.asarray(
        ~weeks.isin(early) & (weeks <= last) & (weeks >= logs.plant.week_start(intervals["since"].min()))
    )


def _ink_by_week(
    logs: Logs, intervals: pd.DataFrame, exposure: pd.DataFrame, model: pd.DataFrame
) -> pd.Series:
    ends = np.append(intervals["since"].to_numpy()[:1], intervals["read_at"].to_numpy())
    interval = np.searchsorted(ends, exposure["finished_at"].to_numpy(), "left") - 1
    inside = (interval >= 0) & (interval < len(intervals))
    runs = pd.DataFrame(
        {
            "interval": interval[inside],
            "week": exposure["week"].to_numpy()[inside],
            "weight": _weight_of_runs(exposure[inside], model),
        }
    )
    pieces = pd.concat(
        [runs, _standing_pieces(logs, ends, model, intervals["ink"].iloc[0])], ignore_index=True
    )
    grouped = pieces.groupby("interval")
    share = pieces["weight"] / grouped["weight"].transform("sum")
    used = intervals["used_kg"].where(intervals["why"] != STEP).to_numpy()
    pieces["kg"] = used[pieces["interval"].to_numpy()] * share
    # With a run of unknown coverage nobody can say how weeks share their interval.
    unclear = (intervals["why"] == NO_COVERAGE).to_numpy()[pieces["interval"].to_numpy()]
    pieces.loc[unclear & (grouped["week"].transform("nunique") > 1), "kg"] = np.nan
    by_week = pieces.groupby("week")["kg"].sum(skipna=False)
    by_week[by_week.index.isin(exposure["week"].to_numpy()[~inside])] = np.nan
    return by_week


def _weight_of_runs(exposure: pd.DataFrame, model: pd.DataFrame) -> np.ndarray:
    """Return what each run should have used [kg]; without a model, in proportion to its solid area."""
    expected = expected_use(exposure.assign(days=0.0), model)
    weight = exposure["solid_m2"] if expected.isna().all() else expected
    return weight.fillna(0.0).clip(lower=0.0).to_numpy()


def _standing_pieces(logs: Logs, ends: np.ndarray, model: pd.DataFrame, ink: str) -> pd.DataFrame:
    """Cut the intervals between `ends` at the weeks; return interval, week and standing use as weight."""
    first = logs.plant.week_start(pd.Timestamp(ends[0]))
    starts = pd.date_range(first, pd.Timestamp(ends[-1]), freq="7D", unit="us").to_numpy()
    cuts = np.unique(np.concatenate([ends, starts[1:]]))
    days = (cuts[1:] - cuts[:-1]) / np.timedelta64(1, "D")
    return pd.DataFrame(
        {
            "interval": np.searchsorted(ends, cuts[:-1], "right") - 1,
            "week": starts[np.searchsorted(starts, cuts[:-1], "right") - 1],
            # Use in days without a run still belongs to their week.
            "weight": (_standing(model, ink) + 1e-6) * days,
        }
    )


def _standing(model: pd.DataFrame, ink: str) -> float:
    rows = model[(model["ink"] == ink) & (model["term"] == "standing_kg_per_day")]
    value = float(rows["estimate"].iloc[0]) if len(rows) else 0.0
    return max(value, 0.0) if np.isfinite(value) else 0.0


def _plates(logs: Logs, materials: pd.DataFrame, weeks: pd.DatetimeIndex) -> dict[str, pd.Series]:
    names = materials.loc[materials["kind"] == "plate", "material"]
    runs = logs["runs"]
    if len(names) != 1 or runs["plates"].isna().all():
        return {}
    week = logs.plant.week_of(runs["date"])
    exposed = runs["plates"].groupby(week).sum(skipna=False).reindex(weeks)
    return {names.iloc[0]: exposed.where(~weeks.isin(_lost_weeks(logs)))}


def counted_use(logs: Logs, material: str, weeks: pd.DatetimeIndex) -> pd.Series:
    """Return the weekly use of a material that has no counter, from counts and deliveries.

    Spread evenly over the days between two counts; blank outside them, and where more was counted than there
    could be.
    """
    blank = pd.Series(np.nan, weeks)
    if not logs.has("stock_counts"):
        return blank
    counts = logs["stock_counts"]
    counts = counts[counts["material"] == material].sort_values("counted_on")
    if len(counts) < 2:
        return blank
    days = pd.date_range(weeks[0], weeks[-1] + pd.Timedelta(days=6), freq="D", unit="us")
    ends = counts["counted_on"].to_numpy()
    received = _received_between(logs, material, counts)
    level = counts["quantity"].to_numpy()
    span = (ends[1:] - ends[:-1]) / np.timedelta64(1, "D")
    per_day = (level[:-1] + received - level[1:]) / span
    per_day[per_day < 0] = np.nan  # more than there could be: a count or a delivery is wrong
    slot = np.searchsorted(ends, days.to_numpy(), side="left") - 1
    inside = (slot >= 0) & (slot < len(per_day))
    daily = pd.Series(np.where(inside, per_day[np.clip(slot, 0, len(per_day) - 1)], np.nan), days)
    return daily.groupby(np.arange(len(days)) // 7).sum(skipna=False).set_axis(weeks)


def _received_between(logs: Logs, material: str, counts: pd.DataFrame) -> np.ndarray:
    """Return what was received between each count and the next [unit of the material]."""
    received: np.ndarray = np.zeros(len(counts) - 1)
    if not logs.has("deliveries"):
        return received
    end_of_day = counts["counted_on"] + pd.Timedelta(days=1) - pd.Timedelta(microseconds=1)
    ends = counts["counted_at"].fillna(end_of_day).to_numpy()
    came = logs["deliveries"]
    came = came[(came["material"] == material) & came["delivered_on"].notna()]
    at = came["delivered_at"].fillna(came["delivered_on"]).to_numpy()
    slot = np.searchsorted(ends, at, side="left") - 1
    inside = (slot >= 0) & (slot < len(received))
    return np.bincount(slot[inside], came["quantity"].to_numpy()[inside], len(received))
