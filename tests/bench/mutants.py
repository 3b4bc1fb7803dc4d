"""Mutants of a small plant: one thing spoilt in each, told in words."""

from __future__ import annotations

import datetime as dt
import io
import re
import sys
from pathlib import Path
from types import SimpleNamespace

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from typing import TYPE_CHECKING

from small_plant import PLANT_TOML, every_table

if TYPE_CHECKING:
    import numpy as np

__all__ = ["PLANT", "spoilt"]

_TABLES = {name: table.to_csv(index=False) for name, table in every_table().items()}
#: The plant that is spoilt: its tables as text, `plant.toml` with many keys, and the day it is read on.
PLANT = SimpleNamespace(
    tables=_TABLES,
    toml=PLANT_TOML
    + """
[calendar]
country = "AT"
closed = ["01-01", "2025-05-01"]
no_receipts = ["saturday", "sunday"]
[reel]
rest_days = 1
core_diameter_mm = 76
[targets]
waste_pct = 6.0
[policy]
service_level = 0.998
review_day = "wednesday"
cover_days_minimum = 7
cover_days_maximum = 21
newsprint_storage_maximum_kg = 900000
stockout_cost = 50000
[measurement]
reel_kg = 3
[units.reel_mounts]
start_kg = "kg"
[owners]
standby_test = "desk 12"
""",
    today=dt.date(2025, 6, 1),
)
_CELLS = (
    " ", "\u3000", "", "NaN", "inf", "-1", "0", "1e300", "1e-300", "9" * 400, "abc", "None", "-", "#DIV/0!", "=1+1",
    "1,5", "1.5.5", "2025-02-31", "2025-02-30T25:00", "1899-12-31", "2099-01-01", "0001-01-01", "31.12.2025", "24:00",
    "2025-03-30 02:30:00", "2025-03-09T10:00:00+14:00", "<script>", "\x1b[2J", "\u202e", "\ufffd", '"', "'", "a\tb",
    "\x00", "x" * 5000, "٣٤", "½", "true", "45000", "run_end", "black", "N1200",
)  # fmt: skip
_VALUES = (
    "inf", "-inf", "nan", "-1", "0", "1e300", "9" * 400, '""', '"x"', "[]", "{}", "true", '"ZZ"', '"2025-W01-1"',
    '["2025-02-31"]', "2025-01-01", '"kg*9**9**9"', '"lb"', "0x10", '"\\u0000"', "[1, 2]", '"saturday"', "1_000",
)  # fmt: skip


def spoilt(folder: Path, generator: np.random.Generator) -> str:
    """Write the plant into `folder` with one thing spoilt; return what."""
    folder.mkdir(parents=True)
    pick = generator.choice
    name = str(pick(list(PLANT.tables)))
    files = {f"{table}.csv": text.encode() for table, text in PLANT.tables.items()}
    files["plant.toml"] = PLANT.toml.encode()
    kinds = {"cell": 0.4, "column": 0.12, "line": 0.14, "bytes": 0.12, "file": 0.08, "key": 0.14}
    kind = str(pick(list(kinds), p=list(kinds.values())))
    if kind == "key":
        files["plant.toml"], what = _spoilt_key(PLANT.toml, generator)
    elif kind == "bytes":
        path = str(pick([f"{name}.csv", "plant.toml"], p=[0.8, 0.2]))
        files[path], what = _spoilt_bytes(files[path], generator)
        what = f"{path}: {what}"
    elif kind == "file":
        what = _spoilt_file(folder, files, name, generator)
    else:
        spoil = {"cell": _spoilt_cell, "column": _spoilt_column, "line": _spoilt_line}[kind]
        files[f"{name}.csv"], what = spoil(PLANT.tables[name], generator)
        what = f"{name}: {what}"
    for path, data in files.items():
        (folder / path).write_bytes(data)
    return what


def _rows(text: str) -> list[list[str]]:
    return [line.split(",") for line in text.splitlines()]


def _joined(rows: list[list[str]]) -> bytes:
    quoted = [[f'"{cell}"' if re.search('[,"\n]', cell) else cell for cell in row] for row in rows]
    return ("\n".join(map(",".join, quoted)) + "\n").encode(errors="replace")


def _spoilt_cell(text: str, generator: np.random.Generator) -> tuple[bytes, str]:
    rows = _rows(text)
    line, column = int(generator.integers(1, len(rows))), int(generator.integers(len(rows[0])))
    cell = str(generator.choice(_CELLS))
    if generator.random() < 0.2:  # another row's
        cell = rows[int(generator.integers(1, len(rows)))][column]
    rows[line][column] = cell
    return _joined(rows), f"line {line + 1}, {rows[0][column]} = {cell[:40]!r}"


