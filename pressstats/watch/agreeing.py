"""Whether sizes, weights and levels that say the same thing in two tables agree with each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from .units_suspected import LENGTHS, WEIGHTS, nearest_unit

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["ENOUGH", "FIFTH", "WEEKS", "Doubt", "apart", "doubt_words", "doubts_of_sizes"]

#: Part that two measures of the same thing may differ.
FIFTH = 0.2
#: Recent weeks that are looked at by themselves, and fewest rows that are looked at.
WEEKS = 13
ENOUGH = 5


class Doubt(NamedTuple):
    """One row of :func:`pressstats.watch.implausible`."""

    subject: str
    what: str
    value: float
    unit: str
    limit: float
    suspect: str
    refuses: str


def doubts_of_sizes(logs: Logs) -> list[Doubt]:
    """Return where measures of the same thing are more than a fifth apart.

    Pages that webs hold, widths of materials, weights of reels as received, newsprint delivered, levels of tanks.
    """
    return [
        *_web_sizes(logs),
        *_material_widths(logs),
        *_reels_received(logs),
        *_newsprint_delivered(logs),
        *_tank_levels(logs),
    ]


def apart(ratio: float) -> float:
    """Return the limit that a ratio of two measures breaks, NaN where it breaks none."""
    if not ratio > 0:
        return np.nan
    return 1 + FIFTH if ratio > 1 + FIFTH else 1 - FIFTH if ratio < 1 - FIFTH else np.nan


def _web_sizes(logs: Logs) -> Iterator[Doubt]:
    """Compare the pages that width and cut-off of the webs hold with those logged."""
    runs, webs = logs["runs"].set_index("run_id"), logs["run_webs"]
    page = (runs["page_width_mm"] * runs["page_height_mm"]).reindex(webs["run_id"]).to_numpy()
    held = 2 * webs["width_mm"] * webs["cutoff_mm"] * webs["cutoffs_per_copy"] / page
    ratio = held / webs["pages"]
    for part in _windows(logs, ratio, runs["date"].reindex(webs["run_id"]).to_numpy()):
        middle = float(part.median())
        if np.isfinite(limit := apart(middle)):
            unit = nearest_unit(middle, LENGTHS)
            suspect = f"run_webs.width_mm in {unit}?" if unit else "width_mm, cutoff_mm or the size of pages"
            what = "pages that the webs' width and cut-off hold, against those logged"
            yield Doubt("run_webs", what, middle, "times", limit, suspect, "everything")
            return


def _windows(logs: Logs, values: pd.Series, days: np.ndarray) -> Iterator[pd.Series]:
    """Yield all values, and those of the last weeks, where there are enough."""
    recent = values[pd.Series(days, values.index) > logs.as_of - pd.Timedelta(weeks=WEEKS)]
    for part in (values.dropna(), recent.dropna()):
        if len(part) >= ENOUGH:
            yield part


def _material_widths(logs: Logs) -> Iterator[Doubt]:
    """Compare the width of materials with that of the webs they ran on."""
    if not logs.has("materials"):
        return
    webs = logs["run_webs"]
    ratio = (logs.of_material(webs["material"], "width_mm") / webs["width_mm"]).dropna()
    if len(ratio) >= ENOUGH and np.isfinite(limit := apart(middle := float(ratio.median()))):
        unit = nearest_unit(middle, LENGTHS)
        suspect = f"materials.width_mm in {unit}?" if unit else "materials.width_mm"
        other = nearest_unit(1 / middle, LENGTHS)
        if not unit and other:
            suspect = f"run_webs.width_mm in {other}?"
        what = "width of the material against that of its webs"
        yield Doubt("materials", what, middle, "times", limit, suspect, "everything")


def _reels_received(logs: Logs) -> Iterator[Doubt]:
    """Compare the weight of reels as received with that at their first mount."""
    if not (logs.has("reels") and logs.has("reel_mounts")):
        return
    first = logs["reel_mounts"].sort_values("mounted_at", kind="stable")
    first = first.drop_duplicates(["supplier", "reel_id"])
    both = first.merge(logs["reels"], on=["supplier", "reel_id"], suffixes=("", "_received"))
    ratio = (both["received_kg"] / both["start_kg"]).replace([np.inf, 0.0], np.nan).dropna()
    if len(ratio) >= ENOUGH and np.isfinite(limit := apart(middle := float(ratio.median()))):
        unit, other = nearest_unit(middle, WEIGHTS), nearest_unit(1 / middle, WEIGHTS)
        suspect = f"reels.received_kg in {unit}?" if unit else "reels.received_kg or reel_mounts.start_kg"
        if other and not unit:
            suspect = f"reel_mounts.start_kg in {other}?"
        what = "weight of reels as received, against that as first mounted"
        subject = "reel_mounts" if other and not unit else "reels"
        yield Doubt(subject, what, middle, "times", limit, suspect, "paper")


def _newsprint_delivered(logs: Logs) -> Iterator[Doubt]:
    """Compare newsprint delivered with what was mounted: much may be stored, but not by the factor of a unit.

    Too little tells nothing but tonnes, since deliveries may be logged in part.
    """
    if not (logs.has("deliveries") and logs.has("reel_mounts") and logs.has("materials")):
        return
    read = logs.ledger.set_index("table").loc["reel_mounts"]
    if read["set_aside"] > FIFTH * read["used"]:
        return  # What was mounted is not known: the rows that are left say nothing of the deliveries.
    newsprint = logs.listed("newsprint", "kg")
    mounts, came = logs["reel_mounts"], logs["deliveries"].dropna(subset=["delivered_on", "quantity"])
    mounts = mounts[mounts["material"].isin(newsprint)].dropna(subset=["mounted_at"])
    since = mounts["mounted_at"].min().normalize()
    came = came[came["material"].isin(newsprint) & (came["delivered_on"] >= since)]
    if len(came) < ENOUGH or mounts["mounted_at"].max() - since < pd.Timedelta(weeks=WEEKS):
        return
    ratio = float(came["quantity"].sum() / (mounts["start_kg"] - mounts["returned_kg"]).sum())
    if unit := nearest_unit(ratio, WEIGHTS):
        what = "newsprint delivered against that mounted"
        suspect = f"deliveries.quantity of newsprint in {unit}?"
        yield Doubt("deliveries", what, ratio, "times", apart(ratio), suspect, "paper")


def _tank_levels(logs: Logs) -> Iterator[Doubt]:
    """Compare what levels rise by with what was delivered."""
    if not (logs.has("tank_readings") and logs.has("deliveries") and logs.has("materials")):
        return
    ratios = np.concatenate([np.zeros(0), *(_rises(*one) for one in _inks(logs))])
    if len(ratios) < ENOUGH or not np.isfinite(limit := apart(middle := float(np.median(ratios)))):
        return
    unit, other = nearest_unit(middle, WEIGHTS), nearest_unit(1 / middle, WEIGHTS)
    suspect = "tank_readings.level_kg or deliveries.quantity of ink"
    suspect = f"tank_readings.level_kg in {unit}?" if unit else suspect
    suspect = f"deliveries.quantity of ink in {other}?" if other and not unit else suspect
    what = "rise of the levels against what was delivered"
    yield Doubt("tank_readings", what, middle, "times", limit, suspect, "ink")


def _inks(logs: Logs) -> Iterator[tuple[pd.Series, pd.Series]]:
    """Yield the level of all tanks of each ink by day, and what was delivered by day [kg]."""
    dips, deliveries = logs["tank_readings"], logs["deliveries"].dropna(subset=["delivered_on"])
    weighed = deliveries["material"].isin(logs.listed("ink", "kg"))
    ink_of = logs.of_material(deliveries["material"], "ink").where(weighed)
    for ink, of_ink in dips.groupby("ink"):
        day = of_ink["read_at"].dt.normalize()
        by_day = of_ink.assign(day=day).pivot_table(
            index="day", columns="tank", values="level_kg", aggfunc="last"
        )
        came = deliveries[(ink_of == ink).to_numpy()].groupby("delivered_on")["quantity"].sum()
        yield by_day.dropna().sum(axis=1), came


def _rises(level: pd.Series, came: pd.Series) -> np.ndarray:
    """Return for each spell between dips with deliveries the rise, use put back, as a share of what came.

    A delivery on the day of a dip may lie before or after it, so such spells are left out.
    """
    days = level.index.to_numpy()
    after = np.searchsorted(days, came.index.to_numpy(), side="left")
    on_a_day = np.isin(came.index.to_numpy(), days)
    # A delivery on the day of a dip joins the spells on both sides of it to one.
    joined = np.zeros(len(days), dtype=bool)
    joined[after[on_a_day]] = True
    starts = np.flatnonzero(~joined)
    if len(starts) < 2:
        return np.zeros(0)
    level, days = level.to_numpy()[starts], days[starts]
    length = np.diff(days) / np.timedelta64(1, "D")
    spell = np.searchsorted(days, came.index.to_numpy(), side="left") - 1
    inside = (spell >= 0) & (spell < len(length))
    delivered = np.bincount(spell[inside], came.to_numpy()[inside], minlength=len(length))
    rise = np.diff(level)
    quiet = delivered == 0
    if quiet.sum() < ENOUGH:
        return np.zeros(0)
    use = float(np.median(-rise[quiet] / length[quiet]))
    return (rise[~quiet] + use * length[~quiet]) / delivered[~quiet]


def doubt_words(table: pd.DataFrame) -> list[tuple[str, str]]:
    """Say each doubt in words: its subject, which may come from the logs, and the rest of the sentence."""
    words = []
    row: Any
    for row in table.itertuples():
        bound = "at most" if row.value > row.limit else "at least"
        if row.limit == 0:
            bound = "more than" if row.value <= 0 else "at most"
        unit = f" {row.unit}" if row.unit else ""
        said = f"{row.what} {row.value:,.3g}{unit}, {bound} {row.limit:,.3g}{unit} are believed"
        words.append((str(row.subject), said + (f": {row.suspect}" if row.suspect else "")))
    return words
