"""What each run took of each ink, and what none of them took: the cells of the bridge of ink."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ..ink import expected_use
from .use import ink_materials

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["INK_CELL", "idle_ink", "ink_runs"]

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
