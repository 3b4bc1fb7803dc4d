"""Which table is a file, which of our columns is each of its columns, in which unit, how sure is that.

Three witnesses are heard: the name (`words`), the cells (their kind, and where they usually lie), and the other tables
(an identifier repeats there; gross copies are good and wasted ones). What one of them contradicts is not taken; what no
second one confirms, and another column might be as well, is a guess.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from ..tables import INPUTS, Column
from .found import Found, FoundColumn, Mapped, Recognised
from .meanings import confirm_sums, same_units
from .words import Lexicon, Pieces, knowledge, lexicon_of, likeness

__all__ = ["recognised", "take"]

#: Likeness of a name below which nothing is proposed, and from which it is sure where nothing else comes near.
_LEAST, _SURE, _APART = 0.4, 0.85, 0.15
_LEAST_TABLE = 0.4
#: Likeness from which a column that is not used is offered for one that lacks, and for how many.
_PERHAPS, _OFFERED = 0.15, 3
_CONFIRMS, _BY_REFERENCE = 0.1, 0.35
#: Share of cells that may be impossible in a column all the same, and cells from which a single one may: what a log
#: holds was typed by people (common practice, no source; the demo's faults are one cell in 1,800 to 26,000).
_IMPOSSIBLE, _MANY = 0.01, 20
_OWN_NAME = 2.0  # a column that is called as ours is
_BY_CELLS = 0.45  # what cells alone make a column, whatever its name is
#: Columns of which other tables hold the same words.
_SHARED = ("run_id", "material", "reel_id", "delivery_id", "supplier", "web", "tank", "title", "ink")
_MASS, _LENGTH = ("kg", "lb", "t"), ("mm", "inch", "cm", "m")
_SAME_DIMENSION = {"kg": _MASS, "mm": _LENGTH, "m": ("m", "ft"), "um": ("um", "mm"), "g/m2": ("g/m2",)}
_TO_OURS = {
    ("lb", "kg"): 0.45359237,
    ("t", "kg"): 1000.0,
    ("inch", "mm"): 25.4,
    ("cm", "mm"): 10.0,
    ("m", "mm"): 1000.0,
    ("ft", "m"): 0.3048,
    ("mm", "um"): 1000.0,
}


#: Words of a column that several tables share, by its name and by table.
_Known = dict[str, dict[str, set[str]]]


@dataclass
class _Candidate:
    """A column of a file, or a day and a clock time of it put together."""

    names: tuple[str, ...]
    column: FoundColumn
    kind: str
    pieces: Pieces
    unit: str


def _candidates(found: Found, lexicon: Lexicon) -> list[_Candidate]:
    """Return the columns of a file; each clock time with the column of days that its name is nearest to."""
    plain = [_Candidate((c.name,), c, c.kind, *lexicon.read(c.name)) for c in found.columns]
    days = [one for one in plain if one.kind == "date"]
    out = []
    for one in plain:
        if one.kind == "clock" and days:
            mine = {idea for ideas, _ in one.pieces for idea in ideas}

            def shared(day: _Candidate, mine: set[str] = mine) -> tuple[int, int, int]:
                theirs = {idea for ideas, _ in day.pieces for idea in ideas}
                # The day of the issue is the last to stand beside a clock.
                return len((mine & theirs) - {"time", "date", "day"}), -("issue" in theirs), -len(theirs)

            day = max(days, key=shared)
            both = dict.fromkeys((*one.pieces, *day.pieces)) if shared(day)[0] else dict.fromkeys(one.pieces)
            out.append(_Candidate((day.names[0], one.names[0]), one.column, "time", tuple(both), ""))
        else:
            out.append(one)
    return out


def _fits_kind(one: _Candidate, column: Column) -> bool:  # noqa: PLR0911 -- one return a kind
    """Return whether the cells can be of a column, by their kind."""
    kind = one.kind
    if kind == "blank":
        return column.may_be_blank
    if column.kind == "time":
        return kind == "time" or (kind in ("number", "count") and _serials(one.column))
    if column.kind in ("date", "month"):
        return kind == "date" or (kind == "count" and _serials(one.column))
    if column.kind == "count":
        return kind == "count"
    if column.is_number:
        return kind in ("number", "count")
    if column.kind == "choice":
        return kind in ("text", "count") and len(one.column.distinct) <= 12
    return kind in ("text", "count")


def _serials(column: FoundColumn) -> bool:
    """Return whether numbers may be the days of a spreadsheet, of the years 2009 to 2036."""
    numbers = column.numbers[~np.isnan(column.numbers)]
    return bool(len(numbers)) and _lie_within(numbers, 40_000, 50_000)


def _lie_within(numbers: np.ndarray, low: float | None, high: float | None) -> bool:
    """Return whether numbers lie between limits, but for few: a log may hold a cell that cannot be true."""
    outside = np.count_nonzero((numbers < low) | (numbers > high))
    return bool(outside <= max(_IMPOSSIBLE * len(numbers), len(numbers) >= _MANY))


def _unit_of(one: _Candidate, table: str, column: Column) -> tuple[str, bool, float]:
    """Return the unit, whether it is sure, and how well the numbers lie (1 as usual, 0.5 possible, 0 not possible)."""
    numbers = one.column.numbers[~np.isnan(one.column.numbers)]
    usual = knowledge()["usual"].get(f"{table}.{column.name}", (column.low, column.high))
    units = _SAME_DIMENSION.get(column.unit, (column.unit,))
    if one.unit:
        if column.unit in _SAME_DIMENSION and one.unit not in units:
            return "", True, 0.0
        units = (one.unit,) if one.unit in units else (column.unit,)
    if not len(numbers):
        return units[0], True, 0.5
    top, possible = np.quantile(numbers, 0.9), ""
    for unit in units:
        factor = _TO_OURS.get((unit, column.unit), 1.0)
        within = _lie_within(numbers * factor, column.low, column.high)
        if within and usual[0] <= top * factor <= usual[1]:
            return unit, bool(one.unit) or unit == column.unit, 1.0
        if within and not possible:
            possible = unit
    return possible or units[0], bool(one.unit), 0.5 if possible else 0.0


def _score(one: _Candidate, table: str, column: Column, known: _Known) -> float:
    """Return how well a column of a file can be one of ours, 0 where it cannot."""
    if not _fits_kind(one, column):
        return 0.0
    if one.names[0].casefold() == column.name:
        return _OWN_NAME
    like = likeness(one.pieces, knowledge()["columns"][table][column.name])
    if column.is_number:
        lies = _unit_of(one, table, column)[2]
        if not lies:
            return 0.0
        like += _CONFIRMS * (lies - 0.5) if like else 0.0
    theirs = [words for other, words in known.get(column.name, {}).items() if other != table]
    if theirs and one.column.distinct:
        shared = max(float(np.mean([cell in words for cell in one.column.distinct])) for words in theirs)
        like += _BY_REFERENCE * (shared - 0.5)
        if shared > 0.9 and len(one.column.distinct) >= 3:
            like = max(like, _BY_CELLS)
    if column.choices and like:
        like += _CONFIRMS * (len(one.column.distinct) <= len(column.choices))
    return max(like, 0.0)


def _assigned(
    found: Found, table: str, lexicon: Lexicon, known: _Known
) -> tuple[list[_Candidate], np.ndarray, list[tuple[int, int]]]:
    """Return the candidates, their scores by our columns, and the assignment of highest total score."""
    candidates = _candidates(found, lexicon)
    scores = np.array(
        [[_score(one, table, column, known) for column in INPUTS[table].columns] for one in candidates]
    )
    scores = scores.reshape(len(candidates), len(INPUTS[table].columns))
    rows, at = linear_sum_assignment(np.where(scores >= _LEAST, scores, 0.0), maximize=True)
    return (
        candidates,
        scores,
        [(r, c) for r, c in zip(rows.tolist(), at.tolist(), strict=True) if scores[r, c] >= _LEAST],
    )


def _table_score(found: Found, table: str, lexicon: Lexicon, known: _Known) -> float:
    """Return how well a file can be a table: required columns that are there, columns of it that fit, its name."""
    _, scores, pairs = _assigned(found, table, lexicon, known)
    columns = INPUTS[table].columns
    required = {at for at, column in enumerate(columns) if not column.optional}
    there = sum(min(scores[r, c], 1.0) for r, c in pairs if c in required) / len(required)
    fitting = sum(min(scores[r, c], 1.0) for r, c in pairs) / len(found.columns)
    called = max(_called(pattern, table, lexicon) for pattern in found.patterns)
    return 0.45 * there + 0.35 * fitting + 0.2 * called


def _called(pattern: str, table: str, lexicon: Lexicon) -> float:
    file, _, sheet = pattern.partition("#")
    return likeness(lexicon.read(sheet or file.rsplit(".", 1)[0])[0], knowledge()["tables"][table])


def recognised(found: list[Found], lexicon: Lexicon) -> tuple[list[Recognised], list[Found]]:
    """Return the tables that were recognised, each of one file or of several alike, and the files that are none."""
    tables = list(INPUTS)
    known: _Known = {}
    out: list[Recognised] = []
    for _ in range(2):  # the second time identifiers of the first are known
        scores = np.array([[_table_score(one, table, lexicon, known) for table in tables] for one in found])
        scores = scores.reshape(len(found), len(tables))
        rows, at = linear_sum_assignment(np.where(scores >= _LEAST_TABLE, scores, 0.0), maximize=True)
        out = []
        for row, column in zip(rows.tolist(), at.tolist(), strict=True):
            score = scores[row, column]
            if score >= _LEAST_TABLE:
                others = np.delete(scores[row], column).max(initial=0.0)
                out.append(Recognised(tables[column], found[row], score, bool(score > others + 0.05)))
        for one in out:
            _find_columns(one, lexicon, known)
        known = _identifiers(out)
    out += _within(out, lexicon, known)
    confirm_sums(out)
    read = {pattern for one in out for pattern in one.found.patterns}
    order = {name: at for at, name in enumerate(tables)}
    return sorted(out, key=lambda one: order[one.table]), [
        one for one in found if not read.issuperset(one.patterns)
    ]


def _within(tables: list[Recognised], lexicon: Lexicon, known: _Known) -> list[Recognised]:
    """Return the webs of runs whose file has a row a web: what differs within a run is of its webs."""
    by_name = {one.table: one for one in tables}
    runs = by_name.get("runs")
    if runs is None or "run_webs" in by_name or "run_id" not in runs.columns:
        return []
    number = runs.columns["run_id"].column
    days = runs.columns["date"].column.cells if "date" in runs.columns else number.cells
    ids = list(zip(number.cells, days, strict=True))
    several = [
        column
        for column in runs.found.columns
        if column.kind != "blank" and len(set(zip(ids, column.cells, strict=True))) > len(set(ids))
    ]
    if not several or len(several) > len(runs.found.columns) / 2:
        return []
    of_runs = [column for column in runs.found.columns if column not in several]
    runs.found = Found(runs.found.patterns, of_runs)
    _find_columns(runs, lexicon, known)
    spare = [column for column in of_runs if column.name in runs.left]
    webs = Recognised("run_webs", Found(runs.found.patterns, [number, *several, *spare]), _LEAST_TABLE, True)
    _find_columns(webs, lexicon, known)
    return [] if INPUTS["run_webs"].missing_from(webs.columns) else [webs]


def _identifiers(tables: list[Recognised]) -> _Known:
    """Return the words that the tables hold in columns which several of them have."""
    out: _Known = {}
    for one in tables:
        for name in _SHARED:
            if name in one.columns:
                out.setdefault(name, {})[one.table] = set(one.columns[name].column.distinct)
    return out


def _only_one_left(one: Recognised, candidates: list[_Candidate], taken: set[int]) -> list[tuple[int, int]]:
    """Return the required columns of which none was found, each with the one column left that can be it."""
    declared = INPUTS[one.table].columns
    missing = [at for at, c in enumerate(declared) if c.name in INPUTS[one.table].missing_from(one.columns)]
    left = [row for row in range(len(candidates)) if row not in taken]
    fits = {
        at: [
            row
            for row in left
            if _fits_kind(candidates[row], declared[at])
            and (not declared[at].is_number or _unit_of(candidates[row], one.table, declared[at])[2] == 1)
        ]
        for at in missing
    }
    return [
        (rows[0], at)
        for at, rows in fits.items()
        if len(rows) == 1 and sum(rows[0] in others for others in fits.values()) == 1
    ]


def _find_columns(one: Recognised, lexicon: Lexicon, known: _Known) -> None:
    """Find the columns of a table, and how sure each is."""
    candidates, scores, pairs = _assigned(one.found, one.table, lexicon, known)
    one.columns = {}
    taken = {row for row, _ in pairs}
    for row, at in pairs:
        why = _doubt(one, candidates, scores, (row, at))
        _map(one, candidates[row], INPUTS[one.table].columns[at], float(scores[row, at]), why)
    for row, at in _only_one_left(one, candidates, taken):
        _map(
            one, candidates[row], INPUTS[one.table].columns[at], _LEAST, "the only column left that can be it"
        )
    same_units(one.columns, INPUTS[one.table].columns)
    one.perhaps = _perhaps(one, candidates, scores)


def _perhaps(one: Recognised, candidates: list[_Candidate], scores: np.ndarray) -> dict[str, list[str]]:
    """Return what columns left over might be: what is required, lacks and fits; of the rest what the name hints at."""
    out, lacking = {}, INPUTS[one.table].missing_from(one.columns)
    for row, candidate in enumerate(candidates):
        if len(candidate.names) > 1 or candidate.names[0] not in one.left or candidate.kind == "blank":
            continue
        found = []
        for at, column in enumerate(INPUTS[one.table].columns):
            fits = column.name not in one.columns and _fits_kind(candidate, column)
            if not fits or (column.is_number and _unit_of(candidate, one.table, column)[2] < 1):
                continue
            numbered = candidate.kind == "count" and column.name in ("title", "supplier", "ink")
            if (column.name in lacking and not numbered) or scores[row, at] >= _PERHAPS:
                found.append((-scores[row, at], column.name not in lacking, column.name))
        if found:
            out[candidate.names[0]] = [name for *_, name in sorted(found)[:_OFFERED]]
    return out


def take(one: Recognised, name: str, ours: str) -> None:
    """Take a column of the file, by its name, for one of ours, as somebody says who knows."""
    candidate = next(c for c in _candidates(one.found, lexicon_of()) if c.names[-1] == name)
    _map(one, candidate, INPUTS[one.table][ours], 1.0, "")


def _map(one: Recognised, candidate: _Candidate, column: Column, score: float, why: str) -> None:
    unit, unit_sure, _ = _unit_of(candidate, one.table, column) if column.is_number else ("", True, 1.0)
    other = unit if (unit, column.unit) in _TO_OURS else ""
    one.columns[column.name] = Mapped(
        column.name, candidate.names, score, not why, why, other, unit_sure or not other, candidate.column
    )


def _doubt(one: Recognised, candidates: list[_Candidate], scores: np.ndarray, pair: tuple[int, int]) -> str:
    """Return why a column is a guess, empty if it is sure."""
    row, at = pair
    score, declared = scores[row, at], INPUTS[one.table].columns
    others = np.where(np.arange(len(declared)) == at, 0.0, scores[row])
    rivals = np.where(np.arange(len(candidates)) == row, 0.0, scores[:, at])
    if score < _SURE:
        return "the name says little"
    if others.max() > score - _APART:
        return f"or {declared[int(others.argmax())].name}"
    if rivals.max(initial=0.0) > score - _APART:
        return f"or it is {' and '.join(candidates[int(rivals.argmax())].names)}"
    return "" if one.sure else "the table is a guess"
