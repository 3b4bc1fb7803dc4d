"""What a folder of logs may hold that is no log, or no whole one: each is named with its file and line."""

from __future__ import annotations

import io
import os
import socket
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet
import pytest
from click.testing import CliRunner
from small_plant import small_tables, write_small_plant

from pressstats.cli import main
from pressstats.logs import Logs, LogsError, read_logs

MOUNTS = 43  # rows of the small plant


def _told(logs: Logs) -> list[tuple[str, float, str]]:
    """Return file, line and rule of everything that is set aside or doubted."""
    rows = pd.concat([logs.rejected, logs.warnings, logs.notes])
    return list(rows[["file", "line", "rule"]].itertuples(index=False, name=None))


def _adds_up(logs: Logs) -> None:
    parts = logs.ledger[["used", "set_aside", "repeated", "later"]].sum(axis=1)
    assert (logs.ledger["read"] == parts).all()


# -- places -------------------------------------------------------------------------------------


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(path))


@pytest.mark.parametrize(
    ("put", "what"),
    [
        (Path.mkdir, "a folder"),
        (os.mkfifo, "a pipe"),
        (_socket, "a socket"),
        (lambda path: path.symlink_to("/dev/zero"), "a device"),
        (lambda path: path.symlink_to(path.with_name("gone.csv")), "a link that leads to no file"),
        (lambda path: path.symlink_to(path), "a link that leads to no file"),
    ],
    ids=["folder", "pipe", "socket", "device", "dead link", "loop"],
)
@pytest.mark.parametrize("name", ["reel_mounts_2.csv", "reel_mounts_2.parquet", "reel_mounts_2"])
def test_what_is_no_file_is_named_and_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, put: Callable[[Path], None], what: str, name: str
) -> None:
    write_small_plant(tmp_path)
    monkeypatch.chdir(tmp_path)  # the path of a socket has at most a hundred characters
    put(Path(name))
    logs = read_logs(tmp_path)
    assert _told(logs) == [(name, 1.0, f"{what}, so it cannot be read")]
    # A table of which a file is missing is left out; a name without an ending may be an archive.
    assert logs.has("reel_mounts") == (name == "reel_mounts_2")


def test_a_link_to_another_folder_is_read_and_named(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path / "logs")
    (folder / "reels.csv").rename(tmp_path / "reels.csv")
    (folder / "reels.csv").symlink_to(tmp_path / "reels.csv")
    logs = read_logs(folder)
    assert _told(logs) == [("reels.csv", 1.0, "a link to a file in another folder")]
    assert len(logs["reels"]) == 15


# -- text ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["run_webs", "reels", "stock_counts", "materials", "prices", "standby"])
def test_a_file_cut_within_its_last_cell_is_doubted(tmp_path: Path, name: str) -> None:
    folder = write_small_plant(tmp_path)
    path = folder / f"{name}.csv"
    path.write_bytes(path.read_bytes()[:-2])  # the last digit and the end of the line
    logs = read_logs(folder)
    (told,) = [one for one in _told(logs) if one[0] == path.name]
    assert told[1] == 1 + len(small_tables()[name])
    assert "it may be cut short" in told[2]


def test_files_of_a_program_that_ends_no_last_line_are_whole(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    for path in folder.glob("*.csv"):
        path.write_bytes(path.read_bytes().rstrip())
    assert _told(read_logs(folder)) == []


@pytest.mark.parametrize("name", ["runs_\x1b[2J.csv", "coverage_\x1b[2J.csv", "\x1b[2J.csv"])
def test_names_of_files_and_columns_steer_no_terminal(tmp_path: Path, name: str) -> None:
    folder = write_small_plant(tmp_path)
    (folder / name).write_text("run_id,\x1b]0;own\x07,ink\n1,2\n")
    result = CliRunner().invoke(main, ["check", "--logs", str(folder)])
    assert "\\x1b[2J" in result.output
    assert "\x1b" not in result.output
    assert "\x07" not in result.output


@pytest.mark.parametrize("line", ["not a row", "0131,A,Northmill"])
def test_the_first_broken_line_after_as_of_is_not_known_then(tmp_path: Path, line: str) -> None:
    folder = write_small_plant(tmp_path)
    path = folder / "reel_mounts.csv"
    lines = path.read_text().splitlines()
    at = next(number for number, one in enumerate(lines) if one.startswith("0091"))
    known = read_logs(folder, "2025-03-11").rejected
    path.write_text("\n".join([*lines[:at], line, *lines[at:], ""]))
    pd.testing.assert_frame_equal(read_logs(folder, "2025-03-11").rejected, known)
    assert len(read_logs(folder, "2025-03-12").rejected) == len(known) + 1
    path.write_text("\n".join([*lines, line, ""]))
    assert len(read_logs(folder).rejected) == len(known) + 1  # the newest is told of all there is


# -- workbooks ----------------------------------------------------------------------------------


def _as_workbook(folder: Path, *names: str, edit: Callable[[openpyxl.Workbook], None] | None = None) -> Path:
    """Move tables into the sheets of a workbook; return its path."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in names:
        sheet = book.create_sheet(name)
        for line in (folder / f"{name}.csv").read_text().splitlines():
            sheet.append([cell or None for cell in line.split(",")])
        (folder / f"{name}.csv").unlink()
    if edit:
        edit(book)
    book.save(folder / "logs.xlsx")
    return folder / "logs.xlsx"


def _edit_part(path: Path, part: str, edit: Callable[[bytes], bytes | None]) -> None:
    """Change a part of a workbook; one that is None is left out."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    changed = edit(parts.pop(part))
    parts |= {} if changed is None else {part: changed}
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)


