"""A problem names the line that a text editor shows."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.logs.delimited import _encoding_of, read_delimited

HEADER = b"tank,read_at,ink,level_kg"
ROW = b"K1,2025-03-%02d 06:00,black,%s"


def _lines(data: bytes) -> tuple[list[int], list[tuple[int, str]]]:
    cells = read_delimited(data, ["tank", "read_at", "ink", "level_kg"])
    return cells.lines.tolist(), [(line, rule.partition(";")[0]) for line, _, rule in cells.broken]


FIELDS = "another number of fields than the header"
QUOTE = "a quotation mark never closes"


@pytest.mark.parametrize("ending", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize(
    ("body", "rows", "broken"),
    [
        ([b"1,2,3,4", b"5,6,7,8"], [2, 3], []),
        ([b"1,2,3,4", b"", b"", b"5,6,7,8", b""], [2, 5], []),
        ([b'"1\n1",2,3,4', b"5,6,7,8"], [2, 4], []),
        ([b"1,2,3", b"5,6,7,8", b"1,2,3,4,5", b"5,6,7,8"], [3, 5], [(2, FIELDS), (4, FIELDS)]),
        ([b'1,"2;""x""",3,4', b"5,6,7", b'"1\n\n1",2,3,4', b"5,6,7,8"], [2, 4, 7], [(3, FIELDS)]),
        ([b'1,"2,3,4', b"5,6,7,8"], [3], [(2, QUOTE)]),
        ([b'1,2" reel,3,4', b"5,6,7,8"], [2, 3], []),
        ([b'1,2" reel,3,4', b"5,6,7", b"5,6,7,8"], [2, 4], [(3, FIELDS)]),
        ([b'1,"2"x,3,4', b"5,6,7", b"5,6,7,8"], [2, 4], [(3, FIELDS)]),
        ([b'1,2",3",4', b"5,6,7,8"], [2, 3], []),
    ],
)
def test_lines_of_rows(
    ending: bytes, mark: bytes, body: list[bytes], rows: list[int], broken: list[tuple[int, str]]
) -> None:
    data = mark + b"\n".join([HEADER, *body]).replace(b"\n", ending)
    found, problems = _lines(data)
    blank = [line for line in found if line not in rows]
    assert [line for line in found if line in rows] == rows
    assert problems == broken
    for line in blank:  # a blank line may come as an empty row, which is dropped later
        assert not data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")[line - 1].strip()


def test_header_after_a_spreadsheets_hint_and_blank_lines() -> None:
    assert _lines(b"sep=,\n\n" + HEADER + b"\n1,2,3,4\n")[0] == [4]


def _one_bad_dip(folder: Path, data: bytes) -> tuple[str, float, str, str, str]:
    write_small_plant(folder)
    (folder / "tank_readings.csv").write_bytes(data)
    logs = read_logs(folder)
    assert len(logs.rejected) == 1, logs.rejected.to_string()
    assert len(logs["tank_readings"]) == 2
    row = logs.rejected.iloc[0]
    return row["file"], row["line"], row["column"], row["value"], row["rule"]


def test_rejected_row_after_quoted_line_breaks_blank_lines_and_commas(tmp_path: Path) -> None:
    data = b"\n".join(
        [HEADER, ROW % (3, b"900"), b"", b",,,", b'"K1",2025-03-04 06:00,"bl\nue",0', ROW % (5, b"9x9")]
    )
    data = data.replace(b'"bl\nue"', b'"black\n"')
    file, line, column, value, rule = _one_bad_dip(tmp_path, data)
    assert (file, line, column, value, rule) == ("tank_readings.csv", 7, "level_kg", "9x9", "not a number")


def test_row_of_too_many_fields_is_set_aside_whole(tmp_path: Path) -> None:
    data = b"\r\n".join([HEADER, ROW % (3, b"900"), ROW % (4, b"1,900"), ROW % (5, b"880"), b""])
    file, line, column, value, rule = _one_bad_dip(tmp_path, data)
    assert (file, line, column) == ("tank_readings.csv", 3, "")
    assert value == "K1,2025-03-04 06:00,black,1,900"
    assert rule == "another number of fields than the header; 5 instead of 4"


