"""Published tables: readable, steady, and nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from stand_ins import HOSTILE

from pressstats.past import past_exceptions
from pressstats.publishing.csv_files import csv_text, harmless, write_csv


def test_a_table_is_written_plainly() -> None:
    frame = pd.DataFrame(
        {
            "week": pd.to_datetime(["2025-03-03", "2025-03-10", None]),
            "press": pd.Series(["P1", "Größe, 2", None], dtype="str"),
            "runs": [3.0, np.nan, 0.0],
            "mounted_kg": [1234567.123456789, 1 / 3, -0.0],
        }
    )
    assert csv_text(frame, "paper_balance") == (
        "week,press,runs,mounted_kg\n"
        "2025-03-03,P1,3,1234567.123\n"
        '2025-03-10,"Größe, 2",,0.3333333333\n'
        ",,0,0\n"
    )


def test_dates_times_and_months_are_told_apart_by_their_declaration() -> None:
    stamps = pd.to_datetime(["2025-03-01"])
    assert csv_text(pd.DataFrame({"month": stamps}), "demand_season") == "month\n2025-03\n"
    assert csv_text(pd.DataFrame({"read_at": stamps}), "ink_watch") == "read_at\n2025-03-01T00:00:00\n"
    assert csv_text(pd.DataFrame({"week": stamps}), "demand_forecast") == "week\n2025-03-01\n"
    later = pd.DataFrame({"x": pd.to_datetime(["2025-03-01 04:05"]), "y": [True], "z": [12345678901234.0]})
    assert csv_text(later) == "x,y,z\n2025-03-01T04:05:00,true,12345678901234\n"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_a_cell_that_could_be_a_formula_gets_an_apostrophe(start: str) -> None:
    assert harmless(f"{start}1+1") == f"'{start}1+1"
    text = csv_text(pd.DataFrame({"title": pd.Series([f"{start}1+1"], dtype="str"), "size": [-1.5]}))
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert rows == [["title", "size"], [f"'{start}1+1", "-1.5"]]


@pytest.mark.parametrize("text", ["x;=HYPERLINK(1)", "x\n=1+1", "x\t@SUM(1)", "a;-1;+2"])
def test_a_formula_that_begins_where_others_split_gets_an_apostrophe(tmp_path: Path, text: str) -> None:
    path = tmp_path / "2025-03-09" / "tables" / "exceptions.csv"
    path.parent.mkdir(parents=True)
    write_csv(pd.DataFrame({name: [text] for name in ("exception", "kind", "subject")}, dtype="str"), path)
    cells = re.split("[;\t\r\n]", path.read_text(encoding="utf-8"))
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    past, _ = past_exceptions(tmp_path, pd.Timestamp("2025-03-16"))
    assert past is not None
    assert past.exceptions["subject"].tolist() == [text]


def test_hostile_text_comes_back_from_the_file_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    write_csv(pd.DataFrame({"title": pd.Series([*HOSTILE, "a\nb", '"'], dtype="str")}), path)
    with path.open(encoding="utf-8", newline="") as file:
        back = [row[0] for row in csv.reader(file)][1:]
    assert [text.removeprefix("'") for text in back] == [*HOSTILE, "a\nb", '"']
    assert b"\r\n" not in path.read_bytes()


def test_a_last_bit_that_differs_changes_no_byte() -> None:
    frame = pd.DataFrame({"mounted_kg": [0.1 + 0.2, 1e5 / 3]})
    moved = pd.DataFrame({"mounted_kg": np.nextafter(frame["mounted_kg"], np.inf)})
    assert not frame.equals(moved)
    assert csv_text(frame) == csv_text(moved)
