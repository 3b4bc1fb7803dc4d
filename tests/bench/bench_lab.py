"""Every notebook in JupyterLab, in a real browser: run from its first cell to its last, looked at as a reader would.

``run``
    A copy of the notebooks is opened in JupyterLab, *Run All Cells* is chosen from its menu, and when the kernel rests
    it is counted: cells with an error, figures drawn of those that have one, sliders, and whether a slider that is
    moved changes what stands below it. In the light theme of JupyterLab and in the dark one: tiles that overlap, and
    texts of outputs whose contrast with their ground is below 3 (WCAG 2.2 asks for 3 of large text, 4.5 of small).
``keep``
    The notebooks are executed and converted to HTML by nbconvert: tables and figures of outputs that the HTML lacks.
    Papermill, with parameters of its own: whether the notebook ran as of the day that it was told.

Run it as ``python tests/bench/bench_lab.py run [--notebook NAME ...] [--pictures DIR]``; it needs Chromium.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click
import nbformat
import papermill
from figures import Figure, figures_of, measures
from nbconvert import HTMLExporter
from playwright.sync_api import Page, sync_playwright
from playwright.sync_api import TimeoutError as PlaywrightTimeout

if TYPE_CHECKING:
    from collections.abc import Iterator

    from nbformat import NotebookNode

ROOT = Path(__file__).resolve().parents[2]
#: A notebook that has not come to its end after so long hangs [s].
_PATIENCE = 300


@contextmanager
def lab(folder: Path) -> Iterator[str]:
    """Yield the address of a JupyterLab that serves `folder` until the block ends."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--ServerApp.port={port}"]
    command += ["--ServerApp.token=", f"--ServerApp.root_dir={folder}", "--LabApp.news_url=None"]
    command += ["--LabApp.expose_app_in_browser=True"]  # by which the theme is changed
    # Kernels that start at once beside others may be given one and the same port: files cannot be.
    command += ["--KernelManager.transport=ipc"]
    settings = {"JUPYTERLAB_WORKSPACES_DIR": str(folder / "workspaces")}
    server = subprocess.Popen(command, env=os.environ | settings, stderr=subprocess.DEVNULL)
    try:
        for _ in range(240):
            with socket.socket() as asked:
                if asked.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.25)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(30)


#: Tiles of an output, or words within them, whose rectangles meet by more than a pixel.
_OVERLAPS = """() => { let found = 0;
for (const box of document.querySelectorAll('.jp-OutputArea-output')) {
  for (const names of ['.tile, .card', '.tile dt, .tile dd']) {
    const parts = [...box.querySelectorAll(names)].map(one => one.getBoundingClientRect());
    parts.forEach((a, i) => parts.slice(i + 1).forEach(b => {
      found += a.right - b.left > 1 && b.right - a.left > 1 && a.bottom - b.top > 1 && b.bottom - a.top > 1; }));
  } }
return found; }"""
#: Texts of outputs whose contrast is below 3, by the formula of WCAG 2.2 (relative luminance); each text once.
_FAINT = """() => { const numbers = text => (text.match(/[0-9.]+/g) || []).map(Number);
const light = ([r, g, b]) => [r, g, b].map(v => (v /= 255) <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
  .reduce((sum, v, i) => sum + v * [.2126, .7152, .0722][i], 0);
const solid = element => { for (let at = element; at; at = at.parentElement) {
  const colour = numbers(getComputedStyle(at).backgroundColor);
  if (colour.length >= 3 && (colour.length === 3 || colour[3] > .9)) return colour; } return [255, 255, 255]; };
const found = new Set();
for (const element of document.querySelectorAll('.jp-OutputArea-output *, .jp-RenderedMarkdown *')) {
  const own = [...element.childNodes].filter(one => one.nodeType === 3).map(one => one.textContent.trim()).join('');
  const shown = element.getClientRects().length && getComputedStyle(element).visibility === 'visible';
  if (!own || !shown || element.closest('svg, .js-plotly-plot, style, script')) continue;
  const [a, b] = [light(numbers(getComputedStyle(element).color)), light(solid(element))].sort((x, y) => y - x);
  if ((a + .05) / (b + .05) < 3) found.add(own.slice(0, 60)); }
for (const plot of document.querySelectorAll('.jp-RenderedPlotly .main-svg:first-child')) {
  const ground = numbers(getComputedStyle(plot).backgroundColor);
  if (ground.length === 4 && ground[3] < .9) found.add('a figure without a ground of its own'); }
return [...found]; }"""
#: The notebook as JupyterLab would save it; its outputs that are errors; whether it has run to its end or to an error.
_CELLS = "window.jupyterapp.shell.currentWidget.content.model.sharedModel.toJSON().cells"
_ERRORS = f"""() => {_CELLS}
.flatMap(cell => cell.outputs || []).filter(output => output.output_type === 'error').length"""
_ENDED = f"""() => {{ const cells = {_CELLS}.filter(cell => cell.cell_type === 'code' && cell.source.length);
const waits = [...document.querySelectorAll('.jp-InputArea-prompt')].some(one => one.textContent.includes('*'));
const failed = cells.some(cell => cell.outputs.some(output => output.output_type === 'error'));
return failed || (!waits && cells.every(cell => cell.execution_count)); }}"""
_BEGUN = f"""() => {_CELLS}.some(cell => cell.execution_count)"""
_TRIES = 3
_TALL = 14_000  # pixels of a window in which a notebook stands whole, so that all of it is drawn


