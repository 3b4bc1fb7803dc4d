"""What is not derived from implausible logs, and the sentences that say so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import OUTPUTS

if TYPE_CHECKING:
    from ..logs import Logs
    from .exceptions import ExceptionInputs

__all__ = ["believable", "refused_materials", "refused_tables"]

#: Published tables that rest on each part alone; what looks ahead lacks the materials of the part instead.
_RESTING: dict[str, tuple[str, ...]] = {
    "paper": (
        "paper_balance",
        "coming_paper",
        "night_webs",
        "night_reels",
        "night_splices",
        "waste_cost",
        "waste_sales",
        "title_cost",
        "run_record",
        "grammage",
        "reel_ends",
        "splice_target",
        "breaks",
        "reel_chain",
        "supplier_record",
        "claims",
    ),
    "ink": ("title_cost", "night_tanks", "ink_model", "ink_watch", "ink_ledger", "ink_findings"),
    "demand": ("coming_days",),
}
_KIND = {"paper": "newsprint", "ink": "ink"}
#: Published tables of which only the rows of the part's kind of material rest on it.
_OF_KINDS = ("month_close", "year_end", "budget_year")


def refused_materials(logs: Logs, names: Iterable[str], refused: frozenset[str]) -> list[str]:
    """Return which materials of `names` nothing is forecast or ordered of.

    All where demand is refused; else newsprint with paper, and inks with ink. Without ``materials`` no name tells its
    kind, so any refused part takes all.
    """
    names = list(names)
    if not refused or not names:
        return []
    if "demand" in refused or not logs.has("materials"):
        return names
    kinds = logs["materials"].set_index("material")["kind"]
    gone = {_KIND[part] for part in refused}
    return [name for name in names if kinds.get(name, "") in gone]


def refused_tables(published: dict[str, pd.DataFrame], refused: frozenset[str]) -> dict[str, pd.DataFrame]:
    """Return the published tables, those that rest on a refused part without rows."""
    gone = {name for part in refused for name in _RESTING[part]}
    left = {name: OUTPUTS[name].empty() if name in gone else table for name, table in published.items()}
    of_ink = left["regimes"]["measure"] == "film weight"
    hidden = (of_ink & ("ink" in refused)) | (~of_ink & ("paper" in refused))
    left["regimes"] = left["regimes"][~hidden]
    kinds = {_KIND[part] for part in refused & _KIND.keys()}
    for name in _OF_KINDS:
        # What adds up all kinds, of no kind itself, would lack a part.
        gone_kinds = kinds | {"", "all"} if kinds else kinds
        kept = ~left[name]["kind"].isin(gone_kinds) & ("demand" not in refused)
        left[name] = left[name][kept]
    if "ink" in refused:
        ink = [name for name in OUTPUTS["run_record"].names if name.startswith("ink_")]
        left["run_record"] = left["run_record"].assign(**dict.fromkeys(ink, np.nan))
    words = kinds | ({"plates"} if "demand" in refused else set())
    left["bridge"] = left["bridge"][~left["bridge"]["of"].isin(words)]
    return left


def believable(inputs: ExceptionInputs, logs: Logs, refused: frozenset[str]) -> ExceptionInputs:
    """Return the tables that exceptions are drawn from, without what rests on a refused part.

    Of paper, ink and stock only what may be believed; open orders and supplies are as logged.
    """
    gone = refused_materials(logs, inputs.stock["material"], refused)
    kept = {
        name: table[~table["material"].isin(gone)]
        for name in ("stock", "stock_cover", "miscounts")
        if "material" in (table := getattr(inputs, name))
    }
    inputs = replace(inputs, **kept)
    if "ink" in refused:
        inputs = replace(inputs, ink_watch=inputs.ink_watch.iloc[:0], ink_findings=[])
    if "paper" in refused:
        frames = {field.name: getattr(inputs.reels, field.name) for field in fields(inputs.reels)}
        empty = {name: table.iloc[:0] for name, table in frames.items() if isinstance(table, pd.DataFrame)}
        inputs = replace(
            inputs,
            waste_chart=inputs.waste_chart.iloc[:0],
            unexplained=inputs.unexplained.iloc[:0],
            reels=replace(inputs.reels, **empty),
        )
    return inputs
