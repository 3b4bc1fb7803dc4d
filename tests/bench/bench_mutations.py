"""Which changes of a constant or an operator does no test notice?

Each change is made in a copy of the tree, in one place, and the tests of that part are run until one fails. A change
that none notices is a survivor: either a test is missing, or nothing can tell the value from another one. ::

    python tests/bench/bench_mutations.py constants --parts paper ink     module constants, made larger and smaller
    python tests/bench/bench_mutations.py operators --parts paper --sample 40      comparisons and sums turned round
    python tests/bench/bench_mutations.py named      the quantities that drive everything, each by itself

Ends with 1 where a change of ``named`` survives. Survivors are printed with file, line and change.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
FACTORS = (1.3, 0.7)
SECONDS = 900

#: Tests that look at a part, as globs below ``tests``.
TESTS: dict[str, tuple[str, ...]] = {
    "paper": ("test_paper*.py", "test_grammage*.py", "test_lost_runs.py", "test_watch.py"),
    "ink": ("test_ink*.py",),
    "reels": ("test_reel*.py",),
    "forecast": ("test_forecast*.py",),
    "demand": ("test_demand*.py",),
    "orders": ("test_order*.py",),
    "watch": ("test_watch*.py", "test_week*.py", "test_plausible*.py", "test_results.py"),
    "prices.py": ("test_prices*.py", "test_order*.py"),
}

OPPOSITE: dict[type, tuple[str, str]] = {
    ast.Lt: ("<", ">="),
    ast.LtE: ("<=", ">"),
    ast.Gt: (">", "<="),
    ast.GtE: (">=", "<"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
}

#: Text that must be there once in the file, and what it becomes: what moves every answer, turned by a little.
NAMED: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    ("pressstats/watch/charts.py", "EWMA_LIMIT = 3.0", "EWMA_LIMIT = 2.7", ("watch",)),
    ("pressstats/watch/charts.py", "EWMA_LIMIT = 3.0", "EWMA_LIMIT = 3.3", ("watch",)),
    ("pressstats/reels/breaks.py", '"supplier": 0.045', '"supplier": 0.15', ("reels",)),
    ("pressstats/reels/breaks.py", '"reelstand": 0.005', '"reelstand": 0.02', ("reels",)),
    ("pressstats/forecast/calibrating.py", "_OWN_PRIOR = 16.0", "_OWN_PRIOR = 1e9", ("forecast",)),
    ("pressstats/forecast/combining.py", "_POOLED = 0.5", "_POOLED = 5.0", ("forecast",)),
    ("pressstats/orders/cases.py", "_RUSHES = 4.0", "_RUSHES = 1.0", ("orders",)),
    ("pressstats/orders/cases.py", "_FLOOR = 3.0", "_FLOOR = 1.0", ("orders",)),
)


@dataclass(frozen=True)
class Change:
    """One place of one file, and what stands there instead."""

    path: Path
    line: int
    start: int
    end: int
    text: str
    words: str
    parts: tuple[str, ...]


def _offsets(source: str) -> list[int]:
    """Return the offset in bytes of the first character of each line."""
    starts = [0]
    for line in source.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    return starts


def constants(path: Path, part: str) -> Iterator[Change]:
    """Yield changes of the numbers in assignments at the top of a module."""
    source = path.read_text(encoding="utf-8")
    starts = _offsets(source)
    for statement in ast.parse(source).body:
        if not isinstance(statement, ast.Assign | ast.AnnAssign) or statement.value is None:
            continue
        for node in ast.walk(statement.value):
            number = isinstance(node, ast.Constant) and type(node.value) in (int, float)
            if not number or node.value == 0:  # nothing times a factor is nothing
                continue
            for factor in FACTORS:
                value = node.value * factor
                if isinstance(node.value, int):
                    value = (
                        round(value) if round(value) != node.value else node.value + (1 if factor > 1 else -1)
                    )
                begin = starts[node.lineno - 1] + node.col_offset
                end = starts[node.end_lineno - 1] + node.end_col_offset
                yield Change(
                    path, node.lineno, begin, end, repr(value), f"{node.value} -> {value:g}", (part,)
                )


def operators(path: Path, part: str) -> Iterator[Change]:
    """Yield comparisons and sums turned round."""
    source = path.read_bytes()
    starts = _offsets(source.decode())
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            left, operator, right = node.left, node.ops[0], node.comparators[0]
        elif isinstance(node, ast.BinOp):
            left, operator, right = node.left, node.op, node.right
        else:
            continue
        if type(operator) not in OPPOSITE:
            continue
        old, new = OPPOSITE[type(operator)]
        begin = starts[left.end_lineno - 1] + left.end_col_offset
        end = starts[right.lineno - 1] + right.col_offset
        at = source.find(old.encode(), begin, end)
        if at >= 0:
            yield Change(path, left.end_lineno, at, at + len(old), new, f"{old} -> {new}", (part,))


def named() -> Iterator[Change]:
    """Yield the changes of `NAMED`; a text that is not found once is an error, not a survivor."""
    for name, old, new, parts in NAMED:
        source = (ROOT / name).read_bytes()
        if source.count(old.encode()) != 1:
            raise SystemExit(
                f"{name}: {old!r} stands there {source.count(old.encode())} times, once is needed"
            )
        at = source.index(old.encode())
        line = source[:at].count(b"\n") + 1
        yield Change(ROOT / name, line, at, at + len(old.encode()), new, f"{old} -> {new}", parts)


def copy_tree(folder: Path) -> None:
    """Copy what the tests read."""
    for name in ("pressstats", "tests", "notebooks", "data_demo"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", ".ipynb*"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "requirements.txt"):
        shutil.copy(ROOT / name, folder / name)


def noticed(change: Change, folder: Path) -> bool:
    """Return whether a test fails with the change made in the copy below `folder`."""
    target = folder / change.path.relative_to(ROOT)
    source = change.path.read_bytes()
    target.write_bytes(source[: change.start] + change.text.encode() + source[change.end :])
    files = [
        str(file)
        for part in change.parts
        for glob in TESTS[part]
        for file in sorted((folder / "tests").glob(glob))
    ]
    environment = {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-x",
        "-q",
        "-n",
        "0",
        "-p",
        "no:cacheprovider",
        *dict.fromkeys(files),
    ]
    try:
        run = subprocess.run(
            command, cwd=folder, env=environment, capture_output=True, timeout=SECONDS, check=False
        )
    except subprocess.TimeoutExpired:
        return True
    finally:
        target.write_bytes(source)
    if run.returncode not in (0, 1, 2):
        raise SystemExit(run.stdout.decode()[-2000:] + run.stderr.decode()[-2000:])
    return run.returncode != 0


def changes(kind: str, parts: list[str]) -> list[Change]:
    """Return all changes of a kind in the parts named."""
    if kind == "named":
        return list(named())
    make = constants if kind == "constants" else operators
    found = []
    for part in parts:
        place = ROOT / "pressstats" / part
        files = [place] if place.suffix == ".py" else sorted(place.glob("*.py"))
        found += [change for file in files for change in make(file, part)]
    return found


def main() -> int:
    """Make the changes one by one and print what survives."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("kind", choices=("constants", "operators", "named"))
    parser.add_argument("--parts", nargs="+", default=list(TESTS), choices=list(TESTS))
    parser.add_argument("--sample", type=int, help="so many, drawn at random with a fixed seed")
    options = parser.parse_args()
    todo = changes(options.kind, options.parts)
    if options.sample and options.sample < len(todo):
        todo = random.Random(1).sample(todo, options.sample)
    survivors = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_tree(folder)
        for change in todo:
            seen = noticed(change, folder)
            where = f"{change.path.relative_to(ROOT)}:{change.line}"
            print(f"{'noticed ' if seen else 'SURVIVED'}  {where}  {change.words}", flush=True)
            survivors += [] if seen else [change]
    print(f"{len(todo)} changes, {len(survivors)} survived")
    return int(options.kind == "named" and bool(survivors))


if __name__ == "__main__":
    sys.exit(main())
