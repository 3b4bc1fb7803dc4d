"""How sure the cost of a title is: errors of weighing reels, counting copies and sharing ink."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..ink.model import term_columns
from ..ink.prediction import scatter_of
from .use import ink_materials

if TYPE_CHECKING:
    from ..ink import InkFit
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["cost_errors"]


def cost_errors(
    logs: Logs,
    weighed: WeighedPaper,
    exposure: pd.DataFrame,
    fits: Mapping[str, InkFit],
    shared: pd.DataFrame,
    about: pd.DataFrame,
) -> pd.DataFrame:
    """Return one standard deviation of the cost of each month and title.

    Parameters
    ----------
    logs, weighed, exposure, fits
        As for :func:`pressstats.accounts.title_cost`.
    shared : DataFrame
        month, title, kind, material, quantity and cost of what each title used.
    about : DataFrame
        run_id, title and month of the runs.

    Returns
    -------
    DataFrame, index month and title
        cost [currency], and copies, that of the good copies as a share of them.
    """
    key = [about["month"], about["title"]]
    good = logs["runs"]["copies_good"]
    copies = np.sqrt((good**2).groupby(key).sum()) / good.groupby(key).sum()
    variance = pd.Series(0.0, copies.index)
    for part in (_paper(logs, weighed, shared, about), _ink(logs, exposure, fits, shared, about)):
        variance = variance.add(part.reindex(copies.index).fillna(0.0))
    return pd.DataFrame(
        {"cost": np.sqrt(variance), "copies": copies * logs.plant.measurement.copies_pct / 100}
    )


def _paper(logs: Logs, weighed: WeighedPaper, shared: pd.DataFrame, about: pd.DataFrame) -> pd.Series:
    """Return the variance of paper: each weight of a reel counts once, however many mounts it ends and begins.

    A part reel that goes on to the next title takes from one what it gives to the other; within a title the weight
    cancels. A reel that is used up leaves nothing to weigh.
    """
    mounts = weighed.mounts
    if mounts is None:
        return pd.Series(dtype="float64")
    table = logs["reel_mounts"][["supplier", "reel_id", "mounted_at", "start_kg", "returned_kg"]]
    run = mounts["run"].to_numpy()
    table = table.assign(month=about["month"].to_numpy()[run], title=about["title"].to_numpy()[run])
    table = table[run >= 0].sort_values(["supplier", "reel_id", "mounted_at"], kind="stable")
    reel = table.groupby(["supplier", "reel_id"], sort=False)
    again = (table["start_kg"] - reel["returned_kg"].shift()).abs() < 1e-9
    # Of the k-th mount of a reel weight 2 k begins it and 2 k + 1 ends it, which the next one may begin with.
    order = 2 * reel.cumcount()
    begins = table.assign(weight=order - again, sign=1.0)
    ends = table.assign(weight=order + 1, sign=-1.0)
    both = pd.concat([begins, ends[ends["returned_kg"] > 0]])
    names = ["supplier", "reel_id", "weight", "month", "title"]
    net = both.groupby(names)["sign"].sum()
    squared = (net**2).groupby(["month", "title"]).sum() * logs.plant.measurement.reel_kg**2
    paper = shared[shared["kind"] == "newsprint"].groupby(["month", "title"])[["quantity", "cost"]].sum()
    price = paper["cost"] / paper["quantity"]
    return squared * price.reindex(squared.index) ** 2


def _ink(
    logs: Logs,
    exposure: pd.DataFrame,
    fits: Mapping[str, InkFit],
    shared: pd.DataFrame,
    about: pd.DataFrame,
) -> pd.Series:
    """Return the variance of ink: of terms, of the scatter of runs, and of the two dips about the month."""
    parts = []
    inks = ink_materials(logs).astype("str").to_dict() if logs.has("materials") else {}
    for material, ink in inks.items():
        if ink not in fits:
            continue
        fit = fits[ink]
        rows = exposure[exposure["ink"] == ink].merge(about[["run_id", "title", "month"]], on="run_id")
        rows = rows.fillna({"solid_m2": 0.0, "starts": 0.0}).assign(days=0.0)
        rows = rows.assign(solid_squared=rows["solid_m2"] ** 2)
        design, covariance = term_columns(rows, fit.terms), fit.covariance
        scatter = fit.fit.scatter_variance * scatter_of(fit, rows)
        key = [rows["month"], rows["title"]]
        terms = pd.DataFrame(design, rows.index).groupby(key).sum()
        amount = pd.Series(scatter, rows.index).groupby(key).sum()
        own = shared[shared["material"] == material].set_index(["month", "title"])
        own = own.reindex(terms.index)
        months = terms.index.get_level_values("month")
        share = own["quantity"] / own["quantity"].groupby(months).transform("sum")
        # A title's share of what the dips tell of the month: what all of them share alike cancels.
        whole = terms.groupby(months).transform("sum")
        apart = terms.to_numpy() - share.to_numpy()[:, None] * whole.to_numpy()
        of_terms = np.einsum("ij,jk,ik->i", apart, covariance, apart)
        every = amount.groupby(months).transform("sum")
        of_runs = amount * (1 - 2 * share) + share**2 * every
        of_dips = 2 * (share * fit.dip_kg) ** 2
        price = own["cost"] / own["quantity"]
        parts.append((of_terms + of_runs.clip(lower=0.0) + of_dips) * price**2)
    if not parts:
        return pd.Series(dtype="float64")
    return pd.concat(parts).groupby(level=[0, 1]).sum()
