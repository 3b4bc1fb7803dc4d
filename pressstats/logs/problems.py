"""Problems are data: where each stands, which rule it broke, and whether the row is used all the same."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

__all__ = ["PROBLEM_COLUMNS", "Chosen", "LogsError", "Names", "Problems", "Rules", "problem_frame"]

#: Columns of the frames of rejected and of doubtful rows.
PROBLEM_COLUMNS = ("table", "file", "line", "column", "value", "rule")

#: Rows as a mask or by their positions; a column or several; a rule for all rows or one for each.
Chosen = np.ndarray | list[int]
Names = str | tuple[str, ...]
Rules = str | list[str]


class LogsError(Exception):
    """The logs cannot be used at all; the message says which file and why."""


@dataclass(frozen=True)
class Problem:
    """One rule broken by some rows of a table; `rejects` where they are set aside, None where it is only said.

    A rule in words, for all rows or for each, may have a detail of the single row after a semicolon; problems are
    grouped by what stands before it. The values of `columns` are the evidence.
    """

    rows: np.ndarray
    columns: tuple[str, ...]
    rules: Rules
    rejects: bool | None


@dataclass
class Problems:
    """All that was found in one table."""

    rules_broken: list[Problem] = field(default_factory=list)

    def add(self, mask: Chosen, columns: Names, rules: Rules, rejects: bool | None = True) -> None:
        """Add the rows where `mask` is true (or at the positions it lists), if there are any."""
        rows = np.asarray(mask)
        if rows.dtype == bool:
            rows = np.flatnonzero(rows)
        if len(rows):
            names = (columns,) if isinstance(columns, str) else columns
            self.rules_broken.append(Problem(rows.astype(np.int64), names, rules, rejects))

    def rejected(self, count: int) -> np.ndarray:
        """Return a mask of the rows set aside, of `count` rows in all."""
        mask = np.zeros(count, dtype=bool)
        for problem in self.rules_broken:
            if problem.rejects:
                mask[problem.rows] = True
        return mask

    def without(self, rows: np.ndarray, columns: frozenset[str]) -> Problems:
        """Return the problems less those that concern only `columns` in the rows of the mask `rows`."""
        kept = Problems()
        for problem in self.rules_broken:
            if columns.issuperset(problem.columns):
                stays = ~rows[problem.rows]
                rules = problem.rules
                if not isinstance(rules, str):
                    rules = [rule for rule, stay in zip(rules, stays, strict=True) if stay]
                kept.add(problem.rows[stays], problem.columns, rules, problem.rejects)
            else:
                kept.rules_broken.append(problem)
        return kept

    def lines(self, listed: np.ndarray, rejects: bool | None) -> dict[int, list[tuple[tuple[str, ...], str]]]:
        """Return columns and rule of each problem, by row, of the rows where the mask `listed` is true."""
        out: dict[int, list[tuple[tuple[str, ...], str]]] = {}
        for problem in self.rules_broken:
            if problem.rejects == rejects:
                for number, row in enumerate(problem.rows.tolist()):
                    if listed[row]:
                        rule = problem.rules if isinstance(problem.rules, str) else problem.rules[number]
                        out.setdefault(row, []).append((problem.columns, rule))
        return out


def problem_frame(records: list[tuple[str, str, int, str, str, str]]) -> pd.DataFrame:
    """Return table, file, line, column, value and rule of problems as a table, one row per line of a log, sorted.

    Several broken rules of one line are joined by `` | ``, in the same order in column, value and rule.
    """
    joined: dict[tuple[str, str, int], list[tuple[str, str, str]]] = {}
    for table, file, line, column, value, rule in records:
        problems = joined.setdefault((table, file, line), [])
        if (column, value, rule) not in problems:
            problems.append((column, value, rule))
    rows = [
        (*line_of_file, *(" | ".join(part) for part in zip(*problems, strict=True)))
        for line_of_file, problems in sorted(joined.items())
    ]
    columns = {
        name: np.array([row[at] for row in rows], dtype=float)
        if name == "line"
        else pd.array([row[at] for row in rows], dtype="str")
        for at, name in enumerate(PROBLEM_COLUMNS)
    }
    return pd.DataFrame(columns)
