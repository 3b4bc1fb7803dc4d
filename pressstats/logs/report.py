"""What ``check`` prints, and the same as tables for a page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from ..tables import INPUTS
from .problems import PROBLEM_COLUMNS
from .requirements import REQUIREMENTS, WHOLE, losses

if TYPE_CHECKING:
    from .result import Logs

__all__ = ["DOUBTFUL", "SET_ASIDE", "describe_check", "printable", "problem_groups"]

SET_ASIDE, DOUBTFUL, NOTED = "set aside", "doubtful", "noted"
_TITLES = {SET_ASIDE: "Set aside", DOUBTFUL: "Doubtful, used all the same", NOTED: "Noted, no problem"}
#: What mends the problems of a rule, by how the rule begins; `{table}` is the table's name.
_REMEDIES = {
    "not a date": "say how dates are written in [format] dates, or that the column is another in [columns.{table}]",
    "not an ISO date": "say how dates are written in [format] dates",
    "no such date": "say which comes first, day or month, in [format] dates",
    "not a number": "correct the cells, or say that the column is another in [columns.{table}]",
    "a decimal or": "say which sign is the decimal one in [format] decimal",
    "none of the allowed words": "say what the plant's words mean in [values.{table}.COLUMN]",
    "out of limits": "correct the cells, or say in which unit they are logged in [units.{table}]",
    "must not be blank": "fill the cells in; what never changes may stand in [constants.{table}]",
    "the time of day is missing": "export the time, or name its column too in [columns.{table}]",
    "required column is missing": "say which it is in [columns.{table}], or what it always is in [constants.{table}]",
    "two columns have this name": "say which of them is meant in [columns.{table}]",
    "the same reel was used up": "where many rows say so returned_kg is another column: say which in [columns.{table}]",
    "the same reel still ran": "correct the reel, its web or the time",
    "heavier than when the same reel": "where many rows say so start_kg or returned_kg is another column: say which in "
    "[columns.{table}]",
    "the same ": 'let the newest stand, [exports] corrections = "newest_file", or tell them apart in [keys]',
    "belongs to no table": "name its table in [files], or move it out of the folder",
    "no column of the table": "if it is one of ours, say so in [columns.{table}]",
    "no file or sheet is called so": "correct the name in [files]",
    "another number of fields": "export with quotation marks about text that holds the separator",
    "a quotation mark never closes": "correct the line, or export again",
    "bytes that are no text": "export again as UTF-8",
}
_LINE = 400  # characters of a printed line
_SHOWN = 3  # lines of a group that are shown
_LONGEST, _LONGEST_RULE = 60, 400  # characters of a name or value, and of a rule, that are shown


def printable(text: str, longest: int = _LONGEST) -> str:
    """Spell out characters that would steer a terminal or turn the line around; cut what is `longest`."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def _remedy(table: str, rule: str) -> str:
    """Return what mends the problems of a rule, empty where each needs a look of its own."""
    found = next((remedy for begin, remedy in _REMEDIES.items() if rule.startswith(begin)), "")
    return found.replace("{table}", table or "TABLE")


def _single_problems(frame: pd.DataFrame) -> Iterator[tuple[str, str, str]]:
    """Yield table, rule and place of each broken rule, where a frame joins those of a line."""
    for table, file, line, columns, values, rules in frame[list(PROBLEM_COLUMNS)].itertuples(index=False):
        parts = rules.split(" | ")
        names, cells = columns.split(" | "), values.split(" | ")
        for number, rule in enumerate(parts):
            column = names[number] if len(names) == len(parts) else columns
            value = cells[number] if len(cells) == len(parts) else values
            general, _, detail = rule.partition("; ")
            shown = f"{printable(file)}:{line:.0f}"
            shown += f" {printable(column)}" if column else ""
            shown += f" = {printable(value)}" if value else ""
            shown += f" ({printable(detail, _LONGEST_RULE)})" if detail else ""
            yield table, printable(general, _LONGEST_RULE), shown


