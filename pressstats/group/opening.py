"""A group of plants and what their publications say of each: the ground of the page of the group."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd

from ..logs import LogsError, Source
from ..past import PastError, published_tables
from ..results import open_results
from ..tables import OUTPUTS
from .described import PLANTS, Outcome, PlantGroup, read_group, read_outcomes
from .published import PlantOf, group_tables
from .standard import MEASURES

__all__ = ["Group", "open_group"]

#: Columns read of the tables of each plant.
_READ = {
    "run_record": ("date", "copies_good", "webs", "good_kg", *MEASURES["all waste"]),
    "breaks": ("by", "level", "reels", "breaks"),
    "supplier_record": ("supplier", "material", "true_cost_per_t", "true_ci_low", "true_ci_high"),
    "waste_cost": ("period", "stream", "kind", "kg", "cost"),
}
_TYPES = {"text": "str", "date": "datetime64[us]", "time": "datetime64[us]", "month": "datetime64[us]"}


@dataclass(frozen=True)
class Group:
    """A group of plants up to a day.

    Attributes
    ----------
    described : PlantGroup
        What the group says of itself.
    plants : tuple of PlantOf
        The plants, in the order of the group's ``plant.toml``, with what is read of each.
    as_of : Timestamp
        The latest day that any of them knows.
    sources : tuple of Source
        The tables read, with their digests.
    digest : str
        SHA-256 of what the group says of itself, of how its plants went and of the tables read.
    """

    described: PlantGroup
    plants: tuple[PlantOf, ...]
    as_of: pd.Timestamp
    sources: tuple[Source, ...]
    digest: str

    @cached_property
    def published(self) -> dict[str, pd.DataFrame]:
        """The published tables of the group by name."""
        return group_tables(self.plants)

    def __getitem__(self, name: str) -> pd.DataFrame:
        """Return a published table of the group."""
        return self.published[name]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the published tables of the group by name, in the order of their declaration."""
        return dict(self.published)

    @property
    def logs(self) -> Any:
        """What publishing and the foot of a page ask of logs."""
        plant = SimpleNamespace(name=self.described.name, currency="", source=None)
        return SimpleNamespace(
            plant=plant, as_of=self.as_of, sources=self.sources, digest=self.digest, has=_nothing
        )


def _nothing(_table: str) -> bool:
    return False


def open_group(
    logs_folder: str | Path, as_of: str | None = None, published_folder: str | Path | None = None
) -> Group:
    """Open what is known of the plants of a group.

    Parameters
    ----------
    logs_folder : str or Path
        Folder with the ``plant.toml`` that names the plants; a folder of one plant's logs is a group of one.
    as_of : str or None
        ISO date; what is known later is cut. Empty or None: what each plant knows.
    published_folder : str or Path or None
        Folder of the group's publications: plants are taken as they were published there last. Empty or None: each is
        computed from its logs.

    Returns
    -------
    Group
        The group.

    Raises
    ------
    PlantError
        If the group cannot be understood.
    LogsError
        If nothing is known of any plant.

    Examples
    --------
    >>> group = open_group("logs")
    >>> group["group_plants"][["plant", "state"]]
       plant      state
    0   logs  published
    """
    folder = Path(logs_folder)
    described = read_group(folder / "plant.toml")
    if described is None:
        described = PlantGroup(name=folder.resolve().name, group={"logs": "."})
    digest = hashlib.sha256((folder / "plant.toml").read_bytes())
    outcomes = read_outcomes(Path(published_folder) / PLANTS) if published_folder else {}
    plants, sources = [], []
    for name, where in described.group.items():
        if published_folder:
            outcome = outcomes.get(name, Outcome(name, "failed", "", "it has not been published yet"))
            plant, digests = _as_published(outcome, Path(published_folder) / PLANTS / name)
        else:
            plant, digests = _as_computed(name, folder / where, as_of or "")
        plants.append(plant)
        digest.update(repr((plant.outcome, digests)).encode())
        for file, sha in digests.items():
            table = file.removesuffix(".csv")
            rows = len(plant.tables[table])
            sources.append(
                Source(
                    f"{name}/{file}", table, sha, rows, rows, 0, 0, None, pd.Timestamp(plant.outcome.as_of)
                )
            )
    days = [pd.Timestamp(plant.outcome.as_of) for plant in plants if plant.known]
    if not days:
        raise LogsError("; ".join(f"{plant.outcome.plant}: {plant.outcome.why}" for plant in plants))
    return Group(described, tuple(plants), max(days), tuple(sources), digest.hexdigest())


def _as_published(outcome: Outcome, folder: Path) -> tuple[PlantOf, dict[str, str]]:
    """Return what the publication of a plant says."""
    if outcome.state == "failed":
        return PlantOf(outcome), {}
    try:
        tables, digests, manifest = published_tables(
            folder / outcome.as_of,
            {name: {column: _type(name, column) for column in columns} for name, columns in _READ.items()},
        )
        name, currency, headline = (str(manifest[key]) for key in ("plant", "currency", "headline"))
    except (PastError, OSError, KeyError) as error:
        return PlantOf(Outcome(outcome.plant, "failed", "", str(error).splitlines()[0])), {}
    return PlantOf(outcome, name, currency, headline, tables), digests


def _as_computed(name: str, folder: Path, as_of: str) -> tuple[PlantOf, dict[str, str]]:
    """Return what the logs of a plant say."""
    try:
        results = open_results(folder, as_of)
    except (LogsError, OSError) as error:
        return PlantOf(Outcome(name, "failed", "", str(error))), {}
    tables = {table: results[table][list(columns)] for table, columns in _READ.items()}
    plant = results.logs.plant
    outcome = Outcome(name, "published", f"{results.logs.as_of:%Y-%m-%d}")
    return PlantOf(outcome, plant.name, plant.currency, "", tables), {
        f"{table}.csv": results.logs.digest for table in tables
    }


def _type(table: str, column: str) -> str:
    return _TYPES.get(OUTPUTS[table][column].kind, "float64")