def test_a_formula_that_was_never_calculated_sets_its_row_aside(tmp_path: Path) -> None:
    def edit(book: openpyxl.Workbook) -> None:
        column = [cell.value for cell in book["reel_mounts"][1]].index("strip_kg") + 1
        for line in (4, 9):
            book["reel_mounts"].cell(line, column, "=5+5")

    path = _as_workbook(write_small_plant(tmp_path), "reel_mounts", edit=edit)
    logs = read_logs(tmp_path)
    rejected = logs.rejected[["line", "value"]].values.tolist()
    assert rejected == [[4.0, "I4 =5+5"], [9.0, "I9 =5+5"]]
    assert "never calculated" in logs.rejected["rule"][0]
    assert len(logs["reel_mounts"]) == MOUNTS - 2
    _adds_up(logs)

    def calculated(xml: bytes) -> bytes:
        return xml.replace(b"<f>5+5</f><v></v>", b"<f>5+5</f><v>10</v>").replace(
            b"<f>5+5</f><v />", b"<f>5+5</f><v>10</v>"
        )

    _edit_part(path, "xl/worksheets/sheet1.xml", calculated)
    assert read_logs(tmp_path).rejected.empty


def test_a_text_that_a_formula_made_empty_is_blank(tmp_path: Path) -> None:
    path = _as_workbook(write_small_plant(tmp_path), "runs")
    empty = b'<c r="T2" t="str"><f>""</f><v></v></c>'
    _edit_part(
        path,
        "xl/worksheets/sheet1.xml",
        lambda xml: (
            xml[: xml.index(b'<c r="T2"')] + empty + xml[xml.index(b"</row>", xml.index(b'r="T2"')) :]
        ),
    )
    logs = read_logs(tmp_path)
    assert logs.rejected.empty
    assert logs["runs"]["crew"].isna().sum() == 1


@pytest.mark.parametrize("names", [("reel_mounts",), ("reel_mounts", "coverage")])
def test_a_sheet_whose_part_is_missing_is_named(tmp_path: Path, names: tuple[str, ...]) -> None:
    path = _as_workbook(write_small_plant(tmp_path), *names)
    _edit_part(path, "xl/worksheets/sheet1.xml", lambda _: None)
    logs = read_logs(tmp_path)
    missing = "the part of the workbook that holds this sheet is missing"
    assert _told(logs) == [("logs.xlsx[reel_mounts]", 1.0, missing)]
    assert logs.has("coverage")


@pytest.mark.parametrize(
    ("edit", "why"),
    [
        (lambda xml: xml[:3000], "unclosed token"),
        (lambda xml: b'<!DOCTYPE a [<!ENTITY b "bb">]>' + xml.replace(b"Northmill", b"&b;"), "XML entities"),
        (lambda xml: b'<!DOCTYPE a [<!ENTITY b SYSTEM "/etc/passwd">]>' + xml, "XML entities"),
        (lambda xml: xml.replace(b'<row r="3"', b'<row r="999999999"'), "1,048,576 rows"),
        (lambda xml: xml.replace(b'<row r="3"', b'<row r="2"'), "their order: 2 below 2"),
        (
            lambda xml: xml.replace(b"<sheetData>", b"<sheetData><row>" + b"<c/>" * 150_000 + b"</row>"),
            "a row",
        ),
        (lambda xml: xml.replace(b"<sheetData>", b"<sheetData>" + b"<row/>" * 6_100_000), "1,500,000 cells"),
        (lambda xml: xml + b" " * 150_000_000, "150,000,000 bytes"),
    ],
    ids=["cut", "entity", "file", "far row", "rows back", "long row", "many rows", "large part"],
)
def test_a_damaged_or_endless_workbook_is_refused_with_its_name(
    tmp_path: Path, edit: Callable[[bytes], bytes], why: str
) -> None:
    path = _as_workbook(write_small_plant(tmp_path), "reel_mounts")
    _edit_part(path, "xl/worksheets/sheet1.xml", edit)
    with pytest.raises(LogsError) as error:
        read_logs(tmp_path)
    assert str(error.value).startswith("logs.xlsx: cannot be read as a workbook (")
    assert why in str(error.value)


