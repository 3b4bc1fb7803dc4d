"""Which changes of a constant or an operator does no test notice?

Each change is made in a copy of the tree, in one place. The tests that execute what it changes are run, the shortest
first, until one fails (`executed_lines`), in an interpreter that has the libraries loaded. A change that none notices
is a survivor: either a test is missing, or nothing can tell the value from another one. ::

    python tests/bench/bench_mutations.py named      the quantities that drive everything, each by itself
    python tests/bench/bench_mutations.py constants --parts paper --parts ink     module constants, larger and smaller
    python tests/bench/bench_mutations.py operators --parts paper --sample 40      comparisons and sums turned round

Survivors that are known stand in ``survivors.csv`` with the reason why; any other ends the run with 1, and so does
one of ``named``. A change whose tests take more than ``--seconds`` counts as not noticed within them. The first run
notes what each test file executes; that takes about twice the time of the tests.
"""

from __future__ import annotations

import ast
import csv
import gc
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import click
import pytest
from executed_lines import PLAIN, ROOT, Executed, cache_folder
from figures import Figure, tell
from places import Places

FACTORS = {"larger": 1.3, "smaller": 0.7}
KNOWN = Path(__file__).with_name("survivors.csv")
#: Of a longer table of numbers so many are changed, the first and last among them.
MOST_OF_A_TABLE = 3

PARTS = ("paper", "reels", "watch", "prices.py", "ink", "forecast", "demand", "orders")
#: Test files that look at the analysis, as globs below ``tests``.
TESTS = (
    "test_prices*.py",
    "test_paper*.py",
    "test_grammage*.py",
    "test_newsprint*.py",
    "test_lost_runs.py",
    "test_waste_rule.py",
    "test_week*.py",
    "test_watch*.py",
    "test_reel*.py",
    "test_plausible*.py",
    "test_regimes.py",
    "test_ink*.py",
    "test_forecast*.py",
    "test_order*.py",
    "test_standby.py",
    "test_demand*.py",
)

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
NAMED: tuple[tuple[str, str, str], ...] = (
    ("paper/regimes.py", "error = float(np.sqrt(", "error = 0.7 * float(np.sqrt("),
    ("watch/charts.py", "EWMA_LIMIT = 3.5", "EWMA_LIMIT = 3.15"),
    ("watch/charts.py", "EWMA_LIMIT = 3.5", "EWMA_LIMIT = 3.85"),
    ("reels/breaks.py", '"supplier": 0.03', '"supplier": 0.15'),
    ("reels/breaks.py", '"reelstand": 0.005', '"reelstand": 0.02'),
    ("forecast/calibrating.py", "_OWN_PRIOR = 16.0", "_OWN_PRIOR = 1e9"),
    ("forecast/calibrating.py", "size * (factor * naive)[:, None]", "size * naive[:, None]"),
    ("forecast/combining.py", "_POOLED = 0.5", "_POOLED = 5.0"),
    ("forecast/combining.py", "_POOLED = 0.5", "_POOLED = 0.0"),
    ("orders/scenarios.py", "_RUSHES = 4.0", "_RUSHES = 1.0"),
    ("orders/scenarios.py", "_FLOOR = 3.0", "_FLOOR = 1.0"),
    ("watch/states.py", "(shares > ACT_RATIO * target)", "(shares < ACT_RATIO * target)"),
    ("watch/states.py", "(shares > target)", "(shares < target)"),
    ("watch/states.py", "weeks >= MOST_WEEKS", "weeks < MOST_WEEKS"),
    ("watch/states.py", "if np.isfinite(week) else UNKNOWN", "if np.isnan(week) else UNKNOWN"),
    ("watch/states.py", "if not reels > 0", "if not reels < 0"),
    ("watch/states.py", "if low > target", "if low < target"),
    ("watch/states.py", "events <= target * reels / 100", "events >= target * reels / 100"),
    ("watch/states.py", "WATCH if signals else", "WATCH if not signals else"),
    ("watch/states.py", "if days < least", "if days > least"),
    ("watch/states.py", "UNKNOWN if unknown or np.isnan(days)", "UNKNOWN if not unknown or np.isnan(days)"),
    ("watch/states.py", "if risk <= allowed + 1e-9", "if risk >= allowed + 1e-9"),
    ("watch/states.py", "risk <= RISK_RATIO * allowed", "risk >= RISK_RATIO * allowed"),
    ("watch/states.py", "if short:", "if not short:"),
    ("watch/states.py", "if untested or not supplies", "if not untested or not supplies"),
    ("watch/states.py", "aside_pct >= ASIDE_PCT", "aside_pct < ASIDE_PCT"),
)


