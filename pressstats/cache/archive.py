"""Objects of the package as one archive: tables as Parquet, arrays as NumPy's own files, the rest as JSON.

Reading an archive runs nothing that stands in it: its objects are of classes of this package, filled without a call.
The archive holds a checksum of each of its files, so that damage is found.
"""

from __future__ import annotations

import importlib
import io
import json
import zipfile
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

__all__ = ["read_archive", "write_archive"]

_PACKAGE = __name__.partition(".")[0]
_CONTENT = "content.json"
_SECONDS = "datetime64[s]"


def write_archive(path: Path, whole: object, given: Mapping[str, object]) -> None:
    """Write an object, and all that it is made of.

    Parameters
    ----------
    path : Path
        File to write.
    whole : object
        Instances of classes of this package, tables, columns, arrays, collections and scalars.
    given : mapping
        Objects that whoever reads has already, by name: where they stand in `whole`, their name is written.

    Raises
    ------
    TypeError
        If `whole` holds anything else.
    ValueError
        If a table has values of several types in one column.
    OSError
        If the file cannot be written.
    """
    with zipfile.ZipFile(path, "w") as archive:
        content = _Writer(archive, given).encoded(whole)
        archive.writestr(_CONTENT, json.dumps(content))


def read_archive(path: Path, given: Mapping[str, object]) -> Any:
    """Return what :func:`write_archive` wrote; an error of any kind where the file is damaged."""
    with zipfile.ZipFile(path) as archive:
        return _Reader(archive, given).decoded(json.loads(archive.read(_CONTENT)))


class _Writer:
    """Writes tables and arrays into the archive, each once, and returns the rest as JSON has it."""

    def __init__(self, archive: zipfile.ZipFile, given: Mapping[str, object]) -> None:
        self._archive = archive
        self._given = {id(one): name for name, one in given.items()}
        self._written: dict[int, dict[str, Any]] = {}

    def encoded(self, one: Any) -> Any:  # noqa: PLR0911 -- one return a type
        """Return plain data: a scalar or a list stands for itself, anything else is named in a dict of one entry."""
        kind = type(one)
        if id(one) in self._given:
            return {"given": [self._given[id(one)]]}
        if one is None or kind in (bool, int, float, str):
            return one
        if kind is list:
            return [self.encoded(part) for part in one]
        if kind in (tuple, set, frozenset):
            return {kind.__name__: [self.encoded(part) for part in one]}
        if kind is dict:
            return {"dict": [[self.encoded(key), self.encoded(part)] for key, part in one.items()]}
        if one is pd.NaT:
            return {"not a time": []}
        if kind is pd.Timestamp:
            return {"time": [one.isoformat(), one.unit]}
        if kind.__module__.startswith(f"{_PACKAGE}."):
            state = {name: self.encoded(part) for name, part in vars(one).items()}
            return {"object": [kind.__module__, kind.__qualname__, state]}
        if id(one) not in self._written:
            self._written[id(one)] = self._filed(one)
        return self._written[id(one)]

    def _filed(self, one: Any) -> dict[str, Any]:
        if isinstance(one, pd.DataFrame):
            return {"table": [self._table(one), _spacing(one.index)]}
        if isinstance(one, pd.Series):
            return {"column": [self._table(one.to_frame("")), _spacing(one.index), self.encoded(one.name)]}
        if isinstance(one, pd.Index):
            table = self._table(one.to_frame(index=False, name=""))
            return {"index": [table, _spacing(one), self.encoded(one.name)]}
        if isinstance(one, np.ndarray) and one.dtype == object:
            return {"objects": [self.encoded(one.ravel().tolist()), one.shape]}
        if isinstance(one, (np.ndarray, np.generic)):
            return {"array" if isinstance(one, np.ndarray) else "scalar": [self._array(np.asarray(one))]}
        raise TypeError(f"{type(one).__name__} cannot be kept")

    def _table(self, table: pd.DataFrame) -> str:
        name = f"{len(self._archive.namelist())}.parquet"
        sink = io.BytesIO()
        pq.write_table(pa.Table.from_pandas(table), sink)
        self._archive.writestr(name, sink.getbuffer())
        return name

    def _array(self, array: np.ndarray) -> str:
        name = f"{len(self._archive.namelist())}.npy"
        sink = io.BytesIO()
        np.save(sink, array, allow_pickle=False)
        self._archive.writestr(name, sink.getbuffer())
        return name


