"""What the page of a group shows: plants side by side, adjusted for what they print, and suppliers over all plants."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, exhibit, files, folded, logged, note, points, provenance, quantity, sheet
from ..exhibits import headline as head
from ..group import COMPARED_DAYS, MEASURES, PLANTS
from .common import counted, day_words, list_words, tonnes

if TYPE_CHECKING:
    from ..group import Group

__all__ = [
    "adjusting",
    "costs",
    "foot",
    "headline",
    "key_figures",
    "measures",
    "plants",
    "suppliers",
    "unpublished",
    "waste",
    "weeks",
]

_WEEKS = COMPARED_DAYS // 7
_MORE = "more"
_MEASURED = {
    "web breaks": "reels of {} break {} {} often than those of others in the same plants",
    "true cost": "a printable tonne of {} costs {} {} than one of others in the same plants",
}


def headline(group: Group) -> Block:
    """Return the message of the page: who failed, who wastes more than the work explains, which supplier stands out."""
    failed = [plant for plant in group.plants if not plant.known]
    rows = _waste_rows(group, "all waste")
    more = rows[rows["state"].str.startswith(_MORE)].sort_values("beyond_kg", ascending=False)
    sentences = []
    if failed:
        names = list_words([plant.outcome.plant for plant in failed])
        sentences.append(f"{names} could not be published.")
    if len(more):
        worst = more.iloc[0]
        sentences.append(
            f"{logged(worst['name'])} wastes {_over(worst['adjusted'])} more paper than its work explains"
            + (f"; so do {counted(len(more) - 1, 'other plant')}." if len(more) > 1 else ".")
        )
    elif len(rows) > 1:
        sentences.append("No plant is shown to waste more paper than its work explains.")
    else:
        sentences.append("There are no two plants to compare.")
    named = group["group_suppliers"]
    named = named[named["state"].str.startswith(_MORE)]
    details = [_beyond(row) for _, row in more.iterrows()]
    details += [f"{words[:1].upper()}{words[1:]}." for words in _supplier_words(named)]
    return head(" ".join(sentences), " ".join(details))


def _beyond(row: pd.Series) -> str:
    """Say how much paper a plant wasted beyond what its work explains, and what that cost."""
    words = f"{logged(row['name'])}: {tonnes(row['beyond_kg'])} beyond it in {_WEEKS} weeks"
    if np.isfinite(row["beyond_cost"]):
        low, high = (quantity(_round(row[name]), "", 0) for name in ("beyond_low", "beyond_high"))
        words += f", {quantity(_round(row['beyond_cost']), row['currency'], 0)} ({low} to {high})"
    return f"{words}."


def _round(value: float) -> float:
    """Return a sum of money to two digits: its interval allows no more."""
    size = 10.0 ** max(np.floor(np.log10(abs(value))) - 1, 0) if value else 1.0
    return float(np.round(value / size) * size)


def _over(ratio: float) -> str:
    return f"{abs(100 * (ratio - 1)):.0f}\u00a0%"


def _sides(row: pd.Series) -> str:
    """Return the interval of how far a plant is off, in the direction that its sentence speaks of."""
    ends = sorted(abs(100 * (row[name] - 1)) for name in ("ci_low", "ci_high"))
    return f"{ends[0]:.0f} to {ends[1]:.0f}"


def _waste_rows(group: Group, measure: str) -> pd.DataFrame:
    """Return the rows of a measure with what each plant calls itself, the one furthest above the group first."""
    rows = group["group_waste"]
    rows = rows[rows["measure"] == measure]
    about = group["group_plants"][["plant", "currency", "waste_pct"]]
    rows = rows.merge(about, on="plant", how="left").sort_values("adjusted", ascending=False, kind="stable")
    return rows.assign(name=rows["plant"].map(_names(group)))


def _names(group: Group) -> pd.Series:
    """Return by plant what it calls itself; with its folder's short name where another calls itself alike."""
    table = group["group_plants"].set_index("plant")["name"]
    short = table.index.to_series()
    again = table.duplicated(keep=False) & (table != "")
    return table.where(table != "", short).where(~again, table + " (" + short + ")")


def unpublished(group: Group) -> Block:
    """Say which plants could not be published or compared, and why."""
    failed = [
        # The reason may name the plant again, as its folder.
        f"**{logged(plant.outcome.plant)}** is in nothing below: "
        f"{logged(plant.outcome.why.removeprefix(f'{plant.outcome.plant}: ').rstrip('.'), 400)}."
        for plant in group.plants
        if not plant.known
    ]
    table = group["group_plants"]
    table = table[(table["state"] != "failed") & (table["why"] != "")]
    names = _names(group)
    apart = [
        f"{logged(names[plant])} is not compared: {why}."
        for plant, why in zip(table["plant"], table["why"], strict=True)
    ]
    days = group["group_plants"].dropna(subset="as_of")
    late = days[days["as_of"] < group.as_of - pd.Timedelta(days=7)]
    apart += [
        f"The logs of {logged(name)} end on {day_words(pd.Timestamp(day), group.as_of)}."
        for name, day in zip(late["plant"].map(names), late["as_of"], strict=True)
    ]
    if not failed + apart:
        return note(f"Published: {counted(len(group.plants), 'plant')}, up to {day_words(group.as_of)}.")
    return points(failed + apart)


