"""Text, numbers and tables as HTML: the one place where anything is escaped or formatted for a page.

Text from the logs is data. :func:`logged` marks it inside a sentence, :func:`label` prepares it for
plotly, and a table cell is always escaped; nothing a plant has written can become markup.
"""

from __future__ import annotations

import html
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal, cast

import jinja2
import numpy as np
import pandas as pd
from markupsafe import Markup

from .tables import INPUTS, PUBLISHED

__all__ = [
    "BLANK",
    "STATES",
    "Shown",
    "block_html",
    "day_words",
    "declared",
    "heads",
    "inline",
    "label",
    "labels",
    "logged",
    "plain",
    "quantity",
    "shown_columns",
    "table_html",
    "unit_text",
]

BLANK = '<abbr class="blank" title="not available">–</abbr>'

#: Words for a state, and the mark that carries it besides the colour.
STATES: dict[str, tuple[str, str]] = {
    "in control": ("In control", "●"),
    "watch": ("Watch", "▲"),
    "act": ("Act", "■"),
    "unknown": ("Unknown", "○"),
}

CellKind = Literal["number", "text", "date", "time", "month", "state"]

_OPEN, _CLOSE = "\u2068", "\u2069"  # Unicode's own isolates: they travel with the text into any output
_MARKED = re.compile(f"{_OPEN}(.*?){_CLOSE}", re.DOTALL)
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ue000-\uf8ff\ufffe\uffff]"
)
_HEAD = re.compile(r"([^:]+?)(?:: (.+?))?(?: \[(.*?)\])?(?: \.(\d))?(?: <(\w+)>)?")
_LONG, _LABEL = 40, 40  # characters of a cell that is called long, and of a name on an axis
_PHONE = 46  # characters of a table that stand side by side on a phone, its gaps between columns among them
#: Rows that stand as blocks there whatever they hold, and those that do if wider than so many phones; of more,
#: numbers are compared down a column.
_BLOCKS, _LISTED, _WIDE = 4, 16, 1.5
#: A short code with hyphens, such as a material's, which is never broken into lines.
_CODE, _WHOLE = (
    re.compile(r"(?<!\S)(?=\S{3,14}(?!\S))\w+(?:-\w+)+(?!\S)"),
    r'<span class="whole">\g<0></span>',
)
_FEW = 8  # columns of a table whose rows may end in a sentence of their own
_TAG = re.compile(r"<[^>]*>")
_THIN, _FIXED = "\u202f", "\u00a0"
#: Nearer to as-of than this a day and its month are met once.
_PLAIN_YEAR = pd.Timedelta(days=300)
#: Unit by the last part of a column's name.
_ENDINGS = {
    "_kg": "kg",
    "_m2": "m2",
    "_gsm": "g/m2",
    "_pct": "%",
    "_km": "km",
    "_mm": "mm",
    "_um": "um",
    "_m": "m",
    "_days": "day",
    "_hours": "h",
}


@dataclass(frozen=True)
class Shown:
    """How a column is shown."""

    column: str
    label: str = ""  # head of the column; the name with blanks for underscores where it is empty
    unit: str = ""  # unit, shown once, in the head
    # Digits after the decimal point; by default as many as give the column's middle value three significant
    # digits
    digits: int | None = None
    # ``number``, ``text``, ``date``, ``time``, ``month`` or ``state`` (one of `STATES`, shown as a mark and a
    # word); by default what the values are
    kind: CellKind | None = None
    below: str = ""  # column of sentences that stand small below its cells


def unit_text(unit: str) -> str:
    """Return `unit` as it is printed: ``g/m2`` becomes g/m²."""
    return re.sub(r"\bum\b", "µm", re.sub(r"(?<=m)2\b", "²", re.sub(r"(?<=m)3\b", "³", unit)))


