"""What the reels page shows of part reels: what the store lost of them, and what lies there."""

from __future__ import annotations

import numpy as np

from ..exhibits import Block, Shown, declared, sheet
from ..results import Results
from .common import tonnes

__all__ = ["part_reels", "store_losses"]


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
