"""Publications that are killed, stopped, out of room or two at once: what stands afterwards, and what is left.

Run it as ``python tests/bench/bench_faults.py kills|stops|full|pairs [--count N]``. A stand-in plant is published once;
then it is published again and again, each time disturbed at another moment. After each time every publication must be
whole (each file as its manifest says), the list of them must name them, and no process may be left; after the next
publication nothing of those before may lie about. Figures count what was found otherwise.
"""

from __future__ import annotations

import hashlib
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import click
import numpy as np
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from stand_ins import AS_OF, REPORTS, notebook, opener, write_notebooks

from pressstats.publishing import publish
from pressstats.stopping import EXIT_CODES, leave

_SAY = 'from pressstats.exhibits import headline\nheadline("Nothing new.")'
_MARK = "PRESSSTATS_BENCH"  # stands in the environment of every process of one trial
_PATIENCE = 120.0
#: A publication that has ended before it was disturbed is tried again, each time sooner by this factor.
_SOONER, _TRIES = 0.7, 6
#: A process of its own, to be disturbed: it heeds signals before it imports, as the program does.
_WORKER = """
import sys
from pathlib import Path
from pressstats.stopping import heed_signals, leave
heed_signals()
try:
    import pressstats
    pressstats.publish  # as the program does, before anything else brings what it leaves out
    sys.path.insert(0, sys.argv[1])
    import bench_faults
    bench_faults.publish_once(Path(sys.argv[2]))
except KeyboardInterrupt as stopped:
    leave(stopped, "Nothing was begun.")
"""


def publish_once(folder: Path) -> None:
    """Publish the stand-in plant, as the command line does."""
    try:
        publish(
            folder,
            folder / "out",
            AS_OF,
            notebooks=folder / "notebooks",
            reports=REPORTS[:1],
            open_results=opener("Plant"),
        )
    except KeyboardInterrupt as stopped:
        leave(stopped, "What stands is whole.")
    except OSError as error:
        print(error.strerror or error, file=sys.stderr)
        sys.exit(3)
    except Exception as error:  # noqa: BLE001 -- a failed report, told in its own words
        print(str(error).splitlines()[0], file=sys.stderr)
        sys.exit(1)