def _cleaned(text: object, longest: int | None = None) -> str:
    """Take out what cannot be seen or would turn the text after it round, but not spaces that keep units; shorten."""
    seen = re.sub(r"[^\S\u00a0\u202f]+", " ", _UNSEEN.sub("", str(text))).strip()
    if longest is not None and len(seen) > longest:
        return seen[: longest - 1].rstrip() + "…"
    return seen


def logged(text: object, longest: int = 80) -> str:
    """Mark text that comes from the logs, to stand in a sentence; shortened from `longest` characters on.

    It stands between Unicode isolates, of which :func:`inline` makes an element.
    """
    return f"{_OPEN}{_cleaned(text, longest)}{_CLOSE}"


def plain(text: str) -> str:
    """Return a sentence without marks: no isolates, no asterisks of **bold**."""
    parts = _MARKED.split(text)
    return "".join(
        part if number % 2 else re.sub(r"\*\*(.+?)\*\*", r"\1", part) for number, part in enumerate(parts)
    )


def inline(text: str) -> str:
    """Return a sentence as HTML: everything escaped, ``**bold**`` and :func:`logged` honoured."""
    held: list[str] = []

    def hold(match: re.Match[str]) -> str:
        held.append(f'<bdi dir="auto">{html.escape(_cleaned(match[1]))}</bdi>')
        return f"\ue000{len(held) - 1}\ue001"

    safe = html.escape(_MARKED.sub(hold, re.sub("[\ue000\ue001]", "", text)))
    safe = re.sub(r"\*\*(.+?)\*\*", r"<strong>\1</strong>", re.sub(r"(?<=\d) %", f"{_FIXED}%", safe))
    return re.sub("\ue000(\\d+)\ue001", lambda match: held[int(match[1])], safe)


def label(text: object, longest: int = _LABEL) -> str:
    """Return text from the logs as plotly shows it literally.

    Plotly reads tags, entities, ``%{...}`` and ``$...$`` in every text. They are disarmed here, and a text
    that runs from right to left keeps its direction to itself.
    """
    seen = _cleaned(text, longest)
    safe = seen.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("%{", "%\u2060{")
    safe = safe.replace("$", "&#36;")
    turned = any("\u0590" <= character <= "\u08ff" or "\ufb1d" <= character <= "\ufefc" for character in seen)
    return f"{_OPEN}{safe}{_CLOSE}" if turned else safe


def labels(texts: Iterable[object]) -> dict[str, str]:
    """Return a :func:`label` for each text, two texts never sharing one.

    Two long titles may be alike in their first characters; on an axis they would fall together.
    """
    result: dict[str, str] = {}
    taken: set[str] = set()
    for text in map(str, texts):
        if text in result:
            continue
        short, number = label(text), 2
        while short in taken:
            short, number = f"{label(text, _LABEL - 4)} ({number})", number + 1
        taken.add(short)
        result[text] = short
    return result


def _digits_for(size: float) -> int:
    """Digits after the point that show `size` with three significant digits."""
    if not math.isfinite(size) or size <= 0:
        return 0
    return min(max(2 - math.floor(math.log10(size)), 0), 6)


def _number(value: float, digits: int) -> str:
    text = f"{value:,.{digits}f}"
    if not text.strip("-0.,"):
        text = text.lstrip("-")
    return text.replace(",", _THIN).replace("-", "\u2212")


def quantity(value: float, unit: str = "", digits: int | None = None) -> str:
    """Return a number with its unit as every page writes it, by default with three significant digits.

    Whole numbers are never rounded; a blank is ``not available``.
    """
    if value is None or not math.isfinite(value):
        return "not available"
    if digits is None:
        digits = 0 if float(value).is_integer() else _digits_for(abs(value))
    return _number(value, digits) + (_FIXED + unit_text(unit) if unit else "")


