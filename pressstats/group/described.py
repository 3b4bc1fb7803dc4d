"""What a group of plants says of itself, in ``plant.toml``, and how its plants went when they were published last."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field, field_validator

from ..exports import Part
from ..plant import read_toml, validated

__all__ = ["PLANTS", "Outcome", "PlantGroup", "read_group", "read_outcomes", "write_outcomes"]


class PlantGroup(Part):
    """A group of plants, as the ``plant.toml`` of a folder without logs describes it."""

    name: str
    #: By the short name of a plant, which is that of the folder of its publications: the folder of its logs.
    group: Annotated[dict[str, str], Field(min_length=1)]

    @field_validator("group")
    @classmethod
    def _known_apart(cls, value: dict[str, str]) -> dict[str, str]:
        for plant, folder in value.items():
            if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", plant):
                raise ValueError(f"{plant!r} is no short name: small letters, digits, - and _, 40 at most")
            if not folder.strip():
                raise ValueError(f"{plant} has no folder")
        folders = [Path(folder) for folder in value.values()]
        twice = sorted({str(folder) for folder in folders if folders.count(folder) > 1})
        if twice:
            raise ValueError(f"{', '.join(twice)} is the folder of two plants")
        return value


def read_group(path: Path) -> PlantGroup | None:
    """Read and validate the ``plant.toml`` of a group; return None where it names no plants.

    One that is not there names none: reading the logs says what is wrong.

    Raises
    ------
    PlantError
        As :func:`read_plant`.
    """
    if not path.is_file():
        return None
    content = read_toml(path)
    return validated(path, content, PlantGroup) if "group" in content else None


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
