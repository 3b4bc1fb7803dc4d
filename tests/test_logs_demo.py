"""The invented plant: what was planted in its logs is found, in its line, and nothing else is."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from demo_plant import write_demo

from pressstats.logs import Logs, read_logs


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("plant") / "demo"
    write_demo(out)
    return out


@pytest.fixture(scope="module")
def truths(folder: Path) -> dict[str, list[dict[str, object]]]:
    return json.loads((folder / "truths" / "truths.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def logs(folder: Path) -> Logs:
    return read_logs(folder)


def test_every_impossible_row_is_rejected_in_its_line(
    logs: Logs, truths: dict[str, list[dict[str, object]]]
) -> None:
    planted = {(row["table"], row["file"], float(str(row["line"]))): row for row in truths["impossible_rows"]}
    found = {(row.table, row.file, row.line): row for row in logs.rejected.itertuples()}
    assert set(planted) <= set(found)
    for place, row in planted.items():
        assert str(row["column"]) in found[place].column, place
        assert str(row["value"]) in found[place].value, place
    assert set(found) == set(planted), sorted(set(found) - set(planted))


def test_suspicious_rows_are_used_with_a_warning(
    logs: Logs, truths: dict[str, list[dict[str, object]]]
) -> None:
    warned = set(zip(logs.warnings["table"], logs.warnings["file"], logs.warnings["line"], strict=True))
    for row in truths["suspicious_rows"]:
        if "clocks" not in str(row["what"]):  # a run across the change breaks no rule
            assert (row["table"], row["file"], float(str(row["line"]))) in warned
        assert row["run_id"] in set(logs["runs"]["run_id"])


def test_the_overlapping_export_changes_no_bit(
    folder: Path, logs: Logs, truths: dict[str, list[dict[str, object]]]
) -> None:
    overlapping = [folder / str(export["file"]) for export in truths["overlapping_exports"]]
    assert overlapping
    contents = {path: path.read_bytes() for path in overlapping}
    try:
        for path in overlapping:
            path.unlink()
        without = read_logs(folder)
    finally:
        for path, content in contents.items():
            path.write_bytes(content)
    for name in logs.tables:
        pd.testing.assert_frame_equal(logs[name], without[name], check_exact=True)
    pd.testing.assert_frame_equal(logs.set_aside, without.set_aside)
    repeated = {source.file: source.duplicates for source in logs.sources}
    assert sum(repeated.values()) == sum(int(str(export["rows"])) for export in truths["overlapping_exports"])