def declared(
    table: str,
    *names: str,
    currency: str = "",
    labels: Mapping[str, str] | None = None,
) -> list[Shown]:
    """Return how the columns of a declared table are shown, units included; `labels` are heads better than the name."""
    declaration = PUBLISHED.get(table) or INPUTS[table]
    shown = []
    for name in names or declaration.names:
        column = declaration[name]
        unit = column.unit.replace("currency", currency or "currency")
        head = name
        if unit:
            head = _split_unit(name)[0]
        kind: CellKind | None = None
        if column.kind in ("date", "time", "month"):
            kind = column.kind
        digits = 0 if column.kind == "count" else None
        shown.append(Shown(name, (labels or {}).get(name, head.replace("_", " ")), unit, digits, kind))
    return shown


def heads(text: str) -> list[Shown]:
    """Return how columns are shown, from ``name: label [unit] .digits <kind>; ...`` of which names alone are needed."""
    shown = []
    for part in text.split("; "):
        match = _HEAD.fullmatch(part)
        if match is None:
            raise ValueError(f"{part!r} is not name: label [unit] .digits <kind>")
        name, label, unit, digits, kind = match.groups()
        shown.append(
            Shown(name, label or "", unit or "", int(digits) if digits else None, cast("CellKind", kind))
        )
    return shown


def _split_unit(name: str) -> tuple[str, str]:
    """Return the name of a column without the unit it ends with, and that unit."""
    for end, unit in _ENDINGS.items():
        if name.endswith(end):
            return name.removesuffix(end), unit
    return name, ""


def shown_columns(frame: pd.DataFrame, columns: Sequence[Shown] | str | None) -> list[Shown]:
    """Return how the columns of a table are shown; all of the frame, by what their names tell, where none is named.

    A column named with a question mark (``last_year?: last year``) is left out where all of it is blank.
    """
    if columns is None:
        split = {str(name): _split_unit(str(name)) for name in frame.columns}
        return [Shown(name, head.replace("_", " "), unit) for name, (head, unit) in split.items()]
    if not isinstance(columns, str):
        return list(columns)
    named = [(part, *part.partition("?:")) for part in columns.split("; ")]
    kept = [
        f"{name}:{rest}" if may else part
        for part, name, may, rest in named
        if not may or frame[name].replace("", np.nan).notna().any()
    ]
    return heads("; ".join(kept))


def _kind(column: pd.Series) -> CellKind:
    if pd.api.types.is_bool_dtype(column):
        return "text"
    if pd.api.types.is_numeric_dtype(column):
        return "number"
    if pd.api.types.is_datetime64_any_dtype(column):
        days = column.dropna()
        return "date" if (days == days.dt.normalize()).all() else "time"
    return "text"


def day_words(day: pd.Timestamp, as_of: pd.Timestamp | None = None) -> str:
    """Return a day as pages write it, ``Wed 29 Oct``; with its year where that is not plain from `as_of`."""
    year = "" if as_of is None or abs(day - as_of) < _PLAIN_YEAR else f" {day.year}"
    return f"{day:%a} {day.day} {day:%b}{year}"


def _time_words(time: pd.Timestamp, kind: CellKind) -> str:
    """Return a time with its year for a cell, which may be broken before the year only."""
    if kind == "month":
        return f"{time:%b}{_FIXED}{time.year}"
    clock = f"{_FIXED}{time:%H:%M}" if kind == "time" else ""
    return f"{day_words(time)} ".replace(" ", _FIXED)[:-1] + f" {time.year}{clock}"


def _state(word: str) -> str:
    if word not in STATES:
        return f'<bdi dir="auto">{html.escape(_cleaned(word))}</bdi>'
    text, mark = STATES[word]
    return f'<span class="state state-{word.replace(" ", "-")}"><span aria-hidden="true">{mark}</span> {text}</span>'