# -- Parquet ------------------------------------------------------------------------------------


def _text_of(words: list[bytes]) -> pa.Array:
    """Return a column of text whose bytes nobody has looked at."""
    return pa.Array.from_buffers(pa.string(), len(words), pa.array(words, pa.binary()).buffers())


@pytest.mark.parametrize(
    ("column", "cells", "rule"),
    [
        ("start_kg", [2**60 + 1] * MOUNTS, "out of limits; from 0 to 6,000 kg"),
        ("start_kg", [True] * MOUNTS, "not a number"),
        ("supplier", _text_of([b"Northmill", b"\xff\xfe", *[b"Northmill"] * 41]), "bytes that are no text"),
        ("supplier", pa.array([b"Northmill", b"\xff", *[b"Northmill"] * 41]), "bytes that are no text"),
        ("supplier", [["a"]] * MOUNTS, "no cells, but lists or records in supplier (list<element: string>)"),
        ("supplier", [{"a": 1}] * MOUNTS, "no cells, but lists or records in supplier (struct<a: int64>)"),
        ("mounted_at", pa.array([2**62] * MOUNTS, pa.timestamp("ms")), "not a date and time"),
        ("mounted_at", pa.array([2**62] * MOUNTS, pa.timestamp("ms", "UTC")), "not a date and time"),
        ("mounted_at", pa.array([5] * MOUNTS, pa.time32("s")), "not a date and time"),
    ],
    ids=["large", "bool", "text", "bytes", "list", "record", "far time", "far time of a zone", "time of day"],
)
def test_odd_columns_of_parquet_are_set_aside_by_row_or_file(
    tmp_path: Path, column: str, cells: object, rule: str
) -> None:
    folder = write_small_plant(tmp_path)
    table = pa.Table.from_pandas(small_tables()["reel_mounts"], preserve_index=False)
    table = table.set_column(table.column_names.index(column), column, pa.array(cells))
    (folder / "reel_mounts.csv").unlink()
    parquet.write_table(table, folder / "reel_mounts.parquet")
    logs = read_logs(folder)
    assert any(rule in one for one in logs.rejected["rule"])
    _adds_up(logs)


def test_a_word_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    word = pa.DictionaryArray.from_arrays(pa.array([0] * 5_000, pa.int32()), pa.array(["x" * 100_000]))
    (folder / "coverage.csv").unlink()
    parquet.write_table(pa.table({"run_id": word}), folder / "coverage.parquet")
    (rule,) = read_logs(folder).rejected["rule"]
    assert "500,000,000 bytes of text" in rule


# -- sizes --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"\n" * 1_000_001, "more than 1,000,000 lines"),
        (b"\r" * 1_000_001, "more than 1,000,000 lines"),
        (b"1,black," + b"9" * 1_000_001, "a line of more than 1,000,000 bytes"),
        (b'"\n' * 300_000, "more than 100,000 lines that are no rows, the first is line 2"),
    ],
    ids=["lines", "other lines", "a line", "marks"],
)
def test_a_text_larger_than_any_export_is_refused(tmp_path: Path, data: bytes, why: str) -> None:
    folder = write_small_plant(tmp_path)
    (folder / "coverage.csv").write_bytes(b"run_id,ink,solid_pages\n" + data)
    logs = read_logs(folder)
    assert _told(logs)[0] == ("coverage.csv", 1.0, f"{why}, so it was not read")
    assert not logs.has("coverage")


def test_more_columns_and_cells_than_an_export_has_are_refused(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    header = ",".join(f"c{number}" for number in range(1_001))
    (folder / "coverage.csv").write_text(f"{header}\n")
    (folder / "standby.csv").write_text(f"{header[: header.index('c1000') - 1]}\n" + "\n" * 60_000 + "x\n")
    rules = {file: rule for file, _, rule in _told(read_logs(folder))}
    assert rules["coverage.csv"].startswith("1,001 columns")
    assert rules["standby.csv"].startswith("60,000,000 cells")


def test_a_file_larger_than_any_export_is_not_opened(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    with (folder / "coverage.csv").open("wb") as file:
        file.truncate(200_000_001)  # a hole: it takes no room
    with pytest.raises(LogsError, match=r"coverage\.csv: 200,000,001 bytes"):
        read_logs(folder)
    for number in range(6):
        with (folder / f"coverage_{number}.csv").open("wb") as file:
            file.truncate(190_000_000)
    (folder / "coverage.csv").unlink()
    with pytest.raises(LogsError, match="more than 1,000,000,000 bytes in all files together"):
        read_logs(folder)


def test_a_workbook_of_thousands_of_parts_is_refused(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        for number in range(2_001):
            archive.writestr(f"{number}.xml", b"")
    (folder / "coverage.xlsx").write_bytes(sink.getvalue())
    with pytest.raises(LogsError, match="more than 2,000 parts"):
        read_logs(folder)
