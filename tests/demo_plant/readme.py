"""The page that tells people what the invented plant is and what was planted in its logs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from .scenario import PLATE_IMPRESSIONS, STANDS
from .suppliers import BREAKS_PER_KM, STRIP_LAYERS, SUPPLIERS, TRANSPORT_DEPTH_MM

__all__ = ["readme"]


def readme(found: dict[str, Any], totals: dict[str, float]) -> str:
    """Return the README of a plant (Markdown) from its truths and the kilograms of each true stream [kg]."""
    pages = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        undefined=StrictUndefined,
        autoescape=False,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return pages.get_template("readme.md.j2").render(
        found,
        totals=totals,
        suppliers=SUPPLIERS,
        stands_per_press=len(STANDS) // 2,
        breaks_per_km=BREAKS_PER_KM,
        strip_layers=STRIP_LAYERS,
        plate_impressions=f"{PLATE_IMPRESSIONS:,}",
        transport_depth_mm=TRANSPORT_DEPTH_MM,
    )
