"""Pages in a real browser: on how many sides they print, how large they are, how soon their figures are drawn.

``print``
    Of the demo, and by world (thin logs, many exceptions, many materials, ...), the sides of A4 that the weekly page
    prints on, the room that its fullest side has left, its tables that are wider than the paper, and whether a phone
    has to scroll sideways::

        python tests/bench/bench_pages.py print [--worlds NAME ...] [--weeks N]

``draw``
    Of a publication (by default the demo is published): the largest page, the slowest figure, requests to elsewhere,
    complaints of the browser and barriers that axe-core finds in light and dark::

        python tests/bench/bench_pages.py draw [--folder PUBLICATION]

Seconds are those of the machine; sizes leave out the scripts that pages share.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from figures import Figure, measures
from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))

from browser import FLAGS, PROGRAM, barriers, room_on_paper, sides_of_paper, too_wide_for_paper, visit
from worlds import WORLDS, make

from pressstats.publishing import publish

ROOT = Path(__file__).resolve().parents[2]
#: Thin logs, many exceptions, many materials, unknown stock, and a week in which nothing is printed.
FULL_AND_THIN = ("demo", "only_runs_and_webs", "many_exceptions", "many_materials")
FULL_AND_THIN += ("without_deliveries_and_counts", "week_without_printing")
#: Draws each figure of a page anew and returns the seconds of each.
DRAW = """async () => {
    const taken = [];
    for (const plot of document.querySelectorAll(".plot[data-figure]")) {
        const source = JSON.parse(document.getElementById(plot.dataset.figure).textContent);
        Plotly.purge(plot);
        const begun = performance.now();
        await Plotly.newPlot(plot, source.data, {...source.layout, template: HOUSE.template});
        taken.push([(performance.now() - begun) / 1000, plot.id]);
    }
    return taken;
}"""


@click.group()
def bench() -> None:
    """Choose what is measured."""


@contextmanager
def _browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=PROGRAM, args=list(FLAGS))
        yield started
        started.close()


@bench.command("print")
@click.option("--worlds", "-w", multiple=True, default=FULL_AND_THIN)
@click.option("--weeks", default=60, help="weeks of logs, where the world does not say")
@measures
def print_sides(worlds: tuple[str, ...], weeks: int) -> Iterator[Figure]:
    """Print the weekly page of worlds."""
    for name in worlds:
        with tempfile.TemporaryDirectory() as scratch, _browser() as browser:
            folder = Path(scratch)
            logs = ROOT / "data_demo"
            if name != "demo":
                given = {} if "before" in WORLDS[name].scenario else {"before": weeks}
                make(name, logs := folder / "logs", **given)
            done = publish(logs, folder / "out", names=["weekly_page"], tell=lambda line: None)
            page = visit(browser, done.folder / "weekly_page.html", width=390).page
            beyond = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            page.set_viewport_size({"width": 1280, "height": 900})
            sides = sides_of_paper(page)
            wide = too_wide_for_paper(page)
            room = room_on_paper(page)
        yield Figure(
            f"{name}: sides of A4", sides, "count", f"{done.manifest['rows']['exceptions']} exceptions"
        )
        yield Figure(f"{name}: room on the fullest side", room, "px")
        yield Figure(f"{name}: tables wider than the paper", len(wide), "count", "; ".join(wide))
        yield Figure(f"{name}: beyond a phone's screen", max(beyond, 0), "px")


@bench.command()
@click.option("--folder", type=click.Path(exists=True, path_type=Path), help="a publication; else the demo's")
@measures
def draw(folder: Path | None) -> Iterator[Figure]:
    """Measure the pages of a publication."""
    with tempfile.TemporaryDirectory() as scratch, _browser() as browser:
        if folder is None:
            folder = publish(ROOT / "data_demo", scratch, tell=lambda line: None).folder
        pages = [
            folder.parent / "index.html",
            *sorted(folder.glob("*.html")),
            folder / "tables" / "index.html",
        ]
        slowest, requests, complaints, found = [], 0, 0, []
        for path in pages:
            seen = visit(browser, path)
            if seen.page.locator(".plot").count():
                slowest += [(seconds, f"{path.stem}: {plot}") for seconds, plot in seen.page.evaluate(DRAW)]
            requests += len(seen.requests)
            complaints += len(seen.complaints)
            # asked last: it wants to read the style sheet, which the page's policy refuses aloud
            found += barriers(seen.page)
            seen.page.context.close()
        largest = max(pages, key=lambda path: path.stat().st_size)
        yield Figure(
            "largest page", largest.stat().st_size / 1e6, "MB", f"{largest.name}, of {len(pages)} pages"
        )
        yield Figure("slowest figure", max(slowest)[0], "s", f"{max(slowest)[1]}, of {len(slowest)} figures")
        yield Figure("requests to elsewhere", requests, "count")
        yield Figure("complaints of the browser", complaints, "count")
        yield Figure("barriers", len(found), "count", "; ".join(found)[:200])


if __name__ == "__main__":
    bench()
