"""Stand-ins for logs, results and notebooks, so that publishing can be tested apart from the analysis."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import nbformat
import numpy as np
import pandas as pd
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from pressstats.publishing import Report

AS_OF = "2025-03-02"

#: Text as a plant, or someone who means ill, may log it.
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "=1+1",
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1:A2)",
    'It\'s "quoted" & <b>bold</b> **stars** %{x} $y$',
    "</script><script>alert(2)</script>",
    "L" + "o" * 290 + "ngest",
    "שלום עולם \u202eabc",
    "http://example.invalid/ {{ 7*7 }} {% raw %}",
)

PARAMETERS = 'logs_folder = "../data_demo"\nas_of = ""\npublished_folder = ""'

IMPORTS = """
import numpy as np, pandas as pd, plotly.graph_objects as go
from pressstats.exhibits import *
"""

FIGURE = """
weeks = pd.date_range("2024-03-04", periods=52, freq="7D")
kilograms = 100_000 + 9_000 * np.sin(np.arange(52) / 8)
figure = go.Figure()
figure.add_scatter(x=weeks, y=kilograms * 1.1, mode="lines", line={"width": 0}, showlegend=False)
figure.add_scatter(x=weeks, y=kilograms * 0.9, mode="lines", line={"width": 0}, fill="tonexty",
                   fillcolor=tint("series1", 0.18), name="9 in 10 weeks")
figure.add_scatter(x=weeks, y=kilograms, mode="lines", line={"color": COLOURS["series1"]}, name="mounted")
figure.update_yaxes(title_text="kg a week", rangemode="tozero")
numbers = pd.DataFrame({"week": weeks, "mounted_kg": kilograms})
"""

SHOW_FIGURE = """
exhibit(figure, name="mounted", finding=f"Mounted paper held at {quantity(100, 't')} a week.", table=numbers,
        columns=[Shown("week"), Shown("mounted_kg", "mounted", "kg")], limit=20, file="demand_forecast")
"""

HOSTILE_CELLS = (
    f"""
texts = {HOSTILE!r}
names = labels(texts)
bars = go.Figure(go.Bar(y=[names[text] for text in texts], x=list(range(1, len(texts) + 1)), orientation="h",
                        name=label(texts[0]), text=[names[text] for text in texts],
                        marker={{"color": COLOURS["series3"]}}))
bars.update_yaxes(type="category");
""",
    """
exhibit(bars, name="titles", finding=f"Most was printed of {logged(texts[0])} and {logged(texts[9])}.",
        table=pd.DataFrame({"title": texts, "copies": np.arange(len(texts)) * 1000.0}))
""",
    """
say(f"**Titles**: {', '.join(logged(text) for text in texts)}")
""",
    """
tiles([Tile(f"Waste of {logged(texts[0])}", 5.61, "%", f"target 6 %; {logged(texts[1])}", "in control"),
       Tile("Cover", 6.0, "days", "least 7", "act"), Tile("Breaks", 2.75, "per 100 reels", "", "watch"),
       Tile("Standing ink", float("nan"), "kg / day", "no dips", "unknown")])
""",
)


def notebook(*cells: str, title: str = "A report", parameters: str = PARAMETERS) -> nbformat.NotebookNode:
    """Return a notebook of code cells, parameters first."""
    all_cells = [
        new_markdown_cell(f"# {title}\n\nSome *prose* about it.", id="a"),
        new_code_cell(parameters, metadata={"tags": ["parameters"]}, id="b"),
        *(new_code_cell(source.strip(), id=f"c{place}") for place, source in enumerate(cells)),
    ]
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    return new_notebook(cells=all_cells, metadata={"kernelspec": kernel})


def write_notebooks(folder: Path, notebooks: dict[str, nbformat.NotebookNode]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, node in notebooks.items():
        nbformat.write(node, folder / f"{name}.ipynb")


REPORTS = (
    Report("first", "First report", "What does the first report ask?", "analyst"),
    Report("week", "The week", "Are we in control?", "manager"),
)


def sound_notebooks() -> dict[str, nbformat.NotebookNode]:
    """Return a notebook for each of `REPORTS` that runs and makes a page, hostile text in all places."""
    first = notebook(
        IMPORTS, FIGURE, SHOW_FIGURE, *HOSTILE_CELLS, 'print("a remark")\nsecret = "code of a cell"'
    )
    week = notebook(
        IMPORTS,
        FIGURE,
        'headline("Waste **fell** to 5.6 %.", f"Most of it in {logged("<i>Title</i>")}.")'.replace(
            'logged("<i>Title</i>")', "logged('<i>Title</i>')"
        ),
        SHOW_FIGURE,
        'caution("A reel weighs a tonne.")',
        'points(["Order **12 t** of 1260 mm.", "Look at stand 3."])',
        'note("Reels were not logged.")',
        'sheet(numbers, name="numbers", caption="Week by week", limit=5, file="demand_forecast")',
    )
    return {"first": first, "week": week}


def tables() -> dict[str, pd.DataFrame]:
    """Return a few published tables with blanks and hostile text."""
    weeks = pd.date_range("2025-03-03", periods=4, freq="7D")
    material = np.resize(np.array(HOSTILE, dtype=object), len(weeks) * 3)
    forecast = pd.DataFrame({"material": pd.Series(material, dtype="str"), "week": np.repeat(weeks, 3)})
    for place, column in enumerate(("mean", "q05", "q10", "q25", "q50", "q75", "q90", "q95")):
        forecast[column] = np.arange(12) * 1000 / 7 + place
    forecast.loc[3, "q95"] = np.nan
    cover = pd.DataFrame(
        {
            "material": pd.Series(HOSTILE[:3], dtype="str"),
            "quantity": [1000.0, np.nan, 12.5],
            "counted_on": pd.to_datetime(["2025-03-01", None, "2025-02-28"]),
            "days_cover": [12.25, np.nan, 3.0],
            "runs_out_q05": pd.to_datetime(["2025-03-10", None, None]),
            "runs_out_q50": pd.to_datetime(["2025-03-14", None, None]),
        }
    )
    return {"demand_forecast": forecast, "stock_cover": cover}


class StandInResults:
    """Results with the attributes publishing asks for."""

    def __init__(self, as_of: str = AS_OF, plant: str = "Invented <b>Plant</b>") -> None:
        source = SimpleNamespace(
            file='runs "<i>x</i>".csv',
            table="runs",
            digest="ab" * 32,
            rows=10,
            used=8,
            duplicates=1,
            rejected=1,
            first=pd.Timestamp("2025-01-01"),
            last=pd.Timestamp(as_of),
        )
        self.logs = SimpleNamespace(
            plant=SimpleNamespace(name=plant, currency="EUR", source=None),
            as_of=pd.Timestamp(as_of),
            digest="cd" * 32,
            sources=(source,),
            has=lambda name: False,
        )
        self.past_digests = {"2025-02-23/tables/demand_forecast.csv": "ef" * 32}

    def tables(self) -> dict[str, pd.DataFrame]:
        return tables()


def opener(plant: str = "Invented <b>Plant</b>") -> Callable[[Path, str, Path], StandInResults]:
    """Return what stands in for ``open_results``."""

    def open_results(_logs_folder: Path, as_of: str, _published_folder: Path) -> StandInResults:
        return StandInResults(as_of or AS_OF, plant)

    return open_results
