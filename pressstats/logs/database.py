"""Rows of a database into cells: a view, table or query for each table, read only, never waited for without end."""

from __future__ import annotations

import hashlib
import io
import math
import os
import queue
import re
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from ..tables import INPUTS
from .delimited import Cells
from .files import File
from .limits import ROWS, TEXT_BYTES, TooMuchError, check_shape, no_file
from .problems import LogsError
from .raw import match_columns
from .typed import plain, spelled

if TYPE_CHECKING:
    from sqlalchemy import URL, Connection, Engine

    from ..exports import Source
    from ..plant import Plant

__all__ = ["open_source"]

_AT_ONCE = 20_000  # rows that a database hands over at a time
_QUERY = re.compile(r"\s*(?:select|with|values)\b", re.IGNORECASE)
_LONGEST = 300  # characters of what a driver says
_TIMED_OUT = "57014"  # query_canceled of SQLSTATE, as the standard and PostgreSQL have it


def open_source(folder: Path, plant: Plant) -> list[File]:
    """Return the rows that ``[source]`` of ``plant.toml`` names, one File for each view or query; rows count from 1.

    All are read in one transaction that cannot write, in a thread of its own: a database that does not answer within
    the seconds allowed for each is left alone. Raises LogsError where it is away or refuses a query.
    """
    source = plant.source
    if source is None:
        return []
    answers: queue.SimpleQueue[File | Exception | None] = queue.SimpleQueue()
    running: list[Callable[[], None]] = []

    def work() -> None:
        try:
            for file in _read(source, folder, plant, running):
                answers.put(file)
            answers.put(None)
        except Exception as error:  # noqa: BLE001 -- drivers fail in ways of their own; told by whoever waits
            answers.put(error)

    threading.Thread(target=work, daemon=True, name="database").start()
    files: list[File] = []
    while True:
        try:
            # The server is to give up first, and to say so.
            answer = answers.get(timeout=source.seconds + 1)
        except queue.Empty:
            for stop in running:
                stop()
            raise LogsError(_late(source)) from None
        if answer is None:
            return files
        if isinstance(answer, Exception):
            raise LogsError(_refusal(answer, source)) from None
        files.append(answer)


def _late(source: Source) -> str:
    return f"the database of [source] did not answer within {source.seconds:g} s"


def _refusal(error: Exception, source: Source) -> str:
    """Return in one line what a driver says; what is secret in it is taken out."""
    from sqlalchemy.exc import DBAPIError, NoSuchModuleError

    if isinstance(error, LogsError):
        return str(error)
    if isinstance(error, NoSuchModuleError | ModuleNotFoundError):
        return "no driver is installed for the database of [source]"
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    if getattr(cause, "sqlstate", "") == _TIMED_OUT:
        return _late(source)
    said = " ".join(str(cause).split()) or type(cause).__name__
    for secret in (os.environ.get(source.password_variable or "PGPASSWORD"), os.environ.get("PGPASSWORD")):
        said = said.replace(secret, "***") if secret else said
    return f"the database of [source] cannot be read: {said[:_LONGEST]}"


def _read(source: Source, folder: Path, plant: Plant, running: list[Callable[[], None]]) -> Iterator[File]:
    engine = _engine(source, folder)
    try:
        with engine.connect() as connection:
            raw = connection.connection.dbapi_connection
            if isinstance(raw, sqlite3.Connection):
                running.append(raw.interrupt)
            connection = _reading(connection, source)
            for table, queries in (source.tables or _called_like_ours(connection)).items():
                for number, query in enumerate(queries, start=1):
                    count = f" {number}" if len(queries) > 1 else ""
                    is_query = bool(_QUERY.match(query))
                    name = f"query{count} of {table}" if is_query else query.strip()
                    yield _file(connection, table, f"database[{name}]", query, is_query, plant)
            connection.rollback()
    finally:
        with suppress(Exception):
            engine.dispose()


def _engine(source: Source, folder: Path) -> Engine:
    from sqlalchemy import create_engine, event, make_url
    from sqlalchemy.pool import NullPool

    url = make_url(source.address)
    if source.password_variable:
        password = os.environ.get(source.password_variable)
        if password is None:
            raise LogsError(f"[source]: there is no environment variable {source.password_variable}")
        url = url.set(password=password)
    if url.get_backend_name() == "sqlite":
        return create_engine("sqlite://", creator=lambda: _sqlite(url, folder, source), poolclass=NullPool)
    if url.get_backend_name() != "postgresql":
        return create_engine(url, poolclass=NullPool)
    engine = create_engine(
        url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url,
        poolclass=NullPool,
        connect_args={"connect_timeout": max(2, math.ceil(source.seconds))},  # the least that libpq heeds
    )
    event.listen(engine, "connect", lambda raw, _record: _heed_odd_times(raw))
    return engine


def _sqlite(url: URL, folder: Path, source: Source) -> sqlite3.Connection:
    """Open an SQLite file for reading; relative paths are of the logs folder."""
    path = folder / (url.database or "")
    if not url.database or (what := no_file(path)):
        raise LogsError(f"[source]: {url.database or 'no file'} is {what if url.database else 'named'}")
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=source.seconds)
    connection.text_factory = _text_or_bytes
    return connection


