"""The same rows in every store that plants keep logs in: text, Parquet, a workbook, SQLite and PostgreSQL."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import sqlalchemy
from postgres_server import ADDRESS

__all__ = ["STORES", "postgresql", "sqlite", "stored", "with_source"]

Tables = dict[str, pd.DataFrame]


def with_source(folder: Path, toml: str, more: str) -> Path:
    """Write ``plant.toml`` with lines of ``[source]`` put at its end."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(f"{toml}\n[source]\n{more}", encoding="utf-8")
    return folder


def _plain(folder: Path, toml: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(toml, encoding="utf-8")


def _csv(folder: Path, tables: Tables, toml: str) -> None:
    _plain(folder, toml)
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False)


def _parquet(folder: Path, tables: Tables, toml: str) -> None:
    _plain(folder, toml)
    for name, table in tables.items():
        table.to_parquet(folder / f"{name}.parquet")


def _workbook(folder: Path, tables: Tables, toml: str) -> None:
    _plain(folder, toml)
    with pd.ExcelWriter(folder / "logs.xlsx") as book:
        for name, table in tables.items():
            table.to_excel(book, sheet_name=name, index=False)


def sqlite(folder: Path, tables: Tables, toml: str) -> None:
    """Write an SQLite file beside ``plant.toml``."""
    with_source(folder, toml, 'address = "sqlite:///logs.db"\n')
    engine = sqlalchemy.create_engine(f"sqlite:///{folder / 'logs.db'}")
    for name, table in tables.items():
        table.to_sql(name, engine, index=False)
    engine.dispose()


def postgresql(folder: Path, tables: Tables, toml: str) -> None:
    """Write tables into a schema of the server of this session, called as the folder."""
    schema = folder.name
    address = os.environ[ADDRESS]
    engine = sqlalchemy.create_engine(address.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        connection.execute(sqlalchemy.schema.DropSchema(schema, cascade=True, if_exists=True))
        connection.execute(sqlalchemy.schema.CreateSchema(schema))
    for name, table in tables.items():
        table.to_sql(name, engine, index=False, schema=schema, chunksize=2000, method="multi")
    engine.dispose()
    views = "".join(f'{name} = "{schema}.{name}"\n' for name in tables)
    with_source(folder, toml, f'address = "{address}"\n[source.tables]\n{views}')


STORES: dict[str, Callable[[Path, Tables, str], None]] = {
    "csv": _csv,
    "parquet": _parquet,
    "workbook": _workbook,
    "sqlite": sqlite,
    "postgresql": postgresql,
}


def stored(folder: Path, tables: Tables, toml: str) -> dict[str, Path]:
    """Write the tables into every store that is there; return the logs folder of each."""
    folders = {name: folder / name for name in STORES if name != "postgresql" or ADDRESS in os.environ}
    for name, one in folders.items():
        STORES[name](one, tables, toml)
    return folders
