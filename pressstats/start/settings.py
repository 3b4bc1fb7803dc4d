"""What a plant decides for itself: settings with their defaults, commented, as the end of a proposed ``plant.toml``."""

from __future__ import annotations

import json

from ..plant import Calendar, Policy, Targets

__all__ = ["settings"]

_MEANING = {
    "country": 'two letters of ISO 3166, such as "DE": public holidays',
    "closed": 'days without publication, such as ["12-25", "2025-05-01"]',
    "no_receipts": "days on which nothing is received",
    "ordering_closed": 'days on which no order is placed, such as ["12-24"]',
    "waste_pct": "waste of mounted paper wanted [%]",
    "breaks_per_100_reels": "web breaks wanted",
    "service_level": "share of weeks without a stock-out wanted, of each material",
    "review_day": "day on which orders are placed",
    "cover_days_minimum": "days of stock wanted at least",
    "cover_days_maximum": "and at most",
    "newsprint_storage_maximum_kg": "what the floor and the fire authority allow, all widths together",
    "holding_cost_rate": "of stock value, a year",
    "freight_per_load": "a truck, in the currency",
    "expedite_cost_per_t": "what an emergency tonne costs more",
    "break_cost": "a web break, beside its waste",
    "failed_splice_cost": "a failed splice",
    "stockout_cost": "a night that cannot be printed whole",
}
_PARTS: dict[str, type[Calendar | Targets | Policy]] = {
    "calendar": Calendar,
    "targets": Targets,
    "policy": Policy,
}


def settings() -> list[str]:
    """Return the lines: each key commented, with what holds until the plant says otherwise."""
    lines = [
        "# What only the plant can say. Until a line is set, its value holds by default, and pages say so. Take away",
        "# the # of a line, and of the [name] above it, to set it; ... has no default.",
    ]
    for part, model in _PARTS.items():
        lines += ["", f"# [{part}]"]
        for key in model.model_fields:
            if key in _MEANING:
                default = model.model_fields[key].default
                value = "..." if default is None else json.dumps(default)
                lines.append(f"# {key} = {value}  # {_MEANING[key]}")
    return lines
