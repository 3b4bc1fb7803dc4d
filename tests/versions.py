"""The lowest and the newest versions of what pressstats asks for: a few tests and a publication with each.

Run it as ``python tests/versions.py [lowest|newest ...]``; both where none is named. Each gets a new environment: the
lowest versions that ``pyproject.toml`` allows of what it names, and the newest that go with each other. What fails with
the lowest wants a higher bound there, what fails with the newest a change of the code.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import click
from small_plant import write_small_plant

ROOT = Path(__file__).resolve().parents[1]
RESOLUTIONS = {"lowest": "lowest-direct", "newest": "highest"}
#: What touches each library where it is used, in a minute.
TESTS = (
    "accounts_close",
    "cache",
    "deprecations",
    "exhibits",
    "forecast_methods",
    "logs_database",
    "logs_formats",
    "logs_values",
    "order_milp",
    "paper_balance",
    "plant_refused",
    "publish_kernels",
    "publish_spreadsheet",
)


def _run(*words: object, quiet: bool = False) -> int:
    done = subprocess.run(
        [*map(str, words)], cwd=ROOT, check=False, stdout=subprocess.DEVNULL if quiet else None
    )
    return done.returncode


def _environment(folder: Path, resolution: str) -> Path:
    """Return the interpreter of a new environment with what pressstats and its tests need."""
    python, pins = folder / "environment" / "bin" / "python", folder / "pins.txt"
    uv = (sys.executable, "-m", "uv", "--quiet")
    made = (
        _run(
            *uv,
            "pip",
            "compile",
            "pyproject.toml",
            "--resolution",
            resolution,
            "--output-file",
            pins,
            quiet=True,
        )
        or _run(*uv, "venv", "--python", sys.executable, folder / "environment")
        or _run(*uv, "pip", "install", "--python", python, "--requirement", pins, "--editable", ".", "pytest")
    )
    if made:
        raise click.ClickException("the environment cannot be made")
    for line in pins.read_text().splitlines():
        if line and not line.startswith((" ", "#")):
            click.echo(line, err=True)
    return python


@click.command()
@click.argument("which", nargs=-1, type=click.Choice(list(RESOLUTIONS)))
def main(which: tuple[str, ...]) -> None:
    """Test the lowest and the newest versions."""
    failed = []
    for name in which or RESOLUTIONS:
        with tempfile.TemporaryDirectory() as made:
            folder = Path(made)
            python = _environment(folder, RESOLUTIONS[name])
            logs = write_small_plant(folder / "logs")
            tests = [f"tests/test_{test}.py" for test in TESTS]
            wrong = [
                _run(python, "-m", "pytest", "-o", "addopts=", "-p", "no:cacheprovider", "-q", *tests),
                _run(
                    python, "-m", "pressstats", "publish", "--logs", logs, "--out", folder / "out", quiet=True
                ),
            ]
            failed += [name] if any(wrong) else []
            click.echo(f"{name}: {'failed' if any(wrong) else 'passed'}")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
