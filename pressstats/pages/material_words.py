"""What materials and their packs are called on pages."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pandas as pd

from ..exhibits import quantity

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["material_words", "packs_words", "short_words"]

#: What a pack is called by the kind of material, and of liquids from how many kg or l on: IBCs hold about 1,000 l,
#: steel drums 200 l (common practice, no source).
_PACKS = {"newsprint": "reel", "plate": "box"}
_LIQUIDS = ((400.0, "IBC"), (100.0, "drum"), (0.0, "container"))


def material_words(logs: Logs) -> pd.Series:
    """Return what each material is, its code after it (``52 g 1260 mm N52-1260``); the code alone where none is told.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; without the table nothing is known of any.

    Returns
    -------
    Series of str, index material
        Plain text that holds names from the logs: :func:`pressstats.markup.logged` marks it in a sentence.
    """
    if not logs.has("materials"):
        return pd.Series(dtype="str")
    rows = logs["materials"].itertuples()
    return pd.Series({str(row.material): f"{_what(row)} {row.material}".strip() for row in rows}, dtype="str")


def short_words(logs: Logs) -> pd.Series:
    """Return :func:`material_words` for who knows the plant: newsprint without its code, where no two are alike."""
    words = material_words(logs)
    if words.empty:
        return words
    kinds = logs["materials"].set_index("material")["kind"]
    what = {str(row.material): _what(row) for row in logs["materials"].itertuples()}
    short = pd.Series(what, dtype="str").reindex(words.index)
    return words.mask((kinds == "newsprint") & (short != "") & ~short.duplicated(keep=False), short)


def _what(row: object) -> str:
    kind, ink = getattr(row, "kind", ""), getattr(row, "ink", None)
    if kind == "newsprint":
        parts = ((getattr(row, "grammage_gsm", None), "g"), (getattr(row, "width_mm", None), "mm"))
        return " ".join(f"{value:g} {unit}" for value, unit in parts if pd.notna(value))
    if kind != "ink" or pd.isna(ink):
        return ""
    said = re.split(r"[\W_]+", str(getattr(row, "material", "")).lower())
    # What the code itself says is not said twice: ``ink-magenta``.
    return " ".join(word for word in (str(ink), "ink") if word.lower() not in said)


def packs_words(logs: Logs, material: str, packs: float, amount: float) -> str:
    """Return how many packs are ordered, as the supplier sells them: ``26 reels``, ``2 IBCs``.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``.
    material : str
        The material.
    packs : float
        How many; where that is not known, nothing is said.
    amount : float
        What they hold together [unit of the material].
    """
    if not packs > 0:
        return ""
    listed = logs["materials"].set_index("material").loc[material]
    liquid = next(name for least, name in _LIQUIDS if amount / packs >= least)
    # Ink may be a paste in kilograms, wash a liquid in litres; what is counted in pieces comes in boxes.
    name = _PACKS.get(str(listed["kind"]), "box" if listed["unit"] == "each" else liquid)
    return f"{quantity(packs, '', 0)} {name if packs == 1 else name + ('es' if name.endswith('x') else 's')}"
