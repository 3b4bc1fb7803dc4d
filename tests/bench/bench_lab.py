"""Every notebook in JupyterLab, in a real browser: run from its first cell to its last, looked at as a reader would.

``run``
    A copy of the notebooks is opened in JupyterLab, *Run All Cells* is chosen from its menu, and when the kernel rests
    it is counted: cells with an error, figures drawn of those that have one, sliders, and whether a slider that is
    moved changes what stands below it.

Run it as ``python tests/bench/bench_lab.py run [--notebook NAME ...]``; it needs Chromium.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click
from figures import Figure, figures_of, measures
from playwright.sync_api import Page, sync_playwright

if TYPE_CHECKING:
    from collections.abc import Iterator

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
    settings = {"JUPYTERLAB_WORKSPACES_DIR": str(folder / "workspaces")}
    server = subprocess.Popen(command, env=os.environ | settings, stderr=subprocess.DEVNULL)
    try:
        for _ in range(120):
            with socket.socket() as asked:
                if asked.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.5)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(30)


def run_all(page: Page, address: str, name: str) -> dict[str, float]:
    """Run a notebook to its end, and return what is seen."""
    page.goto(f"{address}/lab/tree/notebooks/{name}.ipynb?reset")
    page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=60_000)
    page.wait_for_selector('[data-status="idle"], .jp-Notebook-ExecutionIndicator', timeout=60_000)
    page.wait_for_timeout(2000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.wait_for_function(
        "() => { const prompts = [...document.querySelectorAll('.jp-InputArea-prompt')].map(one => one.textContent);"
        " return !prompts.some(text => text.includes('*')) && prompts.some(text => /[0-9]/.test(text)); }",
        timeout=1000 * _PATIENCE,
    )
    # Cells outside the window are drawn when they come into sight.
    for cell in page.locator(".jp-Notebook .jp-Cell").all():
        cell.scroll_into_view_if_needed()
        page.wait_for_timeout(60)
    page.wait_for_timeout(500)
    plotly = ".jp-RenderedPlotly"
    counted = {
        "cells": ".jp-CodeCell",
        "errors": '[data-mime-type="application/vnd.jupyter.error"]',
        "figures": plotly,
        "drawn": f"{plotly}:has(.main-svg)",
        "sliders": ".widget-slider",
    }
    seen = {name: float(page.locator(selector).count()) for name, selector in counted.items()}
    moved = 0
    for box in page.locator(".widget-vbox, .jupyter-widgets.widget-vbox").all():
        before = box.inner_text()
        handle = box.locator(".noUi-handle").first
        handle.focus()
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(1500)
        moved += box.inner_text() != before
    return seen | {"moved": float(moved)}


@click.group()
def main() -> None:
    """Measure."""


@main.command()
@click.option("--notebook", "names", multiple=True, help="Notebooks to run; all of them by default.")
@click.option("--logs", default=str(ROOT / "data_demo"), help="Logs that the notebooks look at.")
@measures
def run(names: tuple[str, ...], logs: str) -> Iterator[Figure]:
    """Run notebooks in JupyterLab."""
    wanted = names or tuple(path.stem for path in sorted((ROOT / "notebooks").glob("*.ipynb")))
    total = dict.fromkeys(("cells", "errors", "figures", "drawn", "sliders", "moved"), 0.0)
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
                seen = run_all(page, address, name)
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
        },
        "",
        f"{len(wanted)} notebooks",
    )


if __name__ == "__main__":
    main()