def _spacing(index: pd.Index) -> str | None:
    """Return the frequency of an index of times, which Parquet does not hold."""
    return getattr(index, "freqstr", None)


class _Reader:
    """Turns what a :class:`_Writer` wrote into objects again."""

    def __init__(self, archive: zipfile.ZipFile, given: Mapping[str, object]) -> None:
        self._archive = archive
        self._tables: dict[str, pd.DataFrame] = {}
        self._kinds: dict[str, Callable[..., Any]] = {
            "given": given.__getitem__,
            "tuple": lambda *parts: tuple(map(self.decoded, parts)),
            "set": lambda *parts: set(map(self.decoded, parts)),
            "frozenset": lambda *parts: frozenset(map(self.decoded, parts)),
            "dict": lambda *pairs: {self.decoded(key): self.decoded(part) for key, part in pairs},
            "time": lambda text, unit: pd.Timestamp(text).as_unit(unit),
            "not a time": lambda: pd.NaT,
            "object": self._object,
            "table": self._table,
            "column": lambda file, spacing, name: self._table(file, spacing)[""].rename(self.decoded(name)),
            "index": self._index,
            "array": self._array,
            "scalar": lambda file: self._array(file)[()],
            "objects": self._objects,
        }

    def decoded(self, one: Any) -> Any:
        """Return the object that stands for plain data."""
        if isinstance(one, list):
            return [self.decoded(part) for part in one]
        if not isinstance(one, dict):
            return one
        ((kind, content),) = one.items()
        return self._kinds[kind](*content)

    def _object(self, module: str, name: str, state: dict[str, Any]) -> object:
        """Return an instance of a class of this package, its constructor not called."""
        if not module.startswith(f"{_PACKAGE}."):
            raise ValueError(f"{module} is not of this package")
        kind = getattr(importlib.import_module(module), name)
        if not isinstance(kind, type) or kind.__module__ != module:
            raise ValueError(f"{module}.{name} is no class of this package")
        one: object = object.__new__(kind)
        vars(one).update({key: self.decoded(part) for key, part in state.items()})
        return one

    def _table(self, name: str, spacing: str | None) -> pd.DataFrame:
        if name not in self._tables:
            # Tables are small: threads cost more than they save.
            parquet = pq.ParquetFile(pa.BufferReader(self._archive.read(name)))
            columns = parquet.schema_arrow.pandas_metadata["columns"]
            # Parquet has no whole seconds.
            seconds = {column["name"]: _SECONDS for column in columns if column["numpy_type"] == _SECONDS}
            table = parquet.read(use_threads=False).to_pandas(use_threads=False).astype(seconds)
            if spacing:
                table.index = pd.DatetimeIndex(table.index, freq=spacing)
            self._tables[name] = table
        return self._tables[name]

    def _index(self, name: str, spacing: str | None, called: Any) -> pd.Index:
        index = pd.Index(self._table(name, None)[""]).rename(self.decoded(called))
        return pd.DatetimeIndex(index, freq=spacing) if spacing else index

    def _array(self, name: str) -> np.ndarray:
        return np.load(io.BytesIO(self._archive.read(name)), allow_pickle=False)

    def _objects(self, parts: list[Any], shape: list[int]) -> np.ndarray:
        array = np.empty(shape, dtype=object)
        array.ravel()[:] = self.decoded(parts)
        return array
