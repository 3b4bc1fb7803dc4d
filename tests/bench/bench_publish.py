"""Time of ``publish`` as a ratio to its floor, in one run.

The floor is what cannot be saved: as many notebooks that only import pandas, plotly and statsmodels and
draw one figure, run by the same papermill with as many at a time, each in a kernel started by itself (as
all kernels are but those that ``publish`` forks), made into pages and put in place the same way. Two ratios
are told: with nothing kept from an earlier run (the logs are read and analysed), and with the results of the
same logs kept (what is left is the pages alone).

Run it as ``python tests/bench/bench_publish.py [--rounds N]``. The rounds alternate, so that what else the
machine does falls on both sides; the smallest time of each side is compared. Processor time, kernels
included, stands beside it: it says the same on a machine that is busy with other work.
"""

from __future__ import annotations

import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest.mock import patch

import click
import nbformat
from figures import Figure, measures
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from stand_ins import opener

from pressstats.exhibits import PAGE_TYPE
from pressstats.publishing import REPORTS, kernels, publish

ROOT = Path(__file__).resolve().parents[2]

_IMPORTS = "import pandas as pd\nimport plotly.graph_objects as go\nimport statsmodels.api as sm"
_FIGURE = f"""
figure = go.Figure(go.Scatter(x=list(range(52)), y=list(range(52))))
html = figure.to_html(full_html=False, include_plotlyjs=False, div_id="one")
display({{"{PAGE_TYPE}": html}}, raw=True)
"""


def floor_notebook() -> nbformat.NotebookNode:
    """Return a notebook that imports what every report needs and draws one figure."""
    parameters = 'logs_folder = ""\nas_of = ""\npublished_folder = ""'
    cells = [
        new_markdown_cell("# Floor", id="a"),
        new_code_cell(parameters, metadata={"tags": ["parameters"]}, id="b"),
        new_code_cell(_IMPORTS, id="c"),
        new_code_cell(_FIGURE, id="d"),
    ]
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return new_notebook(cells=cells, metadata={"kernelspec": kernel})


def processor_seconds() -> float:
    """Return the processor time of this process and of those it has waited for [s]."""
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return how long `work` takes, by the clock and on the processors [s]."""
    start, used = time.perf_counter(), processor_seconds()
    work()
    return time.perf_counter() - start, processor_seconds() - used


@click.command()
@click.option("--rounds", default=3)
@click.option("--logs", "logs", type=click.Path(path_type=Path), default=ROOT / "data_demo")
@click.option("--report", "names", multiple=True, help="Only this report; may be given more than once.")
@click.option("--verbose", is_flag=True, help="Show the progress of each publication.")
@measures
def main(rounds: int, logs: Path, names: tuple[str, ...], verbose: bool) -> Iterator[Figure]:
    """Measure publish against its floor."""

    def tell(line: str) -> None:
        if verbose:
            click.echo(f"    {line}", err=True)

    folder = Path(tempfile.mkdtemp(prefix="bench-publish-"))
    cache = os.environ.get("PRESSSTATS_CACHE")
    os.environ["PRESSSTATS_CACHE"] = str(folder / "cache")
    notebooks = folder / "notebooks"
    notebooks.mkdir()
    for report in REPORTS:
        nbformat.write(floor_notebook(), notebooks / report.notebook)

    def floor() -> None:
        with patch.object(kernels, "_PAYS_FROM", len(REPORTS) + 1):
            publish(
                folder, folder / "floor", names=names, notebooks=notebooks, open_results=opener(), tell=tell
            )

    def fresh() -> None:
        shutil.rmtree(folder / "cache", ignore_errors=True)
        publish(logs, folder / "fresh", names=names, tell=tell)

    def kept() -> None:
        publish(logs, folder / "fresh", names=names, tell=tell)

    try:
        floor()  # a first run for the disk and the imports of this process, not counted
        work = {"floor": floor, "publish": fresh, "publish with results kept": kept}
        times: dict[str, list[tuple[float, float]]] = {name: [] for name in work}
        for _ in range(rounds):
            for name, task in work.items():
                times[name].append(timed(task))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.environ.pop("PRESSSTATS_CACHE")
        if cache is not None:
            os.environ["PRESSSTATS_CACHE"] = cache
    note = f"{len(names or REPORTS)} notebooks, {os.cpu_count()} cores, least of {rounds}"
    floors = [min(column) for column in zip(*times["floor"], strict=True)]
    for name, measured in times.items():
        for kind, of_floor, *taken in zip(("clock", "processor"), floors, *measured, strict=True):
            seconds = min(taken)
            yield Figure(f"{name} / floor, {kind}", seconds / of_floor, "ratio", f"{seconds:.2f} s; {note}")


if __name__ == "__main__":
    main()