def waste(group: Group) -> Block:
    """Return how much each plant wastes, of what its work explains."""
    rows = _waste_rows(group, "all waste")
    if len(rows) < 2:
        return note("Plants are not compared: of no two the waste of half a year is known.")
    named = rows[rows["state"] != "not told apart"]
    finding = f"No plant is shown to differ from the group in {_WEEKS} weeks"
    if len(named):
        finding = "; ".join(
            f"{logged(row['name'])} wasted {_over(row['adjusted'])} {row['state'].split()[0]} than its work explains "
            f"({_sides(row)}\u00a0%)"
            for _, row in named.iterrows()
        )
        finding += f", in {_WEEKS} weeks"
    shown = rows.assign(**{name: 100 * rows[name] for name in ("ratio", "adjusted", "ci_low", "ci_high")})
    figure = figures.interval_dots(
        shown,
        name="name",
        value="adjusted",
        low="ci_low",
        high="ci_high",
        unit="waste [% of the group's level]",
        reference=100.0,
        reference_words="level of the group",
    )
    return exhibit(
        figure,
        name="waste",
        finding=finding,
        table=shown.assign(actual=rows["actual_kg"] / 1000, expected=rows["expected_kg"] / 1000),
        columns=(
            "name: plant; waste_pct: waste as it is [% of mounted] .1; actual: wasted [t] .1; "
            "expected: at the level of the group [t] .1; ratio: actual / expected [%] .1; adjusted: adjusted [%] .1; "
            "ci_low: 95 % from [%] .1; ci_high: to [%] .1; state: told"
        ),
        file="group_waste",
    )


def costs(group: Group) -> Block:
    """Return what each plant wasted beyond the level of the group, in money."""
    rows = _waste_rows(group, "all waste").dropna(subset="beyond_cost")
    if len(rows) < 2:
        return note("What it costs is not told: of no two plants the price of wasted paper is known.")
    first = rows.iloc[0]
    unit = f" [{first['currency']}]" if rows["currency"].nunique() == 1 else ""
    caption = f"No plant is shown to have lost money by waste beyond the level of the group in {_WEEKS} weeks"
    if first["state"].startswith(_MORE):
        cost = quantity(_round(first["beyond_cost"]), first["currency"], 0)
        caption = (
            f"At the level of the group {logged(first['name'])} would have spared {cost} in {_WEEKS} weeks"
        )
    return sheet(
        rows.assign(
            tonnes=rows["beyond_kg"] / 1000,
            **{name: rows[name].map(_round) for name in ("beyond_cost", "beyond_low", "beyond_high")},
        ),
        name="costs",
        caption=f"{caption} (negative: it wasted less; from, to: 95 % interval)",
        columns=(
            f"name: plant; tonnes: paper [t] .1; beyond_cost: cost{unit} .0; beyond_low: from{unit} .0; "
            f"beyond_high: to{unit} .0" + ("" if unit else "; currency")
        ),
        file="group_waste",
    )


def measures(group: Group) -> Block:
    """Return in which stream each plant is off the group."""
    streams = [measure for measure in MEASURES if measure != "all waste"]
    parts = {measure: rows for measure in streams if len(rows := _waste_rows(group, measure)) > 1}
    if not parts:
        return note("Streams of waste are not compared: of no two plants they are known.")
    rows = pd.concat(parts.values())
    named = rows[rows["state"] != "not told apart"]
    caption = f"No stream of any plant is shown to differ from the group in {_WEEKS} weeks"
    if len(named):
        first = named.iloc[int((named["adjusted"] - 1).abs().argmax())]
        caption = (
            f"Furthest off is {first['measure']} at {logged(first['name'])}: {_over(first['adjusted'])} "
            f"{first['state'].split()[0]} than its work explains, in {_WEEKS} weeks"
        )
    spans = [
        f"{100 * row['adjusted']:.0f} ({100 * row['ci_low']:.0f} to {100 * row['ci_high']:.0f}){_marked(row['state'])}"
        for _, row in rows.iterrows()
    ]
    rows["words"] = [words.replace(" ", "\u00a0") for words in spans]
    order = list(dict.fromkeys([*_waste_rows(group, "all waste")["name"], *rows["name"]]))
    order = [name for name in order if name in set(rows["name"])]
    table = rows.pivot(index="name", columns="measure", values="words").loc[order, list(parts)].reset_index()
    return sheet(
        table,
        name="measures",
        caption=f"{caption}. In % of the level of the group, with 95 % intervals; ▲ more, ▼ less than the group. Of so "
        "many intervals one may leave out 100 by chance: without a mark it names nobody",
        columns="; ".join(["name: plant", *parts]),
        file="group_waste",
    )


