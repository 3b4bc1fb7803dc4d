"""What the reels page shows of breaks and of the lives of reels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, declared, exhibit, heads, logged, note, quantity, say, sheet
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from ..prices import price_words
from ..reels import (
    CHANCE_OF_NAMING,
    LEVELS_IN_ORDER,
    breaks_per_1000_km,
    ends_cost,
    funnel_limits,
    log_rank,
    poisson_interval,
    running_length,
    survival,
)
from .common import by_default, counted, list_words, needs, tonnes

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "breaks",
    "caution",
    "counters",
    "effects",
    "funnel",
    "headline",
    "key_figures",
    "naming",
    "pairs",
    "running",
]

#: What a factor of the regression is called.
_FACTORS = {
    "supplier": "supplier",
    "width": "width of the web",
    "reelstand": "reelstand",
    "season": "months",
    "age": "time in the store before the mount",
    "mounts": "mount of the reel",
}
#: A number of reels beyond this is no advice: a year of a large plant has fewer.
_REELS_MOST = 200_000


def _all(results: Results, by: str) -> pd.DataFrame:
    table = results["breaks"]
    return table[table["by"] == by]


def headline(results: Results) -> Block:
    """Return breaks per 100 reels and what the reel ends cost."""
    if not results.logs.has("reel_mounts"):
        return needs("Everything about reels", "reel_mounts")
    table, study = _all(results, "supplier"), results.reel_study
    reels, events = table["reels"].sum(), table["breaks"].sum()
    low, high = (100 * float(limit[0]) / reels for limit in poisson_interval([events]))
    cost, currency = ends_cost(results.logs, study.ends), results.logs.plant.currency
    named = study.suppliers.loc[study.suppliers["named"], "level"].tolist()
    more = f" {list_words(named)} breaks more often than chance explains." if named else ""
    worst = study.wasteful_stands["level"].tolist()
    torn = study.strip["lost_kg_per_year"].sum(min_count=1)
    stand = f" {list_words(worst)} leaves far more on the core than the others." if worst else ""
    butts = "butts are not weighed"
    if np.isfinite(cost["kg"]):
        butts = f"butts take {tonnes(cost['kg'])} of paper a year"
    worth = f"; the paper left on cores is worth {quantity(cost['cost'], currency, 0)} a year"
    worth += f" ({quantity(cost['cost_low'], '', 0)} to {quantity(cost['cost_high'], '', 0)}) "
    worth = worth + price_words(results.logs) if np.isfinite(cost["cost"]) else ""
    stripped = (
        f"stripping takes {tonnes(torn)} a year" if np.isfinite(torn) else "what is stripped is not weighed"
    )
    return headline_block(
        f"{100 * events / reels:.2f} breaks in 100 reels; {butts}.",
        f"{counted(events, 'break')} in {counted(reels, 'reel')} ({low:.2f} to {high:.2f} per 100){worth}; "
        f"{stripped}.{more}{stand}",
    )


def breaks(results: Results, by: str = "supplier") -> Block:
    """Return breaks per 100 reels by one factor, with exact intervals and adjusted for small numbers."""
    if not results.logs.has("reel_mounts"):
        return needs("Breaks", "reel_mounts")
    table = _all(results, by)
    target = results.logs.plant.targets.breaks_per_100_reels
    ranked = results.reel_study.suppliers if by == "supplier" else results.reel_study.breaking_stands
    named = ranked.loc[ranked["named"], "level"].tolist()
    table = table.merge(ranked[["level", "shrunk", "ratio"]], on="level").sort_values(
        "shrunk", ascending=False, ignore_index=True
    )
    finding = (
        f"{list_words(named)} breaks more often than chance and everything else logged explain."
        if named
        else f"No {by} differs from the others by more than chance explains."
    )
    return exhibit(
        figures.interval_dots(
            table,
            name="level",
            value="per_100_reels",
            low="ci_low",
            high="ci_high",
            unit="web breaks per 100 reels",
            reference=target,
            reference_words=f"target{by_default(results, 'web breaks')}",
            drawn="shrunk",
        ),
        name=f"breaks-by-{by}",
        finding=finding,
        table=table,
        columns=[
            *declared("breaks", "level", "reels", "breaks"),
            *heads(
                "per_100_reels: per 100 reels .2; ci_low: 95 % from .2; ci_high: to .2; "
                "shrunk: adjusted for small numbers .2; "
                "ratio: times the others, all else alike .2; km: web run [km] .0"
            ),
        ],
        file="breaks",
    )


def funnel(results: Results) -> Block:
    """Return suppliers and reelstands against the limits that chance keeps."""
    if not results.logs.has("reel_mounts"):
        return needs("The funnel", "reel_mounts")
    table = pd.concat([_all(results, by).assign(kind=by) for by in ("supplier", "reelstand")])
    supplier = _all(results, "supplier")
    rate = float(supplier["breaks"].sum() / supplier["reels"].sum())
    reels = np.unique(
        np.geomspace(max(table["reels"].min() * 0.7, 1), max(table["reels"].max() * 1.1, 2), 40).round()
    )
    limits = pd.DataFrame({"reels": reels})
    for tail, name in ((0.025, "95"), (0.001, "998")):
        low, high = funnel_limits(rate, reels, tail)
        limits[f"low{name}"], limits[f"high{name}"] = 100 * low, 100 * high
    low, high = funnel_limits(rate, table["reels"], 0.001)
    by_chance = f"of {len(table)} looked at together, {0.002 * len(table):.2g} would be outside by chance"
    outside = (table["per_100_reels"] > 100 * high) | (table["per_100_reels"] < 100 * low)
    table["named"] = outside
    finding = (
        f"Outside the 99.8 % limits: {list_words(table.loc[outside, 'level'].tolist())} ({by_chance})."
        if outside.any()
        else f"No supplier or reelstand is outside the 99.8 % limits ({by_chance})."
    )
    return exhibit(
        figures.funnel(table, limits, rate=100 * rate),
        name="funnel",
        finding=finding,
        table=table.assign(low=100 * low, high=100 * high),
        columns=(
            "kind; level; reels .0; breaks .0; per_100_reels: per 100 reels .2; "
            "low: 99.8 % limits, from .2; high: to .2"
        ),
        file="breaks",
    )


def naming(results: Results) -> Block:
    """Say how often a supplier or a reelstand is named although all are alike."""
    if not results.logs.has("reel_mounts"):
        return needs("Naming of suppliers and reelstands", "reel_mounts")
    limits = {by: f"{100 * chance:g} %" for by, chance in CHANCE_OF_NAMING.items()}
    return say(
        f"Where all suppliers break alike, one is named by chance in about {limits['supplier']} of plants; where all "
        f"reelstands do, one in about {limits['reelstand']}."
    )


def pairs(results: Results) -> Block:
    """Say which suppliers can be told apart, and how many more reels the others would take."""
    table = results.reel_study.pairs
    if table.empty:
        return note("There are no two suppliers with breaks to compare.")
    sentences = []
    for row in table.itertuples():
        between = f"{logged(row.first)} against {logged(row.second)}: "
        if not np.isfinite(row.ratio):
            sentences.append(f"{between}one of them has not had a single break yet, so there is no ratio.")
            continue
        upto = f"{row.ci_high:.2f}" if np.isfinite(row.ci_high) else "no limit"
        between += f"{row.ratio:.2f} times as many breaks per reel ({row.ci_low:.2f} to {upto})"
        if row.told_apart:
            sentences.append(f"{between}, told apart.")
        elif not row.more_reels <= _REELS_MOST:
            sentences.append(
                f"{between}, not told apart: a difference of that size would take more than "
                f"{quantity(_REELS_MOST, '', 0)} reels to show."
            )
        else:
            sentences.append(
                f"{between}, not told apart: if that is the true difference, about "
                f"{quantity(float(f'{row.more_reels:.2g}'), '', 0)} more reels of both would show it in four cases "
                "of five."
            )
    return say(" ".join(sentences))


def effects(results: Results) -> Block:
    """Return what each level does to breaks when everything else is alike."""
    table = results.reel_study.effects
    if table.empty:
        return needs("What breaks depend on", "reel_mounts")
    rates = [breaks_per_1000_km(row.breaks, row.km) for row in table.itertuples()]
    table = table.assign(
        factor=table["by"].map(_FACTORS),
        rate=[rate[0] for rate in rates],
        clear=np.where((table["ci_low"] > 1) | (table["ci_high"] < 1), "yes", ""),
    )
    clear = table[table["clear"] == "yes"]
    # Bands of time stand in their order, not in that of the alphabet.
    ranks = {name: position for position, name in enumerate(LEVELS_IN_ORDER)}
    position = table["level"].map(ranks).fillna(-1)
    table = table.assign(
        place=position, factor_place=table["by"].map({by: n for n, by in enumerate(_FACTORS)})
    )
    table = table.sort_values(["factor_place", "place"], kind="stable", ignore_index=True)
    families = sorted(set(table["family"]) - {""})
    caption = (
        "Web breaks per 1,000 km, and against the other levels of the same factor with all other factors alike "
        f"({' and '.join(families) or 'not enough breaks for a'} regression): "
        + (
            f"{len(clear)} of {len(table)} intervals leave out 1; one in twenty does so by chance"
            if len(clear)
            else "no interval leaves out 1"
        )
    )
    return sheet(
        table,
        name="break-effects",
        caption=caption,
        columns=(
            "factor: what differs; level; km: web run [km] .0; breaks .0; "
            "rate: breaks [per 1,000 km] .2; ratio: times the others .2; ci_low: 95 % from .2; "
            "ci_high: to .2; clear: leaves out 1"
        ),
        limit=80,
    )


def _no_break_length(results: Results) -> str:
    """Say why nothing is known of how far reels run: none broke, as far as is logged, or not at which metre."""
    logs = results.logs
    counter = logs["runs"]["web_breaks"]
    counted = f" The press counter says {counter.sum():.0f} web breaks." if counter.notna().any() else ""
    if not logs.has("reel_mounts"):
        return f"How far reels run before they break is unknown: log reel_mounts.{counted}"
    broken = int((logs["reel_mounts"]["ended_by"] == "web_break").sum())
    if broken:
        return f"{broken} mounts ended by a web break, at which metre is unknown: log weights, diameters or metres."
    return f"No mount is logged as ended by a web break, so how far reels run before they do is unknown.{counted}"


def running(results: Results) -> Block:
    """Return how far reels run before they break, by supplier."""
    history = results.reel_study.mount_history
    entered, left, event = running_length(history)
    if not event.any():
        return note(_no_break_length(results))
    known = history["entered_m"].notna() & (history["run_m"] > 0)
    supplier = history.loc[known, "supplier"].to_numpy()
    parts, rows = [], []
    for name in pd.unique(supplier)[:6]:
        of_supplier = supplier == name
        curve = survival(entered[of_supplier], left[of_supplier], event[of_supplier])
        parts.append(curve.assign(group=name))
        rate = breaks_per_1000_km(event[of_supplier].sum(), (left - entered)[of_supplier].sum())
        row = {"group": name, "rate": rate[0], "low": rate[1], "high": rate[2]}
        for km in (5, 10, 15):
            at = curve[curve["length"] <= km].iloc[-1]
            row[f"km{km}"] = 100 * (1 - at["survival"])
        rows.append(row)
    test = log_rank(entered, left, event, supplier)
    verdict = (
        "Suppliers' reels do not run alike"
        if test.p_value < 0.05
        else "Suppliers' reels run alike as far as the logs tell"
    )
    finding = (
        f"{verdict} (log-rank test, p {'below 0.001' if test.p_value < 0.001 else f'= {test.p_value:.3f}'}); a "
        "line that bends up or down would tell that the core or the outside of the reel breaks more."
    )
    return exhibit(
        figures.running_lengths(pd.concat(parts, ignore_index=True)),
        name="running-length",
        finding=finding,
        table=pd.DataFrame(rows),
        columns=(
            "group: supplier; rate: breaks [per 1,000 km] .2; low: 95 % from .2; high: to .2; "
            "km5: broken by 5 km [%] .2; km10: by 10 km [%] .2; km15: by 15 km [%] .2"
        ),
    )


def counters(results: Results) -> Block:
    """Compare breaks of the mounts with those of the press counters."""
    logs = results.logs
    runs = logs["runs"]
    if not logs.has("reel_mounts") or runs["web_breaks"].isna().all():
        return note("The press counters' breaks are not logged, so they cannot be compared with the mounts.")
    history = results.reel_study.mount_history
    counted = runs[runs["run_id"].isin(history["run_id"])].set_index("run_id")
    table = pd.DataFrame({"press": counted["press"], "counter": counted["web_breaks"]})
    for name, end in (("breaks", "web_break"), ("failed", "failed_splice")):
        hits = history.loc[history["ended_by"] == end, "run_id"].value_counts()
        table[name] = hits.reindex(table.index).fillna(0.0)
    table = table.dropna(subset="counter")
    table["differ"] = (table["counter"] != table["breaks"]).astype(float)
    table["explained"] = table["differ"] * (table["counter"] == table["breaks"] + table["failed"])
    sums = table.groupby("press").sum(numeric_only=True).reset_index()
    total = sums.sum(numeric_only=True)
    return sheet(
        sums,
        name="counters",
        caption=f"Press counters tell {total['counter']:.0f} breaks, mounts {total['breaks']:.0f}; "
        f"{total['differ']:.0f} runs differ, {total['explained']:.0f} of them by failed splices that the counter "
        "takes for breaks",
        columns=(
            "press; counter: breaks by the counter .0; breaks: mounts that ended by a break .0; "
            "failed: failed splices .0; differ: runs that differ .0; "
            "explained: of them by failed splices .0"
        ),
    )


def caution() -> Block:
    """Return the caution for work on reels and reelstands."""
    return caution_block(
        "A reel weighs about a tonne and a running web draws in whatever touches it. Setting a reelstand, clearing "
        "a break and handling part reels follow the maker's manual and local rules, by trained crew, on a stopped and "
        "isolated machine; chock reels, never stand in their path."
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    for row in _all(results, "supplier").itertuples():
        print(f"{logged(row.level)[1:-1]} {row.breaks:.0f} breaks, {row.reels:.0f} reels")
    for row in results.reel_study.stands.table.head(3).itertuples():
        print(f"{logged(row.level)[1:-1]} leaves {row.pooled:.1f} m, {row.count:.0f} splices")
    curve = results.reel_study.splices.curve
    print(f"{curve.failed} of {curve.splices} splices failed: {curve.why or 'told'}")
    print(f"{len(results.reel_study.claims)} reels to claim for")
