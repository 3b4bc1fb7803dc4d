"""The same rows kept as text, Parquet, workbook, SQLite and PostgreSQL: are the published tables the same bytes?

Run it as ``python tests/postgres_server.py python tests/bench/bench_sources.py [--plant NAME ...] [--store NAME ...]``.
A plant is ``demo``, ``small``, ``least`` (its runs and webs alone) or a world of ``tests/worlds``. Its logs are read
once as cells, typed where a whole column is a number or a time, and written anew into every store; lines that are no
rows are left out. Every published table is computed from each store and held against that of text, byte for byte. Of
``rejected_rows`` and ``warning_rows`` file, line and the spelling of the value are left out: each store has its own.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click
import pandas as pd
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from plant_stores import STORES
from small_plant import every_table, write_small_plant
from worlds import WORLDS, make

from pressstats.logs import read_logs
from pressstats.logs.files import open_folder
from pressstats.logs.typed import as_text
from pressstats.past import past_forecasts
from pressstats.plant import read_plant
from pressstats.results import analyse
from pressstats.tables import INPUTS

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
LEAST = ("runs", "run_webs")
PLANTS = ("demo", "quiet", "weekly_dips", "title_closed", "no_weights_skips", "cut_june")


def _typed(text: pd.Series, table: str) -> pd.Series:
    """Return a column of text as numbers or times where all its cells are."""
    known = INPUTS[table].by_name.get(str(text.name))
    if known is None or not (known.is_number or known.is_time):
        return text
    number = known.is_number
    typed = (
        pd.to_numeric(text, errors="coerce") if number else pd.to_datetime(text, "coerce", format="ISO8601")
    )
    return typed if typed.isna().equals(text.isna()) else text


def rows_of(folder: Path) -> dict[str, pd.DataFrame]:
    """Return the rows of a logs folder by table."""
    parts: dict[str, list[pd.DataFrame]] = {}
    for file in open_folder(folder, read_plant(folder / "plant.toml")):
        if file.table and file.cells is not None:
            cells = [as_text(column, None).to_pandas() for column in file.cells.columns]
            parts.setdefault(file.table, []).append(
                pd.DataFrame(dict(zip(file.cells.names, cells, strict=True)))
            )
    whole = {name: pd.concat(tables, ignore_index=True).astype("str") for name, tables in parts.items()}
    return {name: table.apply(_typed, table=name) for name, table in whole.items()}


def published(folder: Path) -> dict[str, bytes]:
    """Return every published table of a logs folder as bytes."""
    logs = read_logs(folder)
    tables = analyse(logs, *past_forecasts(None, logs.as_of)).tables()
    out = {}
    for name, table in tables.items():
        if name in ("rejected_rows", "warning_rows"):
            rules = table["rule"].str.replace(r"\S+:\d+ ", "", regex=True)
            table = table.drop(columns=["file", "line", "value"]).assign(rule=rules)
            table = table.sort_values(list(table), ignore_index=True)
        out[name] = table.to_csv(index=False).encode()
    return out


def _logs(name: str, folder: Path) -> Path:
    if name == "demo":
        return DEMO
    if name in ("small", "least"):
        tables = {one: table for one, table in every_table().items() if name == "small" or one in LEAST}
        return write_small_plant(folder / "logs", tables)
    make(name, folder / "logs")
    return folder / "logs"


@click.command()
@click.option(
    "--plant", "plants", multiple=True, default=PLANTS, type=click.Choice(["demo", "small", "least", *WORLDS])
)
@click.option("--store", "stores", multiple=True, default=list(STORES), type=click.Choice(list(STORES)))
@measures
def main(plants: tuple[str, ...], stores: tuple[str, ...]) -> Iterator[Figure]:
    """Publish the tables of plants from every store."""
    for plant in plants:
        with tempfile.TemporaryDirectory() as folder:
            logs = _logs(plant, Path(folder))
            rows, toml = rows_of(logs), (logs / "plant.toml").read_text()
            found: dict[str, dict[str, bytes]] = {}
            for store in stores:
                STORES[store](Path(folder) / store, rows, toml)
                found[store] = published(Path(folder) / store)
        first = found[stores[0]]
        yield Figure(f"{plant}: rows read", sum(map(len, rows.values())), "", ", ".join(stores))
        for store in stores[1:]:
            differ = [name for name in first if found[store][name] != first[name]]
            yield Figure(f"{plant}: tables from {store} that differ", len(differ), "", f"of {len(first)}")
            if differ:
                click.echo(f"{plant}, {store}: {', '.join(differ)}", err=True)


if __name__ == "__main__":
    main()
