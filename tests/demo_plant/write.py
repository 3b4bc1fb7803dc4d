"""Write the invented plant: its logs, its truths and the page about them."""

from __future__ import annotations

import json
from pathlib import Path

from pressstats.tables import INPUTS

from .faults import plant_faults
from .folder import write_logs, write_plant_toml
from .logbook import write_csv
from .readme import readme
from .scenario import Scenario
from .simulation import Plant, simulate
from .streams import STREAMS
from .truths import truths

__all__ = ["DEFAULT_SEED", "write_demo"]

DEFAULT_SEED = 293
TRUTHS = Path("truths", "truths.json")


def write_demo(out: Path, seed: int = DEFAULT_SEED, years: int = 3) -> None:
    """Write an invented plant into a folder: the same bytes for the same seed and years.

    Parameters
    ----------
    out : Path
        The folder; made if need be. One that already holds an invented plant is overwritten.
    seed : int
        Seed of the random numbers.
    years : int
        Years of 52 weeks [year], ending on the same last day; what is planted keeps its place in the
        period, as a share of it.

    Raises
    ------
    FileExistsError
        If the folder holds anything else: logs of a real plant are never overwritten.
    ValueError
        If `years` is below 1.
    """
    scenario = Scenario(years)
    out = Path(out)
    _make_room(out)
    plant = simulate(scenario, seed)
    faults = plant_faults(plant)
    written = write_logs(plant, out)
    write_plant_toml(scenario, out / "plant.toml")
    found = truths(plant, faults, written, seed)
    (out / TRUTHS).write_bytes((json.dumps(found, indent=1) + "\n").encode("utf-8"))
    header, *rows = plant.streams.rows()
    write_csv(out / "truths" / "paper_streams.csv", tuple(header), rows)
    (out / "README.md").write_bytes(readme(found, _totals(plant)).encode("utf-8"))


def _make_room(out: Path) -> None:
    """Empty a folder that holds an invented plant; refuse one that holds anything else."""
    if out.is_dir() and any(out.iterdir()) and not (out / TRUTHS).is_file():
        raise FileExistsError(f"{out} holds files that are no invented plant; choose an empty folder")
    (out / "truths").mkdir(parents=True, exist_ok=True)
    for path in (*out.iterdir(), *(out / "truths").iterdir()):
        name = path.name
        ours = any(name.startswith(f"{table}_") or path.stem == table for table in INPUTS)
        if path.is_file() and (ours and path.suffix in (".csv", ".parquet")):
            path.unlink()


def _totals(plant: Plant) -> dict[str, float]:
    cells = plant.streams.by_week.values()
    totals = {name: sum(cell[name] for cell in cells) for name in ("mounted_kg", *STREAMS)}
    return totals | {"threading_kg": sum(plant.streams.threading_kg.values())}
