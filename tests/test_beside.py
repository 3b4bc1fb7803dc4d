"""What is computed in a forked process is what would be computed here."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from small_plant import every_table, write_small_plant

from pressstats import beside as module
from pressstats.beside import beside
from pressstats.logs import read_logs
from pressstats.past import past_forecasts
from pressstats.results import analyse


@pytest.fixture(params=[1, 2])
def cores(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(module, "cores", lambda: request.param)
    return request.param


def test_work_is_done_in_a_process_of_its_own_where_there_is_a_core_for_it(cores: int) -> None:
    number = np.random.default_rng(1).normal(size=3)
    waiting = beside(lambda: (os.getpid(), number * 2))
    pid, doubled = waiting()
    assert (pid != os.getpid()) == (cores == 2)
    assert (doubled == number * 2).all()


@pytest.mark.parametrize("running", [True, False])
def test_nothing_is_forked_in_a_kernel_whose_threads_may_hold_locks(
    running: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "cores", lambda: 2)
    kernel = SimpleNamespace(IPKernelApp=SimpleNamespace(initialized=lambda: running))
    monkeypatch.setitem(sys.modules, "ipykernel.kernelapp", kernel)
    assert (beside(os.getpid)() == os.getpid()) == running


def test_what_work_raises_is_raised_where_its_result_is_asked_for(cores: int) -> None:
    def fails() -> None:
        raise KeyError("no such reel")

    waiting = beside(fails)
    with pytest.raises(KeyError, match="no such reel") as caught:
        waiting()
    # Where in the work it was raised stands beside it: the other process has no frames to show here.
    assert cores == 1 or "in fails" in caught.value.__notes__[0]


@pytest.mark.parametrize(
    "work", [lambda: os.kill(os.getpid(), signal.SIGKILL), lambda: lambda: None], ids=["killed", "not plain"]
)
def test_a_process_that_ends_without_a_result_is_an_error(
    work: Callable[[], object], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "cores", lambda: 2)
    with pytest.raises((RuntimeError, AttributeError)):
        beside(work)()


def test_results_do_not_depend_on_the_number_of_cores(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_small_plant(tmp_path, every_table(84))
    logs = read_logs(tmp_path)
    tables = []
    for cores in (1, 2):
        monkeypatch.setattr(module, "cores", lambda cores=cores: cores)
        results = analyse(logs, *past_forecasts(None, logs.as_of))
        assert results.outlook is not None
        tables.append({name: frame.to_csv() for name, frame in results.tables().items()})
    assert tables[0] == tables[1]
