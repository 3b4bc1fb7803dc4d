"""`start` on exports of invented plants: what it is sure of is right, and the logs are those of the clean files."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

import openpyxl
import pytest
from click.testing import CliRunner
from plant_exports import differing, exporting_plants, judged, told, weeks_of, write_exports
from small_plant import small_tables, write_small_plant

from pressstats import cli
from pressstats.logs import read_logs
from pressstats.start import describe, plant_toml, propose
from pressstats.start.found import FoundColumn, Style, found_in, style_of
from pressstats.start.words import Lexicon, knowledge, likeness
from pressstats.tables import INPUTS

if TYPE_CHECKING:
    import pandas as pd

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def weeks() -> dict[str, pd.DataFrame]:
    return weeks_of(read_logs(ROOT / "data_demo"))


# The others are in tests/bench/bench_start.py. German text by month; pounds, inches, am and pm; a workbook with titles
# above its headers; old office German with clock times in columns of their own.
@pytest.mark.parametrize("number", [1, 3, 4, 14])
def test_exports_of_a_plant_are_read_as_its_clean_logs(
    tmp_path: Path, weeks: dict[str, pd.DataFrame], number: int
) -> None:
    answers = write_exports(exporting_plants()[number - 1], weeks, tmp_path / "exports")
    proposal = propose(tmp_path / "exports")
    score = judged(proposal, answers)
    assert score.sure_wrong == []
    assert score.right >= 0.95 * score.columns, score.wrong
    assert score.sure >= 0.75 * score.columns
    toml, said = told(plant_toml(proposal), answers)
    assert said <= 6
    (tmp_path / "exports" / "plant.toml").write_text(toml, encoding="utf-8")
    assert differing(tmp_path / "exports", tmp_path / "clean", answers) == []


def test_tables_as_they_are_declared_need_no_word(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    (folder / "plant.toml").unlink()
    proposal = propose(folder)
    assert {one.table for one in proposal.tables} == set(small_tables())
    assert not proposal.strangers
    assert not any(one.left for one in proposal.tables)
    plant = tomllib.loads(plant_toml(proposal))
    assert "columns" not in plant
    assert "units" not in plant
    assert plant["files"]["runs"] == "runs.csv"


def test_every_column_and_table_has_ideas_and_every_idea_words() -> None:
    data = knowledge()
    assert data["columns"].keys() == INPUTS.keys()
    assert all(set(data["columns"][name]) == set(INPUTS[name].names) for name in INPUTS)
    assert set(data["tables"]) == set(INPUTS)
    patterns = [pattern for table in data["columns"].values() for pattern in table.values()]
    patterns += [*data["tables"].values(), *(p for part in data["words"].values() for p in part.values())]
    used = {
        idea for pattern in patterns for idea in pattern.replace("|", " ").translate({40: 32, 41: 32}).split()
    }
    assert used | set(data["faint"].split()) <= set(data["ideas"])
    for name, words in data["words"].items():
        known = {c for table in INPUTS.values() if name in table.by_name for c in table[name].choices}
        assert set(words) <= known | {"black", "cyan", "magenta", "yellow"}


@pytest.mark.parametrize(
    ("name", "language", "table", "column", "unit"),
    [
        ("Bahnbreite [cm]", "de", "run_webs", "width_mm", "cm"),
        ("Makulatur Anlauf", "de", "runs", "copies_startup_waste", ""),
        ("netPaperWeightLbs", "en", "reels", "received_kg", "lb"),
        ("N° de bobine", "fr", "reels", "reel_id", ""),
        ("Lieferanten-Nr", "de", "reels", "supplier", ""),
        ("GRAMMATUR", "de", "materials", "grammage_gsm", ""),
    ],
)
def test_names_are_read(name: str, language: str, table: str, column: str, unit: str) -> None:
    pieces, found = Lexicon((language, "en")).read(name)
    scores = {ours: likeness(pieces, pattern) for ours, pattern in knowledge()["columns"][table].items()}
    assert max(scores, key=lambda ours: scores[ours]) == column
    assert found == unit


@pytest.mark.parametrize(
    ("cells", "style"),
    [
        (["1.234,5", "31.3.2025"], Style(",", "day_first")),
        (["1,234.5", "3/31/2025"], Style(".", "month_first")),
        (["1.234.567", "2025-03-31"], Style(",", "iso")),
        (["1.234", "9/8/2025", "31/8/2025"], Style(None, "day_first")),
    ],
)
def test_how_numbers_and_dates_are_written(tmp_path: Path, cells: list[str], style: Style) -> None:
    rows = "\n".join(f"{cell};x;y" for cell in cells)
    (tmp_path / "a.csv").write_text(f"one;two;three\n{rows}\n{rows}\n")
    assert style_of(found_in(tmp_path)[0])[0] == style


@pytest.mark.parametrize(
    ("cells", "kind"),
    [
        (["0", "0", "1"], "count"),
        (["0,5", "1"], "number"),
        (["22:10", "23h05"], "clock"),
        (["31.03.2025 22:10", "1.4.2025 0:05"], "time"),
        (["20250331", "20250401"], "date"),
        (["", None], "blank"),
        (["P1", "7"], "text"),
    ],
)
def test_the_kind_of_cells(cells: list[str | None], kind: str) -> None:
    column = FoundColumn("x", cells)
    column.look(Style(",", "day_first"))
    assert column.kind == kind


def test_weights_in_pounds_and_widths_in_centimetres_are_told_by_their_size(tmp_path: Path) -> None:
    tables = small_tables()
    tables["reel_mounts"]["start_kg"] /= 0.45359237  # the international pound, exact by definition
    tables["run_webs"]["width_mm"] /= 10
    names = {"start_kg": "start weight", "strip_kg": "strip weight", "returned_kg": "returned weight"}
    tables["reel_mounts"] = tables["reel_mounts"].rename(columns=names)
    tables["run_webs"] = tables["run_webs"].rename(columns={"width_mm": "web width"})
    folder = write_small_plant(tmp_path, tables)
    plant = tomllib.loads(plant_toml(propose(folder)))
    assert plant["units"]["reel_mounts"]["start_kg"] == "lb"
    assert plant["units"]["run_webs"] == {"width_mm": "cm"}
    assert '"lb"  # guess: by the size of the numbers' in plant_toml(propose(folder))


def test_copies_that_do_not_add_up_are_no_certainty(tmp_path: Path) -> None:
    tables = small_tables()
    tables["runs"]["copies_good"] /= 2
    folder = write_small_plant(tmp_path, tables)
    guesses = {mapped.ours for _, mapped in propose(folder).guesses()}
    assert {"copies_gross", "copies_good"} <= guesses


def test_what_each_missing_table_would_unlock(tmp_path: Path) -> None:
    tables = small_tables()
    folder = write_small_plant(tmp_path, {name: tables[name] for name in ("runs", "run_webs")})
    text = describe(propose(folder))
    assert "Without tank_readings (dip of a tank):\n  there is no ink_model, ink_watch" in text
    assert "Without runs" not in text


def _start(folder: Path, typed: str = "") -> tuple[int, str]:
    result = CliRunner().invoke(cli.main, ["start", str(folder)], input=typed)
    return result.exit_code, result.output


def test_the_command_writes_once_and_never_over(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    before = (folder / "plant.toml").read_text()
    code, output = _start(folder)
    assert code == 2
    assert "never changed" in output
    assert (folder / "plant.toml").read_text() == before
    (folder / "plant.toml").unlink()
    code, output = _start(folder)
    assert code == 0
    assert "is written" in output
    assert read_logs(folder).rejected.empty


def test_the_command_says_why_nothing_was_read(tmp_path: Path) -> None:
    (tmp_path / "scan.pdf").write_bytes(b"%PDF")
    (tmp_path / "broken.xlsx").write_bytes(b"PK no workbook")
    code, output = _start(tmp_path)
    assert code == 2
    assert "scan.pdf: no CSV" in output
    assert "broken.xlsx: cannot be read" in output
    assert not (tmp_path / "plant.toml").exists()


def test_guesses_are_asked_in_a_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tables = small_tables()
    tables["runs"] = tables["runs"].rename(columns={"press": "which"})
    folder = write_small_plant(tmp_path, {name: tables[name] for name in ("runs", "run_webs", "reel_mounts")})
    (folder / "plant.toml").unlink()
    guesses = [mapped.ours for _, mapped in propose(folder).guesses()]
    assert "press" in guesses
    monkeypatch.setattr(cli, "_is_terminal", lambda: True)
    answers = ["n" if ours == "press" else "y" for ours in guesses]
    code, _ = _start(folder, "\n".join(["Night Press", "Europe/Vienna", "EUR", *answers, ""]))
    assert code == 0
    text = (folder / "plant.toml").read_text()
    assert 'name = "Night Press"\n' in text
    assert "guess:" not in text.split("[format]")[1]
    assert '"which"' not in text


def test_a_template_is_read_as_it_is_and_explains_itself(tmp_path: Path) -> None:
    result = CliRunner().invoke(cli.main, ["start", "--templates", str(tmp_path)])
    assert result.exit_code == 0
    (tmp_path / "plant.toml").write_text('name = "Night"\ntimezone = "Europe/Vienna"\ncurrency = "EUR"\n')
    logs = read_logs(tmp_path)  # the example rows are one night of an invented plant
    assert logs.rejected.empty, logs.rejected.to_string()
    assert logs.warnings.empty, logs.warnings.to_string()
    assert logs.notes.empty
    assert set(logs.tables) == set(INPUTS)
    book = openpyxl.load_workbook(tmp_path / "logs_template.xlsx")
    assert book.sheetnames == list(INPUTS)
    for name, table in INPUTS.items():
        sheet = book[name]
        assert [cell.value for cell in sheet[2]] == table.names
        assert [cell.value or "" for cell in sheet[1]] == [column.unit for column in table.columns]
        assert all(
            cell.comment.text.startswith(c.meaning) for cell, c in zip(sheet[2], table.columns, strict=True)
        )
        offered = {str(one.sqref): one.formula1 for one in sheet.data_validations.dataValidation}
        assert list(offered.values()) == [f'"{",".join(c.choices)}"' for c in table.columns if c.choices]
    again = CliRunner().invoke(cli.main, ["start", "--templates", str(tmp_path)])
    assert again.exit_code == 2
    assert "already" in again.output
