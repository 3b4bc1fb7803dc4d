"""How the plants of a group went when they were published last."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

__all__ = ["PLANTS", "Outcome", "read_outcomes", "write_outcomes"]

#: Folder of the publications of the plants, a folder each, inside that of the group's.
PLANTS = "plants"
_FILE = "outcomes.json"


@dataclass(frozen=True)
class Outcome:
    """What became of a plant: ``published``, ``unchanged`` or ``failed``, as of which day, and why it failed."""

    plant: str
    state: str
    as_of: str = ""
    why: str = ""


def read_outcomes(folder: Path) -> dict[str, Outcome]:
    """Return how the plants went last, by plant; nothing where that cannot be read."""
    try:
        rows = json.loads((folder / _FILE).read_text(encoding="utf-8"))
        return {row["plant"]: Outcome(**{name: str(text) for name, text in row.items()}) for row in rows}
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return {}


def write_outcomes(
    folder: Path, outcomes: Mapping[str, Outcome], place: Callable[[str, Path], object]
) -> None:
    """Let `place` write how the plants went."""
    rows = [asdict(outcome) for outcome in outcomes.values()]
    place(json.dumps(rows, ensure_ascii=False, indent=1) + "\n", folder / _FILE)
