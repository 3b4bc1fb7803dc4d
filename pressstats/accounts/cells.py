"""What issues of a title on a weekday took in some days, of ink by run: the cells that bridges are built of."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..ink import expected_use
from .use import ink_materials

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper
    from .book import MaterialBook

__all__ = [
    "CELL",
    "INK_CELL",
    "PAPER_STREAMS",
    "idle_ink",
    "ink_runs",
    "newsprint_runs",
    "plate_runs",
    "valued_use",
]

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
    logs, weighed
        Logs, and the result of :func:`pressstats.paper.weighed_paper`.
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


INK_CELL = ["title", "weekday", "material"]


def ink_runs(logs: Logs, exposure: pd.DataFrame, model: pd.DataFrame, spent: pd.DataFrame) -> pd.DataFrame:
    """Return what each run took of each ink.

    Columns run_id, date, title, weekday, material, copies_good, copies_gross, startup, running, uncounted (copies),
    printed (good copies times pages), solid_m2 [m2], start_kg (ink of its start, by the model) [kg], quantity [kg],
    cost [currency]. A run of unknown coverage prints as the use that was put to it says.
    """
    runs = logs["runs"]
    about = pd.DataFrame(
        {
            "run_id": runs["run_id"],
            "date": runs["date"],
            "title": runs["title"],
            "weekday": runs["date"].dt.day_of_week,
            "copies_good": runs["copies_good"],
            "copies_gross": runs["copies_gross"],
            "startup": runs["copies_startup_waste"],
            "running": runs["copies_running_waste"],
            "printed": runs["copies_good"] * runs["pages"],
        }
    )
    about["uncounted"] = about["copies_gross"] - about["copies_good"] - about["startup"] - about["running"]
    inks = ink_materials(logs) if logs.has("materials") else pd.Series(dtype="str")
    own = spent[(spent["kind"] == "ink") & (spent["run_id"] != "")]
    own = own[["run_id", "material", "quantity", "cost"]].assign(ink=own["material"].map(inks))
    table = own.merge(exposure[["run_id", "ink", "solid_m2", "starts"]], on=["run_id", "ink"], how="left")
    start = expected_use(table.assign(solid_m2=0.0, days=0.0), model)
    whole = expected_use(table.assign(days=0.0), model)
    # What the dips tell of a week scales the ink of its starts as it does its film.
    scale = (table["quantity"] / whole).where(whole > 0).fillna(1.0)
    table["start_kg"] = (start * scale).fillna(0.0)
    return table.drop(columns=["ink", "starts"]).merge(about, on="run_id")


def idle_ink(spent: pd.DataFrame) -> pd.DataFrame:
    """Return the ink that no run took: date, material, quantity [kg], cost [currency]."""
    rows = spent[(spent["kind"] == "ink") & (spent["run_id"] == "")]
    return rows.rename(columns={"day": "date"})[["date", "material", "quantity", "cost"]]
