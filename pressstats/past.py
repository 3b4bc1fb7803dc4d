"""What past publications said: inputs to the record and to the next plan, with their digests."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
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

_KINDS = {"material": "str", "made_on": "datetime64[us]", "week": "datetime64[us]"}
_KINDS |= dict.fromkeys(["mean", "q05", "q95"], "float64")


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
    parts, digests = [], {}
    for path in sorted(folder.glob("*/tables/demand_forecast.csv")) if folder else []:
        day = _day_of(path.parent.parent.name)
        if folder is None or day is None or day >= as_of:
            continue
        rows = _read(path, {name: kind for name, kind in _KINDS.items() if name != "made_on"})
        parts.append(rows.assign(made_on=day)[list(_KINDS)])
        digests[str(path.relative_to(folder))] = hashlib.sha256(path.read_bytes()).hexdigest()
    past = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(_KINDS))
    return past.astype(_KINDS), digests


def past_plan(folder: Path | None, as_of: pd.Timestamp) -> tuple[PastPlan | None, dict[str, str]]:
    """Read the latest order plan published in the four weeks before `as_of`, None where there is none, with digests.

    Parameters, digests and errors are those of :func:`past_forecasts`.
    """
    folders = _lately(folder, as_of, "order_plan")
    if not folders or folder is None:
        return None, {}
    made_on = max(folders)
    paths = {name: folders[made_on] / f"{name}.csv" for name in _PLANNED}
    if not all(path.is_file() for path in paths.values()):
        return None, {}
    tables = {name: _read(path, _PLANNED[name]) for name, path in paths.items()}
    digests = {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in paths.values()
    }
    return PastPlan(made_on, **tables), digests


def past_exceptions(folder: Path | None, as_of: pd.Timestamp) -> tuple[PastExceptions | None, dict[str, str]]:
    """Read the exceptions published a week before `as_of`, or in the four weeks before; None where there are none.

    Parameters, digests and errors are those of :func:`past_forecasts`.
    """
    folders = _lately(folder, as_of, "exceptions")
    if not folders or folder is None:
        return None, {}
    made_on = max((day for day in folders if as_of - day >= _A_WEEK_AGO), default=max(folders))
    path = folders[made_on] / "exceptions.csv"
    rows = _read(path, _EXCEPTIONS)
    digest = {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()}
    return PastExceptions(made_on, rows), digest


def published_tables(
    publication: Path, wanted: Mapping[str, Mapping[str, str]]
) -> tuple[dict[str, pd.DataFrame], dict[str, str], dict[str, Any]]:
    """Read tables of one publication: of each wanted one its columns, of the types given.

    Returns them by name, the SHA-256 of each file by its name, and the manifest. Raises PastError as
    :func:`past_forecasts`.
    """
    tables, digests = {}, {}
    for name, kinds in wanted.items():
        path = publication / "tables" / f"{name}.csv"
        tables[name] = _read(path, dict(kinds), keys=())
        digests[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    try:
        manifest = json.loads((publication / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        manifest = None
    if not isinstance(manifest, dict):
        raise PastError(f"{publication}: its manifest cannot be read; publish that day again")
    return tables, digests, manifest


def _lately(folder: Path | None, as_of: pd.Timestamp, name: str) -> dict[pd.Timestamp, Path]:
    """Return the folders of tables published in the four weeks before `as_of` that hold one of that name, by day."""
    return {
        day: path.parent
        for path in (folder.glob(f"*/tables/{name}.csv") if folder else [])
        if (day := _day_of(path.parent.parent.name)) is not None and as_of - _OLDEST <= day < as_of
    }


def _day_of(name: str) -> pd.Timestamp | None:
    """Return the day that the folder of a publication is named by, None for any other folder."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", name):
        return None
    day = pd.to_datetime(name, errors="coerce")
    return None if pd.isna(day) else pd.Timestamp(day)


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
