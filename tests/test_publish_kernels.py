"""Kernels that are forked show what others show, fail as others fail, and leave nothing behind."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from small_plant import small_tables, write_small_plant
from stand_ins import notebook, write_notebooks

from pressstats.publishing import Report, kernels
from pressstats.publishing.running import Executed, Failure, run_notebooks
from pressstats.tables import OUTPUTS

REPORTS = tuple(Report(name, name, "?", "analyst") for name in ("one", "two", "three"))
#: What a notebook may see of its kernel, the same in every kernel of one folder.
SEEN = """
import os, sys, signal, subprocess
print(os.getcwd(), os.environ["PRESSSTATS_SEEN"], __name__, sys.path[:2], sys.argv[1:2])
print(subprocess.run([sys.executable, "-c", "print(3)"], capture_output=True, text=True).stdout)
print(signal.getsignal(signal.SIGCHLD), sys.stdin.readline() if sys.stdin.isatty() else "no terminal")
print(logs_folder, 1 / 3, os.getpid() == os.getpgrp())
"""
PARENT = "import os, sys\nprint(os.getppid(), 'pressstats.pages' in sys.modules)"
#: Whether its cells could be debugged; what that takes is most of what a kernel imports.
DEBUGGED = "import sys\nprint(sys.modules.get('debugpy') is not None)"


def run(
    folder: Path, *cells: tuple[str, ...], reports: tuple[Report, ...] = REPORTS
) -> tuple[list[Executed], list[Failure]]:
    """Run three notebooks of the same cells, or of those given for each."""
    each = cells if len(cells) == len(reports) else cells * len(reports)
    nodes = {report.name: notebook(*own) for report, own in zip(reports, each, strict=True)}
    write_notebooks(folder / "notebooks", nodes)
    given = {"logs_folder": "there", "as_of": "", "published_folder": ""}
    tell: list[str] = []
    return run_notebooks(
        folder / "notebooks", reports, given, folder / "executed", workers=2, tell=tell.append
    )


def shown(executed: list[Executed]) -> list[list[list[str]]]:
    """Return the lines that each notebook printed, cell by cell."""
    return [
        [
            "".join(output.text for output in cell.outputs).splitlines()
            for cell in one.notebook.cells
            if cell.cell_type == "code" and cell.outputs
        ]
        for one in executed
    ]


def test_forked_kernels_show_what_others_show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PRESSSTATS_SEEN", "seen")
    forked, failures = run(tmp_path, (SEEN, PARENT, DEBUGGED))
    assert not failures
    # A single one is not worth a process that forks.
    (started,), failures = run(tmp_path, (SEEN, PARENT, DEBUGGED), reports=REPORTS[:1])
    assert not failures
    (other,) = shown([started])
    assert other[2] == ["True"]
    for one in shown(forked):
        assert one[0] == other[0]
        assert one[2] == ["False"]
        assert one[0][0].startswith(f"{tmp_path / 'notebooks'} seen __main__")
    parents = {tuple(cells[1][0].split()) for cells in shown(forked)}
    assert len(parents) == 1
    assert {imported for _, imported in parents} == {"True"}
    assert other[1] == [f"{os.getpid()} False"]
    # Who forked them is gone when they have run.
    with pytest.raises(ProcessLookupError):
        os.kill(int(parents.pop()[0]), 0)


@pytest.mark.parametrize("deaths", [1, 2])
def test_a_kernel_that_never_came_is_asked_for_once_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deaths: int
) -> None:
    """As one whose port another process has taken meanwhile; who never comes is a failure."""
    left = [True] * deaths
    forked = kernels.WarmKernels.forked

    def dies(*given: Any) -> kernels.Forked | None:
        kernel = forked(*given)
        if kernel is not None and left:
            left.pop()
            kernel.kill()
        return kernel

    monkeypatch.setattr(kernels.WarmKernels, "forked", dies)
    monkeypatch.setattr(kernels, "_PAYS_FROM", 1)
    executed, failures = run(tmp_path, (DEBUGGED,), reports=REPORTS[:1])
    assert not left
    assert len(executed) == 2 - deaths
    assert [failure.why for failure in failures] == [
        "RuntimeError: Kernel died before replying to kernel_info"
    ] * (deaths - 1)


def test_forked_kernels_have_the_results_that_were_opened_for_all_of_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = write_small_plant(tmp_path / "logs", small_tables(3))
    asked = f"{str(logs)!r}, '2025-03-05', ''"
    opens = f"from pressstats.results import open_results as o\nprint(o({asked}) is o({asked}), o({asked}))"
    node = notebook(opens, f"print(o({str(logs)!r}) is o({str(logs)!r}))")
    write_notebooks(tmp_path / "notebooks", {report.name: node for report in REPORTS})
    given = {"logs_folder": str(logs), "as_of": "2025-03-05", "published_folder": ""}
    monkeypatch.setattr(kernels, "_PAYS_FROM", 2)
    for count, same in ((2, "True"), (1, "False")):
        executed, failures = run_notebooks(
            tmp_path / "notebooks",
            REPORTS[:count],
            given,
            tmp_path / f"executed{count}",
            workers=2,
            tell=print,
        )
        assert not failures
        told = f"{same} <Results of Small Plant as of 2025-03-05: {len(OUTPUTS)} tables; "
        told += "describe() lists them and the frames>"
        # What nobody opened for all is read anew each time.
        assert shown(executed) == [[[told], ["False"]]] * count


def test_a_forked_kernel_that_dies_or_raises_is_a_failure_with_its_cell(tmp_path: Path) -> None:
    executed, (dead, raised) = run(
        tmp_path, (PARENT, "import os\nos._exit(3)"), (PARENT, "x = 1", "x / 0"), (PARENT,)
    )
    assert [one.report.name for one in executed] == ["three"]
    assert shown(executed)[0][0][0].endswith("True")
    assert dead.cell == 4
    assert "DeadKernelError" in dead.why
    assert raised.cell == 5
    assert raised.why == "ZeroDivisionError: division by zero"


def test_where_nothing_can_be_forked_kernels_start_as_they_always_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = tmp_path / "broken.py"
    broken.write_text("raise SystemExit(1)")
    monkeypatch.setattr(kernels, "_FORKING", broken)
    executed, failures = run(tmp_path, (PARENT,))
    assert not failures
    assert len(executed) == 3
    assert {cells[0][0] for cells in shown(executed)} == {f"{os.getpid()} False"}


def test_who_forks_kernels_is_not_waited_for_once_halted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    halted = tmp_path / "halted.py"
    halted.write_text("import os, signal\nos.kill(os.getpid(), signal.SIGSTOP)")
    monkeypatch.setattr(kernels, "_FORKING", halted)
    monkeypatch.setattr(kernels, "_OPENED", 0.1)
    command = [kernels.sys.executable, "-m", "ipykernel_launcher"]
    with kernels.WarmKernels(3, {}, tmp_path) as warm:
        assert warm.forked(command, str(tmp_path), {}) is None
    monkeypatch.setattr(kernels, "_ENDED", 0.1)
    with kernels.WarmKernels(3, {}, tmp_path) as warm:  # nobody asks it for anything
        process = warm._process
    assert process is not None
    assert process.returncode == -signal.SIGKILL


def test_a_kernel_ends_with_who_forked_it(tmp_path: Path) -> None:
    connection = tmp_path / "kernel.json"
    with kernels.WarmKernels(3, {}, tmp_path) as warm:
        command = [kernels.sys.executable, "-m", "ipykernel_launcher", "-f", str(connection)]
        kernel = warm.forked(command, str(tmp_path), dict(os.environ))
        assert kernel is not None
        for _ in range(300):
            if connection.exists():
                break
            time.sleep(0.1)
        assert kernel.poll() is None
        # Another interpreter's kernel is not ours to fork.
        assert warm.forked(["python9", *command[1:]], str(tmp_path), {}) is None
    for _ in range(300):
        if kernel.poll() is not None:
            break
        time.sleep(0.1)
    assert kernel.poll() == 1
