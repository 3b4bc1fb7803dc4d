"""What pages show of the reel store: what to claim for, what it lost, what lies there, and how old it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .. import reels
from ..exhibits import Block, declared, logged, note, quantity, sheet
from ..prices import price_words
from .common import counted, daily_use, list_words, needs, tonnes
from .material_words import material_words

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["claims", "left_tonight", "part_reels", "reel_ages", "store_losses"]

#: Days up to as-of whose mounts tell how old reels are when they are used.
_MOUNTED_DAYS = 91
#: What comes back is worth its mount from so many metres on (common practice, no source).
_WORTH_M = 1000.0


def claims(results: Results) -> Block:
    """Return the reels that lost far more than is usual, and how many of them can still be claimed for."""
    table = results.reel_study.claims
    if not results.logs.has("reel_mounts"):
        return needs("Claims", "reel_mounts")
    if table.empty:
        return note(
            "No reel was stripped, or lacked weight, so far beyond what is usual that it calls for a claim."
        )
    currency, days = results.logs.plant.currency, results.logs.plant.policy.claim_days
    until = table["mounted_at"].dt.normalize() + pd.Timedelta(days=days)
    running = table[until >= results.logs.as_of]
    still = f"{len(running)} of them, {quantity(running['claim_cost'].sum(), currency, 0)},"
    return sheet(
        table,
        name="claims",
        caption=f"{counted(len(table), 'reel')} stripped or short beyond what is usual, "
        f"{quantity(table['claim_kg'].sum(), 'kg', 0)} too much, worth "
        f"{quantity(table['claim_cost'].sum(), currency, 0)} {price_words(results.logs)}: "
        f"{still if len(running) else 'none'} can still be claimed for within {days:g} days; the latest first",
        columns=(
            "supplier; reel_id: reel; material; delivery_id: delivery; received_on: received <date>; "
            "mounted_at: mounted <date>; why; depth_mm: depth [mm] .0; usual_mm: usual [mm] .1; "
            f"claim_kg: to claim [kg] .0; claim_cost: worth [{currency}] .0"
        ),
        limit=40,
    )


def store_losses(results: Results) -> Block:
    """Return the reels that were lighter at their next mount than when they went back."""
    if not results.logs.has("reel_mounts"):
        return needs("What part reels lose in the store", "reel_mounts")
    chain = results["reel_chain"]
    limit = 6 * np.sqrt(2) * results.logs.plant.measurement.reel_kg
    table = chain[chain["store_loss_kg"] > limit].sort_values("store_loss_kg", ascending=False)
    return sheet(
        table,
        name="store-losses",
        caption=f"{counted(len(table), 'part reel')} left the store at least {limit:.0f} kg lighter than it went in "
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
    if not results.logs.has("reel_mounts"):
        return needs("Part reels", "reel_mounts")
    chain = results["reel_chain"]
    part = chain[(chain["mounts"] > 0) & (chain["in_store_kg"] > 0)]
    table = part.groupby("material").agg(
        reels=("reel_id", "size"),
        kg=("in_store_kg", "sum"),
        oldest=("last_ended", "min"),
        mounts=("mounts", "max"),
    )
    unknown = int((chain["in_store_kg"].isna() & chain["last_ended"].notna()).sum())
    lost = (
        f"; {unknown} more are unknown, since a run without reel records or a row set aside followed"
        if unknown
        else ""
    )
    return sheet(
        table.reset_index(),
        name="part-reels",
        caption=f"Part reels in the store or on the stands: {len(part)} with {tonnes(part['in_store_kg'].sum())}{lost}",
        columns=(
            "material; reels: part reels .0; kg: paper [kg] .0; "
            "oldest: oldest untouched since <date>; mounts: most mounts of one reel .0"
        ),
        file="reel_chain",
    )


def left_tonight(results: Results) -> Block | None:
    """Say what comes back from tonight's first titles, for which later ones it is there, and that it is not laid out.

    Nothing where no web brings any back; which title is later is known where their hours are.
    """
    jobs = results["night_jobs"][["title", "starts_at", "ends_at"]]
    webs = results["night_webs"].merge(jobs, on="title").sort_values(["ends_at", "title", "web"])
    words = material_words(results.logs)
    lines = []
    rows: Any = webs[webs["back_m"] >= _WORTH_M].itertuples()
    for web in rows:
        later = webs[(webs["material"] == web.material) & (webs["starts_at"] >= web.ends_at)]
        if len(later):
            titles = list(dict.fromkeys(later.sort_values("starts_at")["title"]))
            lines.append(
                f"about {quantity(web.back_m, 'm', 0)} of {logged(words.get(web.material, web.material))} from "
                f"{logged(web.title)}, web {logged(web.web)}, at {web.ends_at:%H:%M}, for {list_words(titles)}"
            )
    if not lines:
        return None
    return note(
        "Not laid out above, since it is not in the store yet: what earlier titles of the night bring back. Take it "
        f"before a new reel: {'; '.join(lines)}."
    )


def reel_ages(results: Results) -> Block:
    """Return how old the reels on the floor are, how old they are when mounted, and how old the plan lets them get."""
    if not results.logs.has("reels"):
        return needs("How old reels get", "reels")
    table = reels.reel_ages(results.logs, results["reel_chain"], _MOUNTED_DAYS)
    table = table[(table["reels"] > 0) | (table["mounted"] > 0)]
    if table.empty:
        return note(
            "The day of receipt of no reel in the store is known, so nobody can say how old they are."
        )
    table = table.merge(_planned_age(results), on="material", how="left")
    passed = reels.passed_over(results.logs, results["reel_chain"], _MOUNTED_DAYS)
    reels_passed = "; ".join(
        f"{list_words(rows['reel_id'].tolist(), 5)} of {logged(name)}"
        for name, rows in passed.groupby("material", sort=False)
    )
    finding = (
        f"Mount the oldest first; passed over, though reels received a week or more later were mounted: {reels_passed}"
        if reels_passed
        else "No whole reel that is listed lies in the store: how old those are that do is not known"
        if not table["reels"].sum()
        else "First in, first out: no reel in the store is a week or more older than one that was mounted"
    )
    return sheet(
        table,
        name="reel-ages",
        caption=finding,
        columns=(
            "material; reels: whole reels in the store .0; oldest: age of the oldest [days] .0; "
            "passed_over: of them passed over .0; mounted: reels first mounted in 13 weeks .0; "
            "age_q50: half of them older than [days] .0; age_q95: one in twenty older than [days] .0; "
            "planned: oldest at use if the plan is followed [days] .0"
        ),
    )


def _planned_age(results: Results) -> pd.DataFrame:
    """Return for how long what is there after each planned delivery lasts, at most, by material: planned [day]."""
    most = results["order_plan"].groupby("material")["stock_after"].max()
    planned = (most / daily_use(results).reindex(most.index)).rename("planned").rename_axis("material")
    return planned.reset_index()
