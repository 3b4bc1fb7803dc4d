"""The page of all publications: each with its headline, and the year of the newest in small multiples."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ..lines import bars_svg, extremes, sparkline_svg
from ..markup import STATES, Shown, inline, quantity, table_html
from .pages import common, day_in_words, page_style, shell
from .reports import REPORTS, in_reading_order
from .year import FIGURES, FigureOfWeek, Year, week_told

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from markupsafe import Markup

__all__ = ["Week", "read_week", "weeks_index"]


@dataclass(frozen=True)
class Week:
    """A publication in the index of all of them."""

    folder: str  # name of its folder, which is its as-of date
    plant: str = ""
    headline: str = ""
    links: tuple[tuple[str, str], ...] = field(default=())  # file and text of the pages to link
    told: tuple[FigureOfWeek, ...] = ()  # figures of its week


def read_week(folder: Path) -> Week:
    """Return what the manifest and the figures of a publication say of it; a bare entry if they cannot be read."""
    try:
        path = folder / "manifest.json"
        manifest = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
        places = {report.page: place for place, report in enumerate(in_reading_order(REPORTS))}
        found = [(str(one["page"]), str(one["title"])) for one in manifest["reports"]]
        reports = tuple(sorted(found, key=lambda one: places.get(one[0], len(places))))
        figures = tuple(week_told(folder).values())
        return Week(folder.name, str(manifest["plant"]), str(manifest["headline"]), reports, figures)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return Week(folder.name)


def weeks_index(weeks: Sequence[Week], year: Year) -> str:
    """Return the page of all publications, in the order given, and of the first one's year; it needs no other file."""
    listed = [
        {
            "folder": week.folder,
            "words": day_in_words(week.folder),
            "headline": inline(week.headline),
            "links": [{"href": href, "text": text} for href, text in week.links],
            "told": [
                {"name": FIGURES[one.figure][0], "shown": one.shown, **_state(one)} for one in week.told
            ],
        }
        for week in weeks
    ]
    plant = next((week.plant for week in weeks if week.plant), "pressstats")
    newest = {one.figure: one for one in weeks[0].told}
    panels = [_line(name, year.weeks[name], newest.get(name)) for name in map(str, year.weeks)]
    panels += _of_months(year)
    values = {**common(plant, ""), "style": page_style()}
    return (
        shell()
        .get_template("weeks.html.j2")
        .render(
            title=f"All publications: {plant}",
            home="",
            links=[],
            weeks=listed,
            panels=panels,
            numbers=_numbers(year, newest),
            figures=0,
            **values,
        )
    )


def _state(figure: FigureOfWeek | None) -> dict[str, str]:
    """Return the class, the mark and the word of a state; empty where none is told."""
    if figure is None or not figure.state:
        return {"slug": "", "mark": "", "word": ""}
    word, mark = STATES[figure.state]
    return {"slug": figure.state.replace(" ", "-"), "mark": mark, "word": word}


def _line(name: str, past: pd.Series, figure: FigureOfWeek | None) -> dict[str, Any]:
    """Return the panel of a figure of the week."""
    head, digits = FIGURES[name]
    target = figure.target if figure else math.nan
    known = past.dropna()
    line = sparkline_svg(past.to_list(), target)
    return {
        "name": head,
        "shown": figure.shown if figure else quantity(known.iloc[-1], "", digits),
        "line": line,
        "marks": _marks(past, target, digits),
        "ends": _ends(known, digits, "%-d %b %Y"),
        "note": f"dashed: target {quantity(target, '', digits)}" if 'class="aim"' in line else "",
        **_state(figure),
    }


def _of_months(year: Year) -> list[dict[str, Any]]:
    """Return the panels of spend and of newsprint on hand, as far as they are known."""
    panels: list[dict[str, Any]] = []
    spend = year.months["spend"].dropna()
    if len(spend) > 1:
        budget = year.months["budget"].reindex(spend.index)
        panels.append(
            {
                "name": "Spend of the month",
                "shown": quantity(spend.iloc[-1], year.currency, 0),
                "line": bars_svg(spend.to_list(), budget.to_list(), "months"),
                "marks": [],
                "ends": _ends(spend, 0),
                "note": "line across a bar: budget" if budget.notna().any() else "",
                **_state(None),
            }
        )
    paper = year.months["newsprint"].dropna()
    if len(paper) > 1:
        panels.append(
            {
                "name": "Newsprint at the month's end",
                "shown": quantity(paper.iloc[-1], "days of use", 0),
                "line": sparkline_svg(paper.to_list(), of="months"),
                "marks": _marks(paper, math.nan, 0),
                "ends": _ends(paper, 0),
                "note": "",
                **_state(None),
            }
        )
    return panels


def _marks(past: pd.Series, target: float, digits: int) -> list[dict[str, Any]]:
    """Return the labels of the highest and the lowest, each beside its place."""
    words = ("high", "low")
    return [
        {"word": word, "shown": quantity(value, "", digits), "x": round(x, 1), "y": round(y, 1)}
        for word, (value, x, y) in zip(words, extremes(past.to_list(), target), strict=False)
    ]


def _ends(known: pd.Series, digits: int, day: str = "%b %Y") -> list[str]:
    """Return the first and the last value, each with its month, or as `day` says."""
    return [f"{known.index[at]:{day}}: {quantity(known.iloc[at], '', digits)}" for at in (0, -1)]


def _numbers(year: Year, figures: dict[str, FigureOfWeek]) -> list[Markup]:
    """Return the numbers that are drawn, the newest first."""
    tables = []
    for frame, first, heads in (
        (year.weeks, Shown("week", "week", kind="date"), {n: Shown(n, *_head(n, figures)) for n in FIGURES}),
        (
            year.months,
            Shown("month", "month", kind="month"),
            {
                "spend": Shown("spend", "spend", year.currency, 0),
                "budget": Shown("budget", "budget", year.currency, 0),
                "newsprint": Shown("newsprint", "newsprint at month's end", "days of use", 1),
            },
        ),
    ):
        if len(frame):
            rows = frame[::-1].rename_axis(first.column).reset_index()
            columns = [first, *(heads[str(name)] for name in frame)]
            tables.append(table_html(rows, columns, caption=f"Each {first.label}", limit=len(rows)))
    return tables


def _head(name: str, figures: dict[str, FigureOfWeek]) -> tuple[str, str, int]:
    head, digits = FIGURES[name]
    return head, figures[name].unit if name in figures else "", digits
