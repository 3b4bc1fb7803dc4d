"""Whatever the bytes of a file, reading ends in a problem with a line or in one readable message."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.logs import LogsError, describe_check, read_logs
from pressstats.tables import INPUTS

NASTY = [
    "<script>alert(1)</script>", "=1+1", '"', "'; DROP TABLE runs; --", "\u202egnp.exe", "x" * 100_000, "\x00",
    "\x1b[2J", "NaN", "1e400", "-1e308", "9" * 400, "0000-00-00", "9999-12-31", "2025-03-09T25:61", "24:00", "٣٤",
    "½", "∞", "\ufeff", "a\nb", "a | b", "; ", "2025-03-09T10:00:00+99:99", "0001-01-01T00:00:00+14:00", "1,5",
]  # fmt: skip


def _read_or_refuse(folder: Path) -> None:
    try:
        logs = read_logs(folder)
        describe_check(logs)
    except LogsError as error:
        assert str(error)  # noqa: PT017 -- reading may refuse or not
        assert "Traceback" not in str(error)  # noqa: PT017 -- reading may refuse or not
        return
    assert (logs.rejected["line"] >= 1).all()
    for name, table in logs.tables.items():
        assert list(table.columns) == INPUTS[name].names


def test_nasty_cells_in_every_column(tmp_path: Path) -> None:
    for at, text in enumerate(NASTY):
        tables = small_tables()
        for table in tables.values():
            for number, column in enumerate(table.columns):
                table[column] = table[column].astype(object)
                table.loc[(number + at) % len(table), column] = text
        _read_or_refuse(write_small_plant(tmp_path, tables))


def test_hostile_title_stays_as_it_is(tmp_path: Path) -> None:
    for text in (
        "<script>alert(1)</script>",
        "=1+1",
        'She said "no"',
        "\u202egnp.exe",
        "x" * 5000,
        "a,b;c\td",
    ):
        tables = small_tables()
        tables["runs"].loc[3, "title"] = text
        logs = read_logs(write_small_plant(tmp_path, tables))
        assert text in set(logs["runs"]["title"])


@pytest.mark.parametrize("seed", range(6))
def test_random_damage_to_bytes(tmp_path: Path, seed: int) -> None:
    generator = np.random.default_rng(seed)
    folder = write_small_plant(tmp_path)
    pristine = {path: path.read_bytes() for path in sorted(folder.glob("*.csv"))}
    for _ in range(12):
        for path, data in pristine.items():
            damaged = bytearray(data)
            for _ in range(int(generator.integers(1, 6))):
                at = int(generator.integers(0, len(damaged)))
                size = int(generator.integers(0, 30))
                kind = generator.integers(0, 4)
                if kind == 0:
                    damaged[at : at + size] = generator.bytes(size)
                elif kind == 1:
                    del damaged[at : at + size]
                elif kind == 2:
                    damaged[at:at] = bytes(generator.choice(list(b'",;\t\n\r\x00\xff. '), size).tolist())
                else:
                    damaged[at:at] = damaged[: size * 10]
            path.write_bytes(bytes(damaged))
        _read_or_refuse(folder)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\n",
        b"\x00" * 50,
        b"\xff\xfe",
        b"\xff\xfe\x00",
        b'"',
        b'"\n"\n',
        b",,,,\n,,,,",
        b"PAR1",
        bytes(range(256)) * 9,
    ],
)
@pytest.mark.parametrize("name", ["coverage.csv", "runs.csv", "coverage.parquet", "runs.xlsx", "plant.toml"])
def test_files_of_nonsense(tmp_path: Path, data: bytes, name: str) -> None:
    folder = write_small_plant(tmp_path)
    (folder / name).write_bytes(data)
    _read_or_refuse(folder)
