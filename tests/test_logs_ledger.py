"""No row is lost: whatever is done to the files, each is used, set aside and listed, repeated, or later."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from small_plant import FIRST_DAY, every_table, small_tables, write_small_plant

from pressstats.cli import main
from pressstats.logs import Logs, LogsError, describe_check, read_logs
from pressstats.orders import open_orders
from pressstats.past import past_forecasts
from pressstats.results import analyse
from pressstats.tables import INPUTS

pytestmark = pytest.mark.usefixtures("few_draws")

JUNK = (" ", "\u00a0", "\u3000", "x9", "-", "1e99", "99.99.9999", "2041-01-01", "-7", '"', ";", "\u202e")


def adds_up(logs: Logs) -> None:
    ledger = logs.ledger.set_index("table")
    parts = ledger[["used", "set_aside", "repeated", "later"]].sum(axis=1)
    assert (ledger["read"] == parts).all(), logs.ledger.to_string()
    listed = logs.rejected[logs.rejected["line"] > 1].groupby("table").size()
    for name, row in ledger.iterrows():
        if name in logs.tables:
            assert row["used"] == len(logs[str(name)]), name
            assert row["set_aside"] == listed.get(name, 0), name


# --- any mutation ---------------------------------------------------------------------------------


def blank_cell(text: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    text.iloc[rng.integers(len(text)), rng.integers(text.shape[1])] = rng.choice(JUNK[:3])
    return text


def junk_cells(text: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    column = rng.integers(text.shape[1])
    for _ in range(3):
        text.iloc[rng.integers(len(text)), column] = rng.choice(JUNK)
    return text


def repeated_rows(text: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    return pd.concat([text, text.sample(min(3, len(text)), random_state=int(rng.integers(1e6)))])


def conflicting_rows(text: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    other = text.sample(1, random_state=int(rng.integers(1e6))).copy()
    other.iloc[0, rng.integers(text.shape[1])] = "17"
    return pd.concat([text, other, other])


def shuffled_columns(text: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    return text[rng.permutation(text.columns)]


MUTATIONS = (blank_cell, junk_cells, repeated_rows, conflicting_rows, shuffled_columns)


def rewrite(folder: Path, name: str, text: pd.DataFrame, rng: np.random.Generator) -> int:
    """Write a table in one of several ways; return its data rows, counted apart from the package."""
    kind = rng.choice(["csv", "two files", "parquet", "xlsx", "stray mark", "bad byte"])
    (folder / f"{name}.csv").unlink(missing_ok=True)
    if kind == "two files":
        half = len(text) // 2
        text.iloc[:half].to_csv(folder / f"{name}_1.csv", index=False)
        text.iloc[half:].to_csv(folder / f"{name}_2.csv", index=False)
    elif kind == "parquet":
        text.replace("", None).to_parquet(folder / f"{name}.parquet")
    elif kind == "xlsx":
        with pd.ExcelWriter(folder / "book.xlsx") as book:
            text.to_excel(book, sheet_name=name, index=False)
    else:
        data = text.to_csv(index=False).encode()
        lines = data.rstrip(b"\n").split(b"\n")
        at = int(rng.integers(1, len(lines)))
        if kind == "stray mark" and text.shape[1] > 1:
            cells = lines[at].split(b",")
            cells[0] = b'"' + cells[0].replace(b'"', b"")
            lines[at] = b",".join(cells)
        if kind == "bad byte":
            lines[at] = lines[at][:-1] + b"\x81" + lines[at][-1:]
        (folder / f"{name}.csv").write_bytes(b"\n".join(lines) + b"\n")
    blank = text.apply(lambda column: column.str.strip() == "").all(axis=1)
    return int((~blank).sum())


@pytest.mark.parametrize("name", list(INPUTS))
def test_whatever_is_done_to_a_table_no_row_is_lost(tmp_path: Path, name: str) -> None:
    for seed in range(8):
        rng = np.random.default_rng([seed, list(INPUTS).index(name)])
        folder = write_small_plant(tmp_path / f"{seed}", every_table())
        text = pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)
        for change in rng.choice(np.array(MUTATIONS, dtype=object), 2):
            text = change(text, rng)
        rows = rewrite(folder, name, text.astype(str), rng)
        as_of = None if seed % 2 else FIRST_DAY + pd.Timedelta(days=8)
        try:
            logs = read_logs(folder, as_of)
        except LogsError as error:
            assert str(error)  # noqa: PT017 -- a required table may become unusable, and must say so
            continue
        adds_up(logs)
        assert logs.ledger.set_index("table").loc[name, "read"] == rows, seed


def test_check_prints_the_ledger(tmp_path: Path) -> None:
    tables = small_tables()
    tables["tank_readings"].loc[3, "level_kg"] = -1
    tables["runs"] = pd.concat([tables["runs"], tables["runs"].head(2)])
    logs = read_logs(write_small_plant(tmp_path / "logs", tables), "2025-03-10")
    adds_up(logs)
    ledger = logs.ledger.set_index("table")
    assert ledger.loc["runs"].tolist() == [18, 9, 0, 2, 7]
    assert ledger.loc["tank_readings", "set_aside"] == 1
    lines = [line.split() for line in describe_check(logs).splitlines()]
    assert ["runs", "18", "9", "0", "2", "7"] in lines


# --- blanks ---------------------------------------------------------------------------------------

REQUIRED = [
    (table.name, column.name)
    for table in INPUTS.values()
    for column in table.columns
    if not column.may_be_blank and (column.is_number or column.is_time)
]


@pytest.mark.parametrize(("table", "column"), REQUIRED)
def test_a_cell_of_blanks_is_listed(tmp_path: Path, table: str, column: str) -> None:
    rows = len(every_table()[table])
    for blanks in batched((" ", "\u00a0", "\u2003\t"), rows):
        folder = write_small_plant(tmp_path / "logs", every_table())
        text = pd.read_csv(folder / f"{table}.csv", dtype=str, keep_default_na=False)
        text.loc[range(len(blanks)), column] = blanks
        text.to_csv(folder / f"{table}.csv", index=False)
        logs = read_logs(folder)
        kept = (table, column) == ("deliveries", "ordered_on")
        problems = logs.warnings if kept else logs.rejected
        for line in range(2, 2 + len(blanks)):
            mine = problems[(problems["table"] == table) & (problems["line"] == line)]
            assert mine["rule"].tolist() == ["must not be blank"]
            assert mine["column"].tolist() == [column]
        adds_up(logs)


def batched(values: Sequence[str], size: int) -> list[Sequence[str]]:
    """Return the values in parts of so many, as many rows as a table has."""
    return [values[start : start + size] for start in range(0, len(values), size)]


@pytest.mark.parametrize("day", ["", " ", "31.3.25?", "2205-03-09"])
def test_an_open_order_whose_day_is_unreadable_is_still_on_its_way(tmp_path: Path, day: str) -> None:
    tables = small_tables(60)
    orders = tables["deliveries"].astype({"ordered_on": object})
    at = orders.index[orders["delivery_id"] == "D4"][0]
    orders.loc[at, "ordered_on"] = day
    tables["deliveries"] = orders
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    assert "D4" in open_orders(logs)["delivery_id"].tolist()
    assert "ordered_on" in logs.warnings.loc[logs.warnings["table"] == "deliveries", "column"].tolist()
    row = logs["deliveries"].set_index("delivery_id").loc["D4"]
    assert pd.isna(row["ordered_on"])
    if day == "":  # whatever the cell held, the analysis has a blank
        results = analyse(logs, *past_forecasts(None, logs.as_of))
        assert "D4" in results.open_orders["delivery_id"].tolist()


# --- files that are none --------------------------------------------------------------------------


def dead_link(folder: Path) -> None:
    (folder / "coverage.csv").unlink()
    (folder / "coverage.csv").symlink_to(folder / "nowhere.csv")


def folder_of_a_tables_name(folder: Path) -> None:
    (folder / "coverage.csv").unlink()
    (folder / "coverage.csv").mkdir()


@pytest.mark.parametrize(
    ("spoil", "words"), [(dead_link, "leads to no file"), (folder_of_a_tables_name, "a folder")]
)
def test_what_is_named_like_a_table_and_cannot_be_read_is_told(
    tmp_path: Path, spoil: Callable[[Path], None], words: str
) -> None:
    folder = write_small_plant(tmp_path / "logs")
    spoil(folder)
    logs = read_logs(folder)
    assert not logs.has("coverage")
    mine = logs.rejected[logs.rejected["table"] == "coverage"]
    assert mine["file"].tolist() == ["coverage.csv"]
    assert words in mine["rule"].iloc[0]


def test_a_required_table_that_is_a_dead_link_is_an_error(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path / "logs")
    (folder / "runs.csv").rename(folder / "elsewhere")
    (folder / "runs.csv").symlink_to(folder / "nowhere.csv")
    with pytest.raises(LogsError, match="leads to no file"):
        read_logs(folder)


def test_a_name_that_is_no_text_is_read_and_spelt_out(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path / "logs")
    (folder / "runs.csv").rename(folder / os.fsdecode(b"runs_\xff.csv"))
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert "runs_\\xff.csv" in [source.file for source in logs.sources]
    describe_check(logs).encode()


@pytest.mark.parametrize("name", [name for name, table in INPUTS.items() if not table.required])
def test_a_table_of_names_only_is_a_problem_and_counts_as_absent(tmp_path: Path, name: str) -> None:
    tables = every_table()
    tables[name] = tables[name].head(0)
    folder = write_small_plant(tmp_path / "logs", tables)
    logs = read_logs(folder)
    assert not logs.has(name)
    mine = logs.warnings[logs.warnings["table"] == name]
    assert mine["rule"].tolist() == ["column names, but no rows, so the table counts as absent"]
    # All other tables are read as without that file.
    (folder / f"{name}.csv").rename(tmp_path / "away")
    without = read_logs(folder)
    assert without.tables.keys() == logs.tables.keys()
    for other, rows in without.tables.items():
        pd.testing.assert_frame_equal(logs[other], rows, check_exact=True)
    (tmp_path / "away").rename(folder / f"{name}.csv")
    done = CliRunner().invoke(main, ["check", "--logs", str(folder)])
    assert done.exit_code == 1
    assert "no rows" in done.output
