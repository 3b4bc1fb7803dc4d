"""Time of ``publish`` as a ratio to its floor, in one run.

The floor is what cannot be saved: as many notebooks that only import pandas, plotly and statsmodels and
draw one figure, run by the same papermill with as many at a time, made into pages and put in place the
same way. Two ratios are told: with nothing kept from an earlier run (the logs are read and analysed), and
with the results of the same logs kept (what is left is the pages alone).

Run it as ``python tests/bench/bench_publish.py [--rounds N]``. The rounds alternate, so that what else the
machine does falls on both sides; the smallest time of each side is compared. Processor time, kernels
included, stands beside it: it says the same on a machine that is busy with other work.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import nbformat
import pandas as pd
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from pressstats.exhibits import PAGE_TYPE
from pressstats.publish import REPORTS, publish

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


def nothing(*_: object) -> SimpleNamespace:
    """Return results without a row, in no time."""
    plant = SimpleNamespace(name="Floor", currency="EUR")
    logs = SimpleNamespace(plant=plant, as_of=pd.Timestamp("2025-03-02"), digest="", sources=())
    return SimpleNamespace(logs=logs, tables=dict)


def processor_seconds() -> float:
    """Return the processor time of this process and of those it has waited for [s]."""
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Return how long `work` takes, by the clock and on the processors [s]."""
    start, used = time.perf_counter(), processor_seconds()
    work()
    return time.perf_counter() - start, processor_seconds() - used


def main() -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--logs", type=Path, default=ROOT / "data_demo")
    parser.add_argument("--verbose", action="store_true", help="show the progress of each publication")
    arguments = parser.parse_args()

    def tell(line: str) -> None:
        if arguments.verbose:
            print(f"    {line}", file=sys.stderr)

    folder = Path(tempfile.mkdtemp(prefix="bench-publish-"))
    os.environ["PRESSSTATS_CACHE"] = str(folder / "cache")
    notebooks = folder / "notebooks"
    notebooks.mkdir()
    for report in REPORTS:
        nbformat.write(floor_notebook(), notebooks / report.notebook)

    def floor() -> None:
        publish(folder, folder / "floor", notebooks=notebooks, open_results=nothing, tell=tell)  # type: ignore[arg-type]

    def fresh() -> None:
        shutil.rmtree(folder / "cache", ignore_errors=True)
        publish(arguments.logs, folder / "fresh", tell=tell)

    def kept() -> None:
        publish(arguments.logs, folder / "fresh", tell=tell)

    try:
        floor()  # a first run for the disk and the imports of this process, not counted
        times: dict[str, list[tuple[float, float]]] = {
            "floor": [],
            "publish": [],
            "publish, results kept": [],
        }
        for _ in range(arguments.rounds):
            for name, work in zip(times, (floor, fresh, kept), strict=True):
                times[name].append(timed(work))
        print(f"{len(REPORTS)} notebooks, {os.cpu_count()} cores, {arguments.rounds} rounds, least of each")
        floors = [min(column) for column in zip(*times["floor"], strict=True)]
        for name, measured in times.items():
            clock, used = (min(column) for column in zip(*measured, strict=True))
            print(
                f"{name:22s} clock {clock:6.2f} s, ratio {clock / floors[0]:5.2f}"
                f"   processor {used:6.2f} s, ratio {used / floors[1]:5.2f}"
            )
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
