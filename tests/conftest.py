"""What tests share: publications, made once for the whole session since each costs seconds."""

from __future__ import annotations

import csv
import os
import pickle
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from filelock import FileLock
from stand_ins import REPORTS, opener, sound_notebooks, write_notebooks

from pressstats.publish import Publication, publish

ROOT = Path(__file__).resolve().parents[1]

#: Names that mean ill, in place of the invented plant's own.
SCRIPT = '<script>alert("1")</script><img src=x onerror=alert(1)>'
FORMULA = "=1+1 " + "very " * 60 + "long"
TURNED = "שלום \"עולם\" & 'co'"
MATERIAL = "@SUM(1;2) <b>bold</b> %{x}"


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the results of tests, and of the notebooks they run, out of the user's cache."""
    before = os.environ.get("PRESSSTATS_CACHE")
    os.environ["PRESSSTATS_CACHE"] = str(tmp_path_factory.mktemp("cache"))
    yield
    if before is None:
        del os.environ["PRESSSTATS_CACHE"]
    else:
        os.environ["PRESSSTATS_CACHE"] = before


def _made_once(
    folders: pytest.TempPathFactory, name: str, make: Callable[[Path], Publication]
) -> Publication:
    """Return what `make` publishes in a folder of that name, made by the first process that asks for it."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return make(folders.mktemp(name))
    folder = folders.getbasetemp().parent / name
    kept = folder / "publication.pickle"
    with FileLock(f"{folder}.lock"):
        if not kept.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            kept.write_bytes(pickle.dumps(make(folder)))
        return pickle.loads(kept.read_bytes())


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
    return _made_once(tmp_path_factory, "demo", lambda folder: publish(ROOT / "data_demo", folder / "out"))


@pytest.fixture(scope="session")
def hostile_publication(tmp_path_factory: pytest.TempPathFactory) -> Publication:
    """Return the invented plant with titles and a material that mean ill."""
    return _made_once(tmp_path_factory, "hostile", _hostile)


def _hostile(folder: Path) -> Publication:
    logs = folder / "logs"
    shutil.copytree(ROOT / "data_demo", logs)
    with (logs / "runs_2025.csv").open(encoding="utf-8", newline="") as file:
        titles = sorted({row["title"] for row in csv.DictReader(file)})
    assert len(titles) == 3
    swaps = dict(zip(titles, (SCRIPT, FORMULA, TURNED), strict=True)) | {"fountain": MATERIAL}
    for path in logs.glob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            text = file.read()
        for before, after in swaps.items():
            quoted = '"' + after.replace('"', '""') + '"'
            text = re.sub(rf"(?m)(^|,){before}(?=,|\r?$)", lambda match, cell=quoted: match[1] + cell, text)
        path.write_text(text, encoding="utf-8", newline="")
    return publish(logs, folder / "out", names=["paper_balance", "demand", "weekly_page", "buying_outlook"])
