"""Small files that unpack or parse to more than a machine holds: are they refused in time and room?

Run it as ``python tests/bench/bench_bombs.py [--only WORD]``. Each bomb takes the place of one file of a small plant,
which is read in a process of its own. Figures: the longest of the readings, the most memory that one took, and how
many neither were refused nor read. What is named "read" has its file set aside, or every line of it.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as parquet
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from small_plant import PLANT_TOML, write_small_plant

_HEAD = b"run_id,ink,solid_pages\n"
_SPACE = b' xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_READER = """
import sys, time
from pressstats.logs import LogsError, read_logs
begun = time.perf_counter()
try:
    logs = read_logs(sys.argv[1])
    said = "read"
except LogsError as error:
    said = "refused"
peak = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(said, time.perf_counter() - begun, peak / 1000)
"""


def _sheet(rows: bytes, before: bytes = b"", **parts: bytes) -> bytes:
    """Return a workbook whose one sheet holds `rows`; `parts` replace others, by their name without ending."""
    book = openpyxl.Workbook()
    book.active.title = "coverage"
    sink, out = io.BytesIO(), io.BytesIO()
    book.save(sink)
    sheet = b"<worksheet" + _SPACE + b"><sheetData>" + rows + b"</sheetData></worksheet>"
    with zipfile.ZipFile(sink) as archive:
        held = {name: archive.read(name) for name in archive.namelist()}
    held["xl/worksheets/sheet1.xml"] = before + sheet
    held |= {f"xl/{name}.xml": data for name, data in parts.items()}
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, data in held.items():
            archive.writestr(name, data)
    return out.getvalue()


def _parquet(table: pa.Table, **options: object) -> bytes:
    sink = io.BytesIO()
    parquet.write_table(table, sink, **options)
    return sink.getvalue()


def _word(count: int, length: int) -> pa.Table:
    words = pa.DictionaryArray.from_arrays(
        pa.array(np.zeros(count, dtype=np.int32)), pa.array(["x" * length])
    )
    return pa.table({"run_id": words})


def _parts(count: int) -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        for number in range(count):
            archive.writestr(f"{number}.xml", b"")
    return sink.getvalue()


def _rows(count: int, cells: bytes) -> bytes:
    return (b"<row>" + cells + b"</row>") * count


_ENTITIES = b'<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>'
_ELSEWHERE = b'<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]>'
_TOML = PLANT_TOML.encode()

#: Each bomb: what it is, the ending of its file, and its bytes.
BOMBS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "a line of quotation marks": ("csv", lambda: _HEAD + b'"' * 900_000),
    "lines of a quotation mark": ("csv", lambda: _HEAD + b'"\n' * 900_000),
    "lines of marks that pair": ("csv", lambda: _HEAD + b'"a\n""\n""\n' * 300_000),
    "a mark before fifty lines": ("csv", lambda: _HEAD + (b'"a\n' + b'""\n' * 49) * 18_000),
    "a mark in each line": ("csv", lambda: _HEAD + b'"1,black,2\n' * 900_000),
    "a mark within each line": ("csv", lambda: _HEAD + b'1,bl"ack,2\n' * 900_000),
    "blank lines": ("csv", lambda: _HEAD + b"\n" * 150_000_000),
    "blank lines of another kind": ("csv", lambda: _HEAD + b"\r" * 150_000_000),
    "one line": ("csv", lambda: _HEAD + b"x" * 150_000_000),
    "a header without end": ("csv", lambda: b"a," * 75_000_000),
    "a wide header": ("csv", lambda: ",".join(f"c{number}" for number in range(150_000)).encode() + b"\n"),
    "wide rows": ("csv", lambda: b"a" + b",b" * 900 + b"\n" + (b"," * 900 + b"\n") * 150_000),
    "a large file": ("csv", lambda: _HEAD + b"1,black,2\n" * 20_000_000),
    "halves of characters": ("csv", lambda: b"\xff\xfe" + b"\x00\xd8" * 75_000_000),
    "zeros": ("csv", lambda: _HEAD + b"\0" * 150_000_000),
    "bytes that are no text": ("csv", lambda: _HEAD + (b"\xff" * 900 + b"\n") * 150_000),
    "lines of another width": ("csv", lambda: _HEAD + b"1,black\n" * 990_000),
    "long cells": ("csv", lambda: _HEAD + (b"y" * 900_000 + b",black,2\n") * 200),
    "a number of many digits": ("csv", lambda: _HEAD + b"1,black," + b"9" * 900_000 + b"\n"),
    "a number of many groups": ("csv", lambda: _HEAD + b"1,black," + b"1 " * 400_000 + b"\n"),
    "a sheet of spaces": ("xlsx", lambda: _sheet(b" " * 400_000_000)),
    "a row of cells": ("xlsx", lambda: _sheet(_rows(1, b"<c/>" * 30_000_000))),
    "empty rows": ("xlsx", lambda: _sheet(b"<row/>" * 20_000_000)),
    "rows of empty cells": ("xlsx", lambda: _sheet(_rows(30_000, b"<c/>" * 1000))),
    "a far row": ("xlsx", lambda: _sheet(b'<row r="999999999"><c><v>1</v></c></row>')),
    "far columns": (
        "xlsx",
        lambda: _sheet(b"".join(b'<row r="%d"><c r="ZZZ%d"><v>1</v></c></row>' % (n, n) for n in range(1, 90_000))),
    ),
    "rows backwards": (
        "xlsx",
        lambda: _sheet(b"".join(b'<row r="%d"><c><v>1</v></c></row>' % n for n in range(900_000, 0, -1))),
    ),
    "entities": ("xlsx", lambda: _sheet(_rows(1, b'<c t="str"><v>&c;</v></c>'), _ENTITIES)),
    "an entity of another file": ("xlsx", lambda: _sheet(_rows(1, b'<c t="str"><v>&b;</v></c>'), _ELSEWHERE)),
    "cells within cells": ("xlsx", lambda: _sheet(b"<row>" + b"<c>" * 10_000_000)),
    "shared texts": (
        "xlsx",
        lambda: _sheet(b"", sharedStrings=b"<sst" + _SPACE + b">" + b"<si><t>a</t></si>" * 30_000_000 + b"</sst>"),
    ),
    "styles": (
        "xlsx",
        lambda: _sheet(b"", styles=b"<styleSheet" + _SPACE + b"><cellXfs>" + b"<xf/>" * 10_000_000),
    ),
    "long texts": (
        "xlsx",
        lambda: _sheet(_rows(300_000, b'<c t="inlineStr"><is><t>' + b"x" * 1000 + b"</t></is></c>")),
    ),
    "formulas": ("xlsx", lambda: _sheet(_rows(200_000, b"<c><f>A1</f></c>" * 10))),
    "parts": ("xlsx", lambda: _parts(30_000)),
    "noise that begins as a workbook": ("xlsx", lambda: b"PK\x03\x04" + np.random.default_rng(1).bytes(5_000_000)),
    "rows of one word": (
        "parquet",
        lambda: _parquet(pa.table({"run_id": pa.array(["1"]).take(pa.array(np.zeros(30_000_000, dtype=np.int32)))})),
    ),
    "a long word, often": ("parquet", lambda: _parquet(_word(900_000, 900_000))),
    "a long word, less often": ("parquet", lambda: _parquet(_word(5_000, 900_000))),
    "long words": ("parquet", lambda: _parquet(pa.table({"a": ["x" * 200_000_000] * 3}), use_dictionary=False)),
    "columns": ("parquet", lambda: _parquet(pa.table({f"c{number}": [1] for number in range(20_000)}))),
    "lists": ("parquet", lambda: _parquet(pa.table({"run_id": [list(range(1_000_000))] * 5}))),
    "noise that begins as Parquet": (
        "parquet",
        lambda: b"PAR1" + np.random.default_rng(1).bytes(5_000_000) + b"\xff\xff\xff\x7fPAR1",
    ),
    "a long remark": ("toml", lambda: _TOML + b"\n#" + b"x" * 50_000_000),
    "parts of a key": ("toml", lambda: _TOML + b"\n[" + b".".join([b"a"] * 45_000) + b"]\n"),
    "keys": ("toml", lambda: _TOML + b"\n[z]\n" + b"".join(b"k%d=1\n" % number for number in range(9_000))),
    "lists within lists": ("toml", lambda: _TOML + b"\nx=" + b"[" * 40_000),
    "tables within tables": ("toml", lambda: _TOML + b"\nx=" + b"{a=" * 20_000),
    "digits": ("toml", lambda: _TOML + b"\n[reel]\nrest_days=" + b"9" * 90_000),
    "a power of powers": ("toml", lambda: _TOML + b'\n[units.reel_mounts]\nstart_kg="kg*9**9**9"\n'),
}  # fmt: skip


def _outcome(name: str, folder: Path) -> tuple[str, float, float, int]:
    """Return what became of a bomb, in which time [s] and memory [MB], and its size [byte]."""
    ending, made = BOMBS[name]
    write_small_plant(folder)
    path = folder / ("plant.toml" if ending == "toml" else f"coverage.{ending}")
    if ending != "toml":
        (folder / "coverage.csv").unlink()
    path.write_bytes(made())
    size = path.stat().st_size
    done = subprocess.run(
        [sys.executable, "-c", _READER, str(folder)], capture_output=True, text=True, timeout=300, check=False
    )
    if done.returncode:
        return done.stderr.strip().splitlines()[-1], 0.0, 0.0, size
    said, seconds, memory = done.stdout.split()
    return said, float(seconds), float(memory), size


@click.command()
@click.option("--only", default="", help="Bombs whose name holds this.")
@measures
def main(only: str) -> Iterator[Figure]:
    """Read bombs."""
    names = [name for name in BOMBS if only in name]
    seconds, memory, odd = {}, {}, 0
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            said, seconds[name], memory[name], size = _outcome(name, Path(folder))
        odd += said not in ("read", "refused")
        click.echo(
            f"{name}: {said}, {seconds[name]:.1f} s, {memory[name]:.0f} MB, of {size / 1e6:.1f} MB", err=True
        )
    yield Figure("bombs", len(names))
    yield Figure("neither refused nor read", odd)
    for what, values, unit in (("longest", seconds, "s"), ("most memory", memory, "MB")):
        worst = max(values, key=lambda name, values=values: values[name])
        yield Figure(what, values[worst], unit, worst)


if __name__ == "__main__":
    main()
