"""What past publications said: inputs to the record and to the next plan, with their digests."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

__all__ = [
    "PastError",
    "PastExceptions",
    "PastPlan",
    "past_exceptions",
    "past_forecasts",
    "past_plan",
    "published_tables",
]

_FORECAST = {"material": "str", "week": "datetime64[us]"} | dict.fromkeys(["mean", "q05", "q95"], "float64")
#: Columns read of the tables that a past plan was published with.
_PLANNED = {
    "order_plan": {"material": "str", "order_on": "datetime64[us]", "quantity": "float64"},
    "stock_cover": {"material": "str", "quantity": "float64"},
    "demand_forecast": {"material": "str", "week": "datetime64[us]", "mean": "float64"},
}
#: A plan that is older tells nothing about the next one.
_OLDEST = pd.Timedelta(days=28)
#: What came and went since last week is told against a publication of so many days ago, if there is one.
_A_WEEK_AGO = pd.Timedelta(days=6)
_EXCEPTIONS = dict.fromkeys(["exception", "kind", "subject"], "str")


class PastError(ValueError):
    """A table of a past publication cannot be read."""


@dataclass(frozen=True)
class PastPlan:
    """The latest order plan published on `made_on`, and what it was made from.

    Quantities and means are in the unit of the material; the tables hold material, order_on, quantity
    (``order_plan``), material, quantity (``stock_cover``) and material, week, mean (``demand_forecast``).
    """

    made_on: pd.Timestamp
    order_plan: pd.DataFrame
    stock_cover: pd.DataFrame
    demand_forecast: pd.DataFrame


@dataclass(frozen=True)
class PastExceptions:
    """What asked for somebody on `made_on`: exception, kind and subject."""

    made_on: pd.Timestamp
    exceptions: pd.DataFrame


def past_forecasts(folder: Path | None, as_of: pd.Timestamp) -> tuple[pd.DataFrame, dict[str, str]]:
    """Read what earlier publications forecast.

    Parameters
    ----------
    folder : Path or None
        Folder of the publications, one folder a day inside; None or absent gives nothing.
    as_of : Timestamp
        Only publications made before this day count.

    Returns
    -------
    forecasts : DataFrame, shape (rows, 6)
        material, made_on, week, mean, q05, q95.
    digests : dict of str
        SHA-256 of each file read, by its path below `folder`.

    Raises
    ------
    PastError
        If the file of a past publication cannot be read as a forecast; the message names it.
    """
    paths = _tables_of(folder, "demand_forecast", as_of)
    parts = [_read(path, _FORECAST).assign(made_on=day) for day, path in paths.items()]
    kinds = {"material": "str", "made_on": "datetime64[us]"} | _FORECAST
    past = pd.concat(parts, ignore_index=True)[list(kinds)] if parts else pd.DataFrame(columns=list(kinds))
    return past.astype(kinds), _digests(paths.values())


def past_plan(folder: Path | None, as_of: pd.Timestamp) -> tuple[PastPlan | None, dict[str, str]]:
    """Read the latest order plan published in the four weeks before `as_of`, None where there is none, with digests.

    Parameters, digests and errors are those of :func:`past_forecasts`.
    """
    lately = _tables_of(folder, "order_plan", as_of, as_of - _OLDEST)
    if not lately:
        return None, {}
    made_on, plan = max(lately.items())
    paths = {name: plan.with_name(f"{name}.csv") for name in _PLANNED}
    if not all(path.is_file() for path in paths.values()):
        return None, {}
    tables = {name: _read(path, _PLANNED[name]) for name, path in paths.items()}
    return PastPlan(made_on, **tables), _digests(paths.values())


def past_exceptions(folder: Path | None, as_of: pd.Timestamp) -> tuple[PastExceptions | None, dict[str, str]]:
    """Read the exceptions published a week before `as_of`, or in the four weeks before; None where there are none.

    Parameters, digests and errors are those of :func:`past_forecasts`.
    """
    lately = _tables_of(folder, "exceptions", as_of, as_of - _OLDEST)
    if not lately:
        return None, {}
    made_on = max((day for day in lately if as_of - day >= _A_WEEK_AGO), default=max(lately))
    rows = _read(lately[made_on], _EXCEPTIONS)
    return PastExceptions(made_on, rows), _digests([lately[made_on]])


def published_tables(
    publication: Path, wanted: Mapping[str, Mapping[str, str]]
) -> tuple[dict[str, pd.DataFrame], dict[str, str], dict[str, Any]]:
    """Read tables of one publication: of each wanted one its columns, of the types given.

    Returns them by name, the SHA-256 of each file by its name, and the manifest. Raises PastError as
    :func:`past_forecasts`.
    """
    paths = {name: publication / "tables" / f"{name}.csv" for name in wanted}
    tables = {name: _read(path, dict(wanted[name]), keys=()) for name, path in paths.items()}
    digests = _digests(paths.values(), parts=1)
    try:
        manifest = json.loads((publication / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        manifest = None
    if not isinstance(manifest, dict):
        raise PastError(f"{publication}: its manifest cannot be read; publish that day again")
    return tables, digests, manifest


def _tables_of(
    folder: Path | None, name: str, before: pd.Timestamp, since: pd.Timestamp = pd.Timestamp.min
) -> dict[pd.Timestamp, Path]:
    """Return the tables of that name published between two days, the later left out, by the day of their folder."""
    paths = sorted(folder.glob(f"*/tables/{name}.csv")) if folder else []
    dated = [path for path in paths if re.fullmatch(r"\d{4}-\d{2}-\d{2}", path.parts[-3])]
    days = pd.to_datetime([path.parts[-3] for path in dated], errors="coerce")
    return {day: path for day, path in zip(days, dated, strict=True) if since <= day < before}


def _digests(paths: Iterable[Path], parts: int = 3) -> dict[str, str]:
    """Return the SHA-256 of each file by the last parts of its path: day, folder of tables, name."""
    return {str(Path(*path.parts[-parts:])): hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def _read(path: Path, kinds: dict[str, str], keys: Sequence[str] = ("material", "week")) -> pd.DataFrame:
    texts = [name for name, kind in kinds.items() if kind == "str"]
    try:
        if not path.is_file():
            raise ValueError("it is no file")
        rows = pd.read_csv(
            path,
            usecols=list(kinds),
            dtype=dict.fromkeys(texts, "str"),
            keep_default_na=False,
            na_values=[""],
        )
        rows = rows.astype(kinds)[list(kinds)]
        # A forecast and a stock are of one material, and one week.
        key = [name for name in keys if name in kinds]
        if key and rows[key].isna().any(axis=None):
            raise ValueError(f"a blank {' or '.join(key)}")
        if key and "order_on" not in kinds and rows.duplicated(key).any():
            raise ValueError(f"the same {' and '.join(key)} twice")
        if not np.isfinite(rows.select_dtypes("number").fillna(0.0).to_numpy()).all():
            raise ValueError("an infinite number")
    except (ValueError, OSError) as error:
        why = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise PastError(
            f"{path}: a past publication cannot be read from it ({why}); "
            "publish that day again, or move its folder away"
        ) from None
    # Spreadsheets are told by an apostrophe that a text is no formula: it is not part of the name.
    for name in texts:
        rows[name] = rows[name].str.replace(r"(^|[;\t\r\n])'(?=[=+\-@\t\r])", r"\1", regex=True)
    return rows