def test_run_of_a_line_that_is_no_row_is_known_to_be_incomplete(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    lines = (folder / "reel_mounts.csv").read_text().splitlines()
    lines[5] += ",,"
    (folder / "reel_mounts.csv").write_text("\n".join(lines))
    logs = read_logs(folder)
    assert logs.rejected[["table", "line"]].values.tolist() == [["reel_mounts", 6.0]]
    assert logs.set_aside.values.tolist() == [["reel_mounts", lines[5].split(",")[0]]]


def test_bytes_that_are_no_text_are_mentioned(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    data = (folder / "runs.csv").read_bytes().replace(b"south", b"s\xf8\xe6t\xe5")
    (folder / "runs.csv").write_bytes(data.replace(b"north", b"n\x81rth", 3))  # 0x81 is undefined in cp1252
    logs = read_logs(folder)
    spoilt = logs.rejected[logs.rejected["rule"] == "bytes that are no text"]
    assert spoilt[["file", "line"]].values.tolist() == [
        ["runs.csv", 2.0],
        ["runs.csv", 3.0],
        ["runs.csv", 4.0],
    ]


def test_a_bad_byte_costs_its_line_and_changes_no_other_word(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    data = (folder / "runs.csv").read_bytes().replace(b"north", "nørd".encode())
    (folder / "runs.csv").write_bytes(data.replace("nørd".encode(), b"n\xf8rd", 1))
    logs = read_logs(folder)
    runs = logs.rejected[logs.rejected["table"] == "runs"]
    assert runs[["line", "rule"]].values.tolist() == [[2.0, "bytes that are no text"]]
    assert set(logs["runs"]["crew"]) == {"nørd", "south"}


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_bad_bytes_cost_their_own_lines_however_many_they_are(tmp_path: Path, mark: bytes) -> None:
    folder = write_small_plant(tmp_path)
    lines = (folder / "runs.csv").read_bytes().replace(b"north", "nørd".encode()).split(b"\n")
    spoilt = [line.replace("nørd".encode(), b"n\xf8rd") for line in lines]
    (folder / "runs.csv").write_bytes(mark + b"\n".join(lines[:4] + spoilt[4:]))
    logs = read_logs(folder)
    assert set(logs["runs"]["crew"]) == {"nørd", "south"}
    bad = logs.rejected[logs.rejected["rule"] == "bytes that are no text"]
    assert bad["line"].tolist() == [at + 1 for at, line in enumerate(spoilt) if at > 3 and line != lines[at]]
    # What was known before any of them came is what it was.
    early = read_logs(folder, as_of="2025-03-05")
    assert early["runs"]["crew"].tolist() == ["nørd"] * 3


@pytest.mark.parametrize(
    ("text", "code", "read"),
    [
        (
            "QUALITÉ\xa0: è",
            "cp1252",
            "cp1252",
        ),  # c9 a0 is a sequence of UTF-8, and no letter that anybody writes
        ("È\u201d è", "cp1252", "cp1252"),
        ("Ș", "utf-8", "utf-8"),
        ("Ω", "utf-8", "utf-8"),
        ("€", "utf-8", "utf-8"),
        ("Früh", "cp850", "cp850"),
        ("Früh", "cp1252", "cp1252"),
        ("plain", "utf-8", "utf-8"),
    ],
)
def test_which_code_page_a_text_is_in(text: str, code: str, read: str) -> None:
    assert _encoding_of(text.encode(code)) == read


def test_words_of_an_office_program_are_read(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    data = (folder / "runs.csv").read_bytes().replace(b"north", "nørd".encode("cp1252"))
    (folder / "runs.csv").write_bytes(data)
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert set(logs["runs"]["crew"]) == {"nørd", "south"}


def test_two_stray_marks_swallow_no_row_between_them(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    lines = (folder / "tank_readings.csv").read_text().splitlines()
    whole = len(read_logs(folder)["tank_readings"])
    for at in (5, 9, 10):
        first, rest = lines[at].split(",", 1)
        lines[at] = f'{first},"{rest}'
    (folder / "tank_readings.csv").write_text("\n".join(lines))
    logs = read_logs(folder)
    assert logs.rejected["line"].tolist() == [6.0, 10.0, 11.0]
    assert set(logs.rejected["rule"]) == {QUOTE}
    assert len(logs["tank_readings"]) == whole - 3


def test_parquet_and_sheet_count_the_header_as_line_one(tmp_path: Path) -> None:
    tables = small_tables()
    bad = tables.pop("tank_readings").head(3)
    bad.loc[1, "level_kg"] = -5
    folder = write_small_plant(tmp_path, tables)
    bad.to_parquet(folder / "tank_readings.parquet")
    counts = tables["stock_counts"].assign(quantity=[40000.0, -1.0])
    (folder / "stock_counts.csv").unlink()
    with pd.ExcelWriter(folder / "logs.xlsx") as book:
        counts.to_excel(book, sheet_name="stock_counts", index=False, startrow=2)
    rejected = read_logs(folder).rejected
    places = rejected[["file", "line", "column", "value"]].values.tolist()
    assert places == [
        ["logs.xlsx[stock_counts]", 5.0, "quantity", "-1"],
        ["tank_readings.parquet", 3.0, "level_kg", "-5"],
    ]


def test_several_broken_rules_of_a_line_are_joined(tmp_path: Path) -> None:
    data = b"\n".join([HEADER, ROW % (3, b"900"), b"K1,2025-03-44 06:00,,x", ROW % (5, b"880")])
    _, line, column, value, rule = _one_bad_dip(tmp_path, data)
    assert line == 3
    assert column == "read_at | ink | level_kg"
    assert value == "2025-03-44 06:00 |  | x"
    assert rule == "no such date or time of day | must not be blank | not a number"
