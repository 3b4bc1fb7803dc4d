"""Plants from their logs to their pages: the whole contract, twice to the same bytes, and hostile text."""

from __future__ import annotations

import csv
import json
import re
from typing import TYPE_CHECKING

import openpyxl
import pandas as pd
from conftest import FORMULA, MATERIAL, SCRIPT, TURNED
from test_publish import Addresses, digests
from test_publish_spreadsheet import OUR_FORMULAS

from pressstats.pages import glossary
from pressstats.publishing import REPORTS, Publication, publish
from pressstats.publishing.sheets import OUTLOOK
from pressstats.tables import OUTPUTS

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_every_report_and_every_table_is_published(demo_publication: Publication) -> None:
    folder = demo_publication.folder
    assert sorted(path.name for path in folder.glob("*.html")) == sorted(
        ["index.html", *(report.page for report in REPORTS)]
    )
    for name, table in OUTPUTS.items():
        with (folder / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        assert rows[0] == table.names, name
        assert len(rows) - 1 == demo_publication.manifest["rows"][name]
    assert openpyxl.load_workbook(folder / "buying_outlook.xlsx").sheetnames == [*OUTLOOK, "About"]


def test_every_page_has_headline_figures_and_its_foot(demo_publication: Publication) -> None:
    for report in demo_publication.manifest["reports"]:
        text = (demo_publication.folder / report["page"]).read_text(encoding="utf-8")
        assert report["headline"], report["name"]
        assert report["figures"] > 0, report["name"]
        assert '<section class="provenance"' in text
        assert len(text) < 1_500_000, report["name"]
    week = next(one for one in demo_publication.manifest["reports"] if one["name"] == "weekly_page")
    assert demo_publication.manifest["headline"] == week["headline"]


def test_words_that_a_page_explains_stand_on_it(demo_publication: Publication) -> None:
    for page in ("weekly_page", "buying_outlook", "last_night"):
        text = Addresses((demo_publication.folder / f"{page}.html").read_text(encoding="utf-8")).text.lower()
        above, below = re.split("words used here", text)
        words = [point.split(":")[0] for point in glossary.words_used(page).text.split("- ")[1:]]
        assert len(words) > 4
        for word in words:
            assert word.lower() in below
            assert re.split(r",| \(", word)[0].lower() in above, (page, word)


def test_no_code_reaches_a_page_and_no_page_refers_outside(demo_publication: Publication) -> None:
    for page in demo_publication.folder.glob("*.html"):
        text = page.read_text(encoding="utf-8")
        found = Addresses(text)
        assert not re.search(r"open_results|pages\.[a-z_]+\.|Traceback|Warning:", found.text), page.name
        assert set(found.inline_scripts) <= {"application/json", "script"}
        for address in found.addresses:
            assert address.startswith("#") or address == "data:," or (page.parent / address).exists(), address


def test_nothing_a_notebook_shows_is_lost_on_the_way(demo_told: list[str]) -> None:
    assert {f"{report.name}: started" for report in REPORTS} <= set(demo_told)
    assert [line for line in demo_told if "not on the page" in line] == []


def test_the_same_logs_make_the_same_bytes_whoever_computes_them(
    hostile_publication: Publication, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every report, computed and published apart from the first time."""
    monkeypatch.setenv("PRESSSTATS_CACHE", str(tmp_path / "cache"))
    logs = hostile_publication.folder.parents[1] / "logs"
    again = publish(logs, tmp_path / "out", tell=[].append)
    one, other = digests(hostile_publication.folder), digests(again.folder)
    assert {report.page for report in REPORTS} <= set(one)
    del one["manifest.json"], other["manifest.json"]
    assert one == other
    manifests = [
        json.loads((each.folder / "manifest.json").read_text()) for each in (hostile_publication, again)
    ]
    for each in manifests:
        del each["seconds"]
    assert manifests[0] == manifests[1]


def test_hostile_titles_and_materials_show_as_text_on_pages(hostile_publication: Publication) -> None:
    pages = {
        page.stem: Addresses(page.read_text(encoding="utf-8"))
        for page in hostile_publication.folder.glob("*.html")
    }
    for page in pages.values():
        assert set(page.inline_scripts) <= {"application/json", "script"}
        assert not {"img", "b", "iframe"} & set(page.tags)
    balance = re.sub(r"\s+", " ", pages["paper_balance"].text)
    assert SCRIPT in balance
    assert TURNED in balance
    assert FORMULA[:60] in balance
    assert MATERIAL in pages["demand"].text
    assert MATERIAL in pages["buying_outlook"].text
    assert MATERIAL in pages["weekly_page"].text


def test_hostile_materials_are_no_formula_in_tables_and_spreadsheet(hostile_publication: Publication) -> None:
    folder = hostile_publication.folder
    for path in (folder / "tables").glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    assert not cell.startswith(("=", "+", "@", "\t", "\r")), (path.name, cell)
                    assert not cell.startswith("-") or pd.notna(pd.to_numeric(cell, errors="coerce")), cell
    forecast = pd.read_csv(folder / "tables" / "demand_forecast.csv")
    assert f"'{MATERIAL}" in set(forecast["material"])
    for path in (folder / "buying_outlook.xlsx", *(folder / "suppliers").glob("*.xlsx")):
        book = openpyxl.load_workbook(path)
        cells = [
            cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None
        ]
        ours = [cell for cell in cells if cell.data_type == "f"]
        assert all(OUR_FORMULAS.fullmatch(cell.value) for cell in ours)
        assert {cell.data_type for cell in cells} <= {"s", "n", "d", "f"}
        told = {cell.value for cell in cells}
        assert MATERIAL in told or path.parent.name == "suppliers"