def look(page: Page, theme: str, picture: Path | None) -> dict[str, float]:
    """Return what is wrong to look at in a theme of JupyterLab."""
    page.evaluate(f"() => window.jupyterapp.commands.execute('apputils:change-theme', {{theme: '{theme}'}})")
    page.wait_for_function(f"() => document.body.dataset.jpThemeName === '{theme}'", timeout=60_000)
    page.wait_for_timeout(500)  # figures take the theme's colours one after the other
    if picture:
        page.screenshot(path=str(picture))
    faint = page.evaluate(_FAINT)
    for text in faint:
        click.echo(f"  {theme}, faint: {text}", err=True)
    return {"overlaps": float(page.evaluate(_OVERLAPS)), "faint": float(len(faint))}


def run_all(page: Page, address: str, name: str, pictures: Path | None) -> dict[str, float]:
    """Run a notebook to its end, and return what is seen."""
    page.set_viewport_size({"width": 1280, "height": 1000})
    page.goto(f"{address}/lab/tree/notebooks/{name}.ipynb?reset")
    page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=60_000)
    # A notebook that is run before its kernel has come is not run at all.
    page.wait_for_selector('.jp-Notebook-ExecutionIndicator[data-status="idle"]', timeout=60_000)
    page.wait_for_timeout(2000)
    for _ in range(_TRIES):
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
        # Now and then a kernel is never told, though it stands ready: then it is told again.
        with suppress(PlaywrightTimeout):
            page.wait_for_function(_BEGUN, timeout=1000 * _PATIENCE / 10)
            break
        click.echo(f"{name}: nothing was run, once more", err=True)
    page.wait_for_function(_ENDED, timeout=1000 * _PATIENCE)
    page.set_viewport_size({"width": 1280, "height": _TALL})
    # Cells outside the window are drawn when they come into sight.
    for cell in page.locator(".jp-Notebook .jp-Cell").all():
        cell.scroll_into_view_if_needed()
        page.wait_for_timeout(60)
    page.wait_for_timeout(500)
    plotly = ".jp-RenderedPlotly"
    counted = {
        "cells": ".jp-CodeCell",
        "figures": plotly,
        "drawn": f"{plotly}:has(.main-svg)",
        "sliders": ".widget-slider",
    }
    seen = {name: float(page.locator(selector).count()) for name, selector in counted.items()}
    seen["errors"] = float(page.evaluate(_ERRORS))
    moved = 0
    for box in page.locator(".widget-vbox, .jupyter-widgets.widget-vbox").all():
        before = box.inner_text()
        handle = box.locator(".noUi-handle").first
        handle.focus()
        page.keyboard.press("ArrowRight")
        for _ in range(60):  # a year of a forecast takes a second or two
            page.wait_for_timeout(500)
            if box.inner_text() != before:
                break
        moved += box.inner_text() != before
    seen |= {"moved": float(moved), "overlaps": 0.0, "faint": 0.0}
    for theme in ("JupyterLab Light", "JupyterLab Dark"):
        picture = pictures / f"{name}_{theme.rsplit(maxsplit=1)[1].lower()}.png" if pictures else None
        seen = seen | {key: seen[key] + value for key, value in look(page, theme, picture).items()}
    return seen


@click.group()
def main() -> None:
    """Measure."""


