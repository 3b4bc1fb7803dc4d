"""What the demand page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..accounts import ALL_MATERIALS
from ..demand import CHOICE, METHODS, Outlook, WhatIf, choice_table, printed_ahead
from ..demand import levers as assumed_levers
from ..exhibits import Block, exhibit, logged, note, quantity, sheet
from ..exhibits import headline as headline_block
from .common import day_words, per_cent, tonnes

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "choice",
    "fans",
    "headline",
    "key_figures",
    "levers",
    "titles_ahead",
    "too_short",
    "weeks_ahead",
]

METHOD_HEADS = "; ".join(f"{method} .2" for method in METHODS)


def newsprint(results: Results) -> list[str]:
    """Return the newsprint materials, the most used first."""
    if not results.logs.has("materials") or results.outlook is None:
        return []
    materials = results.logs["materials"]
    kinds = materials.set_index("material")["kind"]
    used = results.outlook.history.tail(52).mean().sort_values(ascending=False)
    return [name for name in used.index if kinds.get(name) == "newsprint"]


def unit_of(results: Results, material: str) -> str:
    """Return the unit a material is counted in, empty for pieces and where no table says."""
    if not results.logs.has("materials"):
        return ""
    units = results.logs["materials"].set_index("material")["unit"]
    unit = str(units.get(material, ""))
    return "" if unit == "each" else unit


def too_short() -> Block:
    """Say that there is no forecast, and what it needs."""
    return note(
        "The logs are too short or hold no materials table, so there is no forecast: at least a few whole weeks "
        "and the table materials are needed."
    )


def headline(results: Results) -> Block:
    """Return the newsprint needed in the next 13 weeks against the same weeks last year."""
    if results.outlook is None:
        return _printed_only(results) or too_short()
    paper = newsprint(results)
    ahead = results["demand_forecast"]
    total = ahead.loc[ahead["material"].isin(paper), "mean"].sum()
    if not total > 0:
        return _printed_only(results) or headline_block(
            "No newsprint is expected to be printed in the next 13 weeks."
        )
    history = results.outlook.history[paper].sum(axis=1, skipna=False)
    year_ago = history.reindex(pd.DatetimeIndex(sorted(ahead["week"].unique())) - pd.Timedelta(weeks=52))
    before = year_ago.sum(skipna=False)
    words = f", {100 * (total / before - 1):+.1f} % against the same weeks last year" if before > 0 else ""
    chosen = [METHODS[number] for number in results.outlook.chosen]
    counts = [f"{method} for {chosen.count(method)}" for method in METHODS if method in chosen]
    compared = bool(choice_table(results.outlook)[list(METHODS)].notna().any(axis=None))
    lead = (
        "Published is the method with the smallest errors so far, on a material's own past and on that of all"
        if compared
        else "The logs are too short to try any method on their past, or to know a season. Used without proof"
    )
    return headline_block(
        f"The next 13 weeks need {tonnes(total, 0)} of newsprint{words}.{printed_weight(results)}",
        f"{lead}: {', '.join(counts)} of {len(chosen)} materials.",
    )


def printed_weight(results: Results) -> str:
    """Say where newsprint is what was printed, not what was mounted; nothing where reels are logged."""
    if results.logs.has("reel_mounts"):
        return ""
    return " Reels are not logged, so this is what gross copies weigh: white waste, butts and web breaks come on top."


def _printed_only(results: Results) -> Block | None:
    """Return copies and area of the next weeks where nothing tells what paper weighs; none without issues to come."""
    copies, area = printed_ahead(results.logs)
    if not copies > 0:
        return None
    paper = f" on {area.sum() / 1e6:.2f} million m2 of paper" if area.sum() > 0 else ""
    return headline_block(
        f"The next 13 weeks print {copies / 1e6:.2f} million copies{paper}; how many tonnes that is cannot be told.",
        "Grammage comes from the table materials: with it, and a few weeks of runs, newsprint is forecast in tonnes.",
    )


def fans(results: Results, material: str | None = None, kind: str = "newsprint") -> Block:
    """Return the forecast of one material; of the most used one of a kind if none is named."""
    if results.outlook is None:
        return too_short()
    names = results.outlook.names
    chosen = material or _most_used(results, kind)
    if chosen not in names:
        return note(f"Nothing is known of the use of {logged(chosen or kind)}.")
    ahead = results["demand_forecast"]
    ahead = ahead[ahead["material"] == chosen]
    history = results.outlook.history[chosen].tail(78)
    unit = unit_of(results, chosen) or "each"
    first = ahead.iloc[0]
    span = (
        f"between {quantity(first['q05'], unit, 0)} and {quantity(first['q95'], unit, 0)} in nine cases of ten"
        if np.isfinite(first["q05"])
        else "too few past errors for an interval"
    )
    return exhibit(
        figures.fan(history, ahead, unit=f"use of {unit_axis(chosen)} [{unit} a week]"),
        name=f"fan-{names.index(chosen)}",
        finding=f"{logged(chosen)}: {quantity(first['mean'], unit, 0)} expected in the week of "
        f"{day_words(first['week'], results.logs.as_of)}, {span}.",
        table=ahead,
        columns=(
            f"week <date>; mean: expected [{unit}] .0; q05: 1 in 20 below [{unit}] .0; "
            f"q25: 1 in 4 below [{unit}] .0; q50: median [{unit}] .0; q75: 1 in 4 above [{unit}] .0; "
            f"q95: 1 in 20 above [{unit}] .0"
        ),
        file="demand_forecast",
    )


def _most_used(results: Results, kind: str) -> str:
    """Return the most used material of a kind, empty where none has a forecast."""
    kinds = results.logs["materials"].set_index("material")["kind"]
    used = results.outlook.history.tail(52).mean() if results.outlook is not None else pd.Series(dtype=float)
    used = used[[kinds.get(name) == kind for name in used.index]]
    return str(used.idxmax()) if len(used.dropna()) else ""


def unit_axis(name: str) -> str:
    """Return a material's name as an axis title may carry it."""
    return figures.labels([name])[name]