def problem_groups(logs: Logs) -> pd.DataFrame:
    """Group the problems by table and rule.

    Returns columns table, rule, severity (``set aside``, ``doubtful`` or ``noted``, which is no problem), rows and
    first_lines (file, line, column and value of the first few, one per line of text), by severity, table and number
    of rows.
    """
    frames = {SET_ASIDE: logs.rejected, DOUBTFUL: logs.warnings, NOTED: logs.notes}
    groups: dict[tuple[str, str, str], list[str]] = {}
    for severity, frame in frames.items():
        for table, rule, shown in _single_problems(frame):
            groups.setdefault((table, rule, severity), []).append(shown)
    order, places = list(frames), {name: number for number, name in enumerate(INPUTS)}
    ordered = sorted(
        groups.items(),
        key=lambda one: (order.index(one[0][2]), places.get(one[0][0], -1), -len(one[1]), one[0][1]),
    )
    records = [(*group, float(len(shown)), "\n".join(shown[:_SHOWN])) for group, shown in ordered]
    names = ["table", "rule", "severity", "rows", "first_lines"]
    return pd.DataFrame(records, columns=names).astype(dict.fromkeys(names, "str") | {"rows": "float64"})


def _counted(number: int, word: str) -> str:
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _ledger_lines(logs: Logs) -> list[str]:
    """Return what became of the rows of each table, right-aligned under headings."""
    headings = ("rows read", "= used", "+ set aside", "+ repeated", f"+ later than {logs.as_of:%Y-%m-%d}")
    names = logs.ledger["table"].tolist()
    width = max(map(len, names), default=0)
    lines = ["", " " * (width + 4) + "  ".join(headings)]
    for name, *counts in logs.ledger.itertuples(index=False):
        cells = (f"{count:>{len(head)},.0f}" for count, head in zip(counts, headings, strict=True))
        lines.append(f"  {name:<{width}}  " + "  ".join(cells))
    return lines


def describe_check(logs: Logs) -> str:
    """Describe the problems found in the logs, as ``check`` prints them, without a final line break.

    Tables read, problems grouped by table and rule with counts and first few lines, and what each analysis loses.
    """
    used = sum(source.used for source in logs.sources)
    repeated = sum(source.duplicates for source in logs.sources)
    lines = [
        f"{printable(logs.plant.name)}, up to {logs.as_of:%Y-%m-%d}: {_counted(used, 'row')} used of "
        f"{_counted(len(logs.tables), 'table')}, {repeated:,} repeated, {len(logs.rejected):,} set aside, "
        f"{len(logs.warnings):,} doubtful"
    ]
    lines += _ledger_lines(logs)
    groups = problem_groups(logs)
    for severity, title in _TITLES.items():
        part = groups[groups["severity"] == severity]
        if len(part):
            lines += ["", title]
        for table, rule, _, rows, first in part.itertuples(index=False):
            shown = first.split("\n")
            lines.append(f"  {table or 'folder'}: {rule} ({_counted(int(rows), 'row')})")
            lines += [f"    {line}" for line in shown]
            if rows > len(shown):
                lines.append(f"    and {rows - len(shown):,.0f} more")
            if remedy := _remedy(table, rule):
                lines.append(f"    remedy: {remedy}")
    lost = losses(logs)
    if len(lost):
        answers = {one.analysis: one.answers for one in REQUIREMENTS}
        lines += ["", "Questions that these logs answer in part or not at all, and why"]
        for analysis, part in lost.groupby("analysis", sort=False):
            lines.append(f"  {answers[str(analysis)]} ({analysis})")
            lines += [f"    {_lost_words(str(row.missing), str(row.lost))}" for row in part.itertuples()]
    if not len(lost) and (groups["severity"] == NOTED).all():
        lines.append("No problems found.")
    return "\n".join(printable(line, _LINE) for line in lines)


def _lost_words(missing: str, lost: str) -> str:
    """Return what lacks and what that costs: rows were set aside, or a table or column is not there."""
    lacks = f"{missing} set aside" if " of " in missing else f"no {missing}"
    return f"{lacks}: {'no answer' if lost == WHOLE else lost}"
