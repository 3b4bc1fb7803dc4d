"""What tests share: publications and kept results, made once for the whole session since each costs seconds."""

from __future__ import annotations

import gc
import os
import pickle
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import deprecations  # noqa: F401 -- first of all: it watches what the others call
import pandas as pd
import pytest
from filelock import FileLock
from shared_kernels import shared_kernels
from small_plant import write_small_plant
from stand_ins import REPORTS, opener, sound_notebooks, write_notebooks
from test_watch import TOML, steady_tables
from threadpoolctl import threadpool_limits

from pressstats import beside
from pressstats.orders import plan_orders
from pressstats.publishing import Publication, publish, running
from pressstats.results import Results, open_results

if TYPE_CHECKING:
    from pressstats.publishing.kernels import WarmKernels

ROOT = Path(__file__).resolve().parents[1]
#: Files that take long, the longest first: they begin, so that no process is left with one when the others are done.
LONG = [
    ROOT / "tests" / f"test_{name}.py"
    for name in (
        "benches",
        "pages_in_browser",
        "results",
        "page_contents",
        "group_publish",
        "publish_demo",
        "surface",
        "order_loop",
        "week_pages",
        "plausible",
        "demo_findings",
        "accounts_bridge",
        "watch",
        "accounts_close",
        "pages_agree",
        "reel_simulated",
        "publish",
        "publish_kernels",
    )
] + [ROOT / "notebooks" / "reels.ipynb", ROOT / "notebooks" / "demand.ipynb"]
# Matrices are small: more threads of linear algebra wait for each other longer than they work, as in the package.
threadpool_limits(1)

#: Where what was told is kept, beside what was published.
TOLD = "told.txt"
#: Names that mean ill, in place of the invented plant's own.
SCRIPT = '<script>alert("1")</script><img src=x onerror=alert(1)>'
FORMULA = "=1+1 " + "very " * 60 + "long"
TURNED = "שלום \"עולם\" & 'co'"
MATERIAL = "@SUM(1;2) <b>bold</b> %{x}"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files that take long first, and let the garbage collector pass over all that was imported."""
    assert all(path.exists() for path in LONG)
    first = {path: place for place, path in enumerate(LONG)}
    items.sort(key=lambda item: first.get(item.path, len(first)))
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the results of tests, and of the notebooks they run, out of the user's cache: once for all processes.

    Each core has a process of tests: to fork a third for a part of an analysis costs more than it brings (`test_beside`
    holds both ways against each other).
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(beside, "cores", lambda: 1)
        patch.setenv("PRESSSTATS_CACHE", str(_session_folder(tmp_path_factory) / "cache"))
        if sys.dont_write_bytecode:  # each process that a test starts would compile all that it imports
            patch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
            patch.setenv("PYTHONPYCACHEPREFIX", str(_session_folder(tmp_path_factory) / "compiled"))
        yield


def _session_folder(folders: pytest.TempPathFactory) -> Path:
    """Return the folder that all processes of the session share."""
    base = folders.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


def _made_once(
    folders: pytest.TempPathFactory, name: str, make: Callable[[Path], Publication]
) -> Publication:
    """Return what `make` publishes in a folder of that name, made by the first process that asks for it."""
    folder = _session_folder(folders) / name
    kept = folder / "publication.pickle"
    with FileLock(f"{folder}.lock"):
        if not kept.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            kept.write_bytes(pickle.dumps(make(folder)))
        return pickle.loads(kept.read_bytes())


@pytest.fixture(scope="session")
def _shared_kernels(tmp_path_factory: pytest.TempPathFactory) -> Iterator[type[WarmKernels]]:
    with shared_kernels(tmp_path_factory.mktemp("kernels")) as shared:
        yield shared


@pytest.fixture
def forked_kernels(_shared_kernels: type[WarmKernels], monkeypatch: pytest.MonkeyPatch) -> None:
    """Let notebooks run in kernels of the session's own process: where a test is not about how kernels start."""
    monkeypatch.setattr(running, "WarmKernels", _shared_kernels)


@pytest.fixture(scope="session")
def stand_in_notebooks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a sound notebook for each stand-in report."""
    folder = tmp_path_factory.mktemp("notebooks")
    write_notebooks(folder, sound_notebooks())
    return folder


@pytest.fixture(scope="session")
def stand_in_publication(stand_in_notebooks: Path, tmp_path_factory: pytest.TempPathFactory) -> Publication:
    """Return a publication of the stand-in reports, hostile text in all places; not to be changed."""
    logs = tmp_path_factory.mktemp("logs")
    out = tmp_path_factory.mktemp("published")
    return publish(logs, out, notebooks=stand_in_notebooks, reports=REPORTS, open_results=opener(), workers=2)


@pytest.fixture(scope="session")
def demo_publication(tmp_path_factory: pytest.TempPathFactory) -> Publication:
    """Return the publication of the invented plant, every report; not to be changed."""
    return _made_once(tmp_path_factory, "demo", _demo)


@pytest.fixture(scope="session")
def demo_told(demo_publication: Publication) -> list[str]:
    """Return the lines that were told while the invented plant was published."""
    return (demo_publication.folder.parents[1] / TOLD).read_text(encoding="utf-8").splitlines()


@pytest.fixture(scope="session")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Return the results of a plant on which nothing is wrong; not to be changed."""
    return open_results(write_small_plant(tmp_path_factory.mktemp("steady") / "logs", steady_tables(), TOML))


@pytest.fixture(scope="module")
def few_draws(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Plan orders from few scenarios, where the last per cent of a chance is not looked at; keep such results apart."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(plan_orders.__kwdefaults__, "draws", 400)
        patch.setitem(plan_orders.__kwdefaults__, "fresh_draws", 1000)
        patch.setenv("PRESSSTATS_CACHE", str(_session_folder(tmp_path_factory) / "cache of few draws"))
        yield


@pytest.fixture(scope="session")
def hostile_publication(tmp_path_factory: pytest.TempPathFactory) -> Publication:
    """Return a small plant with titles and a material that mean ill."""
    return _made_once(tmp_path_factory, "hostile", _hostile)


def _demo(folder: Path) -> Publication:
    with (folder / TOLD).open("w", encoding="utf-8") as told:
        return publish(ROOT / "data_demo", folder / "out", tell=lambda line: print(line, file=told))


def _hostile(folder: Path) -> Publication:
    tables = steady_tables(70)
    runs = tables["runs"]
    sundays = (runs["title"] == "Daily") & (runs["date"].dt.day_of_week == 6)
    tables["runs"] = runs.assign(title=runs["title"].mask(sundays, TURNED))
    # An order that is overdue: the page of the week names its material among the exceptions.
    late = tables["deliveries"]["delivery_id"] == "D4"
    promised = tables["deliveries"]["promised_on"].mask(late, runs["date"].max() - pd.Timedelta(days=9))
    tables["deliveries"] = tables["deliveries"].assign(promised_on=promised)
    names = {"Daily": SCRIPT, "Weekly": FORMULA, "N1200": MATERIAL}
    logs = write_small_plant(folder / "logs", {name: table.replace(names) for name, table in tables.items()})
    return publish(logs, folder / "out")