def weeks_ahead(results: Results) -> Block:
    """Return the expected use of every material in the next weeks."""
    if results.outlook is None:
        return too_short()
    ahead = results["demand_forecast"]
    total = ahead.groupby("material").agg(first=("mean", "first"), thirteen=("mean", "sum"))
    history = results.outlook.history
    table = total.assign(
        lately=history.tail(13).mean().reindex(total.index),
        unit=[unit_of(results, name) or "each" for name in total.index],
    ).reset_index()
    return sheet(
        table,
        name="weeks-ahead",
        caption="Expected use of every material",
        columns=(
            "material; unit; lately: mean week, last 13 .0; first: next whole week .0; "
            "thirteen: next 13 weeks .0"
        ),
        file="demand_forecast",
    )


def titles_ahead(results: Results) -> Block:
    """Return what is expected of each title, and how far bookings reach."""
    if results.outlook is None:
        return too_short()
    outlook = results.outlook
    days = pd.date_range(outlook.weeks[0], periods=7 * CHOICE, freq="D", unit="us")
    known = max(outlook.weeks[0] - pd.Timedelta(days=1), results.logs.as_of)
    expected = outlook.recipe.drivers.expected(known, days)
    issues = expected.issues.assign(
        pages=expected.pages.mean(axis=1), booked=expected.issues["source"] == "plan"
    )
    if issues.empty:
        return note("No title is expected to come out in the next 13 weeks.")
    table = issues.groupby("title").agg(
        issues=("copies", "size"),
        copies=("copies", "mean"),
        pages=("pages", "mean"),
        colour=("colour_share", "mean"),
        booked=("booked", "mean"),
    )
    table = table.assign(booked=100 * table["booked"], colour=100 * table["colour"]).reset_index()
    share = 100 * float(issues["booked"].mean())
    return sheet(
        table,
        name="titles-ahead",
        caption=f"Titles in the next 13 weeks: {per_cent(share, 0)} of their issues are booked; bookings are "
        "corrected by how far they were lately off so long before",
        columns=(
            "title; issues .0; copies: copies of an issue .0; pages .1; "
            "colour: pages in colour [%] .0; booked: issues booked [%] .0"
        ),
    )


