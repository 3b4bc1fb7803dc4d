"""Pages: an executed notebook becomes a page, a publication gets its index.

The page is ours from the first line to the last; of nbconvert's templates none is used. What reaches
it is the prose of the notebook and its blocks (see ``exhibits``), never code, nor anything printed.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import nbformat
import pandas as pd
import plotly
from nbconvert import HTMLExporter
from plotly.offline import get_plotlyjs_version
from traitlets.config import Config

from .. import __version__
from ..exhibits import HEADLINE_TYPE, PAGE_TYPE
from ..figure_data import script_json
from ..markup import day_words, inline, quantity
from ..palette import FONT, PAIRS, figure_template, swaps
from ..tables import PUBLISHED
from ..tables.schema import COLUMN_HEADS, column_words, schema_parts, table_words
from .reports import EXPLORE, READERS, Report, in_reading_order
from .searching import searchable

__all__ = [
    "PLOTLY",
    "PageError",
    "ReportPage",
    "common",
    "day_in_words",
    "page_script",
    "page_style",
    "plotly_source",
    "publication_index",
    "report_page",
    "schema_page",
    "shell",
]

_SHELL = Path(__file__).parent / "shell"
_SERIF = (
    "Charter, 'Bitstream Charter', 'Iowan Old Style', 'Sitka Text', Cambria, 'Noto Serif', Georgia, serif"
)
_HIDDEN = {"injected-parameters", "parameters", "hidden", EXPLORE}
_SILENT = {"nbval-check-output", "silent"}
_IDENTIFIER = re.compile(r'\bid="((?:figure|table)-[a-z0-9_-]+)"')

#: File name of the plotly script; its version is in it, so that a newer one can stand beside it.
PLOTLY = f"plotly-{get_plotlyjs_version()}.min.js"


class PageError(ValueError):
    """A notebook that ran, but that makes no sound page."""


@dataclass(frozen=True)
class ReportPage:
    """A report as a page."""

    report: Report
    html: str
    headline: str  # its first headline, a sentence for ``markup.inline``; empty if it has none
    figures: int
    tables: int
    unshown: tuple[int, ...] = ()  # cells (from 1) whose output is not a block and so is not on the page


class _BodyExporter(HTMLExporter):
    """Notebook to the body of a page.

    The parent parses its result again to make inputs focusable and to add alternative texts; there are
    no inputs here, and a page of figures takes longer to parse than to make.
    """

    def from_notebook_node(self, nb: Any, resources: Any = None, **more: Any) -> Any:
        return super(HTMLExporter, self).from_notebook_node(nb, self._init_resources(resources), **more)


@cache
def _exporter() -> _BodyExporter:
    settings = Config()
    settings.TagRemovePreprocessor.enabled = True
    settings.TagRemovePreprocessor.remove_cell_tags = _HIDDEN
    settings.TemplateExporter.exclude_input = True
    settings.TemplateExporter.exclude_input_prompt = True
    settings.TemplateExporter.exclude_output_prompt = True
    settings.HTMLExporter.exclude_anchor_links = True
    settings.HighlightMagicsPreprocessor.enabled = False
    settings.CSSHTMLHeaderPreprocessor.enabled = False
    return _BodyExporter(config=settings, extra_template_basedirs=[str(_SHELL)], template_name="page")


@cache
def shell() -> jinja2.Environment:
    """Return the templates that pages are made with."""
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(_SHELL),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
    )


def day_in_words(day: str) -> str:
    """Return an ISO date as a page writes it: Sun 2 Mar 2025."""
    date = pd.Timestamp(day)
    return f"{day_words(date)} {date.year}"


def _links(reports: Sequence[Report], here: Report | None) -> list[dict[str, Any]]:
    links = [{"href": "index.html", "text": "Contents", "here": here is None}]
    links += [
        {"href": report.page, "text": report.title, "here": report is here}
        for report in in_reading_order(reports)
    ]
    return [*links, {"href": "../index.html", "text": "All weeks", "here": False}]


def _without_title(notebook: nbformat.NotebookNode, report: Report) -> nbformat.NotebookNode:
    """Take title and question out of the notebook's first lines: the page has both already."""
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            cell.source = re.sub(r"\A\s*#\s[^\n]*\n?", "", cell.source).lstrip().removeprefix(report.question)
            break
    notebook.cells = [cell for cell in notebook.cells if cell.cell_type != "markdown" or cell.source.strip()]
    return notebook


def _blocks(notebook: nbformat.NotebookNode, kind: str) -> list[Any]:
    return [
        output.data[kind]
        for cell in notebook.cells
        if cell.cell_type == "code" and not _HIDDEN & set(cell.metadata.get("tags", []))
        for output in cell.outputs
        if output.output_type in ("display_data", "execute_result") and kind in output.data
    ]


def _unshown(notebook: nbformat.NotebookNode) -> tuple[int, ...]:
    cells = [cell for cell in notebook.cells if "injected-parameters" not in cell.metadata.get("tags", [])]
    return tuple(
        number
        for number, cell in enumerate(cells, start=1)
        if cell.cell_type == "code"
        and not (_HIDDEN | _SILENT) & set(cell.metadata.get("tags", []))
        and any(PAGE_TYPE not in output.get("data", {}) for output in cell.outputs)
    )


