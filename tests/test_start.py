"""`start` on exports of invented plants: what it is sure of is right, and the logs are those of the clean files."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from plant_exports import (
    differing,
    exporting_plants,
    judged,
    tables_apart,
    told,
    weeks_of,
    write_clean,
    write_exports,
)
from small_plant import small_tables, write_small_plant

from pressstats import cli
from pressstats.logs import read_logs
from pressstats.plant import Plant, validated
from pressstats.results import open_results
from pressstats.start import describe, plant_toml, propose
from pressstats.start.customs import made_identifiers, nights_dated_by
from pressstats.start.found import Found, FoundColumn, Mapped, Recognised, Style, found_in, style_of
from pressstats.start.meanings import in_tonnes
from pressstats.start.words import Lexicon, knowledge, likeness
from pressstats.tables import INPUTS

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


# A run's number begins anew each night, which is dated by its evening; loads of several materials, newsprint in tonnes;
# a spreadsheet's day numbers, runs and webs in one file; Parquet.
@pytest.mark.parametrize("number", [21, 22, 23, 24])
def test_identifiers_nights_tonnes_and_files_of_two_tables_are_found(
    tmp_path: Path, weeks: dict[str, pd.DataFrame], number: int
) -> None:
    plant = exporting_plants()[number - 1]
    answers = write_exports(plant, weeks, tmp_path / "exports")
    proposal = propose(tmp_path / "exports")
    assert judged(proposal, answers).sure_wrong == []
    assert proposal.keys == answers.keys
    assert (proposal.nights[0] or "calendar") == answers.nights_dated_by
    text = plant_toml(proposal)
    for table in plant.get("tonnes", ()):
        assert tomllib.loads(text)["units"][table].items() <= answers.units[table].items()
        assert tomllib.loads(text)["units"][table]["quantity" if table != "materials" else "unit_price"]
    toml, _ = told(text, answers)
    (tmp_path / "exports" / "plant.toml").write_text(toml, encoding="utf-8")
    assert differing(tmp_path / "exports", tmp_path / "clean", answers) == []


def test_after_start_the_published_tables_are_those_of_the_clean_logs(tmp_path: Path) -> None:
    """Two weeks of a plant with a number a night; more plants, by `publish`, in tests/bench/bench_start.py."""
    plant = exporting_plants()[20]
    plant["tables"] = {name: plant["tables"][name] for name in ("runs", "run_webs", "reel_mounts")}
    answers = write_exports(plant, weeks_of(read_logs(ROOT / "data_demo"), 13), tmp_path / "exports")
    assert _start(tmp_path / "exports")[0] == 0
    path = tmp_path / "exports" / "plant.toml"
    path.write_text(told(path.read_text(encoding="utf-8"), answers)[0], encoding="utf-8")
    folders = tmp_path / "exports", write_clean(tmp_path / "clean", answers)
    found, expected = (open_results(folder).tables() for folder in folders)
    filled, apart = tables_apart(found, expected)
    assert {"paper_balance", "run_record", "breaks", "reel_chain", "week_figures"} <= set(filled)
    assert apart == []
    expected["paper_balance"]["mounted_kg"] *= 1.02
    assert tables_apart(found, expected)[1] == ["paper_balance"]


def _mapped(ours: str, numbers: list[float]) -> Mapped:
    column = FoundColumn(ours, [str(number) for number in numbers])
    column.look(Style(".", "iso"))
    return Mapped(ours, (ours,), 1.0, True, column=column)


@pytest.mark.parametrize(
    ("table", "ours", "most"),
    [
        ("materials", "pack_quantity", 20),
        ("materials", "load_quantity", 100),
        ("materials", "order_minimum", 100),
        ("materials", "storage_maximum", 2500),
        ("deliveries", "quantity", 100),
        ("stock_counts", "quantity", 2000),
        ("materials", "unit_price", 50),
    ],
)
def test_tonnes_are_told_by_the_size_of_what_newsprint_there_is(table: str, ours: str, most: float) -> None:
    """Common practice, no source: a reel is about a tonne, a truck 24."""
    for factor, tonnes in ((0.99, ours != "unit_price"), (1.01, ours == "unit_price")):
        columns = {
            "material": FoundColumn("material", ["N", "P"]),
            "kind": FoundColumn("kind", ["newsprint", "plate"]),
        }
        of_paper = {name: Mapped(name, (name,), 1.0, True, column=column) for name, column in columns.items()}
        other = {"material": of_paper["material"]} if table != "materials" else of_paper
        mapped = _mapped(ours, [most * factor, most * (2 - factor)])
        listed = Recognised("materials", Found([], []), 1.0, True, dict(of_paper))
        one = Recognised(table, Found([], []), 1.0, True, other | {ours: mapped})
        in_tonnes([listed, one] if table != "materials" else [one], {})
        assert (mapped.of_kind == "newsprint") == tonnes
        assert not (mapped.unit and mapped.unit_sure)  # no word says so


def _numbered(repeats: int, of: int, referring: int) -> list[Recognised]:
    """Return runs of which some share a number on other days, and webs of which some refer to a run there is."""
    days = [f"2025-03-{day:02d}" for day in (1, 2)]
    runs = [(str(n), days[0]) for n in range(of)] + [(str(n), days[1]) for n in range(repeats)]
    webs = [*runs[:referring], *[("no", days[0])] * (len(runs) - referring)]
    out = []
    for table, rows in (("runs", runs), ("run_webs", webs)):
        columns = [
            FoundColumn(name, list(cells))
            for name, cells in zip(("number", "day"), zip(*rows, strict=True), strict=True)
        ]
        for column in columns:
            column.look(Style(None, "iso"))
        named = ("run_id", "date") if table == "runs" else ("run_id",)
        mapped = {
            ours: Mapped(ours, (column.name,), 1.0, True, column=column)
            for ours, column in zip(named, columns, strict=False)
        }
        out.append(Recognised(table, Found([], columns), 1.0, True, mapped))
    return out


@pytest.mark.parametrize(
    ("repeats", "referring", "parts"),
    [(4, 104, None), (6, 106, ("run_id", "date")), (6, 101, ("run_id", "date")), (6, 100, ())],
)
def test_an_identifier_that_repeats_by_mistake_is_left_and_one_that_nobody_refers_to_is_said(
    repeats: int, referring: int, parts: tuple[str, ...] | None
) -> None:
    """It repeats by custom in a twentieth of the rows; 19 of 20 rows of another table must refer to one there is."""
    tables = _numbered(repeats, 100, referring)
    made = made_identifiers(tables, Style(None, "iso"))
    assert (made["runs"].parts if made else None) == parts
    if parts:
        assert tables[1].columns["date"].names == ("day",)
        assert bool(made["runs"].why) == (referring < 100 + repeats)
    elif parts == ():
        assert "run_id repeats" in made["runs"].why


@pytest.mark.parametrize(
    ("day", "clock", "end", "dated"),
    [
        ("2025-03-02", "22:10", "00:30", "issue"),
        ("2025-03-01", "22:10", "00:30", "evening"),
        ("2025-03-01", "10:10 pm", "", "calendar"),
    ],
)
def test_what_a_night_is_dated_by_is_told_by_the_issue(day: str, clock: str, end: str, dated: str) -> None:
    cells = {"issue": ["2025-03-02"] * 3, "day": [day] * 3, "clock": [clock] * 3, "end": [end] * 3}
    columns = [FoundColumn(name, list(values)) for name, values in cells.items()]
    mapped = {"date": ("issue",), "started_at": ("day", "clock")} | (
        {"finished_at": ("day", "end")} if end else {}
    )
    runs = {ours: Mapped(ours, names, 1.0, True) for ours, names in mapped.items()}
    table = Recognised("runs", Found([], columns), 1.0, True, runs)
    assert nights_dated_by([table], Style(None, "iso"))[0] == dated


def test_tables_as_they_are_declared_need_no_word(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    (folder / "plant.toml").unlink()
    proposal = propose(folder)
    assert {one.table for one in proposal.tables} == set(small_tables())
    assert not proposal.strangers
    assert not any(one.left for one in proposal.tables)
    text = plant_toml(proposal)
    plant = tomllib.loads(text)
    assert "columns" not in plant
    assert "units" not in plant
    assert plant["files"]["runs"] == "runs.csv"


def test_what_only_the_plant_can_say_is_proposed_with_what_holds_by_default(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    (folder / "plant.toml").unlink()
    text = plant_toml(propose(folder))
    own = text[text.index("# What only the plant") :].splitlines()[2:]
    assert all(line.startswith("# ") or not line for line in own)  # nothing is set
    said = tomllib.loads("\n".join(line.removeprefix("# ") for line in own if " = ..." not in line))
    default, set_ = (
        validated(Path("plant.toml"), {"name": "P", "timezone": "CET", "currency": "EUR"} | part, Plant)
        for part in ({}, said)
    )
    assert {"calendar", "targets", "policy"} == said.keys()
    for part, keys in said.items():
        assert getattr(default, part) == getattr(set_, part)
        assert all(set_.says(part, key) and not default.says(part, key) for key in keys)


def test_a_column_that_is_not_used_is_offered_for_what_the_table_lacks(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    (folder / "plant.toml").unlink()
    runs = pd.read_csv(folder / "runs.csv", dtype=str).rename(columns={"title": "XQZ"})
    # A second column of words: either can be what lacks.
    runs.assign(YVW=runs["XQZ"]).to_csv(folder / "runs.csv", index=False)
    proposal = propose(folder)
    one = next(table for table in proposal.tables if table.table == "runs")
    assert "title" not in one.columns
    assert one.perhaps["XQZ"][0] == one.perhaps["YVW"][0] == "title"
    assert '# "XQZ" = "title"  # unsure' in plant_toml(proposal)
    assert "XQZ (perhaps title" in describe(proposal)
    assert "title" not in tomllib.loads(plant_toml(proposal)).get("columns", {}).get("runs", {}).values()


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


@pytest.mark.parametrize(("bad", "found"), [(1, True), (3, False)])
def test_a_cell_that_cannot_be_true_hides_no_column(tmp_path: Path, bad: int, found: bool) -> None:
    tables = small_tables()
    own = {
        "runs": ("copies_good", "Gutexemplare", -120.0),
        "reel_mounts": ("start_kg", "Anfangsgewicht", 9010.0),
    }
    for name, (ours, theirs, impossible) in own.items():
        table = tables[name].astype({ours: float})
        table = pd.concat([table, table.assign(run_id=table["run_id"] + "x")], ignore_index=True)
        # Of as many rows one is less than a hundredth, or one alone.
        assert 20 <= len(table) < 300
        table.loc[table.index[5 : 5 + bad], ours] = impossible
        tables[name] = table.rename(columns={ours: theirs})
    folder = write_small_plant(tmp_path, tables)
    (folder / "plant.toml").unlink()
    proposal = propose(folder)
    columns = {one.table: one.columns for one in proposal.tables}
    assert ("copies_good" in columns["runs"]) == found
    if found:
        assert columns["reel_mounts"]["start_kg"].unit == ""
        assert columns["reel_mounts"]["start_kg"].names == ("Anfangsgewicht",)


def test_what_is_required_and_not_found_is_asked_and_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = small_tables()
    tables["runs"] = tables["runs"].rename(columns={"pages": "qqq"})
    tables["stock_counts"] = tables["stock_counts"].rename(columns={"quantity": "zzz"})
    # Two columns that nobody knows: neither is the only one left.
    tables["runs"]["xxx"] = tables["runs"]["qqq"]
    tables["stock_counts"]["yyy"] = tables["stock_counts"]["zzz"]
    names = ("runs", "run_webs", "stock_counts", "materials")
    folder = write_small_plant(tmp_path, {name: tables[name] for name in names})
    (folder / "plant.toml").unlink()
    proposal = propose(folder)
    assert proposal.lacking() == ["runs.pages"]
    assert proposal.left_out() == ["stock_counts.quantity"]
    _, said = _start(folder)
    assert "Nothing can be published yet: runs.pages not found." in said
    assert "not read until these are found or written: stock_counts.quantity." in said
    (folder / "plant.toml").unlink()
    monkeypatch.setattr(cli, "_is_terminal", lambda: True)
    kept = [*["y"] * len(proposal.guesses()), "qqq", "none"]
    code, said = _start(folder, "\n".join(["Night Press", "Europe/Vienna", "EUR", *kept, ""]))
    assert code == 0, said
    assert "runs.pages, " in said
    plant = tomllib.loads((folder / "plant.toml").read_text())
    assert plant["columns"]["runs"] == {"qqq": "pages"}
    assert plant["columns"]["stock_counts"] == {}


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
    # What is denied is asked for among what is not used, and there is none of it.
    answers = [*("n" if ours == "press" else "y" for ours in guesses), "none"]
    code, _ = _start(folder, "\n".join(["Night Press", "Europe/Vienna", "EUR", *answers, ""]))
    assert code == 0
    text = (folder / "plant.toml").read_text()
    assert 'name = "Night Press"\n' in text
    assert "guess:" not in text.split("[format]")[1]
    assert '"which"' not in text


def test_in_a_terminal_it_asks(tmp_path: Path) -> None:
    """In a pseudo-terminal of the operating system; without one it asks nothing, as in the other tests."""
    pty = pytest.importorskip("pty")
    tables = small_tables()
    tables["run_webs"]["width_mm"] /= 10
    tables["runs"]["production"] = tables["runs"]["production"].replace("collect", "xyz")
    tables["run_webs"] = tables["run_webs"].rename(columns={"width_mm": "web width"})
    folder = write_small_plant(tmp_path, {name: tables[name] for name in ("runs", "run_webs")})
    (folder / "plant.toml").unlink()
    command = [sys.executable, "-m", "pressstats", "start", str(folder)]
    guesses = len(propose(folder).guesses())
    ours, theirs = pty.openpty()
    asked = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    answers = ["Night Press", "Nowhere", "Europe/Vienna", "EUR", *["y"] * guesses, "y", "collect"]
    os.write(ours, "".join(f"{answer}\n" for answer in answers).encode())
    said = ""
    with contextlib.suppress(OSError):  # how a pseudo-terminal says that nobody writes to it any more
        while more := os.read(ours, 4096).decode(errors="replace"):
            said += more
    os.close(ours)
    assert asked.wait() == 0
    assert "Nowhere is none; one is Europe/Vienna" in said
    assert "is web width in cm?" in said
    plant = tomllib.loads((folder / "plant.toml").read_text())
    assert (plant["name"], plant["timezone"]) == ("Night Press", "Europe/Vienna")
    assert plant["values"]["runs"]["production"] == {"xyz": "collect"}
    assert "# guess" not in (folder / "plant.toml").read_text()


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
