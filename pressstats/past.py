"""Forecasts of past publications: inputs to the record, with their digests."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pandas as pd

__all__ = ["PastError", "past_forecasts"]

_KINDS = {"material": "str", "made_on": "datetime64[us]", "week": "datetime64[us]"}
_KINDS |= dict.fromkeys(["mean", "q05", "q95"], "float64")


class PastError(ValueError):
    """A forecast of a past publication cannot be read."""


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
        rows = _read(path)
        parts.append(rows.assign(made_on=day)[list(_KINDS)])
        digests[str(path.relative_to(folder))] = hashlib.sha256(path.read_bytes()).hexdigest()
    past = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(_KINDS))
    return past.astype(_KINDS), digests


def _day_of(name: str) -> pd.Timestamp | None:
    """Return the day that the folder of a publication is named by, None for any other folder."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", name):
        return None
    day = pd.to_datetime(name, errors="coerce")
    return None if pd.isna(day) else pd.Timestamp(day)


def _read(path: Path) -> pd.DataFrame:
    columns = [column for column in _KINDS if column != "made_on"]
    try:
        rows = pd.read_csv(
            path, usecols=columns, dtype={"material": "str"}, keep_default_na=False, na_values=[""]
        )
        rows = rows.astype({column: _KINDS[column] for column in columns})
    except (ValueError, UnicodeDecodeError) as error:
        raise PastError(f"{path}: no forecast of a past publication can be read from it: {error}") from None
    # Spreadsheets are told by an apostrophe that a text is no formula: it is not part of the name.
    rows["material"] = rows["material"].str.replace(r"^'(?=[=+\-@\t\r])", "", regex=True)
    return rows
