"""What each title cost in a month, by reels that ran, film and pages, how sure that is, and what to recharge."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..ink.model import term_columns
from ..ink.prediction import scatter_of
from ..tables import OUTPUTS, as_published, month_of
from .use import ink_materials

if TYPE_CHECKING:
    from ..ink import InkFit
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["cost_errors", "recharge_statement", "title_cost"]

_NORMAL_95 = 1.959964
_KINDS = {"newsprint": "paper", "ink": "ink", "plate": "plate"}


def title_cost(
    logs: Logs,
    weighed: WeighedPaper,
    exposure: pd.DataFrame,
    fits: Mapping[str, InkFit],
    spent: pd.DataFrame,
    waste: pd.DataFrame,
) -> pd.DataFrame:
    """Return the published table ``title_cost``.

    Parameters
    ----------
    logs : Logs
        The logs; ``titles`` for customers, ``terms`` for the carbon dioxide of a material.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`.
    exposure, fits
        Results of :func:`pressstats.ink.study_inks`, for the intervals.
    spent : DataFrame
        Result of :func:`pressstats.accounts.valued_use`.
    waste : DataFrame
        Result of :func:`pressstats.accounts.run_waste`.

    Returns
    -------
    DataFrame
        The published columns. Paper, ink, plates and their cost add up over titles to what all issues of the month
        used (`used` and `used_value` of ``month_close``). Idle loss of an ink is shared as its use by runs; what waste
        brought that month as the streams that it holds. Limits are those of weighing, counting and sharing ink.
    """
    runs = logs["runs"]
    about = runs[["run_id", "title", "date"]].assign(month=month_of(runs["date"]))
    rows = spent[spent["kind"].isin(_KINDS)]
    if not len(rows):
        return OUTPUTS["title_cost"].empty()
    shared = _with_idle(rows, about)
    key = ["month", "title"]
    sums = shared.groupby([*key, "kind"])[["quantity", "cost"]].sum(min_count=1).unstack("kind")
    copies = runs.assign(
        month=about["month"], over=(runs["copies_good"] - runs["copies_ordered"]).clip(lower=0.0)
    )
    table = copies.groupby(key).agg(copies_good=("copies_good", "sum"), copies_over=("over", "sum"))
    for kind, name in _KINDS.items():
        quantity = "plates" if kind == "plate" else f"{name}_kg"
        for part, column in (("quantity", quantity), ("cost", f"{name}_cost")):
            known = sums[(part, kind)] if (part, kind) in sums else pd.Series(dtype="float64")
            table[column] = known.reindex(table.index)
    table["waste_income"] = _waste_income(logs, waste, about).reindex(table.index)
    costs = table[["paper_cost", "ink_cost", "plate_cost"]]
    # A kind that nothing tells, such as ink without dips, is not in the cost; the columns say which.
    net = costs.sum(axis=1, min_count=1) - table["waste_income"].fillna(0.0)
    thousands = (table["copies_good"] / 1000).where(table["copies_good"] > 0)
    table["cost_per_1000"] = net / thousands
    error = cost_errors(logs, weighed, exposure, fits, shared, about).reindex(table.index)
    relative = error["copies"] * table["cost_per_1000"].abs()
    half = _NORMAL_95 * np.sqrt((error["cost"] / thousands) ** 2 + relative**2)
    table["ci_low"], table["ci_high"] = table["cost_per_1000"] - half, table["cost_per_1000"] + half
    table["co2_kg"] = _carbon(logs, shared).reindex(table.index)
    titles = logs["titles"].set_index("title")["customer"] if logs.has("titles") else pd.Series(dtype="str")
    table = table.reset_index()
    named = titles.dropna().to_dict()
    table["customer"] = pd.Series(
        [named.get(title, "") for title in table["title"]], table.index, dtype="str"
    )
    return as_published(table, "title_cost")


def _with_idle(rows: pd.DataFrame, about: pd.DataFrame) -> pd.DataFrame:
    """Return use by title, month and material: of the runs, and the share of what no run used.

    Idle loss of a month is shared as the use of its material by runs. Where nobody knows what runs used of it, such as
    ink without coverage, it is in no title: unknown, and not shared alike.
    """
    own = rows[rows["run_id"] != ""].merge(about[["run_id", "title", "month"]], on="run_id")
    idle = rows[rows["run_id"] == ""].assign(month=month_of(rows.loc[rows["run_id"] == "", "day"]))
    key = ["month", "title", "kind", "material"]
    by_title = own.groupby(key)[["quantity", "cost"]].sum().reset_index()
    by_title["run_quantity"] = by_title["quantity"]
    loss = idle.groupby(["month", "material"])[["quantity", "cost"]].sum()
    whole = by_title.groupby(["month", "material"])["quantity"].transform("sum")
    share = (by_title["quantity"] / whole.where(whole > 0)).to_numpy()
    keys = pd.MultiIndex.from_frame(by_title[["month", "material"]])
    for column in ("quantity", "cost"):
        lost = loss[column].reindex(keys).fillna(0.0).to_numpy() if len(loss) else np.zeros(len(by_title))
        by_title[column] += share * lost
    return by_title


def _waste_income(logs: Logs, waste: pd.DataFrame, about: pd.DataFrame) -> pd.Series:
    """Return what waste brought by month and title: each kind's sales of the month, as the streams that it holds."""
    key = [about["month"], about["title"]]
    # Shares of a kind alone are asked for, so the weight of a plate does not matter.
    waste = waste.assign(plates=logs["runs"]["plates"])
    total = pd.Series(0.0, waste.groupby(key).size().index)
    if not logs.has("waste_sold") or not logs.plant.waste:
        return total * np.nan
    sold = logs["waste_sold"]
    income = (sold["kg"] * sold["unit_price"]).groupby([sold["kind"], month_of(sold["sold_on"])]).sum()
    for kind, what in logs.plant.waste.items():
        if kind not in income.index.get_level_values(0):
            continue
        kg = waste[[*what.holds]].fillna(0.0).sum(axis=1).clip(lower=0.0).groupby(key).sum()
        months = kg.index.get_level_values("month")
        whole = kg.groupby(months).transform("sum")
        brought = months.map(income[kind].to_dict()).to_numpy(dtype=float)
        total += np.where(whole > 0, kg / whole.where(whole > 0) * np.nan_to_num(brought), 0.0)
    return total


def _carbon(logs: Logs, shared: pd.DataFrame) -> pd.Series:
    """Return carbon dioxide by month and title [kg], blank where a material has no factor in ``terms``.

    The factor of a material is the mean of its suppliers' newest ones.
    """
    factor = pd.Series(dtype="float64")
    if logs.has("terms"):
        terms = logs["terms"].sort_values("valid_from").drop_duplicates(["material", "supplier"], keep="last")
        factor = terms.groupby("material")["co2_kg_per_unit"].mean()
    carbon = shared["quantity"] * shared["material"].map(factor.to_dict()).astype("float64")
    return carbon.groupby([shared["month"], shared["title"]]).sum(skipna=False)


def recharge_statement(table: pd.DataFrame, customer: str) -> pd.DataFrame:
    """Return what to recharge to the customer of a contract: paper, ink, plates and overs by month and title.

    Parameters
    ----------
    table : DataFrame
        Published table ``title_cost``.
    customer : str
        The customer, as ``titles`` names it.

    Returns
    -------
    DataFrame, shape (months x titles, 10)
        month, title, copies_good, copies_over, paper_cost, ink_cost, plate_cost, over_cost (the part of the cost of
        paper and ink that the copies over what was ordered took), waste_income and net_cost [currency].

    Raises
    ------
    KeyError
        If no title is printed for that customer; the message names those that there are.
    """
    own = table[table["customer"] == customer]
    if own.empty:
        there = ", ".join(sorted(set(table["customer"]) - {""})) or "none"
        raise KeyError(f"no title is printed for {customer!r}; customers: {there}")
    over = own["copies_over"] / own["copies_good"] * (own["paper_cost"] + own["ink_cost"])
    net = own[["paper_cost", "ink_cost", "plate_cost"]].sum(axis=1, min_count=1) - own["waste_income"].fillna(
        0.0
    )
    columns = ["month", "title", "copies_good", "copies_over", "paper_cost", "ink_cost", "plate_cost"]
    statement = own[columns].assign(over_cost=over, waste_income=own["waste_income"], net_cost=net)
    return statement.sort_values(["month", "title"], ignore_index=True)


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
