"""The command line: defaults, messages, exit codes."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from small_plant import small_tables, write_small_plant

import pressstats.cli
import pressstats.logs
import pressstats.publishing
import pressstats.watch
from pressstats.cli import main
from pressstats.publishing import REPORTS, ReportFailed
from pressstats.publishing.running import Failure
from pressstats.stopping import EXIT_CODES, Stopped


def call(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, ...]]:
    calls: list[tuple[Any, ...]] = []

    def publish(*arguments: Any) -> SimpleNamespace:
        calls.append(arguments)
        return SimpleNamespace(folder=Path("published/2025-03-02"))

    monkeypatch.setattr(pressstats.publishing, "publish", publish)
    return calls


def test_publish_has_the_defaults_of_the_contract(asked: list[tuple[Any, ...]]) -> None:
    result = call("publish")
    assert result.exit_code == 0
    assert result.output.strip() == str(Path("published/2025-03-02/index.html"))
    assert asked == [(Path("data_demo"), Path("published"), "", ())]


def test_publish_passes_its_options_on(asked: list[tuple[Any, ...]]) -> None:
    names = ["--report", "weekly_page", "--report", "demand"]
    assert call("publish", "--logs", "a", "--out", "b", "--as-of", "2025-03-02", *names).exit_code == 0
    assert asked == [(Path("a"), Path("b"), "2025-03-02", ("weekly_page", "demand"))]


@pytest.mark.parametrize(
    "arguments", [("--as-of", "02.03.2025"), ("--as-of", "2025-02-30"), ("--report", "month")]
)
def test_arguments_that_cannot_be_used_exit_2(
    asked: list[tuple[Any, ...]], arguments: tuple[str, ...]
) -> None:
    result = call("publish", *arguments)
    assert result.exit_code == 2
    assert arguments[1] in result.output
    assert asked == []


def test_a_failed_report_exits_1_with_its_message(monkeypatch: pytest.MonkeyPatch) -> None:
    failure = Failure(REPORTS[0], 4, "1 / 0", "ZeroDivisionError: division by zero", Path("x.ipynb"), 1.0)

    def publish(*_: Any) -> None:
        raise ReportFailed([failure], Path("published/failed/2025-03-02"))

    monkeypatch.setattr(pressstats.publishing, "publish", publish)
    result = call("publish")
    assert result.exit_code == 1
    assert f"{REPORTS[0].notebook} failed, cell 4." in result.output
    assert "Nothing was published." in result.output
    assert "Traceback" not in result.output


def test_logs_that_are_not_there_exit_2_with_a_message(tmp_path: Path) -> None:
    for command in ("publish", "check"):
        result = call(command, "--logs", str(tmp_path / "nothing"))
        assert result.exit_code == 2, result.output
        assert "nothing" in result.output
        assert result.exception is None or isinstance(result.exception, SystemExit)


@pytest.mark.parametrize(("rejected", "warnings", "code"), [(0, 0, 0), (1, 0, 1), (0, 1, 1)])
def test_check_exits_by_what_it_found(
    monkeypatch: pytest.MonkeyPatch, rejected: int, warnings: int, code: int
) -> None:
    logs = SimpleNamespace(
        rejected=pd.DataFrame(index=range(rejected)), warnings=pd.DataFrame(index=range(warnings))
    )
    monkeypatch.setattr(pressstats.logs, "read_logs", lambda folder: logs)
    monkeypatch.setattr(pressstats.logs, "describe_check", lambda logs: "what was found")
    monkeypatch.setattr(pressstats.watch, "implausible_logs", lambda logs: pd.DataFrame())
    result = call("check")
    assert (result.exit_code, result.output) == (code, "what was found\n")


def test_demo_writes_with_what_was_given(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import demo_plant

    calls: list[tuple[Any, dict[str, Any]]] = []
    monkeypatch.setattr(demo_plant, "write_demo", lambda out, **more: calls.append((out, more)))
    assert call("demo", "--out", str(tmp_path)).exit_code == 0
    assert call("demo", "--out", str(tmp_path), "--seed", "7", "--years", "2").exit_code == 0
    assert calls == [(tmp_path, {}), (tmp_path, {"seed": 7, "years": 2})]
    assert call("demo").exit_code == 2


@pytest.mark.parametrize("command", ["publish", "check", "demo"])
def test_help_tells_what_it_does_an_example_and_the_exit_codes(command: str) -> None:
    text = call(command, "--help").output
    assert f"python -m pressstats {command}" in text
    assert "Exit codes:" in text
    assert "\x08" not in text


def test_the_module_runs_as_a_program() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pressstats", "--help"], capture_output=True, text=True, check=True
    )
    assert all(command in done.stdout for command in ("publish", "check", "demo"))
    assert "Usage: python -m pressstats" in done.stdout


def test_demo_without_the_simulation_beside_the_package_says_so_in_a_line(tmp_path: Path) -> None:
    shutil.copytree(Path(pressstats.__file__).parent, tmp_path / "pressstats")
    done = subprocess.run(
        [sys.executable, "-m", "pressstats", "demo", "--out", "plant"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert not (tmp_path / "plant").exists()
    assert (
        done.stderr == "The simulation of the invented plant comes with a checkout, not with the package.\n"
    )


def test_demo_refuses_a_folder_of_something_else(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("not a plant")
    result = call("demo", "--out", str(tmp_path))
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert (tmp_path / "letter.txt").exists()


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(28, "No space left on device"), "No space left on device"),
        (
            TimeoutError("another publication in out did not end in 1800 s"),
            "another publication in out did not end in 1800 s",
        ),
    ],
)
def test_a_folder_that_cannot_be_written_exits_3(
    monkeypatch: pytest.MonkeyPatch, error: OSError, said: str
) -> None:
    def failed(*_: object) -> None:
        raise error

    monkeypatch.setattr("pressstats.publishing.publish", failed)
    result = call("publish", "--out", "out")
    assert result.exit_code == 3
    assert result.stderr == f"out cannot be written: {said}. What stands there is whole.\n"


def test_a_folder_below_a_file_exits_3(tmp_path: Path) -> None:
    logs = write_small_plant(tmp_path / "logs")
    result = call("publish", "--logs", str(logs), "--out", str(logs / "runs.csv" / "out"))
    assert result.exit_code == 3
    assert "Not a directory" in result.stderr.splitlines()[-1]


@pytest.mark.parametrize("name", ["SIGHUP", "SIGINT", "SIGTERM"])
def test_a_stop_is_a_line_and_an_exit_code_of_its_own(name: str) -> None:
    program = "import os, signal, pressstats.stopping as stopping\n"
    # Whoever runs the tests may have it ignored, and what is ignored is not heeded.
    program += f"signal.signal(signal.{name}, signal.default_int_handler)\nstopping.heed_signals()\n"
    program += f"try:\n    os.kill(os.getpid(), signal.{name})\n    signal.pause()\n"
    program += "except KeyboardInterrupt as stopped:\n    stopping.leave(stopped, 'All is whole.')"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert done.returncode == EXIT_CODES[name] == 128 + getattr(signal, name)
    assert done.stderr == f"Stopped by {name}. All is whole.\n"
    assert not done.stdout


@pytest.mark.parametrize(
    ("command", "place"),
    [
        (["check", "--logs", "logs"], "pressstats.logs.read_logs"),
        (["demo", "--out", "plant"], "demo_plant.write_demo"),
        (["start", "exports"], "pressstats.start.propose"),
        (["start", "exports"], "click.termui.visible_prompt_func"),
    ],
)
def test_every_command_that_is_stopped_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str], place: str
) -> None:
    def stop(*_: object, **__: object) -> None:
        raise Stopped(EXIT_CODES["SIGTERM"])

    def leave(stopped: KeyboardInterrupt, *_: object) -> None:
        raise SystemExit(getattr(stopped, "code", EXIT_CODES["SIGINT"]))

    (tmp_path / "exports").mkdir()
    small_tables()["runs"].to_csv(tmp_path / "exports" / "runs.csv", index=False)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(pressstats.cli, "leave", leave)
    monkeypatch.setattr(pressstats.cli, "_is_terminal", lambda: True)
    with monkeypatch.context() as patch:  # the runner of click puts a stand-in of its own before questions
        patch.setattr(place, stop)
        with pytest.raises(SystemExit) as ended:
            main(command)
    assert ended.value.code == EXIT_CODES["SIGTERM"]
    assert not Path("exports/plant.toml").exists()


def test_a_folder_closed_to_writing_exits_3_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # As a file system mounted for reading answers; root may write wherever else it is forbidden.
    def refused(path: Any, flags: int, *more: Any, **named: Any) -> int:
        if flags & os.O_CREAT and str(path).startswith(str(tmp_path / "out")):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))
        return opened(path, flags, *more, **named)

    opened = os.open
    (tmp_path / "out").mkdir()
    logs = write_small_plant(tmp_path / "logs")
    monkeypatch.setattr(os, "open", refused)
    result = call("publish", "--logs", str(logs), "--out", str(tmp_path / "out"))
    assert result.exit_code == 3
    assert "cannot be written: Read-only file system" in result.stderr.splitlines()[-1]