class Trial:
    """A folder of publications, and processes that publish into it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.mark = folder, uuid4().hex
        (folder / "runtime").mkdir()
        write_notebooks(folder / "notebooks", {REPORTS[0].name: notebook(_SAY)})
        begun = time.perf_counter()
        assert self.start().wait() == 0
        self.seconds = time.perf_counter() - begun

    def start(self, bytes_most: int | None = None) -> subprocess.Popen[str]:
        """Begin to publish; no file may grow beyond `bytes_most`."""

        def limited() -> None:
            # A shell that starts something beside it lets it ignore interrupts, which would be passed on.
            for kind in EXIT_CODES:
                signal.signal(signal.Signals[kind], signal.SIG_DFL)
            if bytes_most is not None:
                resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_most, bytes_most))

        more = {_MARK: self.mark, "JUPYTER_RUNTIME_DIR": str(self.folder / "runtime")}
        return subprocess.Popen(
            [sys.executable, "-c", _WORKER, str(Path(__file__).parent), str(self.folder)],
            env=os.environ | more,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=limited,
        )

    def broken(self) -> int:
        """Return how many publications are not whole or not listed; 1 where there is none."""
        out = self.folder / "out"
        days = [path for path in out.iterdir() if not path.name.startswith(".") and path.is_dir()]
        days = [path for path in days if path.name != "failed"]
        listed = (out / "index.html").read_text() if (out / "index.html").is_file() else ""
        return sum(not self._whole(day) or day.name not in listed for day in days) + (not days)

    def _whole(self, day: Path) -> bool:
        try:
            files = json.loads((day / "manifest.json").read_text())["files"]
            found = {name: hashlib.sha256((day / name).read_bytes()).hexdigest() for name in files}
        except (OSError, ValueError):
            return False
        return bool(found) and found == files

    def alive(self) -> int:
        """Return how many processes of this trial are left, after they had a moment to end."""
        for _ in range(50):
            left = [one for one in Path("/proc").glob("[0-9]*") if self._marked(one)]
            if not left:
                break
            time.sleep(0.1)
        return len(left)

    def _marked(self, process: Path) -> bool:
        try:
            return f"{_MARK}={self.mark}".encode() in (process / "environ").read_bytes()
        except OSError:
            return False

    def left_over(self) -> int:
        """Return how many files and folders of dead publications lie about."""
        hidden = [path for path in (self.folder / "out").glob(".*") if path.name != ".lock"]
        return len(hidden) + len(list((self.folder / "runtime").iterdir()))


def _judged(trial: Trial, count: int, found: dict[str, int]) -> Iterator[Figure]:
    """Publish once more, undisturbed, and tell what was found."""
    found["next publications that failed"] = int(trial.start().wait(_PATIENCE) != 0)
    found["left over after the next publication"] = trial.left_over()
    found["publications broken in the end"] = trial.broken()
    for what, number in found.items():
        yield Figure(what, number, "", f"of {count}")


def _disturbed(count: int, kinds: list[int], codes: dict[int, int]) -> Iterator[Figure]:
    """Send a signal at moments spread over a publication, and look at what stands."""
    found = dict.fromkeys(
        ["publications broken", "processes left", "exit codes or lines that do not say so"], 0
    )
    moments = np.random.default_rng(1).permutation((np.arange(count) + 0.5) / count)
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder))
        ended = 0
        for number, moment in enumerate(moments):
            kind = kinds[number % len(kinds)]
            for after in float(moment) * trial.seconds * _SOONER ** np.arange(_TRIES):
                process = trial.start()
                time.sleep(after)
                process.send_signal(kind)
                _, said = process.communicate(timeout=_PATIENCE)
                # The interpreter itself starts before anybody can heed a signal.
                early = process.returncode == -kind and "pressstats" not in said
                right = process.returncode in (0, codes.get(kind, -kind)) and "Traceback" not in said
                found["exit codes or lines that do not say so"] += not (right or early)
                found["publications broken"] += trial.broken()
                found["processes left"] += trial.alive()
                if process.returncode != 0:
                    break
            ended += process.returncode == 0
        yield Figure("publications that had ended before", ended, "", f"of {count}")
        yield from _judged(trial, count, found)


@click.group()
def main() -> None:
    """Disturb publications, and count what is broken or left."""


@main.command()
@click.option("--count", default=100, show_default=True, help="Publications that are killed.")
@measures
def kills(count: int) -> Iterator[Figure]:
    """Kill publications."""
    yield from _disturbed(count, [signal.SIGKILL], {})


@main.command()
@click.option("--count", default=20, show_default=True, help="Publications that are stopped.")
@measures
def stops(count: int) -> Iterator[Figure]:
    """Ask publications to end."""
    asked = {getattr(signal, name): code for name, code in EXIT_CODES.items()}
    yield from _disturbed(count, list(asked), asked)


@main.command()
@click.option("--count", default=20, show_default=True, help="Places at which there is no more room.")
@measures
def full(count: int) -> Iterator[Figure]:
    """Let files grow to a size and no further."""
    found = dict.fromkeys(
        ["publications broken", "processes left", "exit codes or lines that do not say so"], 0
    )
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder))
        for size in np.geomspace(1, 6e6, count).astype(int):
            process = trial.start(int(size))
            _, said = process.communicate(timeout=_PATIENCE)
            right = process.returncode in (0, 1, 3) and "Traceback" not in said
            found["exit codes or lines that do not say so"] += not right
            found["publications broken"] += trial.broken()
            found["processes left"] += trial.alive()
        yield from _judged(trial, count, found)


@main.command()
@click.option("--count", default=20, show_default=True, help="Pairs of publications.")
@measures
def pairs(count: int) -> Iterator[Figure]:
    """Publish twice at once into one folder."""
    found = dict.fromkeys(["publications broken", "processes left", "publications that failed"], 0)
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder))
        for _ in range(count):
            both = [trial.start(), trial.start()]
            for process in both:
                process.communicate(timeout=_PATIENCE)
            found["publications that failed"] += sum(process.returncode != 0 for process in both)
            found["publications broken"] += trial.broken()
            found["processes left"] += trial.alive()
        yield from _judged(trial, count, found)


if __name__ == "__main__":
    main()
