"""The schema is that of the declarations: as Markdown, and as a page beside the published tables."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from click.testing import CliRunner

from pressstats.cli import main
from pressstats.tables import GROUP_OUTPUTS, INPUTS, OUTPUTS

if TYPE_CHECKING:
    from pressstats.publishing import Publication


def test_every_column_is_listed_under_its_table() -> None:
    text = CliRunner().invoke(main, ["tables"]).output
    parts = re.split(r"^## .*$", text, flags=re.MULTILINE)[1:]
    for part, tables in zip(parts, (INPUTS, OUTPUTS, GROUP_OUTPUTS), strict=True):
        sections = dict(re.findall(r"### (\w+)\n(.*?)(?=\n### |\Z)", part, flags=re.DOTALL))
        assert list(sections) == list(tables)
        for name, table in tables.items():
            rows = [
                re.split(r"(?<!\\) \| ", row.strip("| "))
                for row in re.findall(r"^\| .*", sections[name], re.M)
            ]
            assert [row[0] for row in rows] == ["column", *table.names]
            assert all(
                row[3].startswith(column.meaning) for row, column in zip(rows[1:], table.columns, strict=True)
            )
    assert "| production | one of straight, collect |  | straight or collect |" in text
    assert "| butt_kg | number; may be absent | kg | paper left on the core and lost (0 to 1,000) |" in text
    assert "Nothing can be done without it." in text


def test_every_number_that_is_read_has_limits() -> None:
    numbers = [column for table in INPUTS.values() for column in table.columns if column.is_number]
    assert all(column.low is not None and column.high is not None for column in numbers)


def test_the_page_stands_beside_the_tables_and_leads_to_them(stand_in_publication: Publication) -> None:
    folder = stand_in_publication.folder
    page = (folder / "tables" / "index.html").read_text(encoding="utf-8")
    links = set(re.findall(r'href="([^"#:]+)"', page))
    assert {"../index.html", "demand_forecast.csv"} <= links
    assert all((folder / "tables" / link).exists() for link in links)
    for part, tables in (("read", INPUTS), ("published", OUTPUTS)):
        for name, table in tables.items():
            assert f'<h3 id="{part}-{name}">' in page
            assert f'class="text">{table.names[-1]}</th>' in page
    assert 'href="tables/index.html"' in (folder / "index.html").read_text(encoding="utf-8")
