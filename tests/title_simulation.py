"""Plants of 75 days whose logs err as they may, and what each of their titles truly cost in a month."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from small_plant import small_tables, write_small_plant

from pressstats.accounts import material_books, material_use, run_waste, title_cost, valued_use
from pressstats.demand import weekly_use
from pressstats.ink import ink_model, study_inks
from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.tables import OUTPUTS

__all__ = ["cost_and_truth"]


def cost_and_truth(folder: Path, rng: np.random.Generator) -> pd.DataFrame:
    """Return ``title_cost`` of a plant, written into a folder, with the true cost per 1,000 copies beside it."""
    tables = small_tables(75)
    exact = {name: table.copy() for name, table in tables.items()}
    truth = with_errors(tables, rng)
    logs = read_logs(write_small_plant(folder, tables))
    weighed = weighed_paper(logs)
    exposure, intervals, fits, _ = study_inks(logs)
    model = ink_model(intervals, fits)
    history = weekly_use(logs, weighed.runs, exposure, intervals, model, fits)
    use = material_use(logs, weighed, exposure, model, history)
    spent = valued_use(use, material_books(logs, use, OUTPUTS["ink_findings"].empty()))
    table = title_cost(logs, weighed, exposure, fits, spent, run_waste(logs, weighed))
    about = exact["runs"].assign(month=exact["runs"]["date"].dt.to_period("M").dt.to_timestamp())
    true = _true_cost(exact, about, truth)
    return table.set_index(["month", "title"]).join(true.rename("true"), how="inner")


def with_errors(tables: dict[str, pd.DataFrame], rng: np.random.Generator) -> pd.DataFrame:
    """Put errors into exact logs; return the true ink of each run [kg]: its scatter is real, and the tanks feel it."""
    mounts, runs = tables["reel_mounts"], tables["runs"]
    mounts = mounts.sort_values("mounted_at", kind="stable")
    error: dict[tuple[str, str], float] = {}
    starts, returns = [], []
    for row in mounts.itertuples():
        reel = (row.supplier, row.reel_id)
        begin = error.get(reel, 3.0 * rng.standard_normal())
        starts.append(row.start_kg + begin)
        end = 3.0 * rng.standard_normal() if row.returned_kg > 0 else 0.0
        error[reel] = end
        returns.append(row.returned_kg + end)
    tables["reel_mounts"] = mounts.assign(start_kg=starts, returned_kg=returns)
    counted = 1 + 0.001 * rng.standard_normal(len(runs))
    for name in ("copies_good", "copies_gross", "copies_startup_waste", "copies_running_waste"):
        runs[name] = np.round(runs[name] * counted)
    dips, truth = tables["tank_readings"], []
    for ink, pages, tank in (("black", 1.6, "K1"), ("cyan", 0.8, "C1")):
        solid = np.where(runs["title"] == "Daily", 20_000.0, 5_000.0) * pages * 0.12
        kg = solid * 2.0 / 1000
        extra = kg * 0.06 * rng.standard_normal(len(kg))
        truth.append(pd.DataFrame({"run_id": runs["run_id"], "ink": ink, "kg": kg + extra}))
        own = dips["tank"] == tank
        until = dips.loc[own, "read_at"].to_numpy()
        after = [extra[(runs["finished_at"] <= when).to_numpy()].sum() for when in until]
        dips.loc[own, "level_kg"] += 3.0 * rng.standard_normal(own.sum()) - np.array(after)
    return pd.concat(truth)


def _true_cost(exact: dict[str, pd.DataFrame], about: pd.DataFrame, truth: pd.DataFrame) -> pd.Series:
    """Return the cost per 1,000 good copies of each month and title: paper and black 0.5, cyan 4, plates 3 each."""
    mounts = exact["reel_mounts"].merge(about[["run_id", "month", "title"]], on="run_id")
    key = ["month", "title"]
    paper = (mounts["start_kg"] - mounts["returned_kg"]).groupby([mounts[name] for name in key]).sum() * 0.5
    rows = truth.merge(about[["run_id", "month", "title"]], on="run_id")
    rows["cost"] = rows["kg"] * rows["ink"].map({"black": 0.5, "cyan": 4.0})
    ink = rows.groupby(key)["cost"].sum()
    # A kilogram of idle loss a day and ink, shared as the month's ink of its runs.
    for name, price in (("black", 0.5), ("cyan", 4.0)):
        own = rows[rows["ink"] == name].groupby(key)["kg"].sum()
        months = own.index.get_level_values("month")
        days = about.groupby("month")["date"].nunique().reindex(months).to_numpy()
        ink = ink + own / own.groupby(months).transform("sum") * days * price
    plates = about.groupby(key)["plates"].sum() * 3.0
    return (paper + ink + plates) / about.groupby(key)["copies_good"].sum() * 1000
