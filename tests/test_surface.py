"""What a user imports: names at the top without the seconds that analyses take to import, and results as a mapping."""

from __future__ import annotations

import doctest
import pydoc
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

import pressstats
from pressstats.tables import OUTPUTS


def test_names_stand_at_the_top_and_cost_no_import() -> None:
    program = (
        "import sys, pressstats; print(dir(pressstats), 'pandas' in sys.modules); import pressstats.cli\n"
    )
    # Nor does the command line; and what publishes leaves out what takes long and nobody asks for.
    program += "print({'nbformat', 'pandas'} & set(sys.modules)); pressstats.publish\n"
    program += "print('nbformat' in sys.modules, 'rfc3987_syntax' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    assert said == f"{sorted(pressstats.__all__)} False\nset()\nTrue False\n"
    for name in pressstats.__all__:
        assert getattr(pressstats, name) is not None
    # A part that is imported by itself takes no name away.
    assert callable(pressstats.publish)
    with pytest.raises(AttributeError, match="has no attribute 'publisch'"):
        pressstats.publisch  # noqa: B018


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> pressstats.Results:
    folder: Path = write_small_plant(tmp_path_factory.mktemp("logs"), small_tables(3))
    return pressstats.open_results(folder)


def test_results_are_a_mapping_of_tables(results: pressstats.Results) -> None:
    assert list(results) == list(results.keys()) == list(OUTPUTS)
    assert len(results) == len(OUTPUTS)
    assert "exceptions" in results
    assert "nonsense" not in results
    for name, table in results.items():
        assert isinstance(table, pd.DataFrame)
        assert list(table.columns) == OUTPUTS[name].names
    assert results.get("nonsense") is None
    assert results._ipython_key_completions_() == list(OUTPUTS)
    assert (
        repr(results)
        == f"<Results of Small Plant as of 2025-03-05: {len(OUTPUTS)} tables; describe() lists them and the frames>"
    )


def test_help_leads_somewhere_within_a_screen() -> None:
    screen = pydoc.render_doc(pressstats, renderer=pydoc.plaintext).splitlines()[:30]
    for word in ("open_results", "read_logs", "publish", "describe()", "what_if", "begin_here"):
        assert any(word in line for line in screen), word


def test_a_name_that_is_not_there_brings_those_alike(results: pressstats.Results) -> None:
    with pytest.raises(KeyError, match=r"'exception'.*did you mean exceptions"):
        results["exception"]
    with pytest.raises(KeyError, match=r"'stock'.*stock_cover"):
        results["stock"]
    with pytest.raises(KeyError, match=r"there are paper_balance, .*exceptions"):
        results["zzz"]


@pytest.fixture
def _beside_logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand where the examples stand: beside a folder `logs` with four weeks of a small plant."""
    write_small_plant(tmp_path / "logs", small_tables(28))
    monkeypatch.chdir(tmp_path)


@pytest.mark.usefixtures("_beside_logs", "forked_kernels")
@pytest.mark.parametrize("name", ["", "Results", "open_results", "publish", "read_logs"])
def test_examples_run_as_they_are_written(name: str) -> None:
    of = getattr(pressstats, name) if name else pressstats
    module = sys.modules[of.__module__] if name else of
    (example,) = [
        one
        for one in doctest.DocTestFinder(recurse=False).find(of, name or "pressstats", module)
        if one.examples
    ]
    failed, tried = doctest.DocTestRunner().run(example)
    assert tried
    assert not failed
