"""What the reels page shows of reel ends, the splice target, strip, and the next night's reels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, Shown, declared, exhibit, heads, logged, note, points, quantity, sheet
from ..geometry import strip_fraction
from ..prices import price_words
from ..reels import ends_by as ends_by_factor
from .common import day_words, list_words, needs, tonnes, unless_logged

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "ends",
    "ends_by",
    "lengths",
    "next_night",
    "planned",
    "sensitivity",
    "splice_target",
    "stands",
    "strip",
    "strip_words",
    "target_words",
]

_FACTORS = {
    "press": "press",
    "title": "title",
    "material": "material",
    "hour": "hour of the splice",
    "crew": "crew",
}
_UNWEIGHED = "Metres left on the core are unknown: no splice has a butt weighed."
_MANUAL = "A changed setting is a matter for the press crew and the maker's manual."


def stands(results: Results) -> Block:
    """Return how the metres left on the core at a splice are spread, by reelstand."""
    study = results.reel_study
    target = results.logs.plant.reel.splice_target_m
    table = ends_by_factor(study.ends, "reelstand", target)
    if table.empty:
        return unless_logged(results, "Butts", _UNWEIGHED, "reel_mounts", "materials")
    named = study.wasteful_stands["level"].tolist()
    mean = float((table["mean"] * table["splices"]).sum() / table["splices"].sum())
    finding = (
        f"{list_words(named)} leaves far more than the target of {target:g} m on the core; the other stands do not."
        if named
        else f"No reelstand stands out; on average {mean:.1f} m stay on the core, {target:g} m are meant to."
    )
    table = table.sort_values("pooled", ascending=False, ignore_index=True)
    return exhibit(
        figures.spreads(table, target=target, named=named),
        name="metres-left",
        finding=finding,
        table=table,
        columns=_columns("reelstand"),
        file="reel_ends",
    )


def _columns(words: str) -> str:
    return (
        f"level: {words}; splices: good splices .0; mean: mean left [m] .1; "
        "ci_low: 95 % from [m] .1; ci_high: to [m] .1; pooled: adjusted for small numbers [m] .1; "
        "q10: 1 of 10 below [m] .1; q50: half below [m] .1; q90: 9 of 10 below [m] .1; "
        "kg_over_target: over the target, in all [kg] .0"
    )


def ends_by(results: Results) -> Block:
    """Return how the metres left differ by material, press, title, hour and crew."""
    target = results.logs.plant.reel.splice_target_m
    parts = []
    for factor, words in _FACTORS.items():
        parts.append(ends_by_factor(results.reel_study.ends, factor, target).assign(factor=words))
    table = pd.concat(parts, ignore_index=True)
    if table.empty:
        return unless_logged(results, "What butts differ by", _UNWEIGHED, "reel_mounts", "materials")
    # Means drawn together: a level with four splices is no finding.
    far = table.loc[(table["pooled"] - target).abs().idxmax()]
    return sheet(
        table,
        name="ends-by-factor",
        caption=f"Metres left on the core by what else is logged: furthest from the target is {far['factor']} "
        f"{logged(far['level'])} with {far['pooled']:.1f} m (a bad stand shows in all that ran on it)",
        columns=f"factor: what differs; {_columns('level')}",
        limit=80,
    )


def ends(results: Results) -> Block:
    """Return what reel ends cost by reelstand and material."""
    table = results["reel_ends"].sort_values("lost_cost_per_year", ascending=False)
    return sheet(
        table,
        name="reel-ends",
        caption="Paper left on cores, by reelstand and material, the dearest first, "
        + price_words(results.logs),
        columns=declared(
            "reel_ends",
            currency=results.logs.plant.currency,
            labels={
                "butt_kg_mean": "left on the core, mean",
                "butt_m_mean": "the same",
                "butt_m_ci_low": "95 % from",
                "butt_m_ci_high": "to",
                "lost_kg_per_year": "lost",
                "lost_cost_per_year": "lost, worth",
            },
        ),
        limit=15,
        file="reel_ends",
    )


def lengths(results: Results) -> Block:
    """Compare the metres left by weight with those by depth on the core."""
    table = results.reel_study.lengths
    if table.empty:
        weighed = results.reel_study.ends["butt_kg"].notna().any()
        rest = (
            "so the metres left rest on weight alone"
            if weighed
            else "nor a butt weighed: metres left are unknown"
        )
        return note(f"No depth on the core is logged, {rest}.")
    off = table[(table["ci_low"] > 0) | (table["ci_high"] < 0)]
    far = float(table["difference"].abs().max())
    verdict = (
        f"they differ by up to {far:.1f} m, beyond chance for {list_words(off['material'].tolist())}: core diameter, "
        "caliper or the bench scale is not what it is taken for"
        if len(off) and far >= 0.5
        else f"they agree within {far:.1f} m"
    )
    return sheet(
        table,
        name="both-lengths",
        caption=f"Metres left by weight and by depth on the core: {verdict}",
        columns=(
            "material; splices .0; by_weight: by weight [m] .1; by_depth: by depth [m] .1; "
            "difference: depth less weight [m] .2; ci_low: 95 % from [m] .2; ci_high: to [m] .2; "
            "caliper_um: caliper that would agree [um] .0"
        ),
    )


def splice_target(results: Results) -> Block:
    """Return the least-cost splice target, or why none can be told."""
    study = results.reel_study.splices
    table, curve = study.table, study.curve
    currency = results.logs.plant.currency
    if table.empty:
        logged_ = len(results.reel_study.ends)
        why = "No splice is logged" if not logged_ else "No butt is weighed"
        return note(f"{why}, so nothing can be said of a splice target.")
    main = table.loc[table["splices"].idxmax()]
    seen = f"{curve.failed} of {curve.splices} splices failed."
    costs = study.costs[study.costs["material"] == main["material"]]
    undecided, paper = _undecided(main), logged(main["material"])
    between = f"{main['best_low']:.0f} to {main['best_high']:.0f} m"
    now = f"{main['current_m']:.0f} m are left now"
    if not curve.told:
        finding = f"Least-cost target: {curve.why}. {seen}"
    elif undecided:
        finding = (
            f"{paper}: which setting costs least is not known yet. It lies between {between.replace(' to ', ' and ')}; "
            f"{now}, so nothing here asks for another setting. {seen}"
        )
    else:
        finding = f"{paper}: {main['best_m']:.0f} m left on purpose cost least ({between}), {now}. {seen}"
    return exhibit(
        figures.cost_curves(
            costs,
            currency=currency,
            current=float(main["current_m"]),
            best=np.nan if undecided else float(main["best_m"]),
        ),
        name="splice-target",
        finding=finding,
        table=table,
        columns=(
            "material; splices .0; failed .0; current_m: left now [m] .1; scatter_m: scatter [m] .1; "
            "best_m: least cost [m] .1; best_low: 95 % from [m] .1; best_high: to [m] .1; "
            f"saving_per_year: saves [{currency} / year] .0; "
            f"saving_low: 95 % from [{currency} / year] .0; saving_high: to [{currency} / year] .0; "
            "failure_probability: failures now, adjusted for small numbers .4; "
            "failure_at_best: failures at least cost .4; "
            f"metre_cost_per_year: a metre more [{currency} / year] .0"
        ),
        file="splice_target",
    )


def _undecided(row: pd.Series) -> bool:
    """Return whether what is left now may be what costs least."""
    return bool(row["best_low"] <= row["current_m"] <= row["best_high"])


def target_words(results: Results) -> Block:
    """Say what a metre costs, what it would have to prevent, and what would tell more."""
    study = results.reel_study.splices
    if study.table.empty:
        return note("Without weighed butts no metre has a price.")
    curve, currency = study.curve, results.logs.plant.currency
    failure = results.logs.plant.policy.failed_splice_cost
    metre = float(study.table["metre_cost_per_year"].sum())
    lines = []
    if metre > 0 and failure > 0:
        lines.append(
            f"One metre more at every splice costs {quantity(metre, currency, 0)} of paper a year; at "
            f"{quantity(failure, currency, 0)} a failed splice it pays if it prevents one failure in "
            f"{failure / metre:.1f} years."
        )
    if not curve.told:
        lines.append(
            f"What stands leave differs by {curve.apart_m:.1f} m (standard deviation). If failures halved with every "
            f"10 m more, about {_round(curve.failures_needed)} failed splices at such settings would show it."
        )
    return points([*lines, _MANUAL])


def _round(count: float) -> str:
    return quantity(float(f"{count:.2g}"), "", 0) if np.isfinite(count) else "any number of"


def sensitivity(results: Results) -> Block:
    """Return how far the least-cost target moves when what it rests on is otherwise."""
    study = results.reel_study.splices
    table = study.sensitivity
    if table.empty:
        return note(
            "How the target would move with prices is not shown, since none can be told. More settings tell more: "
            "reelstands that are set apart on purpose for some months, within what the maker's manual allows, show how "
            "failures depend on the metres left."
        )
    wide = table.pivot(index="change", columns="material", values="best_m")
    order = list(dict.fromkeys(table["change"]))
    wide = wide.reindex(order).reset_index()
    return sheet(
        wide,
        name="target-sensitivity",
        caption="Metres that cost least on the likeliest curve, if things were otherwise"
        + ("; which curve holds is not known" if study.table.apply(_undecided, axis=1).any() else ""),
        columns=[*heads("change: if"), *[Shown(str(name), "", "m", 1) for name in wide.columns[1:]]],
    )


def strip(results: Results) -> Block:
    """Return what is torn off before reels run, by supplier."""
    table = results.reel_study.strip
    if table.empty:
        return needs("Strip", "reel_mounts")
    currency = results.logs.plant.currency
    worst = table.loc[table["depth_mm"].idxmax()] if table["depth_mm"].notna().any() else None
    words = (
        f"; {logged(worst['supplier'])} loses most, {worst['depth_mm']:.1f} mm deep on average"
        if worst is not None and len(table) > 1
        else ""
    )
    total = table["lost_kg_per_year"].sum(min_count=1)
    if not np.isfinite(total):
        return note("What is stripped is not weighed: log strip_kg.")
    return sheet(
        table,
        name="strip",
        caption=f"Outer layers torn off take {tonnes(total)} a year{words}; valued {price_words(results.logs)}",
        columns=(
            "supplier; reels: whole reels .0; strip_kg: strip of a whole reel [kg] .1; "
            "ci_low: 95 % from [kg] .1; ci_high: to [kg] .1; strip_pct: of the reel [%] .2; "
            "depth_mm: depth [mm] .1; depth_q95: 19 of 20 below [mm] .1; "
            "part_strip_kg: strip of a part reel [kg] .1; damaged: reels that ended damaged .0; "
            "short_kg: received less mounted [kg] .1; lost_kg_per_year: lost [kg / year] .0; "
            f"lost_cost_per_year: worth [{currency} / year] .0"
        ),
    )


def strip_words(results: Results) -> Block:
    """Say what a millimetre of strip takes, and what the weights received say of wrappers."""
    logs = results.logs
    table = results.reel_study.strip
    if table.empty or not logs.has("materials"):
        return note("Without reel records nothing can be said of strip.")
    whole = results.reel_study.mount_history
    mean = whole.loc[whole["new"]].groupby("material")["start_kg"].mean()
    materials = logs["materials"].set_index("material").reindex(mean.index)
    caliper = materials["caliper_um"].astype("float64").fillna(logs.plant.reel.caliper_um)
    metre = (materials["width_mm"] * materials["grammage_gsm"] / 1e6).astype("float64")
    core = logs.plant.reel.core_diameter_mm
    across = np.sqrt(core**2 + 4 * caliper * mean / metre / np.pi)
    share = (100 * strip_fraction(1.0, across, core)).dropna()
    if share.empty:
        return note("Width and grammage are not known, so strip cannot be turned into depth.")
    low, high = share.min(), share.max()
    words = f"{low:.2f} %" if high - low < 0.01 else f"{low:.2f} to {high:.2f} %"
    short = table.dropna(subset="short_kg")
    far = short.loc[short["short_kg"].abs().idxmax()] if len(short) else None
    wrapper = (
        f" Weights received are {far['short_kg']:+.1f} kg a reel against those mounted for {logged(far['supplier'])}: "
        "where that is far from zero, wrapper and core are weighed in."
        if far is not None
        else " Weights received are not logged, so wrapper and core weighed in cannot be seen."
    )
    return note(
        f"The outermost millimetre of a reel of this plant takes {words} of its paper (4T(D - T)/(D2 - C2) of depth T, "
        f"diameter D and core C).{wrapper}"
    )


def planned(results: Results) -> Block:
    """Return the part reels to take for the next booked day, and the reel ends to expect."""
    webs, table = results.reel_study.webs, results.reel_study.planned
    if webs.empty:
        return note(
            "Nothing is booked after the last day of the logs, so there is no run to pick part reels for."
        )
    day = day_words(webs["date"].iloc[0], results.logs.as_of)
    unknown = webs.loc[webs["web"] == "", "title"].tolist()
    kg, splices = table["core_kg"].sum(min_count=1), table["splices"].sum(min_count=1)
    expect = (
        f"{splices:.1f} splices and {kg:.1f} kg on cores to expect"
        if np.isfinite(splices)
        else "how many splices to expect is not known, since none was weighed before"
    )
    missing = f" Left out: {list_words(unknown)}, never printed with as many pages before." if unknown else ""
    reels = int(table["part_reels"].ne("").sum())
    return sheet(
        table,
        name="planned",
        caption=f"{day}: {expect}; part reels for {reels} of "
        f"{len(table)} webs leave the least paper over.{missing}",
        columns=(
            "title; web; material; run_m: web to run [m] .0; part_reels: part reels, in this order; "
            "new_reels: new reels .0; splices: splices to expect .1; core_kg: on cores [kg] .2; "
            "back_m: comes back [m] .0"
        ),
        limit=40,
    )


def next_night(results: Results) -> Block:
    """Say what the pick of part reels takes for granted."""
    proved = bool(results.reel_study.planned["proved"].all()) if len(results.reel_study.planned) else True
    return points(
        [
            "Each title's webs are those of its last run with as many pages; a copy takes what it recently took, "
            "start-up and waste included.",
            "Part reels weigh what was logged; the errors of two weighings are kept in reserve.",
            "No other pick leaves less."
            if proved
            else "A better pick may exist: the search was ended by its time limit.",
        ]
    )