def _marked(state: str) -> str:
    return {"more": "\u00a0▲", "less": "\u00a0▼"}.get(state.split()[0], "")


def plants(group: Group) -> Block:
    """Return the plants side by side, as they are."""
    table = group["group_plants"]
    table = table.assign(
        name=table["plant"].map(_names(group)),
        paper=table["good_kg"] / 1000,
        million=table["copies_good"] / 1e6,
    )
    return sheet(
        table,
        name="plants",
        caption=f"What each plant printed in the {_WEEKS} weeks to its as-of day; waste as it is says nothing of how "
        "well it works, since other work wastes otherwise",
        columns=(
            "name: plant; state; as_of: as of <date>; runs .0; million: net good copies [million] .1; "
            "paper: good paper [t] .0; waste_pct: waste as it is [%] .1"
        ),
        file="group_plants",
    )


def suppliers(group: Group) -> Block:
    """Return suppliers over all plants: web breaks against the other suppliers of the same plants, and true cost."""
    table = group["group_suppliers"]
    if table.empty:
        return note("Suppliers are not compared: in no plant two of them are known.")
    rows = table.sort_values(["measure", "adjusted"], ascending=False, kind="stable")
    named = rows[rows["state"] != "not told apart"]
    finding = "; ".join(_supplier_words(named))
    finding = finding[:1].upper() + finding[1:] or "No supplier is shown to differ from the others"
    shown = rows.assign(**{name: 100 * rows[name] for name in ("ratio", "adjusted", "ci_low", "ci_high")})
    shown["row"] = [
        f"{name}, {measure}" for name, measure in zip(rows["supplier"], rows["measure"], strict=True)
    ]
    figure = figures.interval_dots(
        shown,
        name="row",
        value="adjusted",
        low="ci_low",
        high="ci_high",
        unit="[% of the others]",
        reference=100.0,
        reference_words="all alike",
    )
    return exhibit(
        figure,
        name="suppliers",
        finding=finding,
        table=shown,
        columns=(
            "supplier; measure; plants .0; size: reels, or materials .0; actual: web breaks .0; expected .1; "
            "ratio: as it is [%] .1; adjusted: adjusted [%] .1; ci_low: 95 % from [%] .1; ci_high: to [%] .1; "
            "state: told"
        ),
        file="group_suppliers",
    )


def _supplier_words(named: pd.DataFrame) -> list[str]:
    """Say how each supplier that is told apart differs, with its interval."""
    return [
        _MEASURED[row["measure"]].format(
            logged(row["supplier"]), _over(row["adjusted"]), row["state"].split()[0]
        )
        + f" ({_sides(row)}\u00a0%)"
        for _, row in named.iterrows()
    ]


def weeks(group: Group) -> Block:
    """Return what each plant's own page of the week says first, with a link to it."""
    known, names = [plant for plant in group.plants if plant.known], _names(group)
    lines = []
    for plant in known:
        outcome = plant.outcome
        page = f"../{PLANTS}/{outcome.plant}/{outcome.as_of}/index.html"
        when = f"as of {day_words(pd.Timestamp(outcome.as_of), group.as_of)}"
        lines.append(([(page, logged(names[outcome.plant]))], f"{when}. {plant.headline}"))
    return files(lines)


def adjusting(group: Group) -> Block:
    """Say how plants are adjusted for what they print, with what a start, a web and a tonne are worth."""
    table = group["group_standard"]
    if table.empty:
        return note("Nothing is adjusted: of no plant half a year of waste is known.")
    method = note(
        "Each run is expected to waste what a start, each further web and a tonne of good copies waste at the level "
        "of the group, at the weight of its own copies. A plant's ratio is what all its runs wasted, over that. Errors "
        "are those of spells of four weeks. Ratios are then drawn towards each other as far as chance may explain "
        "them, and a plant or supplier is named only by a test that names one by chance in one group of twenty. What a "
        "plant cannot choose beyond copies, pages, webs and starts (its presses, its paper) is not adjusted for. "
        "Start-up and running waste are as each plant counts them: where counters differ, compare all waste."
    )
    rows = sheet(
        table,
        name="standard",
        caption="What waste is expected in proportion to, at the level of the group",
        columns="measure; term; estimate; std_error: standard error; unit",
        file="group_standard",
    )
    return folded("How plants are adjusted for what they print", method, rows)


def foot(group: Group) -> Block:
    """Return the foot of the page: the tables that it rests on."""
    return provenance(group.logs)


def key_figures(group: Group) -> None:
    """Print rounded key figures, which tests compare."""
    rows = group["group_waste"]
    rows = rows[rows["measure"] == "all waste"]
    print(
        f"{len(group.plants)} plants, {len(rows)} compared, {len(group['group_suppliers'])} rows of suppliers"
    )
    for _, row in rows.iterrows():
        print(f"{row['plant']}: {row['actual_kg'] / 1000:.0f} t wasted, ratio {row['ratio']:.2f}")
