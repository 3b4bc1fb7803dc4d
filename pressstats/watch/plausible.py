"""Whether the logs can be true as a whole: what a page opens with, and what is not derived from them.

A single row that cannot be true is set aside by itself. Here the sums are asked: how many rows went, how
much of the paper became copies, whether a square metre weighs what it should, whether sizes and levels
agree with each other. A factor that is that of a unit names it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from ..logs import Logs
from ..tables import INPUTS
from .units_suspected import LENGTHS, WEIGHTS, fitting_unit, nearest_unit, problem_values

__all__ = ["COLUMNS", "implausible", "refused_parts"]

#: Share of a table that may be set aside or doubtful [%]; fewer rows than `_FEW_ROWS` are slips.
ROWS_MOST_PCT = 5.0
_FEW_ROWS = 3
#: Mounted paper in good copies [%]. With a grammage that is only nominal each limit is wider by a fifth.
GOOD_LEAST_PCT, GOOD_MOST_PCT = 80.0, 100.0
#: Part that two measures of the same thing may differ.
FIFTH = 0.2
#: Film weights beyond which no offset ink prints [g/m2 of solid]; common practice, no source.
_FILM_MOST = 20.0
#: What good copies usually are of mounted paper, to tell a unit from the factor that is left.
_GOOD_USUAL = 0.93
_WEEKS = 13
_ENOUGH = 5

COLUMNS = ["subject", "what", "value", "unit", "limit", "suspect", "refuses"]

#: What rests on each table.
_RESTS_ON = {
    "runs": "everything",
    "run_webs": "everything",
    "materials": "everything",
    "deliveries": "everything",
    "stock_counts": "everything",
    "reel_mounts": "paper",
    "reels": "paper",
    "coverage": "ink",
    "tank_readings": "ink",
    "plan": "demand",
}
#: Tables that others name, or are held against.
_PARENTS = ("runs", "materials", "run_webs")
_ORDER = ("everything", "paper", "ink", "demand", "")


class _Doubt(NamedTuple):
    subject: str
    what: str
    value: float
    unit: str
    limit: float
    suspect: str
    refuses: str


def refused_parts(table: pd.DataFrame) -> frozenset[str]:
    """Return the parts that nothing may be derived for: paper, ink, demand.

    Parameters
    ----------
    table : DataFrame
        Result of :func:`implausible`.

    Returns
    -------
    frozenset of str
        All three where everything is refused.
    """
    refused = set(table["refuses"]) - {""}
    return frozenset({"paper", "ink", "demand"} if "everything" in refused else refused)


def implausible(
    logs: Logs, runs: pd.DataFrame, grammage: pd.DataFrame, ink_model: pd.DataFrame
) -> pd.DataFrame:
    """Return what of the logs cannot be true as a whole.

    Parameters
    ----------
    logs : Logs
        The logs.
    runs : DataFrame
        Balance of each run (:func:`pressstats.paper.run_balance`).
    grammage, ink_model : DataFrame
        Published tables of those names.

    Returns
    -------
    DataFrame, shape (doubts, 7)
        subject (table, material or ink), what (the figure in words), value and limit [unit], unit, suspect
        (the likely column and unit, in words; empty where none fits), refuses (``everything``, ``paper``,
        ``ink``, ``demand``, or empty: said, nothing refused). The gravest first. Empty where all is plausible.
    """
    sizes = [*_web_sizes(logs), *_material_widths(logs), *_reels_received(logs), *_tank_levels(logs)]
    named = {doubt.subject: doubt.suspect for doubt in reversed(sizes) if doubt.suspect}
    grams = list(_grammages(grammage))
    for doubt in grams:
        if _is_sure(doubt) and doubt.suspect.startswith("materials"):
            named["materials"] = doubt.suspect
    doubts = [
        *sizes,
        *_rows(logs, named),
        *_good_copies(logs, runs, named, grammage_known=not grams),
        *grams,
        *_films(logs, ink_model),
    ]
    doubts.sort(key=lambda doubt: (_ORDER.index(doubt.refuses), not _is_sure(doubt)))
    frame = pd.DataFrame(doubts, columns=COLUMNS)
    return frame.astype({name: "float64" if name in ("value", "limit") else "str" for name in COLUMNS})


def _is_sure(doubt: _Doubt) -> bool:
    """Return whether a unit is named, not only a place to look at."""
    return doubt.suspect.endswith("?")


# --- rows -----------------------------------------------------------------------------------------


def _rows(logs: Logs, named: dict[str, str]) -> Iterator[_Doubt]:
    """Yield tables of which more than a twentieth is set aside or doubtful; add what they suspect to `named`."""
    doubtful = _doubtful_rows(logs)
    shares: dict[str, float] = {}
    for row in logs.ledger.itertuples():
        name = str(row.table)
        judged = row.used + row.set_aside
        bad = row.set_aside + doubtful.get(name, 0)
        if logs.has(name) and bad >= _FEW_ROWS and 100 * bad > ROWS_MOST_PCT * judged:
            shares[name] = 100 * bad / judged
    suspects = {name: named.get(name) or _suspect_of_rows(logs, name) for name in shares}
    for name, suspect in suspects.items():
        if suspect.endswith("?"):
            named.setdefault(name, suspect)
    for name, share in shares.items():
        # Rows that name what was set aside, and weights held against sizes, share the suspect of those tables.
        other = next((named[parent] for parent in _PARENTS if parent in named), suspects[name])
        suspect = suspects[name] if suspects[name].endswith("?") else other
        refuses = _RESTS_ON.get(name, "")
        yield _Doubt(name, "rows set aside or doubtful", share, "%", ROWS_MOST_PCT, suspect, refuses)


def _doubtful_rows(logs: Logs) -> dict[str, int]:
    """Return how many rows of each table are used though a figure or a time in them is doubtful.

    A doubt about a name (a press that plant.toml lacks, a title not printed yet) leaves every figure right.
    """
    counts: dict[str, int] = {}
    for name, columns in zip(logs.warnings["table"], logs.warnings["column"], strict=True):
        table = INPUTS.get(name)
        if table is None or not columns:
            continue
        kinds = {table[c].kind for c in columns.replace(" | ", ", ").split(", ") if c in table.by_name}
        if kinds & {"number", "count", "date", "time", "month"}:
            counts[name] = counts.get(name, 0) + 1
    return counts


def _suspect_of_rows(logs: Logs, table: str) -> str:
    """Name the column, and the unit where one fits, of most problems of a table."""
    problems = problem_values(logs, table)
    if problems.empty:
        return ""
    column = str(problems["column"].value_counts().index[0])
    values = problems.loc[problems["column"] == column, "value"].to_numpy(dtype=float)
    values = values[np.isfinite(values) & (values > 0)]
    fits = _reference(logs, table, column)
    unit = ""
    if len(values) and fits is not None:
        unit = fitting_unit(values, WEIGHTS if column.endswith("_kg") else LENGTHS, fits)
    return f"{table}.{column} in {unit}?" if unit else f"look at {table}.{column}"


def _reference(logs: Logs, table: str, column: str) -> Callable[[np.ndarray], np.ndarray] | None:
    """Return a function that says which values of a column other tables bear out, None without any."""
    runs = logs["runs"]
    if (table, column) in (("run_webs", "width_mm"), ("materials", "width_mm")):
        other = "materials" if table == "run_webs" else "run_webs"
        widths = logs[other]["width_mm"].dropna().unique() if logs.has(other) else np.zeros(0)
        if len(widths):
            return lambda values: np.abs(values[:, None] / widths - 1).min(axis=1) < 0.02
        page = float(runs["page_width_mm"].median())
        return lambda values: (
            (np.abs(2 * values / page - np.round(2 * values / page)) < 0.1) & (values > page / 4)
        )
    if (table, column) == ("run_webs", "cutoff_mm"):
        heights = runs["page_height_mm"].unique()
        return lambda values: np.abs(values[:, None] / heights - 1).min(axis=1) < 0.05
    if column in ("start_kg", "received_kg") and logs.has("materials"):
        packs = logs["materials"]
        packs = packs.loc[packs["kind"] == "newsprint", "pack_quantity"]
        most = float(packs.max()) if len(packs) else np.nan
        return lambda values: np.full(len(values), abs(np.quantile(values, 0.95) / most - 1) < 0.35)
    if column == "level_kg":
        capacity = max((tank.capacity_kg or 0.0 for tank in logs.plant.tanks.values()), default=0.0)
        return lambda values: (values <= capacity) & (values > 0.02 * capacity)
    return None


# --- sizes and weights against each other ---------------------------------------------------------


def _apart(ratio: float) -> float:
    """Return the limit that a ratio of two measures breaks, NaN where it breaks none."""
    if not ratio > 0:
        return np.nan
    return 1 + FIFTH if ratio > 1 + FIFTH else 1 - FIFTH if ratio < 1 - FIFTH else np.nan


def _web_sizes(logs: Logs) -> Iterator[_Doubt]:
    """Compare the pages that width and cut-off of the webs hold with those logged."""
    runs, webs = logs["runs"].set_index("run_id"), logs["run_webs"]
    page = (runs["page_width_mm"] * runs["page_height_mm"]).reindex(webs["run_id"]).to_numpy()
    held = 2 * webs["width_mm"] * webs["cutoff_mm"] * webs["cutoffs_per_copy"] / page
    ratio = held / webs["pages"]
    for part in _windows(logs, ratio, runs["date"].reindex(webs["run_id"]).to_numpy()):
        middle = float(part.median())
        if np.isfinite(limit := _apart(middle)):
            unit = nearest_unit(middle, LENGTHS)
            suspect = f"run_webs.width_mm in {unit}?" if unit else "width_mm, cutoff_mm or the size of pages"
            what = "pages that the webs' width and cut-off hold, against those logged"
            yield _Doubt("run_webs", what, middle, "times", limit, suspect, "everything")
            return


def _windows(logs: Logs, values: pd.Series, days: np.ndarray) -> Iterator[pd.Series]:
    """Yield all values, and those of the last weeks, where there are enough."""
    recent = values[pd.Series(days, values.index) > logs.as_of - pd.Timedelta(weeks=_WEEKS)]
    for part in (values.dropna(), recent.dropna()):
        if len(part) >= _ENOUGH:
            yield part


def _material_widths(logs: Logs) -> Iterator[_Doubt]:
    """Compare the width of materials with that of the webs they ran on."""
    if not logs.has("materials"):
        return
    width = logs["materials"].set_index("material")["width_mm"]
    webs = logs["run_webs"]
    ratio = (webs["material"].map(width).astype("float64") / webs["width_mm"]).dropna()
    if len(ratio) >= _ENOUGH and np.isfinite(limit := _apart(middle := float(ratio.median()))):
        unit = nearest_unit(middle, LENGTHS)
        suspect = f"materials.width_mm in {unit}?" if unit else "materials.width_mm"
        other = nearest_unit(1 / middle, LENGTHS)
        if not unit and other:
            suspect = f"run_webs.width_mm in {other}?"
        what = "width of the material against that of its webs"
        yield _Doubt("materials", what, middle, "times", limit, suspect, "everything")


def _reels_received(logs: Logs) -> Iterator[_Doubt]:
    """Compare the weight of reels as received with that at their first mount."""
    if not (logs.has("reels") and logs.has("reel_mounts")):
        return
    first = logs["reel_mounts"].sort_values("mounted_at", kind="stable")
    first = first.drop_duplicates(["supplier", "reel_id"])
    both = first.merge(logs["reels"], on=["supplier", "reel_id"], suffixes=("", "_received"))
    ratio = (both["received_kg"] / both["start_kg"]).replace([np.inf, 0.0], np.nan).dropna()
    if len(ratio) >= _ENOUGH and np.isfinite(limit := _apart(middle := float(ratio.median()))):
        unit, other = nearest_unit(middle, WEIGHTS), nearest_unit(1 / middle, WEIGHTS)
        suspect = f"reels.received_kg in {unit}?" if unit else "reels.received_kg or reel_mounts.start_kg"
        if other and not unit:
            suspect = f"reel_mounts.start_kg in {other}?"
        what = "weight of reels as received, against that as first mounted"
        subject = "reel_mounts" if other and not unit else "reels"
        yield _Doubt(subject, what, middle, "times", limit, suspect, "paper")


def _tank_levels(logs: Logs) -> Iterator[_Doubt]:
    """Compare what levels rise by with what was delivered."""
    if not (logs.has("tank_readings") and logs.has("deliveries") and logs.has("materials")):
        return
    ratios = np.concatenate([np.zeros(0), *(_rises(*one) for one in _inks(logs))])
    if len(ratios) < _ENOUGH or not np.isfinite(limit := _apart(middle := float(np.median(ratios)))):
        return
    unit, other = nearest_unit(middle, WEIGHTS), nearest_unit(1 / middle, WEIGHTS)
    suspect = "tank_readings.level_kg or deliveries.quantity of ink"
    suspect = f"tank_readings.level_kg in {unit}?" if unit else suspect
    suspect = f"deliveries.quantity of ink in {other}?" if other and not unit else suspect
    what = "rise of the levels against what was delivered"
    yield _Doubt("tank_readings", what, middle, "times", limit, suspect, "ink")


def _inks(logs: Logs) -> Iterator[tuple[pd.Series, pd.Series]]:
    """Yield the level of all tanks of each ink by day, and what was delivered by day [kg]."""
    materials, dips = logs["materials"], logs["tank_readings"]
    inks = materials[(materials["kind"] == "ink") & (materials["unit"] == "kg")].set_index("material")["ink"]
    deliveries = logs["deliveries"].dropna(subset=["delivered_on"])
    ink_of = deliveries["material"].map(inks).astype("str")
    for ink, mine in dips.groupby("ink"):
        day = mine["read_at"].dt.normalize()
        by_day = mine.assign(day=day).pivot_table(
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
    place = np.searchsorted(days, came.index.to_numpy(), side="left") - 1
    inside = (place >= 0) & (place < len(length))
    delivered = np.bincount(place[inside], came.to_numpy()[inside], minlength=len(length))
    rise = np.diff(level)
    quiet = delivered == 0
    if quiet.sum() < _ENOUGH:
        return np.zeros(0)
    use = float(np.median(-rise[quiet] / length[quiet]))
    return (rise[~quiet] + use * length[~quiet]) / delivered[~quiet]


# --- results --------------------------------------------------------------------------------------


def _good_copies(
    logs: Logs, runs: pd.DataFrame, named: Mapping[str, str], grammage_known: bool
) -> Iterator[_Doubt]:
    """Yield the share of mounted paper in good copies where no press could have it."""
    known = runs.dropna(subset=["mounted_kg", "good_kg"])
    recent = known[known["date"] > logs.as_of - pd.Timedelta(weeks=_WEEKS)]
    for part in (known, recent):
        mounted, good = float(part["mounted_kg"].sum()), float(part["good_kg"].sum())
        heavier = part["good_grammage_kg"]
        whole = grammage_known and bool(heavier.notna().all())
        if len(part) < _ENOUGH or not mounted > 0 or not good > 0:
            continue
        share = 100 * (good + (float(heavier.sum()) if whole else 0.0)) / mounted
        low, high = (
            (GOOD_LEAST_PCT, GOOD_MOST_PCT)
            if whole
            else (GOOD_LEAST_PCT * (1 - FIFTH), GOOD_MOST_PCT * (1 + FIFTH))
        )
        if low <= share <= high:
            continue
        limit = low if share < low else high
        suspect = next(iter(named.values()), "") or _unit_of_paper(logs, mounted / good * _GOOD_USUAL)
        yield _Doubt("reel_mounts", "mounted paper in good copies", share, "%", limit, suspect, "paper")
        return


def _unit_of_paper(logs: Logs, times: float) -> str:
    """Name what makes the paper mounted so many times what copies need."""
    weight, width = nearest_unit(times, WEIGHTS), nearest_unit(1 / times, LENGTHS)
    if weight:
        return f"reel_mounts.start_kg in {weight}?"
    if width:
        return f"run_webs.width_mm in {width}?"
    if declared := nearest_unit(1 / times, WEIGHTS):
        return f"reel_mounts.start_kg in kilograms, though declared in {declared}?"
    mounts = logs["reel_mounts"] if logs.has("reel_mounts") else None
    if mounts is not None and mounts["start_kg"].isna().all():
        if across := nearest_unit(np.sqrt(times), LENGTHS):
            return f"reel_mounts.start_mm in {across}?"
        return "diameters, metres, caliper or core"
    return "weights of reels, copies, or grammage of materials"


def _grammages(grammage: pd.DataFrame) -> Iterator[_Doubt]:
    """Yield materials whose effective grammage is a fifth off the nominal one, the interval a tenth."""
    for row in grammage.itertuples():
        times = row.effective_gsm / row.nominal_gsm
        beyond = row.ci_low > row.nominal_gsm * (1 + FIFTH / 2) or row.ci_high < row.nominal_gsm * (
            1 - FIFTH / 2
        )
        if not np.isfinite(limit := _apart(times)) or not beyond:
            continue
        ream = abs(times / _REAM_POUND - 1) < FIFTH / 2
        suspect = "materials.grammage_gsm in pounds a ream?" if ream else _unit_of_grammage(times)
        yield _Doubt(
            str(row.material),
            "effective grammage",
            row.effective_gsm,
            "g/m2",
            limit * row.nominal_gsm,
            suspect,
            "paper",
        )


#: Grammage of one pound of basis weight: 500 sheets of 24 x 36 inches [g/m2].
_REAM_POUND = 0.45359237 * 1000 / (500 * 24 * 36 * 0.0254**2)


def _unit_of_grammage(times: float) -> str:
    weight, width = nearest_unit(times, WEIGHTS), nearest_unit(1 / times, LENGTHS)
    if weight:
        return f"reel_mounts.start_kg in {weight}?"
    return (
        f"run_webs.width_mm in {width}?" if width else "weights of reels, widths, or materials.grammage_gsm"
    )


def _films(logs: Logs, ink_model: pd.DataFrame) -> Iterator[_Doubt]:
    """Yield inks whose film weight no press can print."""
    films = ink_model[ink_model["term"] == "film_g_m2"]
    for row in films.itertuples():
        if not (row.estimate <= 0 or row.estimate > _FILM_MOST):
            continue
        limit = 0.0 if row.estimate <= 0 else _FILM_MOST
        yield _Doubt(str(row.ink), "film weight", row.estimate, "g/m2", limit, _of_ink(logs, row.ink), "ink")


def _of_ink(logs: Logs, ink: Any) -> str:
    """Say what is likely to be missing or wrong where an ink's film weight is impossible."""
    if logs.has("deliveries") and logs.has("materials"):
        materials = logs["materials"]
        names = materials.loc[materials["ink"] == ink, "material"]
        if logs["deliveries"]["material"].isin(names).any():
            return "levels, deliveries or coverage of this ink"
    return "deliveries of this ink are missing"
