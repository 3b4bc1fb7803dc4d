"""What the reels page shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, Shown, declared, exhibit, logged, note, quantity, sheet
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from ..results import Results
from .common import list_words, needs, tonnes

__all__ = ["breaks", "caution", "ends", "headline", "key_figures", "part_reels", "stands", "store_losses"]


def _all(results: Results, by: str) -> pd.DataFrame:
    table = results["breaks"]
    return table[table["by"] == by]


def headline(results: Results) -> Block:
    """Return breaks per 100 reels and what the reel ends cost."""
    if not results.logs.has("reel_mounts"):
        return needs("Everything about reels", "reel_mounts")
    presses = _all(results, "supplier")
    reels, events = presses["reels"].sum(), presses["breaks"].sum()
    ends = results["reel_ends"]
    currency = results.logs.plant.currency
    return headline_block(
        f"{100 * events / reels:.2f} breaks in 100 reels; reel ends take "
        f"{tonnes(ends['lost_kg_per_year'].sum())} of paper a year.",
        f"{events:.0f} breaks in {reels:.0f} reels; the paper left on cores is worth "
        f"{quantity(ends['lost_cost_per_year'].sum(), currency, 0)} a year.",
    )


def breaks(results: Results, by: str = "supplier") -> Block:
    """Return breaks per 100 reels by one factor, with exact intervals."""
    if not results.logs.has("reel_mounts"):
        return needs("Breaks", "reel_mounts")
    table = _all(results, by)
    target = results.logs.plant.targets.breaks_per_100_reels
    found = results["exceptions"]
    named = found.loc[
        (found["kind"] == "web breaks")
        & found["subject"].isin(table["level"])
        & found["unit"].str.endswith(by),
        "subject",
    ].tolist()
    finding = (
        f"{list_words(named)} breaks more often than chance explains."
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
            reference_words="target",
        ),
        name=f"breaks-by-{by}",
        finding=finding,
        table=table,
        columns=declared("breaks", "level", "reels", "breaks", "per_100_reels", "ci_low", "ci_high", "km"),
        file="breaks",
    )


def stands(results: Results) -> Block:
    """Return the metres left on the core at a splice, by reelstand."""
    ends = results.reels.ends[results.reels.ends["ended_by"] == "splice"]
    if ends.empty:
        return needs("Reel ends", "reel_mounts")
    target = results.logs.plant.reel.splice_target_m
    grouped = ends.groupby("reelstand")["butt_m"]
    table = grouped.agg(["mean", "std", "count"]).reset_index()
    half = 1.96 * table["std"] / np.sqrt(table["count"])
    table["low"], table["high"] = table["mean"] - half, table["mean"] + half
    found = results["exceptions"]
    named = found.loc[found["kind"] == "reel ends", "subject"].tolist()
    finding = (
        f"{list_words(named)} leaves far more than the target of {target:g} m on the core."
        if named
        else f"All reelstands are near the target of {target:g} m."
    )
    return exhibit(
        figures.interval_dots(
            table,
            name="reelstand",
            value="mean",
            low="low",
            high="high",
            unit="paper left on the core at a splice [m]",
            reference=target,
            reference_words="target",
        ),
        name="metres-left",
        finding=finding,
        table=table,
        columns=[
            Shown("reelstand"),
            Shown("count", "splices", digits=0),
            Shown("mean", "mean left", "m", 1),
            Shown("low", "95 % from", "m", 1),
            Shown("high", "to", "m", 1),
        ],
        file="reel_ends",
    )


def ends(results: Results) -> Block:
    """Return what reel ends cost by reelstand and material."""
    table = results["reel_ends"].sort_values("lost_cost_per_year", ascending=False)
    return sheet(
        table,
        name="reel-ends",
        caption="Paper left on cores, by reelstand and material, the dearest first",
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


def splice_words(results: Results) -> Block:
    """Say what is known of a better splice target."""
    table = results["splice_target"].dropna(subset="current_m")
    if table.empty:
        return note("No splice is logged, so nothing can be said of a splice target.")
    failed = (results.reels.ends["ended_by"] == "failed_splice").sum()
    return note(
        f"{len(results.reels.ends)} splices are logged, {failed} of them failed. A least-cost target needs the risk of "
        "failure at each length left; this model does not fit it, so the best target is blank."
    )


def store_losses(results: Results) -> Block:
    """Return the reels that were lighter at their next mount than when they went back."""
    chain = results["reel_chain"]
    limit = 6 * np.sqrt(2) * results.logs.plant.measurement.reel_kg
    table = chain[chain["store_loss_kg"] > limit].sort_values("store_loss_kg", ascending=False)
    return sheet(
        table,
        name="store-losses",
        caption=f"{len(table)} part reels came back at least {limit:.0f} kg lighter than they went to the store "
        f"(six standard deviations of two weighings): {tonnes(table['store_loss_kg'].sum())} in all, "
        "outside the paper balance",
        columns=declared(
            "reel_chain", "supplier", "reel_id", "material", "mounts", "last_ended", "store_loss_kg"
        ),
        limit=20,
        file="reel_chain",
    )


def part_reels(results: Results) -> Block:
    """Return the part reels in the store, by material."""
    chain = results["reel_chain"]
    part = chain[(chain["mounts"] > 0) & (chain["in_store_kg"] > 0)]
    table = part.groupby("material").agg(
        reels=("reel_id", "size"),
        kg=("in_store_kg", "sum"),
        oldest=("last_ended", "min"),
        mounts=("mounts", "max"),
    )
    unknown = int((chain["in_store_kg"].isna() & chain["last_ended"].notna()).sum())
    lost = f"; of {unknown} more nobody knows, since runs without reel records followed" if unknown else ""
    return sheet(
        table.reset_index(),
        name="part-reels",
        caption=f"Part reels in the store or on the stands: {len(part)} with {tonnes(part['in_store_kg'].sum())}{lost}",
        columns=[
            Shown("material"),
            Shown("reels", "part reels", digits=0),
            Shown("kg", "paper", "kg", 0),
            Shown("oldest", "longest not touched since", kind="date"),
            Shown("mounts", "most mounts of one reel", digits=0),
        ],
        file="reel_chain",
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