@dataclass(frozen=True)
class Change:
    """One place of one file, and what stands there instead.

    `what` names the place whatever line it is on, `how` the change; both with the file are the key of `KNOWN`.
    """

    path: Path
    node: ast.AST
    start: int
    end: int
    text: str
    what: str
    how: str
    words: str
    constant: str | None = None

    @property
    def file(self) -> str:
        """Return the file below the root."""
        return self.path.relative_to(ROOT).as_posix()


def _offsets(source: bytes) -> list[int]:
    """Return the offset in bytes of the first character of each line."""
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    return starts


def _moved(value: float, factor: float) -> float:
    if not isinstance(value, int):
        return float(f"{value * factor:.6g}")
    return round(value * factor) if round(value * factor) != value else value + (1 if factor > 1 else -1)


def constants(path: Path) -> Iterator[Change]:
    """Yield changes of the numbers in assignments at the top of a module."""
    source = path.read_bytes()
    starts = _offsets(source)
    for statement in ast.parse(source).body:
        if not isinstance(statement, ast.Assign | ast.AnnAssign) or statement.value is None:
            continue
        target = statement.targets[0] if isinstance(statement, ast.Assign) else statement.target
        numbers = [
            node
            for node in ast.walk(statement.value)
            if isinstance(node, ast.Constant) and type(node.value) in (int, float) and node.value != 0
        ]  # nothing times a factor is nothing
        numbers.sort(key=lambda node: (node.lineno, node.col_offset))
        last = len(numbers) - 1
        looked_at = {0, last // 2, last} if last >= MOST_OF_A_TABLE else set(range(last + 1))
        for at in sorted(looked_at):
            node = numbers[at]
            begin = starts[node.lineno - 1] + node.col_offset
            end = starts[node.end_lineno - 1] + node.end_col_offset
            name = ast.unparse(target)
            for how, factor in FACTORS.items():
                value = _moved(node.value, factor)
                what = name if last == 0 else f"{name} number {at + 1}"
                words = f"{what}: {node.value} -> {value:g}"
                first = name if isinstance(target, ast.Name) else None
                yield Change(path, statement, begin, end, repr(value), what, how, words, first)


def operators(path: Path) -> Iterator[Change]:
    """Yield comparisons and sums turned round."""
    source = path.read_bytes()
    starts = _offsets(source)
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
            what = " ".join(ast.unparse(node).split())
            how = f"{old} -> {new}"
            yield Change(path, node, at, at + len(old), new, what, how, f"{what}: {how}")


def named() -> Iterator[Change]:
    """Yield the changes of `NAMED`; a text that is not found once is an error, not a survivor."""
    for name, old, new in NAMED:
        path = ROOT / "pressstats" / name
        source = path.read_bytes()
        if source.count(old.encode()) != 1:
            raise SystemExit(
                f"{name}: {old!r} stands there {source.count(old.encode())} times, once is needed"
            )
        at = source.index(old.encode())
        line = source[:at].count(b"\n") + 1
        statements = [
            node
            for node in ast.walk(ast.parse(source))
            if isinstance(node, ast.stmt) and node.lineno <= line <= node.end_lineno
        ]
        node = max(statements, key=lambda one: one.lineno)
        words = f"{old} -> {new}"
        constant = old.split(" = ")[0] if node.col_offset == 0 and " = " in old else None
        yield Change(path, node, at, at + len(old.encode()), new, old, f"-> {new}", words, constant)


def copy_tree(folder: Path) -> None:
    """Copy what the tests read."""
    for name in ("pressstats", "tests", "notebooks", "data_demo"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", ".ipynb*"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "requirements.txt"):
        shutil.copy(ROOT / name, folder / name)


def warm(folder: Path) -> None:
    """Load the libraries that tests and package use, and let go of the package itself, which changes."""
    own = [str(folder), str(folder / "tests")]
    sys.path[:] = own + [place for place in sys.path if place not in (str(ROOT), str(Path(__file__).parent))]
    # A fork keeps none of the threads of linear algebra.
    os.environ |= dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    import pressstats.publishing
    import pressstats.results

    if not pressstats.results.__file__.startswith(str(folder)):
        raise SystemExit("another copy of the package would be tested")
    for name in [name for name in sys.modules if name.split(".")[0] == "pressstats"]:
        del sys.modules[name]
    gc.freeze()


class _Failed:
    """Plugin of pytest: writes which test failed."""

    def __init__(self, told: Path) -> None:
        self.told = told

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.told.write_text(report.nodeid, encoding="utf-8")


def _tested(tests: list[str], folder: Path, seconds: int) -> int:
    """Run tests in a forked process and return how it ended; a signal is negative."""
    child = os.fork()
    if child:
        deadline = time.monotonic() + 20 * seconds  # waiting costs no processor time
        while time.monotonic() < deadline:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.02)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return -signal.SIGKILL
    code = 3
    try:
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
        os.chdir(folder)
        os.environ["PYTHONPATH"] = str(folder)
        silence = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silence, 1)
        os.dup2(silence, 2)
        options = [*PLAIN, "-x", f"--basetemp={folder / 'made'}", *tests]
        code = int(pytest.main(options, plugins=[_Failed(folder / "failed.txt")]))
    finally:
        os._exit(code)


