"""Which tests execute a line of the package, and how long do they take?

One run of a test file with ``coverage`` notes for each test the lines it executes; what a fixture executes counts for
every test that uses it. Notes are kept by test file in a cache folder and made anew where the test file changed. Where
a file of the package changed since, its lines are no longer known, and tests that executed anything of it stand in.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import re
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import coverage
import pytest

ROOT = Path(__file__).parents[2]
#: So many test files are run in one process: importing the package under coverage takes seconds.
TOGETHER = 6
#: Options of a plain run in one process: none of those in pyproject.toml.
PLAIN = ("-o", "addopts=", "-p", "no:xdist", "-p", "no:nbval", "-p", "no:cacheprovider", "-q", "--no-header")


def digest(path: Path) -> str:
    """Return what tells two contents of a file apart."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


@dataclass
class Notes:
    """What one test file executes, by contexts: its tests, and fixtures that tests share."""

    #: Tests in their order, with the shared fixtures that each uses.
    fixtures: dict[str, list[str]] = field(default_factory=dict)
    #: Seconds of processor time of each context.
    seconds: dict[str, float] = field(default_factory=dict)
    #: Contexts that execute a line, by file of the package; and what was in that file.
    lines: dict[str, dict[int, set[str]]] = field(default_factory=dict)
    digests: dict[str, str] = field(default_factory=dict)

    def of(self, test_file: str) -> Notes:
        """Return the notes of one test file alone."""
        tests = {test: used for test, used in self.fixtures.items() if test.split("::")[0] == test_file}
        contexts = set(tests).union(*tests.values())
        lines = {
            file: {line: some & contexts for line, some in known.items() if some & contexts}
            for file, known in self.lines.items()
        }
        seconds = {name: spent for name, spent in self.seconds.items() if name in contexts}
        return Notes(tests, seconds, lines, self.digests)


class _Recorder:
    """Plugin of pytest: tells coverage which test or fixture is running, and times it."""

    def __init__(self, measured: coverage.Coverage) -> None:
        self.measured, self.notes = measured, Notes()
        self._running = ["none"]

    def _during(self, name: str) -> Iterator[None]:
        self._running.append(name)
        self.measured.switch_context(name)
        start = time.process_time()
        try:
            return (yield)
        finally:
            spent = time.process_time() - start
            self._running.pop()
            outer = self._running[-1]  # the time of a fixture is not that of who asked for it first
            seconds = self.notes.seconds
            seconds[name] = seconds.get(name, 0.0) + spent
            seconds[outer] = seconds.get(outer, 0.0) - spent
            self.measured.switch_context(outer)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        return (yield from self._during(item.nodeid))

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef) -> Iterator[None]:
        if fixturedef.scope == "function":
            return (yield)
        return (yield from self._during(f"fixture {fixturedef.baseid} {fixturedef.argname}"))

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for item in items:
            found = getattr(item, "_fixtureinfo", None)
            used = found.name2fixturedefs.values() if found else ()
            self.notes.fixtures[item.nodeid] = [
                f"fixture {one.baseid} {one.argname}"
                for several in used
                for one in several
                if one.scope != "function"
            ]


def _record(kept: dict[str, Path]) -> None:
    """Run test files under coverage and keep the notes of each."""
    measured = coverage.Coverage(data_file=None, config_file=False, include=[f"{ROOT}/pressstats/*"])
    recorder = _Recorder(measured)
    measured.start()
    status = pytest.main([*PLAIN, *kept], plugins=[recorder])
    measured.stop()
    if status not in (0, 5):
        raise SystemExit("tests do not pass as they are")
    data, notes = measured.get_data(), recorder.notes
    for name in data.measured_files():
        here = str(Path(name).relative_to(ROOT))
        notes.digests[here] = digest(Path(name))
        notes.lines[here] = {line: set(some) for line, some in data.contexts_by_lineno(name).items()}
    for test_file, path in kept.items():
        path.write_bytes(pickle.dumps(vars(notes.of(test_file))))


class Executed:
    """Tests by the lines they execute."""

    def __init__(self, test_files: Iterable[Path], cache: Path, most_seconds: float) -> None:
        self.most_seconds = most_seconds
        cache.mkdir(parents=True, exist_ok=True)
        kept = {path: cache / f"{path.stem}-{digest(path)[:16]}.pickle" for path in test_files}
        missing = [path for path in kept if not kept[path].exists()]
        for batch in (missing[at : at + TOGETHER] for at in range(0, len(missing), TOGETHER)):
            names = [text for path in batch for text in (str(path.relative_to(ROOT)), str(kept[path]))]
            environment = {**os.environ, "PYTHONPATH": str(ROOT)}
            command = [sys.executable, __file__, *names]
            subprocess.run(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, check=True)
        self._notes = {path: Notes(**pickle.loads(kept[path].read_bytes())) for path in kept}

    def tests(
        self, places: dict[str, set[int]], part: str, constants: Iterable[str] = ()
    ) -> tuple[list[str], float]:
        """Return the tests that execute one of the lines of these files, and their seconds.

        Those of files that import `part` by its dotted name come first, and the shortest first of them. A test that
        names one of the `constants` in its file may look at it without executing anything.
        """
        groups: dict[tuple, list[tuple[float, str]]] = defaultdict(list)
        total = 0.0
        for path, notes in self._notes.items():
            executing: set[str] = set()
            for file, lines in places.items():
                known = notes.lines.get(file, {})
                same = notes.digests.get(file) == digest(ROOT / file)
                for line, contexts in known.items():
                    if not same or line in lines:
                        executing |= contexts
            text = path.read_text(encoding="utf-8")
            mentioned = any(re.search(rf"\b{name}\b", text) for name in constants)
            for test, used in notes.fixtures.items():
                if not (mentioned or test in executing or executing.intersection(used)):
                    continue
                own = max(notes.seconds.get(test, 0.0), 0.0)
                shared = sum(notes.seconds.get(one, 0.0) for one in used)
                if own + shared > self.most_seconds:
                    continue
                # a shared fixture is made once for all that use it, so they stay together
                key = (part not in text, round(own * 2) + shared, str(path), tuple(used))
                groups[key].append((own, test))
                total += own
        ordered = [test for key in sorted(groups) for _, test in sorted(groups[key])]
        return ordered, total


def cache_folder() -> Path:
    """Return where notes are kept between runs."""
    return Path(os.environ.get("PRESSSTATS_CACHE", tempfile.gettempdir())) / "executed_lines"


if __name__ == "__main__":
    _record(dict(zip(sys.argv[1::2], map(Path, sys.argv[2::2]), strict=True)))
