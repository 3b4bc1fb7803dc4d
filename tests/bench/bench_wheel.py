"""A wheel is built, installed where nothing else is, and publishes a small plant: what a plant without a checkout has.

Run it as ``python tests/bench/bench_wheel.py [--here]``. The environment is new, and gets the wheel with what it asks
for from the package index; with ``--here`` the wheel is unpacked, looks for its notebooks with what is installed beside
the bench, and publishes nothing. Figures: notebooks that the wheel finds, exit codes, and reports and tables published.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import click
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from small_plant import write_small_plant

_NOTEBOOKS = """
from pressstats.publishing.publication import NOTEBOOKS
assert "pressstats" == NOTEBOOKS.parent.name
print(len(list(NOTEBOOKS.glob("*.ipynb"))))
"""


def _installed(wheel: Path, folder: Path) -> tuple[Path, dict[str, str]]:
    """Return the interpreter of a new environment that has the wheel, and what it runs in."""
    python = folder / "environment" / ("Scripts" if os.name == "nt" else "bin") / "python"
    uv = [sys.executable, "-m", "uv", "--quiet"]
    subprocess.run([*uv, "venv", "--python", sys.executable, folder / "environment"], check=True)
    subprocess.run([*uv, "pip", "install", "--python", python, wheel], check=True)
    return python, {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}


def _unpacked(wheel: Path, folder: Path) -> tuple[Path, dict[str, str]]:
    """Return this interpreter, and an environment in which the wheel comes first."""
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "unpacked")
    return Path(sys.executable), os.environ | {"PYTHONPATH": str(folder / "unpacked")}


@click.command()
@click.option("--here", is_flag=True, help="Unpack the wheel instead of installing it.")
@measures
def main(here: bool) -> Iterator[Figure]:
    """Build a wheel, and publish from it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        build = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", folder]
        subprocess.run(build, check=True, cwd=Path(__file__).resolve().parents[2], stdout=subprocess.DEVNULL)
        (wheel,) = folder.glob("*.whl")
        python, environment = (_unpacked if here else _installed)(wheel, folder)
        environment["PRESSSTATS_CACHE"] = str(folder / "cache")
        out = folder / "out"

        def run(*words: object) -> subprocess.CompletedProcess[str]:
            command = [python, *map(str, words)]
            return subprocess.run(
                command, cwd=folder, env=environment, capture_output=True, text=True, check=False
            )

        yield Figure("notebooks found", int(run("-c", _NOTEBOOKS).stdout))
        yield Figure(
            "exit code of demo", run("-m", "pressstats", "demo", "--out", folder / "plant").returncode
        )
        if here:
            return
        logs = write_small_plant(folder / "logs")
        done = run("-m", "pressstats", "publish", "--logs", logs, "--out", out)
        yield Figure("exit code of publish", done.returncode)
        manifests = [json.loads(path.read_text()) for path in out.glob("*/manifest.json")]
        yield Figure("reports published", sum(len(one["reports"]) for one in manifests))
        yield Figure("tables published", sum(len(one["rows"]) for one in manifests))


if __name__ == "__main__":
    main()