def _cells(column: pd.Series, shown: Shown) -> tuple[CellKind, list[str]]:
    kind = shown.kind or _kind(column)
    if kind == "number":
        values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        known = np.abs(values[np.isfinite(values)])
        digits = shown.digits
        if digits is None:
            whole = bool((known == np.round(known)).all())
            middle = float(np.median(known[known > 0])) if (known > 0).any() else 0.0
            digits = 0 if whole else _digits_for(middle)
        return kind, [_number(value, digits) if math.isfinite(value) else BLANK for value in values]
    if kind in ("date", "time", "month"):
        times = pd.to_datetime(column, errors="coerce")
        return kind, [BLANK if pd.isna(time) else _time_words(time, kind) for time in times]
    words = [None if pd.isna(value) or str(value) == "" else str(value) for value in column]
    if kind == "state":
        return kind, [BLANK if word is None else _state(word) for word in words]
    return "text", [
        BLANK if word is None else f'<bdi dir="auto">{_CODE.sub(_WHOLE, html.escape(_cleaned(word)))}</bdi>'
        for word in words
    ]


@cache
def _blocks() -> Any:
    """Return the macros of the template that all blocks are made with."""
    folder = Path(__file__).parent
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder), autoescape=True, undefined=jinja2.StrictUndefined
    )
    environment.globals["STATES"] = STATES
    environment.filters |= {
        "inline": lambda words: Markup(inline(words)),
        "text": lambda text: Markup(html.escape(text)),
        "spoken": lambda words: Markup(html.escape(plain(words))),
        "unit": lambda unit: Markup(html.escape(unit_text(unit))),
        "number": lambda number: Markup(_number(number, 0)),
    }
    return environment.get_template("blocks.html.j2").module


def block_html(name: str, *values: object) -> str:
    """Return what a macro of ``blocks.html.j2`` makes of values; HTML among them is Markup."""
    return str(getattr(_blocks(), name)(*values))


def table_html(
    frame: pd.DataFrame,
    columns: Sequence[Shown] | str | None,
    *,
    caption: str,
    limit: int,
    file: str = "",
) -> Markup:
    """Return a table as HTML, in a box of its own that scrolls when it is wider than the page.

    From `limit` rows on a line says what is left out, and that the published `file` holds all.
    """
    shown = shown_columns(frame, columns)
    missing = [one.column for one in shown if one.column not in frame.columns]
    if missing:
        raise KeyError(f"table to be shown lacks {', '.join(missing)}")
    first = frame.head(limit)
    body = []
    for one in shown:
        kind, cells = _cells(first[one.column], one)
        width = max((len(html.unescape(_TAG.sub("", cell))) for cell in cells), default=0)
        if one.below:
            under = [str(words) if pd.notna(words) else "" for words in first[one.below]]
            width = max([width, *(_LONG + 1 for words in under if len(words) > _LONG)])
            cells = [
                cell + (f'<span class="under">{inline(words)}</span>' if words else "")
                for cell, words in zip(cells, under, strict=True)
            ]
        # what is long gets room before it is broken into lines
        long = " long" * (kind == "text" and width > _LONG)
        name = one.label or one.column.replace("_", " ")
        column = {"look": kind + long, "name": name, "unit": one.unit, "cells": list(map(Markup, cells))}
        body.append(column | {"width": 2 + max(width, *map(len, name.split()))})
    return Markup(block_html("table", body, len(first), len(frame), caption, file, _shape(body, len(first))))


def _shape(columns: Sequence[Mapping[str, Any]], rows: int) -> str:
    """Say how a table stands on a phone: as it is, its `rows` as blocks, or its first column `kept` in sight.

    A row that is `told` ends in a sentence, which stands below its figures.
    """
    if len(columns) <= _FEW and len(columns) > 2 and str(columns[-1]["look"]).endswith("long"):
        return "rows told"
    width = sum(one["width"] for one in columns)
    if width <= _PHONE:
        return ""
    numbers = sum(one["look"] == "number" for one in columns[1:])
    few = rows <= (_LISTED if width > _WIDE * _PHONE else _BLOCKS)
    return "rows" if few or 2 * numbers < len(columns) else "kept"
