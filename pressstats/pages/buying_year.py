"""What the year ahead needs of each material, month by month, and what it costs against the budget."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from .. import figures
from ..demand import season_of
from ..exhibits import Block, exhibit, folded, note, quantity, sheet, together
from ..orders import season_spend, total_spend, year_spend
from ..prices import agreed_price, agreed_words
from .common import day_words, list_words, tonnes, unseen_season
from .demand import newsprint, unit_of
from .material_words import material_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["contract", "season", "season_table"]

#: What all newsprint together is called, as a name beside those of materials.
_ALL = "All newsprint"
#: Months of both years that make a year against another: all but the running one.
_MONTHS_COMPARED = 11


def season(results: Results) -> Block:
    """Return the next twelve months of all newsprint and of each material, beside last year and the budget."""
    table = results["demand_season"]
    missing = "There is no forecast of the season: the logs are too short, or hold no materials table."
    if table.empty or results.outlook is None or table["mean"].isna().all():
        return note(missing)
    names = [*newsprint(results)]
    names += [name for name in table["material"].unique() if name not in names]
    paper = newsprint(results)
    parts = [table[table["material"] == name] for name in names]
    words = material_words(results.logs)
    titles = {name: str(words.get(name, name)) for name in names}
    finding = "The next twelve months by material."
    if len(paper) > 1:
        parts.insert(0, _all_newsprint(results, paper))
        titles = {_ALL: _ALL, **titles}
    if paper:
        total: Any = parts[0]
        peak = total.loc[total["mean"].idxmax()]
        finding = (
            f"{_ALL}: {tonnes(total['mean'].sum(), 0)} in twelve months, most in {peak['month']:%B} "
            f"({tonnes(peak['mean'], 0)}).{unseen_season(results)}"
        )
    rows = pd.concat(parts, ignore_index=True)
    tons = rows["material"].isin([_ALL, *paper])
    shown = ["mean", "q05", "q95", "last_year", "budget_quantity"]
    rows[shown] = rows[shown].where(~tons, rows[shown] / 1000)
    units = {name: unit_of(results, name) or "each" for name in names} | dict.fromkeys([_ALL, *paper], "t")
    return exhibit(
        figures.season_panels(rows, {name: f"{title} [{units[name]}]" for name, title in titles.items()}),
        name="season",
        finding=finding,
        table=rows.assign(unit=rows["material"].map(units)),
        columns=(
            "material; unit; month <month>; mean: expected .0; q05: 1 in 20 below .0; q95: 1 in 20 above .0; "
            "last_year?: last year .0; budget_quantity?: budget .0"
        ),
        limit=len(rows),
        file="demand_season",
    )


def _all_newsprint(results: Results, names: list[str]) -> pd.DataFrame:
    """Return the months of all newsprint together, as rows of ``demand_season`` [kg]."""
    assert results.outlook is not None
    table = results["demand_season"]
    rows = table[table["material"].isin(names)]
    known = ["last_year", "budget_quantity"]
    sums = rows.groupby("month")[known].sum(min_count=len(names)).reset_index()
    total = season_of(results.outlook, names, results.logs.as_of)
    return total.merge(sums, on="month", how="left").assign(material=_ALL)


def season_table(results: Results) -> Block:
    """Return what each month needs of each material, a column a month."""
    table = results["demand_season"]
    if table.empty:
        return note("No month can be told: there is no forecast.")
    months = table.pivot_table(index="material", columns="month", values="mean", sort=False, dropna=False)
    heads = [f"{month:%b}" for month in months.columns]
    months.columns = pd.Index(heads)
    units = [unit_of(results, name) or "each" for name in months.index]
    shown = months.assign(
        what=[f"{name} [{unit}]" for name, unit in zip(months.index, units, strict=True)],
        total=months.sum(axis=1, min_count=len(heads)),
    )
    words = f"Expected need by month, {table['month'].min():%B %Y} to {table['month'].max():%B %Y}"
    rows = sheet(
        shown.reset_index(drop=True),
        name="season-by-month",
        caption=words,
        columns=f"what: material; {'; '.join(f'{head} .0' for head in heads)}; total: 12 months .0",
        file="demand_season",
    )
    return folded(words, rows)


def contract(results: Results) -> Block:
    """Return what 52 weeks need of each material and cost, beside last year and the budget."""
    if results.outlook is None:
        return note("There is no forecast of the year: the logs are too short, or hold no materials table.")
    table: Any = year_spend(results.logs, results.outlook, results["order_plan"])
    currency = results.logs.plant.currency
    table["unit"] = [unit_of(results, name) or "each" for name in table["material"]]
    total, of = total_spend(table)
    spend = f"{quantity(total, currency, 0)} at today's prices{f' ({of})' if of else ''}"
    left_out: list[str] = []
    first, then = results.logs.as_of + pd.Timedelta(days=1), results.logs.as_of + pd.Timedelta(weeks=52)
    later = [
        row.material
        for row in table.dropna(subset="price").itertuples()
        if agreed_price(results.logs, row.material, then, row.order_size) != row.price
    ]
    if later:
        left_out.append(f"Later prices agreed for {list_words(later)} are not in the 52 weeks.")
    # What is ordered of a material alone is valued: which trucks it will share is not planned for a year.
    shared = results.logs.plant.policy.price_breaks_by == "order"
    alone = ", ordered alone" if shared else ""
    if shared:
        left_out.append(
            "Each material is priced as if ordered alone; order cards carry the break of the whole order."
        )
    season = results["demand_season"]
    # Only months that are known of both years are compared: the running month is not over.
    both = season.dropna(subset=["mean", "last_year"]).groupby("material")
    compared = both[["mean", "last_year"]].sum()[both.size() >= _MONTHS_COMPARED]
    change = 100 * (compared["mean"] / compared["last_year"] - 1)
    table["change"] = change.reindex(table["material"]).to_numpy()
    months = season_spend(results.logs, season, table)
    budget = months.groupby("material")[["spend_expected", "budget_cost"]].sum(min_count=12)
    table["budget"] = budget["budget_cost"].reindex(table["material"]).to_numpy()
    over = budget["spend_expected"] - budget["budget_cost"]
    table["over"] = over.reindex(table["material"]).to_numpy()
    # The months stand beside their budget: 52 weeks at one price are no sum that a budget is taken from.
    table["spend_months"] = table["budget"] + table["over"]
    days = f"{day_words(first)} {first.year} to {day_words(then)} {then.year}"
    rows = sheet(
        table,
        name="contract",
        caption=f"The next 52 weeks, {days}: {spend}{_over_budget(results, table)}",
        columns=(
            "material; unit; low: 1 in 20 below, 52 weeks .0; expected: expected, 52 weeks .0; "
            "high: 1 in 20 above, 52 weeks .0; "
            f"change?: against last year's months [%] .1; price: price now{alone} [{currency}] .4; "
            f"spend_expected: spend, 52 weeks [{currency}] .0; "
            f"spend_months?: spend, 12 months [{currency}] .0; budget?: budget, 12 months [{currency}] .0; "
            f"over?: over budget, 12 months [{currency}] .0"
        ),
    )
    return together(rows, note(" ".join(left_out))) if left_out else rows


def _over_budget(results: Results, table: pd.DataFrame) -> str:
    """Say by how much what the twelve months are expected to cost is over budget, where a budget is known."""
    known = table["over"].notna()
    if not known.any():
        return ""
    months, sums = results["demand_season"]["month"], table.loc[known, "over"].sum()
    some = "" if known.all() else f", {known.sum()} of {len(table)} materials budgeted"
    return (
        f". The twelve months {months.min():%B %Y} to {months.max():%B %Y}, {agreed_words(results.logs, table)} for "
        f"each month, come to {quantity(abs(sums), results.logs.plant.currency, 0)} "
        f"{'over' if sums > 0 else 'under'} budget{some}"
    )