def choice(results: Results) -> Block:
    """Return the evidence for the method of each material."""
    if results.outlook is None:
        return too_short()
    table = choice_table(results.outlook)
    return sheet(
        table,
        name="choice",
        caption="Mean absolute error of each method over 13 weeks ahead, in units of the usual change from year "
        "to year, and what is published",
        columns=f"material; weeks: weeks known .0; {METHOD_HEADS}; chosen: published",
    )


def standard_levers(results: Results) -> dict[str, WhatIf]:
    """Return the assumptions that every plant may ask about."""
    outlook = results.outlook
    if outlook is None:
        return {}
    days = pd.date_range(outlook.weeks[0], periods=7 * CHOICE, freq="D", unit="us")
    known = max(outlook.weeks[0] - pd.Timedelta(days=1), results.logs.as_of)
    titles = sorted(set(outlook.recipe.drivers.expected(known, days).issues["title"]))
    grammage = outlook.recipe.kinds["grammage_gsm"].dropna()
    inks = outlook.recipe.kinds["ink"].dropna()
    return {
        "two pages fewer in every issue": WhatIf(pages=dict.fromkeys(titles, -2.0)),
        "5 % fewer copies of every title": WhatIf(copies=dict.fromkeys(titles, 0.95)),
        "paper 5 % lighter": WhatIf(grammage={name: 0.95 * gsm for name, gsm in grammage.items()}),
        "a tenth less ink coverage": WhatIf(coverage=dict.fromkeys(inks, 0.9)),
        "a quarter less waste of copies": WhatIf(waste=0.75),
        **{f"without {logged(title)}": WhatIf(closed=(title,)) for title in titles[:4]},
    }


def levers(results: Results, assumptions: dict[str, WhatIf] | None = None) -> Block:
    """Return what other assumptions do to the needs of the next 13 weeks, and to money with its limits."""
    if results.outlook is None:
        return too_short()
    assumptions = assumptions or standard_levers(results)
    table = assumed_levers(results.outlook, assumptions)
    if table.empty:
        return note("The logs do not tell what issues take, so no assumption can be worked out.")
    kinds = results.logs["materials"].set_index("material")["kind"]
    table["kind"] = table["material"].map(kinds)
    sums = table.groupby(["what_if", "kind"], sort=False)[["expected", "assumed"]].sum()
    change = (100 * (sums["assumed"] / sums["expected"] - 1)).unstack()
    paper = sums.xs("newsprint", level="kind") if "newsprint" in change else pd.DataFrame()
    shown = change.reindex(columns=["newsprint", "ink", "plate"]).reset_index()
    saved = (paper["assumed"] - paper["expected"]) / 1000 if len(paper) else pd.Series(dtype=float)
    shown["tonnes"] = shown["what_if"].map(saved).astype("float64")
    money = results.what_if(assumptions)
    money = money[money["material"] == ALL_MATERIALS].set_index("what_if")[["cost", "q05", "q95", "why"]]
    shown = shown.join(money, on="what_if")
    # Titles come from the logs and are marked as such already.
    most = shown.loc[shown["tonnes"].abs().idxmax()] if shown["tonnes"].notna().any() else None
    caption = "The next 13 weeks under other assumptions"
    if most is not None:
        more = "+" if most["tonnes"] > 0 else ""
        caption += f"; newsprint changes most: {most['what_if']} ({more}{quantity(most['tonnes'], 't', 0)})"
    return sheet(
        shown,
        name="levers",
        caption=caption,
        columns=(
            "what_if: if; tonnes: newsprint [t] .1; newsprint: newsprint [%] .1; ink: inks [%] .1; "
            f"plate: plates [%] .1; cost: money [{results.logs.plant.currency}] .0; q05: 1 in 20 below .0; "
            "q95: 1 in 20 above .0; why?: remarks"
        ),
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    outlook: Outlook | None = results.outlook
    if outlook is not None:
        print(f"{len(outlook.names)} materials, {len(outlook.history)} weeks")
        total = results["demand_forecast"]
        paper = total.loc[total["material"].isin(newsprint(results)), "mean"].sum()
        print(f"newsprint {paper / 1000:.0f} t in 13 weeks")
        for last in outlook.promises.tail(1).to_dict("records"):
            held = 100 * last["held_80"]
            print(f"missed {last['published']:.2f}, naive {last[METHODS[0]]:.2f}; 80 % held {held:.0f} %")