def noticed(change: Change, tests: list[str], folder: Path, seconds: int) -> str | None:
    """Return which test fails with the change made in the copy below `folder`, if any does."""
    target = folder / change.file
    before = target.stat()
    source = target.read_bytes()
    told = folder / "failed.txt"
    told.unlink(missing_ok=True)
    target.write_bytes(source[: change.start] + change.text.encode() + source[change.end :])
    for compiled in (target.parent / "__pycache__").glob(f"{target.stem}.*.pyc"):
        compiled.unlink()
    try:
        status = _tested(tests, folder, seconds)
    finally:
        target.write_bytes(source)
        os.utime(target, ns=(before.st_atime_ns, before.st_mtime_ns))
        for compiled in (target.parent / "__pycache__").glob(f"{target.stem}.*.pyc"):
            compiled.unlink()
    if status == 0 or status in (-signal.SIGKILL, -signal.SIGXCPU):
        return None
    if status not in (1, 2, 4):  # failed, not importable, or not collected since the import fails
        raise SystemExit(f"{change.words}: pytest ended with {status}")
    return told.read_text(encoding="utf-8") if told.exists() else "import"


def changes(kind: str, parts: Sequence[str]) -> list[Change]:
    """Return all changes of a kind in the parts named."""
    if kind == "named":
        return list(named())
    make = constants if kind == "constants" else operators
    found = []
    for part in parts:
        place = ROOT / "pressstats" / part
        files = [place] if place.suffix == ".py" else sorted(place.glob("*.py"))
        found += [change for file in files for change in make(file)]
    return found


def known_survivors() -> dict[tuple[str, str, str], str]:
    """Return why a change survives, by file, what and how."""
    with KNOWN.open(encoding="utf-8", newline="") as file:
        return {(row["file"], row["what"], row["how"]): row["why"] for row in csv.DictReader(file)}


@click.command(help=__doc__.split("\n")[0])
@click.argument("kind", type=click.Choice(["constants", "operators", "named"]))
@click.option(
    "--parts", multiple=True, type=click.Choice(PARTS), help="Parts of the package; all without any."
)
@click.option("--sample", type=int, help="So many, drawn at random with a fixed seed.")
@click.option("--only", help="Changes of which the words hold this text.")
@click.option("--seconds", default=60, help="Processor time of tests for a change.")
@click.option("--once", is_flag=True, help="Leave a place at its first survivor.")
@click.option("--tests", "globs", multiple=True, default=TESTS, help="Test files that are run.")
@click.option("--keep", is_flag=True, help="Write the figures to figures.csv.")
def main(
    kind: str,
    parts: tuple[str, ...],
    sample: int | None,
    only: str | None,
    seconds: int,
    once: bool,
    globs: tuple[str, ...],
    keep: bool,
) -> None:
    """Make the changes one by one and print what survives."""
    todo = changes(kind, parts or PARTS)
    if only:
        todo = [change for change in todo if only in f"{change.file} {change.words}"]
    if sample and sample < len(todo):
        todo = random.Random(1).sample(todo, sample)
    known = {} if kind == "named" else known_survivors()
    files = sorted({file for glob in globs for file in (ROOT / "tests").glob(glob)})
    executed = Executed(files, cache_folder(), most_seconds=seconds / 2)
    places = Places(ROOT / "pressstats")
    left: set[tuple[str, str]] = set()
    counts = {"noticed": 0, "known": 0, "SURVIVED": 0}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_tree(folder)
        warm(folder)
        for change in todo:
            if once and (change.file, change.what) in left:
                continue
            lines, names = places.of(change.path, change.node, change.constant)
            part = ".".join(change.path.relative_to(ROOT).with_suffix("").parts[:2])
            tests, total = executed.tests(lines, part, names)
            start = time.monotonic()
            test = noticed(change, tests, folder, seconds) if tests else None
            reason = known.get((change.file, change.what, change.how)) or known.get(
                (change.file, change.what, "either")
            )
            if test:
                state, why = "noticed", test
            elif reason:
                state, why = "known", reason
            else:
                within = f" within {seconds} s" if total > seconds else ""
                left.add((change.file, change.what))
                state, why = "SURVIVED", f"not noticed{within} by {len(tests)} tests"
            counts[state] += 1
            spent = time.monotonic() - start
            print(f"{state:<9} {change.file}  {change.words}  [{why}; {spent:.1f} s]", flush=True)
    figures = [Figure(f"changes of {len(todo)}: {state}", count, "count") for state, count in counts.items()]
    tell(__file__, figures, keep)
    sys.exit(int(counts["SURVIVED"] > 0))


if __name__ == "__main__":
    main()
