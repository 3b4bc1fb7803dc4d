"""Whether the logs can be true as a whole: what a page opens with, and what is not derived from them.

A single row that cannot be true is set aside by itself. Here the sums are asked: how many rows went, how
much of the paper became copies, whether a square metre weighs what it should, whether sizes and levels
agree with each other. A factor that is that of a unit names it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import ink, paper
from ..tables import INPUTS
from .agreeing import ENOUGH, FIFTH, WEEKS, Doubt, apart, doubts_of_sizes
from .units_suspected import LENGTHS, WEIGHTS, fitting_unit, nearest_unit, problem_values

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = [
    "COLUMNS",
    "implausible",
    "implausible_logs",
    "is_refused",
    "may_be_told",
    "nothing_implausible",
    "refused_parts",
]

#: Share of a table that may be set aside or doubtful [%]; fewer rows than `_FEW_ROWS` are slips.
ROWS_MOST_PCT = 5.0
_FEW_ROWS = 3
#: Mounted paper in good copies [%]. With a grammage that is only nominal each limit is wider by a fifth.
GOOD_LEAST_PCT, GOOD_MOST_PCT = 80.0, 100.0
#: Film weights beyond which no offset ink prints [g/m2 of solid]; common practice, no source.
_FILM_MOST = 20.0
#: What good copies usually are of mounted paper, to tell a unit from the factor that is left.
_GOOD_USUAL = 0.93
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


def refused_parts(table: pd.DataFrame) -> frozenset[str]:
    """Return the parts that nothing may be derived for: paper, ink, demand; all three where everything is refused."""
    refused = set(table["refuses"]) - {""}
    return frozenset({"paper", "ink", "demand"} if "everything" in refused else refused)


def is_refused(table: pd.DataFrame, parts: str) -> bool:
    """Return whether what is derived from some parts of the logs, parted by blanks, may not be told."""
    return not refused_parts(table).isdisjoint(parts.split())


def may_be_told(table: pd.DataFrame, logs: Logs, materials: pd.Series) -> pd.Series:
    """Return of which materials stock, risk and orders may be told.

    No newsprint where paper is refused, no ink where ink is, nothing where demand is.
    """
    refused = refused_parts(table)
    if "demand" in refused or not logs.has("materials"):
        return pd.Series("demand" not in refused, materials.index)
    kinds = logs.of_material(materials, "kind")
    return ~((kinds == "newsprint") & ("paper" in refused) | (kinds == "ink") & ("ink" in refused))


def nothing_implausible() -> pd.DataFrame:
    """Return the table of what cannot be true, without rows."""
    return pd.DataFrame(columns=COLUMNS)


def implausible(
    logs: Logs, runs: pd.DataFrame, grammage: pd.DataFrame, ink_model: pd.DataFrame
) -> pd.DataFrame:
    """Return what of the logs cannot be true as a whole, the gravest first; empty where all is plausible.

    Columns subject (table, material or ink), what (the figure in words), value and limit [unit], unit, suspect
    (the likely column and unit, in words; empty where none fits), refuses (``everything``, ``paper``, ``ink``,
    ``demand``, or empty: said, nothing refused).
    """
    sizes = doubts_of_sizes(logs)
    named = {doubt.subject: doubt.suspect for doubt in reversed(sizes) if doubt.suspect}
    grams = list(_grammages(grammage))
    for doubt in grams:
        if _is_sure(doubt) and doubt.suspect.startswith("materials"):
            named["materials"] = doubt.suspect
    doubts = [
        *sizes,
        *_lost_orders(logs),
        *_rows(logs, named),
        *_good_copies(logs, runs, named, grammage_known=not grams),
        *grams,
        *_films(logs, ink_model),
    ]
    doubts.sort(key=lambda doubt: (_ORDER.index(doubt.refuses), not _is_sure(doubt)))
    frame = pd.DataFrame(doubts, columns=COLUMNS)
    return frame.astype({name: "float64" if name in ("value", "limit") else "str" for name in COLUMNS})


def _is_sure(doubt: Doubt) -> bool:
    """Return whether a unit is named, not only a place to look at."""
    return doubt.suspect.endswith("?")


# --- rows -----------------------------------------------------------------------------------------


def _rows(logs: Logs, named: dict[str, str]) -> Iterator[Doubt]:
    """Yield tables of which more than a twentieth is set aside or doubtful; add what they suspect to `named`."""
    doubtful = _doubtful_rows(logs)
    shares: dict[str, float] = {}
    row: Any
    for row in logs.ledger.itertuples():
        name = str(row.table)
        judged = row.used + row.set_aside
        bad = row.set_aside + doubtful.get(name, 0)
        # A table left out for its header is a problem of its own, and counts as absent.
        row_by_row = row.set_aside <= (logs.rejected["table"] == name).sum()
        if row_by_row and bad >= _FEW_ROWS and 100 * bad > ROWS_MOST_PCT * judged:
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
        yield Doubt(name, "rows set aside or doubtful", share, "%", ROWS_MOST_PCT, suspect, refuses)


def _lost_orders(logs: Logs) -> Iterator[Doubt]:
    """Yield the open orders that were set aside: whoever orders without knowing of them orders twice."""
    if logs.lost_orders:
        suspect = "see rejected_rows before ordering"
        what = "rows of orders set aside that may be on their way"
        yield Doubt("deliveries", what, logs.lost_orders, "", 0.0, suspect, "")


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
        packs = logs.of_material(logs.listed("newsprint"), "pack_quantity")
        most = float(packs.max()) if len(packs) else np.nan
        return lambda values: np.full(len(values), abs(np.quantile(values, 0.95) / most - 1) < 0.35)
    if column == "level_kg":
        capacity = max((tank.capacity_kg or 0.0 for tank in logs.plant.tanks.values()), default=0.0)
        return lambda values: (values <= capacity) & (values > 0.02 * capacity)
    return None


# --- results --------------------------------------------------------------------------------------


def _good_copies(
    logs: Logs, runs: pd.DataFrame, named: Mapping[str, str], grammage_known: bool
) -> Iterator[Doubt]:
    """Yield the share of mounted paper in good copies where no press could have it."""
    known = runs.dropna(subset=["mounted_kg", "good_kg"])
    recent = known[known["date"] > logs.as_of - pd.Timedelta(weeks=WEEKS)]
    for part in (known, recent):
        mounted, good = float(part["mounted_kg"].sum()), float(part["good_kg"].sum())
        heavier = part["good_grammage_kg"]
        whole = grammage_known and bool(heavier.notna().all())
        if len(part) < ENOUGH or not mounted > 0 or not good > 0:
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
        yield Doubt("reel_mounts", "mounted paper in good copies", share, "%", limit, suspect, "paper")
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


def _grammages(grammage: pd.DataFrame) -> Iterator[Doubt]:
    """Yield materials whose effective grammage is a fifth off the nominal one, the interval a tenth."""
    row: Any
    for row in grammage.itertuples():
        times = row.effective_gsm / row.nominal_gsm
        beyond = row.ci_low > row.nominal_gsm * (1 + FIFTH / 2) or row.ci_high < row.nominal_gsm * (
            1 - FIFTH / 2
        )
        if not np.isfinite(limit := apart(times)) or not beyond:
            continue
        ream = abs(times / _REAM_POUND - 1) < FIFTH / 2
        suspect = "materials.grammage_gsm in pounds a ream?" if ream else _unit_of_grammage(times)
        yield Doubt(
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


def _films(logs: Logs, ink_model: pd.DataFrame) -> Iterator[Doubt]:
    """Yield inks whose film weight no press can print."""
    films = ink_model[ink_model["term"] == "film_g_m2"]
    for row in films.itertuples():
        if not (row.estimate <= 0 or row.estimate > _FILM_MOST):
            continue
        limit = 0.0 if row.estimate <= 0 else _FILM_MOST
        yield Doubt(str(row.ink), "film weight", row.estimate, "g/m2", limit, _of_ink(logs, row.ink), "ink")


def _of_ink(logs: Logs, ink: Any) -> str:
    """Say what is likely to be missing or wrong where an ink's film weight is impossible."""
    if logs.has("deliveries") and logs.has("materials"):
        materials = logs["materials"]
        names = materials.loc[materials["ink"] == ink, "material"]
        if logs["deliveries"]["material"].isin(names).any():
            return "levels, deliveries or coverage of this ink"
    return "deliveries of this ink are missing"


def implausible_logs(logs: Logs) -> pd.DataFrame:
    """Return what of the logs cannot be true as a whole."""
    weighed = paper.weighed_paper(logs)
    _, intervals, fits, _ = ink.study_inks(logs)
    return implausible(logs, weighed.runs, weighed.grammage, ink.ink_model(intervals, fits))