def _text_or_bytes(data: bytes) -> str | bytes:
    try:
        return data.decode()
    except UnicodeDecodeError:
        return data


def _heed_odd_times(raw: Any) -> None:
    """Let psycopg hand over times that Python has not (infinity, years before Christ) as text: each is set aside."""
    if not hasattr(raw, "adapters"):  # another driver of PostgreSQL
        return
    from psycopg import DataError
    from psycopg.types import datetime as types

    for kind in (types.DateLoader, types.TimestampLoader, types.TimestamptzLoader):

        class Lenient(kind):  # type: ignore[misc, valid-type]
            def load(self, data: Any) -> Any:
                try:
                    return super().load(data)
                except DataError:
                    return bytes(data).decode()

        raw.adapters.register_loader(kind.__name__.removesuffix("Loader").lower(), Lenient)


def _reading(connection: Connection, source: Source) -> Connection:
    """Begin one transaction in which nothing is written and everything is as it stood at its beginning."""
    if connection.dialect.name == "postgresql":
        connection = connection.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        connection.exec_driver_sql(f"SET LOCAL statement_timeout = {math.ceil(source.seconds * 1000)}")
    elif connection.dialect.name == "sqlite":
        connection.exec_driver_sql("BEGIN")
    return connection


def _called_like_ours(connection: Connection) -> dict[str, tuple[str, ...]]:
    """Return the tables and views that are called like ours."""
    from sqlalchemy import inspect

    there = inspect(connection)
    names = sorted({*there.get_table_names(), *there.get_view_names()})
    return {name.casefold(): (name,) for name in names if name.casefold() in INPUTS}


def _file(connection: Connection, table: str, name: str, query: str, is_query: bool, plant: Plant) -> File:
    statement = query if is_query else _in_order(connection, table, query.strip(), plant)
    try:
        names, columns = _fetched(connection, statement)
    except TooMuchError as error:
        return File(name, table, "", trouble=f"{error}, so it was not read")
    spoilt: dict[int, tuple[str, str]] = {}
    typed = [plain(_array(column, plant), plant, spoilt, first=1) for column in columns]
    rows = len(typed[0]) if typed else 0
    content = io.BytesIO(",".join(names).encode())
    content.seek(0, io.SEEK_END)
    arrow_csv.write_csv(pa.Table.from_arrays(typed, [str(at) for at in range(len(typed))]), content)
    cells = Cells([one.strip() for one in names], typed, np.arange(1, rows + 1), header_line=0)
    return File(name, table, hashlib.sha256(content.getvalue()).hexdigest(), cells.without(spoilt))


def _in_order(connection: Connection, table: str, view: str, plant: Plant) -> str:
    """Return the query of a view or table, by key, so that the same rows have the same numbers again."""
    quote = connection.dialect.identifier_preparer.quote
    named = ".".join(map(quote, view.split(".")))
    result = connection.exec_driver_sql(f"SELECT * FROM {named} WHERE 1 = 0")
    names = list(result.keys())
    result.close()
    places, _ = match_columns(names, INPUTS[table].names, plant.columns.get(table, {}))
    order = ", ".join(quote(names[places[key][0]]) for key in INPUTS[table].key if key in places)
    return f"SELECT * FROM {named}" + (f" ORDER BY {order}" if order else "")


def _fetched(connection: Connection, statement: str) -> tuple[list[str], list[list[Any]]]:
    """Return names and columns of what a query gives; TooMuchError beyond what an export has."""
    options = {"stream_results": True, "max_row_buffer": _AT_ONCE, "no_parameters": True}
    result = connection.execution_options(**options).exec_driver_sql(statement)
    names = list(result.keys())
    columns: list[list[Any]] = [[] for _ in names]
    rows = text = 0
    for part in result.partitions(_AT_ONCE):
        rows += len(part)
        if rows > ROWS:
            result.close()
            raise TooMuchError(f"more than {ROWS:,} rows")
        check_shape(rows, len(names))
        for column, values in zip(columns, zip(*part, strict=True), strict=True):
            column.extend(values)
            text += sum(len(value) for value in values if isinstance(value, str | bytes))
        if text > TEXT_BYTES:
            result.close()
            raise TooMuchError(f"more than {TEXT_BYTES:,} characters")
    return names, columns


def _array(values: list[Any], plant: Plant) -> pa.Array:
    """Return the values of one column as an array; where their types differ, as text."""
    try:
        cells = pa.array(values)
        if not pa.types.is_nested(cells.type):
            return cells.cast(pa.string()) if pa.types.is_null(cells.type) else cells
    except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError, OverflowError):
        pass
    decimal = plant.format.decimal or "."
    texts = [value if isinstance(value, bytes) else spelled(value, decimal) for value in values]
    if any(isinstance(value, bytes) for value in texts):
        return pa.array([one.encode() if isinstance(one, str) else one for one in texts], pa.binary())
    return pa.array(texts, pa.string())
