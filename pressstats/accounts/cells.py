"""What the issues of a title on a weekday took in some days: the cells that bridges are built of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper
    from .book import MaterialBook

__all__ = ["CELL", "PAPER_STREAMS", "newsprint_runs", "plate_runs", "valued_use"]

#: What cells are told apart by.
CELL = ["title", "weekday"]
#: Streams of paper beside the good copies; what was not weighed stands in the last.
PAPER_STREAMS = (
    "startup",
    "running",
    "uncounted",
    "grammage",
    "strip",
    "reel_end",
    "scrapped",
    "unexplained",
)


def valued_use(use: pd.DataFrame, books: Mapping[str, MaterialBook]) -> pd.DataFrame:
    """Return `use` with `cost`: what was paid for each row, as its book values it [currency]."""
    price = pd.Series(np.nan, use.index)
    for material, rows in use.groupby("material"):
        price[rows.index] = rows["day"].map(books[str(material)].unit_cost).to_numpy()
    return use.assign(cost=use["quantity"] * price)


def _of_runs(logs: Logs, spent: pd.DataFrame, kind: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return runs with title and weekday, and quantity and cost of a kind by run, rows as in ``runs``."""
    runs = logs["runs"]
    about = runs[["run_id", "date", "title", "pages", "copies_good", "copies_gross"]]
    about = about.assign(weekday=runs["date"].dt.day_of_week)
    own = spent[spent["kind"] == kind].groupby("run_id")[["quantity", "cost"]].sum(min_count=1)
    return about, own.reindex(about["run_id"]).set_axis(about.index)


def newsprint_runs(logs: Logs, weighed: WeighedPaper, spent: pd.DataFrame) -> pd.DataFrame:
    """Return what each run took of newsprint.

    Parameters
    ----------
    logs : Logs
        The logs.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`.
    spent : DataFrame
        Result of :func:`valued_use`.

    Returns
    -------
    DataFrame, rows as in ``runs``
        run_id, date, title, weekday, pages, copies_good, copies_gross, good_m2 [m2], good_kg, every stream of
        `PAPER_STREAMS`, quantity [kg], cost [currency]. The streams and the good copies add up to the quantity; what
        no stream tells is unexplained.
    """
    table, own = _of_runs(logs, spent, "newsprint")
    runs = weighed.runs
    table = table.assign(good_m2=runs["copy_m2"] * table["copies_good"], good_kg=runs["good_kg"], **own)
    for name in PAPER_STREAMS[:-1]:
        table[name] = runs[f"{name}_kg"].fillna(0.0)
    known = table[["good_kg", *PAPER_STREAMS[:-1]]].sum(axis=1, skipna=False)
    table["unexplained"] = table["quantity"] - known
    return table


def plate_runs(logs: Logs, spent: pd.DataFrame) -> pd.DataFrame:
    """Return what each run took of plates: run_id, date, title, weekday, pages, remade, quantity, cost."""
    table, own = _of_runs(logs, spent, "plate")
    return table.assign(remade=logs["runs"]["plates_remade"].fillna(0.0), **own)
