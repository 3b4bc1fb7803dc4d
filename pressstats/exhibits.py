"""What a notebook shows: sentences, figures with their finding, tables, key figures, the foot.

Every function returns a :class:`Block`. A block shows itself in JupyterLab (a live plotly figure, or
HTML), and carries the markup of the published page beside that; a page is made of blocks and of the
notebook's prose, and of nothing else. All text is escaped; text from the logs stands in sentences as
:func:`logged` and in figures as :func:`label`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd
from markupsafe import Markup, escape

from . import __version__
from .figure_data import notebook_figure, plain_figure, script_json, standing_figure
from .lines import sparkline_svg
from .markup import (
    STATES,
    Shown,
    block_html,
    day_words,
    declared,
    heads,
    label,
    labels,
    logged,
    plain,
    quantity,
    shown_columns,
    table_html,
)
from .palette import COLOURS, SERIES, tint

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from .logs import Logs

__all__ = [
    "COLOURS",
    "HEADLINE_TYPE",
    "PAGE_TYPE",
    "SERIES",
    "STATES",
    "Block",
    "Card",
    "Shown",
    "Tile",
    "cards",
    "caution",
    "day_words",
    "declared",
    "exhibit",
    "files",
    "folded",
    "headline",
    "heads",
    "label",
    "labels",
    "logged",
    "note",
    "points",
    "provenance",
    "quantity",
    "say",
    "sheet",
    "states",
    "tiles",
    "tint",
    "together",
]

#: Media type of a block's markup for the published page.
PAGE_TYPE = "text/vnd.pressstats.block"
#: Media type of a headline, which the index of publications quotes.
HEADLINE_TYPE = "application/vnd.pressstats.headline+json"

_NAME = re.compile(r"[a-z][a-z0-9_-]*")
_TALL = 700  # height of a figure whose finding stands above it [px]
_NOTEBOOK_STYLE = """<style>
.pressstats{max-width:62rem}.pressstats table{border-collapse:collapse}
.pressstats .number{text-align:right;font-variant-numeric:tabular-nums}
.pressstats .text,.pressstats .date,.pressstats .time,.pressstats .month,.pressstats .state{text-align:left}
.pressstats .unit,.pressstats .detail{opacity:.7}.pressstats .scroll{overflow-x:auto}
.pressstats caption{text-align:left;font-weight:600}.pressstats .lead{font-size:1.4em;font-weight:600}
.pressstats .tiles{display:flex;flex-wrap:wrap;gap:1rem}
.pressstats .tile{border-top:2px solid;padding:.4rem 0;min-width:9rem}
.pressstats dl dt,.pressstats dl dd{float:none;display:block;width:auto;margin:0;padding:0}
.pressstats .value{font-size:1.6em}
.pressstats .caution,.pressstats .note{border-left:3px solid;padding-left:.8rem}
</style>"""


@dataclass(frozen=True)
class Block:
    """One thing a notebook shows."""

    markup: str  # HTML for the published page
    text: str  # the same in plain words
    drawn: dict[str, Any] | None = None  # a plotly figure as plain data, which JupyterLab draws
    frame: pd.DataFrame | None = None  # what the table holds, or the numbers behind the figure
    extra: dict[str, Any] = field(default_factory=dict)

    @property
    def figure(self) -> go.Figure:
        """The figure, to be changed: ``block.figure.update_layout(height=600)``; a block without one has no data."""
        import plotly.graph_objects as go

        return go.Figure(self.drawn)

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        bundle: dict[str, Any] = {"text/plain": self.text, PAGE_TYPE: self.markup, **self.extra}
        if self.drawn is None:
            # a notebook stands elsewhere than the published tables: their links would lead nowhere
            here = self.markup.replace("<a href=", "<span data-file=").replace("</a>", "</span>")
            bundle["text/html"] = f'{_NOTEBOOK_STYLE}<div class="pressstats">{here}</div>'
        else:
            bundle["application/vnd.plotly.v1+json"] = self.drawn
            bundle["text/html"] = standing_figure(self.drawn, escape(self.text))
        return bundle


@dataclass(frozen=True)
class Tile:
    """A key figure."""

    label: str
    value: float | str  # the number [`unit`], blank where it could not be computed, or a word
    unit: str = ""
    detail: str = ""  # a short line below: the target, last year, since when
    state: str = ""  # ``in control``, ``watch``, ``act``, ``unknown``, or empty where nothing is judged
    digits: int | None = None
    compared: tuple[tuple[str, str], ...] = ()  # what it is held against: label and number, each on its line
    past: tuple[float, ...] = ()  # the same of weeks past, the newest last, drawn as a small line
    target: float = math.nan  # drawn across it
    because: str = ""  # why it is in its state, where that is not fine

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return isinstance(self.value, str) or math.isfinite(self.value)

    @property
    def line(self) -> Markup:
        """The past as a small line; empty where fewer than two points are known."""
        return sparkline_svg(self.past, self.target)

    @property
    def shown(self) -> str:
        """The value as pages write it."""
        return self.value if isinstance(self.value, str) else quantity(self.value, digits=self.digits)


@dataclass(frozen=True)
class Card:
    """Something to be done as a whole, such as the trucks of an order: rows by column, and spaces to write in."""

    head: str  # whom or what it is of, a sentence that may hold :func:`logged` text
    figure: str  # what it comes to, with its unit
    facts: Sequence[tuple[str, str]]  # label and words of what holds of all of it
    columns: Sequence[str]  # heads, first of what heads the rows
    rows: Sequence[Sequence[str]]  # cells as text
    foot: Sequence[Sequence[str]]  # what columns come to; blank cells are left empty
    details: str = ""  # why, folded away
    blanks: Sequence[str] = ()  # head of the row to write in, and labels of its spaces, a blank for none


def headline(text: str, detail: str = "", title: str = "") -> Block:
    """Return the message of a page in a sentence, with a second line of `detail`.

    The first headline of a report is quoted on the index pages; a `title` takes the place of the report's own.
    """
    words = plain(f"{text}\n{detail}" if detail else text)
    said = {"text": text, "detail": detail} | ({"title": title} if title else {})
    return Block(block_html("headline", text, detail), words, extra={HEADLINE_TYPE: said})


def say(text: str) -> Block:
    """Return a paragraph; ``**bold**`` is bold."""
    return Block(block_html("say", text), plain(text))


def caution(text: str) -> Block:
    """Return a caution: what can hurt someone, or mislead."""
    return Block(block_html("caution", text), f"Caution. {plain(text)}")


def note(text: str) -> Block:
    """Return a remark that stands back: what a number covers, what is left out and why."""
    return Block(block_html("note", text), plain(text))


def points(texts: Sequence[str]) -> Block:
    """Return a list of sentences."""
    words = "\n".join(f"- {plain(text)}" for text in texts)
    return Block(block_html("points", texts), words)


def tiles(items: Sequence[Tile]) -> Block:
    """Return key figures side by side, each with its state in a mark and a word."""
    lines = []
    for item in items:
        if item.state and item.state not in STATES:
            raise ValueError(f"state {item.state!r} of {item.label!r} is none of {', '.join(STATES)}")
        held = "".join(f" {name} {number}" for name, number in item.compared)
        lines.append(
            plain(
                f"{item.label}: {item.shown} {item.unit}{held} {item.detail} {item.state} {item.because}"
            ).strip()
        )
    return Block(block_html("tiles", items), "\n".join(lines))


def cards(items: Sequence[Card], *, name: str, beside: Block, beside_head: str, unkept: str = "") -> Block:
    """Return cards, and what has to be read before they are used `beside` them; on a narrow screen above.

    `unkept` says on a screen, below cards with a space to write in, what becomes of what is written there.
    """
    words = []
    for one in items:
        lines = [one.columns, *one.rows, *one.foot]
        words.append(plain("; ".join([f"{one.head}: {one.figure}", *_facts(one.facts)])))
        words += [plain(" ".join(cell for cell in line if cell)) for line in lines]
    markup = block_html("cards", _checked(name), items, Markup(beside.markup), beside_head, unkept)
    return Block(markup, "\n".join([*words, f"{beside_head}:", beside.text]))


def _facts(facts: Sequence[tuple[str, str]]) -> list[str]:
    return [f"{label} {value}" for label, value in facts]


def files(items: Sequence[tuple[Sequence[tuple[str, str]], str]]) -> Block:
    """Return links to files of the publication (path, name), each line with what is to be known of its files."""
    words = "\n".join(f"- {', '.join(path for path, _ in links)}: {plain(text)}" for links, text in items)
    return Block(block_html("files", items), words)


def states(items: Sequence[Tile]) -> Block:
    """Return further key figures, a line each: state, what it is, number and reason."""
    text = "\n".join(plain(f"{one.label}: {one.shown} {one.unit} {one.detail} {one.state}") for one in items)
    return Block(block_html("states", items), text)


def together(*blocks: Block) -> Block:
    """Return blocks as one, each below the one before."""
    markup = "".join(block.markup for block in blocks)
    return Block(markup, "\n".join(block.text for block in blocks))


def folded(summary: str, *blocks: Block) -> Block:
    """Return blocks that stand folded under a line, for whoever wants more."""
    markup = Markup("".join(block.markup for block in blocks))
    extra: dict[str, Any] = {}
    for block in blocks:
        extra |= block.extra
    return Block(
        block_html("folded", summary, markup),
        "\n".join([plain(summary), *(block.text for block in blocks)]),
        extra=extra,
    )


def sheet(
    frame: pd.DataFrame,
    *,
    name: str,
    caption: str,
    columns: Sequence[Shown] | str | None = None,
    limit: int = 60,
    file: str = "",
) -> Block:
    """Return a table of at most `limit` rows; how many are left out is said, and which published `file` holds all."""
    shown = shown_columns(frame, columns)
    body = table_html(frame, shown, caption=caption, limit=limit, file=file)
    # on paper a short table stays in one piece, and one of many columns is set smaller
    shape = " short" * (min(len(frame), limit) <= 10) + " many" * (len(shown) > 9)
    markup = block_html("sheet", _checked(name), shape, body)
    return Block(markup, f"{plain(caption)} ({len(frame)} rows)", frame=frame)


def exhibit(
    figure: go.Figure,
    *,
    name: str,
    finding: str,
    table: pd.DataFrame,
    columns: Sequence[Shown] | str | None = None,
    limit: int = 120,
    file: str = "",
) -> Block:
    """Return a figure with its finding as the caption and its numbers behind it.

    The figure has no title and the colours of ``palette``; `name` is its identifier on its page.
    """
    identifier = f"figure-{_checked(name)}"
    data = plain_figure(figure)
    height = int(data["layout"].get("height") or 400)
    rows = table_html(table, columns, caption=f"The numbers of: {finding}", limit=limit, file=file)
    # beside many small charts a finding would stand alone down a long page
    shape = " tall" * (height >= _TALL)
    markup = block_html("exhibit", identifier, shape, finding, height, script_json(data), rows)
    return Block(markup, plain(finding), drawn=notebook_figure(data, finding), frame=table)


def provenance(logs: Logs) -> Block:
    """Return the foot of a report: which inputs it rests on, and the days it covers."""
    runs = next((source for source in logs.sources if source.table == "runs"), None)
    start = runs.first if runs is not None else None
    frame = pd.DataFrame(
        [
            {
                "file": source.file,
                "table": source.table,
                "rows": float(source.rows),
                "used": float(source.used),
                "duplicates": float(source.duplicates),
                "rejected": float(source.rejected),
                "first": source.first,
                "last": source.last,
                "digest": source.digest[:12],
            }
            for source in logs.sources
        ],
        columns=["file", "table", "rows", "used", "duplicates", "rejected", "first", "last", "digest"],
    )
    columns = (
        "file <text>; table <text>; rows .0; used .0; duplicates: repeated .0; "
        "rejected: set aside .0; first: first day <date>; last: last day <date>; "
        "digest: SHA-256, first 12 <text>"
    )
    last = f"{day_words(logs.as_of)} {logs.as_of.year}"
    covers = f"{day_words(start)} {start.year} to {last}" if start is not None else f"all up to {last}"
    text = (
        f"{logged(logs.plant.name)}: covers {covers}. "
        f"Computed by pressstats {__version__} from {len(frame)} input files, digest {logs.digest[:12]}."
    )
    rows = table_html(frame, columns, caption="Input files", limit=500)
    return Block(block_html("provenance", text, rows), plain(text))


def _checked(name: str) -> str:
    if not _NAME.fullmatch(name):
        raise ValueError(f"name {name!r}: small letters, digits, - and _ only, a letter first")
    return name