def _spoilt_column(text: str, generator: np.random.Generator) -> tuple[bytes, str]:
    rows = _rows(text)
    column, how = int(generator.integers(len(rows[0]))), int(generator.integers(6))
    name, cell = rows[0][column], str(generator.choice(_CELLS))
    for number, row in enumerate(rows):
        if how == 0:
            del row[column]
        elif how == 1:
            row.append(row[column])
        elif (how == 2 and number == 0) or (how == 3 and number):
            row[column] = cell
        elif how == 4 and number:
            row[column] = str(rows[1][column])
        elif how == 5 and number:
            row[column] = "-" + row[column]
    words = ("gone", "twice", f"called {cell[:20]!r}", f"all {cell[:20]!r}", "all alike", "all negative")
    return _joined(rows), f"column {name} {words[how]}"


def _spoilt_line(text: str, generator: np.random.Generator) -> tuple[bytes, str]:
    lines = text.splitlines()
    line, how = int(generator.integers(len(lines))), int(generator.integers(8))
    if how == 0:
        del lines[line]
    elif how == 1:
        lines.insert(line, lines[line])
    elif how == 2:
        lines.insert(line, str(generator.choice(["", ",,,", "---", "Total,1,2", '"', "\x0c"])))
    elif how == 3:
        lines[line] = lines[line][: int(generator.integers(len(lines[line]) + 1))]
    elif how == 4:
        lines[line] += ","
    elif how == 5:
        lines = lines[:1]
    elif how == 6:
        lines = [lines[0], *lines[:0:-1]]
    else:
        lines = lines[: line + 1]
    words = (
        "gone",
        "twice",
        "after another",
        "cut",
        "longer",
        "(header alone)",
        "(all backwards)",
        "the last",
    )
    return ("\n".join(lines) + "\n").encode(), f"line {line + 1} {words[how]}"


def _spoilt_bytes(data: bytes, generator: np.random.Generator) -> tuple[bytes, str]:
    at, size = int(generator.integers(len(data) + 1)), int(generator.integers(1, 30))
    how = int(generator.integers(6))
    if how == 0:
        changed = data[:at] + generator.bytes(size) + data[at + size :]
    elif how == 1:
        changed = data[:at] + data[at + size :]
    elif how == 2:
        marks = generator.choice(list(b'",;\t\n\r\x00\xff. '), size).tolist()
        changed = data[:at] + bytes(marks) + data[at:]
    elif how == 3:
        changed = data[:at]
    elif how == 4:
        changed = data.decode(errors="replace").encode(
            str(generator.choice(["utf-16", "utf-8-sig", "cp037"])), "replace"
        )
    else:
        changed = data.replace(b"\n", b"\r\n" if size % 2 else b"\r")
    return changed, ("random", "gone", "marks", "cut", "other text", "other line ends")[
        how
    ] + f" bytes at {at}"


def _spoilt_file(folder: Path, files: dict[str, bytes], name: str, generator: np.random.Generator) -> str:
    how = int(generator.integers(7))
    data = files[f"{name}.csv"]
    if how == 0:
        del files[f"{name}.csv"]
    elif how == 1:
        files[f"{name}_2.csv"] = data
    elif how == 2:
        files[f"{name}_2.csv"] = _spoilt_cell(data.decode(), generator)[0]
    elif how == 3:
        (folder / f"{name}_2.csv").symlink_to(folder / "gone")
    elif how == 4:
        (folder / f"{name}_2.csv").mkdir()
    else:
        table = pd.read_csv(io.BytesIO(data), dtype=None if how == 5 else "str")
        suffix = "parquet" if generator.random() < 0.5 else "xlsx"
        if suffix == "parquet":
            table.to_parquet(folder / f"{name}.parquet")
        else:
            with pd.ExcelWriter(folder / f"{name}.xlsx") as book:
                table.to_excel(book, sheet_name=name, index=False)
        written = folder / f"{name}.{suffix}"
        whole = written.read_bytes()
        if generator.random() < 0.7:
            whole = (
                _spoilt_bytes(whole, generator)[0] if generator.random() < 0.5 else whole[: len(whole) // 2]
            )
        written.write_bytes(whole)
        del files[f"{name}.csv"]
    return (
        f"file of {name}: "
        + ("gone", "twice", "twice, one cell differs", "a dead link", "a folder", "typed", "text")[how]
    )


def _spoilt_key(toml: str, generator: np.random.Generator) -> tuple[bytes, str]:
    lines = toml.splitlines()
    keys = [number for number, line in enumerate(lines) if "=" in line]
    line, how = int(generator.choice(keys)), int(generator.integers(4))
    key = lines[line].partition(" =")[0]
    value = str(generator.choice(_VALUES))
    if how < 2:
        lines[line] = f"{key} = {value}"
    elif how == 2:
        del lines[line]
    else:
        lines[line] = f"{key}x = {value}"
    return "\n".join(lines).encode(), f"plant.toml: {key} " + (
        f"= {value[:30]}",
        f"= {value[:30]}",
        "gone",
        "misspelt",
    )[how]