def report_page(
    notebook: nbformat.NotebookNode,
    report: Report,
    reports: Sequence[Report],
    *,
    plant: str,
    as_of: str,
) -> ReportPage:
    """Make the page of a report from its executed notebook; refuse one that a page cannot carry."""
    shown = _blocks(notebook, PAGE_TYPE)
    if not shown:
        raise PageError(f"{report.notebook} shows no block: its page would be empty")
    names = [name for block in shown for name in _IDENTIFIER.findall(block)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise PageError(f"{report.notebook} uses a name twice: {', '.join(twice)}")
    unshown = _unshown(notebook)
    body, _ = _exporter().from_notebook_node(
        _without_title(nbformat.from_dict(notebook), report), resources={"block_type": PAGE_TYPE}
    )
    headlines = _blocks(notebook, HEADLINE_TYPE)
    figures = sum('<figure class="exhibit"' in block for block in shown)
    html = (
        shell()
        .get_template("report.html.j2")
        .render(
            title=f"{report.title}, {day_in_words(as_of)}: {plant}",
            heading=next((said["title"] for said in headlines if "title" in said), report.title),
            home="index.html",
            links=_links(reports, report),
            report=report,
            body=body,
            figures=figures,
            **common(plant, as_of),
        )
    )
    tables = sum(block.count("<table") for block in shown)
    return ReportPage(report, html, headlines[0]["text"] if headlines else "", figures, tables, unshown)


def common(plant: str, as_of: str) -> dict[str, Any]:
    """Return what the frame of every page needs."""
    return {
        "plant": plant,
        "as_of": as_of,
        "as_of_words": day_in_words(as_of) if as_of else "",
        "version": __version__,
        "plotly": PLOTLY,
        "style": "",
        "sorting": _script("sort.js"),
        "searching": {},
    }


@cache
def _script(name: str) -> dict[str, str]:
    """Return a script that stands in pages, and its digest: a page's policy lets nothing else run within it."""
    source = (_SHELL / name).read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()
    return {"source": source, "digest": f"sha256-{digest}"}


def publication_index(
    pages: Sequence[ReportPage], rows: Mapping[str, int], *, plant: str, as_of: str, spreadsheet: str
) -> str:
    """Return the first page of a publication."""
    groups = [
        {
            "reader": reader,
            "head": head,
            "reports": [
                {
                    "href": page.report.page,
                    "title": page.report.title,
                    "question": page.report.question,
                    "headline": inline(page.headline),
                }
                for page in pages
                if page.report.reader == reader
            ],
        }
        for reader, head in READERS.items()
    ]
    tables = [
        {"name": name, "rows": quantity(count), "row": PUBLISHED[name].row if name in PUBLISHED else ""}
        for name, count in rows.items()
    ]
    found = searchable((page.report.page, page.report.title, page.html) for page in pages)
    return (
        shell()
        .get_template("publication.html.j2")
        .render(
            title=f"Paper and ink, {day_in_words(as_of)}: {plant}",
            home="",
            links=_links([page.report for page in pages], None),
            groups=[group for group in groups if group["reports"]],
            tables=tables,
            spreadsheet=spreadsheet,
            figures=0,
            **common(plant, as_of) | {"searching": _script("search.js") | {"data": script_json(found)}},
        )
    )


def schema_page(published: Collection[str], *, plant: str) -> str:
    """Return the page of all tables, which stands beside those that are published; it needs no other file."""
    parts = [
        {
            "anchor": anchor,
            "head": head,
            "tables": [
                {
                    "name": table.name,
                    "file": f"{table.name}.csv" if anchor != "read" and table.name in published else "",
                    "words": table_words(table),
                    "rows": [column_words(column, anchor == "read") for column in table.columns],
                }
                for table in tables
            ],
        }
        for anchor, head, tables in schema_parts()
    ]
    values = {**common(plant, ""), "style": page_style()}
    links = [{"href": "../index.html", "text": "Contents", "here": False}]
    return (
        shell()
        .get_template("schema.html.j2")
        .render(
            title=f"Tables: {plant}",
            home="../index.html",
            links=links,
            parts=parts,
            heads=COLUMN_HEADS,
            figures=0,
            **values,
        )
    )


def page_style() -> str:
    """Return the style sheet, the colours of ``palette`` in front."""

    def colours(which: int) -> str:
        return "".join(f"--{role}:{pair[which]};" for role, pair in PAIRS.items())

    fonts = f"--sans:{FONT};--serif:{_SERIF};"
    source = (_SHELL / "page.css").read_text(encoding="utf-8")
    return (
        f":root{{{fonts}{colours(0)}}}\n"
        f"@media screen and (prefers-color-scheme: dark){{:root{{{colours(1)}}}}}\n{source}"
    )


def page_script() -> str:
    """Return the script that draws the figures, template and dark colours in front."""
    house = script_json({"template": figure_template(), "swaps": swaps()})
    source = (_SHELL / "page.js").read_text(encoding="utf-8")
    return f"const HOUSE = {house};\n{source}"


def plotly_source() -> Path:
    """Return where the plotly script lies in the installed package."""
    return Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
