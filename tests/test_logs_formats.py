"""The same logs in every format that plants export give the same tables."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import LogsError, read_logs
from pressstats.tables import INPUTS


def _expected(name: str) -> pd.DataFrame:
    table = small_tables()[name]
    key = [column for column in INPUTS[name].key if column in table]  # an optional column may be absent
    return table.sort_values(key).reset_index(drop=True)


def _check_all(folder: Path) -> None:
    logs = read_logs(folder)
    assert logs.rejected.empty, logs.rejected.to_string()
    assert logs.warnings.empty, logs.warnings.to_string()
    for name in small_tables():
        expected = _expected(name)
        if name == "tank_readings":  # the dip on the morning after as-of is cut
            expected = expected[expected["read_at"] < "2025-03-17"].reset_index(drop=True)
        pd.testing.assert_frame_equal(logs[name][list(expected.columns)], expected)
        assert list(logs[name].columns) == INPUTS[name].names


def test_csv_as_written_by_a_program(tmp_path: Path) -> None:
    _check_all(write_small_plant(tmp_path))


def _localised(table: pd.DataFrame, name: str, decimal: str, dates: str, thousands: str) -> pd.DataFrame:
    out = table.copy()
    for column in INPUTS[name].columns:
        if column.name not in out:
            continue
        if column.is_number:
            text = out[column.name].map(lambda value: "" if value != value else f"{value:,.10g}")
            swap = str.maketrans({",": thousands, ".": decimal})
            out[column.name] = text.map(lambda value, swap=swap: value.translate(swap))
        elif column.kind == "month":
            out[column.name] = out[column.name].dt.strftime("%Y-%m")
        elif column.is_time:
            form = dates + (" %H:%M" if column.kind == "time" else "")
            out[column.name] = out[column.name].dt.strftime(form)
    return out


@pytest.mark.parametrize(
    ("delimiter", "decimal", "thousands", "dates", "order", "encoding", "newline"),
    [
        (";", ",", ".", "%d.%m.%Y", "day_first", "utf-8-sig", "\r\n"),
        (";", ",", "\u00a0", "%d/%m/%Y", "day_first", "cp1252", "\r\n"),
        ("\t", ",", " ", "%d-%m-%Y", "day_first", "utf-16", "\n"),
        (",", ".", ",", "%m/%d/%Y", "month_first", "utf-8", "\n"),
        (";", ".", "'", "%Y-%m-%d", "iso", "cp1252", "\r"),
    ],
)
def test_local_spelling(
    tmp_path: Path,
    delimiter: str,
    decimal: str,
    thousands: str,
    dates: str,
    order: str,
    encoding: str,
    newline: str,
) -> None:
    folder = write_small_plant(
        tmp_path, plant_toml=PLANT_TOML + f'\n[format]\ndecimal = "{decimal}"\ndates = "{order}"\n'
    )
    for name, table in small_tables().items():
        text = _localised(table, name, decimal, dates, thousands).to_csv(sep=delimiter, index=False)
        (folder / f"{name}.csv").write_bytes(text.replace("\n", newline).encode(encoding))
    _check_all(folder)


def test_parquet(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path, tables={})
    for name, table in small_tables().items():
        table.to_parquet(folder / f"{name}.parquet")
    _check_all(folder)


@pytest.mark.parametrize("decimal", [None, ","])
def test_sheets_of_a_workbook(tmp_path: Path, decimal: str | None) -> None:
    form = f'\n[format]\ndecimal = "{decimal}"\n' if decimal else ""
    folder = write_small_plant(tmp_path, tables={}, plant_toml=PLANT_TOML + form)
    with pd.ExcelWriter(folder / "logs.xlsx") as book:
        for name, table in small_tables().items():
            table.to_excel(book, sheet_name=name, index=False)
    _check_all(folder)


def test_cells_in_a_column_without_a_name_are_listed(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path, tables={})
    with pd.ExcelWriter(folder / "logs.xlsx") as book:
        for name, table in small_tables().items():
            table.to_excel(book, sheet_name=name, index=False)
        runs = small_tables()["runs"]
        book.sheets["runs"].write(2, runs.shape[1] + 1, "late truck")
    logs = read_logs(folder)
    assert len(logs["runs"]) == len(runs)
    assert logs.rejected.empty
    assert logs.warnings.empty
    noted = logs.notes[logs.notes["file"] == "logs.xlsx[runs]"]
    assert noted["rule"].tolist() == [f"column {runs.shape[1] + 2} has cells but no name, so it was not read"]


def test_typed_cells_are_taken_as_they_are(tmp_path: Path) -> None:
    tables = small_tables()
    tables["run_webs"]["web"] = tables["run_webs"]["web"].map({"A": 1, "B": 2})
    tables["reel_mounts"]["web"] = tables["reel_mounts"]["web"].map({"A": 1.0, "B": 2.0})
    folder = write_small_plant(
        tmp_path, tables={k: v for k, v in tables.items() if k not in ("run_webs", "reel_mounts")}
    )
    tables["run_webs"].to_parquet(folder / "run_webs.parquet")
    local = (
        tables["reel_mounts"]["mounted_at"].dt.tz_localize("Europe/Vienna").dt.tz_convert("America/New_York")
    )
    tables["reel_mounts"].assign(mounted_at=local).to_parquet(folder / "reel_mounts.parquet")
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert set(logs["run_webs"]["web"]) == {"1", "2"} == set(logs["reel_mounts"]["web"])
    mounted = logs["reel_mounts"]["mounted_at"].sort_values(ignore_index=True)
    pd.testing.assert_series_equal(
        mounted, _expected("reel_mounts")["mounted_at"].sort_values(ignore_index=True)
    )


def test_identifiers_stay_text(tmp_path: Path) -> None:
    logs = read_logs(write_small_plant(tmp_path))
    assert logs["runs"]["run_id"].iloc[0] == "0001"


def test_columns_are_renamed_and_matched_whatever_their_capitals(tmp_path: Path) -> None:
    toml = PLANT_TOML + '\n[columns.runs]\n"Auflage gut" = "copies_good"\n'
    folder = write_small_plant(tmp_path, plant_toml=toml)
    text = (folder / "runs.csv").read_text()
    header, _, rest = text.partition("\n")
    header = header.replace("copies_good", " auflage GUT ").replace("title", "Title")
    (folder / "runs.csv").write_text(header + "\n" + rest)
    _check_all(folder)


def test_other_units_are_converted(tmp_path: Path) -> None:
    toml = PLANT_TOML + '\n[units]\nreel_mounts.start_kg = "lb"\nmaterials.grammage_gsm = "kg/m2"\n'
    tables = small_tables()
    tables["reel_mounts"]["start_kg"] /= 0.45359237  # the international pound, exact by definition
    tables["materials"]["grammage_gsm"] /= 1000
    logs = read_logs(write_small_plant(tmp_path, tables, toml))
    assert logs.rejected.empty
    pd.testing.assert_series_equal(
        logs["reel_mounts"]["start_kg"], _expected("reel_mounts")["start_kg"], rtol=1e-12
    )
    paper = logs["materials"].set_index("material")
    assert paper.loc["N1200", "grammage_gsm"] == pytest.approx(45)


@pytest.mark.parametrize("unit", ["stone2", "metre", ")(", "degC"])
def test_a_unit_that_cannot_be_meant_is_an_error(tmp_path: Path, unit: str) -> None:
    toml = PLANT_TOML + f'\n[units.reel_mounts]\nstart_kg = "{unit}"\n'
    with pytest.raises(LogsError, match=r"units\.reel_mounts\.start_kg"):
        read_logs(write_small_plant(tmp_path, plant_toml=toml))


def test_several_files_of_one_table(tmp_path: Path) -> None:
    tables = small_tables()
    runs = tables.pop("runs")
    folder = write_small_plant(tmp_path, tables)
    runs[9:].to_csv(folder / "runs_2025-W11.csv", index=False)
    runs[:9].drop(columns="crew").to_csv(
        folder / "Runs-2025-W10.CSV".replace("CSV", "csv"), index=False, sep="\t"
    )
    logs = read_logs(folder)
    expected = _expected("runs").astype({"crew": "str"})
    expected.loc[expected["run_id"].isin(runs["run_id"][:9]), "crew"] = float("nan")
    pd.testing.assert_frame_equal(logs["runs"][list(expected.columns)], expected)


def _drop_runs(folder: Path) -> None:
    (folder / "runs.csv").unlink()


def _drop_column(folder: Path) -> None:
    text = (folder / "run_webs.csv").read_text()
    (folder / "run_webs.csv").write_text(text.replace("cutoff_mm", "cutof"))


def _empty_runs(folder: Path) -> None:
    (folder / "runs.csv").write_bytes(b"")


def _spoil_workbook(folder: Path) -> None:
    (folder / "more.xlsx").write_bytes(b"PK\x03\x04 no workbook")


def _spoil_toml(folder: Path) -> None:
    (folder / "plant.toml").write_text("name = ")


def _drop_toml(folder: Path) -> None:
    (folder / "plant.toml").unlink()


def _no_usable_run(folder: Path) -> None:
    text = (folder / "runs.csv").read_text()
    (folder / "runs.csv").write_text(text.replace("straight", "sideways").replace("collect", "sideways"))


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_drop_runs, "no table runs"),
        (_drop_column, "run_webs.csv:1 cutoff_mm: required column is missing"),
        (_empty_runs, "runs.csv:1: the file is empty"),
        (_spoil_workbook, "more.xlsx: cannot be read as a workbook"),
        (_spoil_toml, "not TOML"),
        (_drop_toml, "needs a plant.toml"),
        (
            _no_usable_run,
            "runs has no usable row; most: runs.csv:2 production = sideways: none of the allowed",
        ),
    ],
)
def test_what_cannot_be_used_at_all_says_why(
    tmp_path: Path, spoil: Callable[[Path], None], words: str
) -> None:
    folder = write_small_plant(tmp_path)
    spoil(folder)
    with pytest.raises(LogsError) as caught:
        read_logs(folder)
    assert words in str(caught.value)


@pytest.mark.parametrize("as_of", ["yesterday", "2025-02-30", "2025-01-01", "2999-01-01"])
def test_bad_as_of(tmp_path: Path, as_of: str) -> None:
    with pytest.raises(LogsError, match=as_of):
        read_logs(write_small_plant(tmp_path), as_of=as_of)


def test_other_tables_are_left_out_with_a_line(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    text = (folder / "coverage.csv").read_text()
    (folder / "coverage.csv").write_text(text.replace("solid_pages", "coverage"))
    (folder / "reels.csv").rename(folder / "reels.parquet")
    logs = read_logs(folder)
    assert not logs.has("coverage")
    assert not logs.has("reels")
    lines = {(row.table, row.file, row.line): (row.column, row.rule) for row in logs.rejected.itertuples()}
    assert lines["coverage", "coverage.csv", 1] == (
        "solid_pages",
        "required column is missing, so the table is left out; the header has run_id, ink, coverage",
    )
    assert lines["reels", "reels.parquet", 1][1].startswith("cannot be read as Parquet")


def test_strangers_in_the_folder_are_mentioned(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    (folder / "runz.csv").write_text("a,b\n1,2\n")
    (folder / ".hidden").write_text("x")
    (folder / "README.md").write_text("x")
    (folder / "old").mkdir()
    text = (folder / "runs.csv").read_text().splitlines()
    (folder / "runs.csv").write_text(
        "\n".join([text[0] + ",moon", *(line + ",full" for line in text[1:]), ""])
    )
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert logs.warnings[["table", "file", "line"]].values.tolist() == [["", "runz.csv", 1.0]]
    assert logs.notes[["table", "file", "line", "column"]].values.tolist() == [
        ["runs", "runs.csv", 1.0, "moon"]
    ]
