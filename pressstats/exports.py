"""How do a plant's exports differ from the tables? Other names, words, units, constants, identifiers, a database."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from .tables import INPUTS, Column

__all__ = ["IDENTIFIERS", "Exported", "Part", "Source", "hint"]

#: What names a secret among the options of an address, or within one; the file that holds it may be named.
_SECRET = re.compile(r"pass(?!file)|pwd|secret|token", re.IGNORECASE)
_SECRET_WITHIN = re.compile(r"(?:pass(?:word|phrase)?|pwd|secret|token)\s*=", re.IGNORECASE)
#: The identifier of its own that a table gives its rows; other tables refer to it.
IDENTIFIERS = {"runs": "run_id", "deliveries": "delivery_id", "reels": "reel_id"}


class Part(BaseModel):
    """A part of ``plant.toml``: an unknown key is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Exports(Part):
    """Which of contradicting rows stands, and which day a clock time in a column of its own belongs to.

    Nights are dated by the ``calendar`` day, by the ``evening`` they begin on, or by the ``issue`` that they print.
    """

    corrections: Literal["set_aside", "newest_file"] = "set_aside"
    nights_dated_by: Literal["calendar", "evening", "issue"] = "calendar"


class Source(Part):
    """The database that holds tables, and the view or query that gives each; a secret has no place in it.

    Where `tables` is empty, tables and views of the database that are called like ours are meant.
    """

    address: str
    tables: dict[str, Annotated[tuple[str, ...], Field(min_length=1)]] = {}
    password_variable: str = ""
    seconds: Annotated[float, Field(gt=0, le=3600)] = 60

    @field_validator("tables", mode="before")
    @classmethod
    def _one_or_several(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        return {table: (one,) if isinstance(one, str) else one for table, one in value.items()}

    @field_validator("tables")
    @classmethod
    def _known_tables(cls, value: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        for table, queries in value.items():
            if table not in INPUTS:
                raise ValueError(f"{table!r} is no table{hint(table, list(INPUTS))}")
            if not all(query.strip() for query in queries):
                raise ValueError(f"{table}: neither a view nor a query")
        return value

    @field_validator("address")
    @classmethod
    def _without_secret(cls, value: str) -> str:
        from sqlalchemy import make_url  # imported here: most plants export files
        from sqlalchemy.exc import ArgumentError

        try:
            url = make_url(value)
        except (ArgumentError, ValueError):
            raise ValueError("no address of a database, such as postgresql://reader@host/name") from None
        options = " ".join(" ".join((one,) if isinstance(one, str) else one) for one in url.query.values())
        if url.password is not None or any(map(_SECRET.search, url.query)) or _SECRET_WITHIN.search(options):
            raise ValueError(
                "a password has no place in plant.toml; the driver finds it in its own file or in its environment, "
                "or name the environment variable that holds it as password_variable"
            )
        return value

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the files that an SQLite database in the logs folder is made of."""
        name = self.address.partition("?")[0].rpartition("/")[2] if self.address.startswith("sqlite") else ""
        return tuple(name + ending for ending in ("", "-wal", "-shm", "-journal")) if name else ()


class Exported(Part):
    """What ``plant.toml`` says of the exports."""

    columns: dict[str, dict[str, tuple[str, ...]]] = {}
    units: dict[str, dict[str, dict[str, str]]] = {}
    values: dict[str, dict[str, dict[str, str]]] = {}
    constants: dict[str, dict[str, str]] = {}
    files: dict[str, tuple[str, ...]] = {}
    keys: dict[str, Annotated[tuple[str, ...], Field(min_length=1)]] = {}
    exports: Exports = Exports()
    source: Source | None = None

    @field_validator("columns", "files", "units", "constants", mode="before")
    @classmethod
    def _one_or_several(cls, value: Any, info: ValidationInfo) -> Any:
        """Bring what may be written in short to one shape: a name alone, a unit of all materials, a number."""

        def one(entry: Any) -> Any:
            if info.field_name == "units":
                return {"": entry} if isinstance(entry, str) else entry
            if info.field_name == "constants":
                return str(entry) if isinstance(entry, int | float | dt.date) else entry
            return (entry,) if isinstance(entry, str) else entry

        if not isinstance(value, dict):
            return value
        if info.field_name == "files":
            return {table: one(names) for table, names in value.items()}
        return {
            table: {name: one(entry) for name, entry in part.items()} if isinstance(part, dict) else part
            for table, part in value.items()
        }

    @field_validator("columns", "files", "units", "values", "constants", "keys")
    @classmethod
    def _known_tables(cls, value: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        known = list(IDENTIFIERS if info.field_name == "keys" else INPUTS)
        for table in value:
            if table not in known:
                what = "has no identifier of its own" if table in INPUTS else "is no table"
                raise ValueError(f"{table!r} {what}{hint(table, known)}")
        return value

    @field_validator("units", "values", "constants")
    @classmethod
    def _known_columns(
        cls, value: dict[str, dict[str, Any]], info: ValidationInfo
    ) -> dict[str, dict[str, Any]]:
        for table, named in value.items():
            for name, entry in named.items():
                column = _column(table, name)
                if info.field_name == "units":
                    _check_unit(table, column, entry)
                if info.field_name == "values":
                    _check_words(table, column, entry)
        return value

    @model_validator(mode="after")
    def _known_names(self) -> Self:
        for table, renamed in self.columns.items():
            known = [*INPUTS[table].names, *self.identifier_parts(table)[1]]
            for ours in (name for names in renamed.values() for name in names):
                if ours not in known:
                    raise ValueError(f"columns: {table} has no column {ours!r}{hint(ours, known)}")
        for table, parts in self.keys.items():
            for name in parts:
                _column(table, name)
        return self

    def identifier_parts(self, table: str) -> tuple[str, tuple[str, ...]]:
        """Return the identifier that a table's rows carry and the columns that make it one; both empty if none is made.

        Where ``[keys] runs`` names date and run_id, every table with a run_id needs both.
        """
        for owner, parts in self.keys.items():
            if IDENTIFIERS[owner] in INPUTS[table].by_name:
                return IDENTIFIERS[owner], parts
        return "", ()


def _column(table: str, name: str) -> Column:
    if name not in INPUTS[table].by_name:
        raise ValueError(f"{table} has no column {name!r}{hint(name, INPUTS[table].names)}")
    return INPUTS[table][name]


def _check_unit(table: str, column: Column, units: dict[str, str]) -> None:
    if not (column.is_number and column.unit):
        raise ValueError(f"{table}.{column.name} has no unit")
    kinds = list(INPUTS["materials"]["kind"].choices) if "material unit" in column.unit else []
    for kind in units:
        if kind not in ("", *kinds):
            raise ValueError(f"{table}.{column.name} has no unit by {kind!r}{hint(kind, kinds)}")


def _check_words(table: str, column: Column, words: dict[str, str]) -> None:
    if column.kind not in ("text", "choice"):
        raise ValueError(f"{table}.{column.name} holds no words")
    for ours in words.values():
        if column.choices and ours not in (*column.choices, ""):
            raise ValueError(
                f"{table}.{column.name} is never {ours!r}; {', '.join(column.choices)}"
                + hint(ours, list(column.choices))
            )


def hint(word: str, known: list[str]) -> str:
    """Return the end of a message that names the nearest known word, if one is near."""
    near = difflib.get_close_matches(word, known, 1, cutoff=0.5)
    return f"; did you mean {near[0]!r}?" if near else ""