@main.command()
@click.option("--notebook", "names", multiple=True, help="Notebooks to run; all of them by default.")
@click.option("--logs", default=str(ROOT / "data_demo"), help="Logs that the notebooks look at.")
@click.option("--pictures", type=click.Path(path_type=Path, file_okay=False), help="Folder for screenshots.")
@measures
def run(names: tuple[str, ...], logs: str, pictures: Path | None) -> Iterator[Figure]:
    """Run notebooks in JupyterLab."""
    wanted = names or tuple(path.stem for path in sorted((ROOT / "notebooks").glob("*.ipynb")))
    counted = ("cells", "errors", "figures", "drawn", "sliders", "moved", "overlaps", "faint")
    total = dict.fromkeys(counted, 0.0)
    if pictures:
        pictures.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        shutil.copytree(ROOT / "notebooks", folder / "notebooks")
        (folder / "data_demo").symlink_to(Path(logs))
        os.environ["PYTHONPATH"] = str(ROOT)
        with lab(folder) as address, sync_playwright() as browsers:
            options = {"executable_path": shutil.which("chromium"), "args": ["--no-sandbox"]}
            browser = browsers.chromium.launch(**options)
            page = browser.new_page(viewport={"width": 1280, "height": 1000})
            for name in wanted:
                seen = run_all(page, address, name, pictures)
                click.echo(f"{name}: {json.dumps(seen)}")
                total = {key: total[key] + seen[key] for key in total}
            browser.close()
    return figures_of(
        "",
        {
            "cells with an error": total["errors"],
            "figures not drawn": total["figures"] - total["drawn"],
            "figures": total["figures"],
            "groups of sliders that change what is shown": total["moved"],
            "tiles that overlap, light and dark": total["overlaps"],
            "texts of little contrast, light and dark": total["faint"],
        },
        "",
        f"{len(wanted)} notebooks",
    )


#: What an output shows as, in a notebook and in the HTML of nbconvert.
_TABLE, _PLOT = "text/html", "application/vnd.plotly.v1+json"


def kept(notebook: NotebookNode) -> dict[str, int]:
    """Return the tables and figures of an executed notebook, and how many of them its HTML holds."""
    outputs = [one.get("data", {}) for cell in notebook.cells for one in cell.get("outputs", [])]
    page, _ = HTMLExporter(embed_images=True).from_notebook_node(notebook)
    return {
        "tables": sum(one[_TABLE].count("<table") for one in outputs if _TABLE in one and _PLOT not in one),
        "tables kept": page.count("<table"),
        "figures": sum(_PLOT in one for one in outputs),
        "figures kept": len(re.findall(r"Plotly\.newPlot\(", page)),
    }


@main.command()
@click.option("--notebook", "names", multiple=True, help="Notebooks to run; all of them by default.")
@click.option("--logs", default=str(ROOT / "data_demo"), help="Logs that the notebooks look at.")
@click.option("--as-of", default="", help="Day that papermill tells the notebooks.")
@measures
def keep(names: tuple[str, ...], logs: str, as_of: str) -> Iterator[Figure]:
    """Run notebooks by papermill with parameters of their own, and convert them by nbconvert."""
    wanted = names or tuple(path.stem for path in sorted((ROOT / "notebooks").glob("*.ipynb")))
    total: dict[str, int] = {}
    for name in wanted:
        with tempfile.TemporaryDirectory() as folder:
            path = str(Path(folder) / "out.ipynb")
            given = {"logs_folder": str(Path(logs).resolve()), "as_of": as_of}
            asked = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", 4)
            asked.cells.append(nbformat.v4.new_code_cell("print(f'as of {results.logs.as_of:%Y-%m-%d}')"))
            nbformat.write(asked, path)
            # a kernel that rests without an answer is a failure, not a wait without end; to save each cell takes long
            papermill.execute_notebook(
                path,
                path,
                given,
                request_save_on_cell_execute=False,
                progress_bar=False,
                cwd=folder,
                execution_timeout=_PATIENCE,
            )
            done = nbformat.read(path, 4)
            said = "".join(one.get("text", "") for one in done.cells[-1].outputs)
            found = kept(done) | {"as told": int(as_of in said)}
        click.echo(f"{name}: {json.dumps(found)}")
        total = {key: total.get(key, 0) + count for key, count in found.items()}
    lost = sum(max(total[one] - total[f"{one} kept"], 0) for one in ("tables", "figures"))
    return figures_of("", {**total, "lost on the way to HTML": lost}, "", f"{len(wanted)} notebooks")


if __name__ == "__main__":
    main()
