"""Does the analysis find what was planted in the invented plant, and nothing that was not?"""

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.paper import STREAMS, paper_balance, weighed_paper
from pressstats.past import past_forecasts
from pressstats.reels import new_reels, reel_chain, study_reels
from pressstats.results import analyse
from pressstats.suppliers import claims

DEMO = Path(__file__).parent.parent / "data_demo"
TRUTHS = json.loads((DEMO / "truths" / "truths.json").read_text())


@pytest.fixture(scope="module")
def logs():
    return read_logs(DEMO)


def test_what_is_claimed_is_what_was_planted(logs):
    """Reels damaged on the road and the load invoiced at a price that held for later orders; nothing else."""
    weighed = weighed_paper(logs)
    study = study_reels(logs, weighed)
    table = claims(logs, new_reels(logs, study.mount_history), study.claims)
    damaged = {(reel["supplier"], reel["reel_id"]) for reel in TRUTHS["transport_damage"]}
    claimed = table.dropna(subset="reel_id")
    assert set(zip(claimed["supplier"], claimed["reel_id"], strict=True)) == damaged
    rows = logs["deliveries"]
    wrong = rows[rows["load"] == TRUTHS["wrong_invoice"]["load"]]
    dear = table[table["reel_id"].isna()]
    assert set(dear["delivery_id"]) == set(wrong["delivery_id"])
    assert dear["why"].str.startswith("invoiced at").all()


@pytest.fixture(scope="module")
def balance(logs):
    return paper_balance(weighed_paper(logs).runs).set_index(["week", "press"])


@pytest.fixture(scope="module")
def planted():
    table = pd.read_csv(DEMO / "truths" / "paper_streams.csv", parse_dates=["week"])
    return table.set_index(["week", "press"])


@pytest.fixture(scope="module")
def errors(logs):
    """One standard deviation [kg] of each stream, by week and press, from the stated errors of single readings.

    Written for this test from the readings themselves, another way than the package's: a weight that
    was read counts once per reading, and a copy counter errs by its share of every run.
    """
    stated = TRUTHS["measurement"]
    grammage = weighed_paper(logs).grammage.set_index("material")
    runs = weighed_paper(logs).runs.set_index("run_id")
    rows = {}
    webs = logs["run_webs"].merge(runs[["week", "press"]], left_on="run_id", right_index=True)
    copies = logs["runs"].set_index("run_id")["copies_gross"]
    webs["area"] = (
        webs["width_mm"] * webs["cutoff_mm"] * webs["cutoffs_per_copy"] / 1e6 * webs["run_id"].map(copies)
    )
    webs["kg"] = webs["area"] * webs["material"].map(grammage["std_error"]) / 1000
    mounts = logs["reel_mounts"].merge(runs[["week", "press"]], left_on="run_id", right_index=True)
    for key, group in runs.groupby(["week", "press"]):
        mine = mounts[(mounts["week"] == key[0]) & (mounts["press"] == key[1])]
        weighings = (mine["start_kg"] > 0).sum() + (mine["returned_kg"] > 0).sum()
        counted = {
            name: stated["copies_pct"] / 100 * np.sqrt((group[name] ** 2).sum())
            for name in ("good_kg", "startup_kg", "running_kg", "uncounted_kg")
        }
        gross = (
            stated["copies_pct"] / 100 * np.sqrt((group[["good_kg", "startup_kg"]].sum(axis=1) ** 2).sum())
        )
        error = {
            name: stated["butt_kg"] * np.sqrt((mine[c] > 0).sum())
            for name, c in (
                ("strip_kg", "strip_kg"),
                ("reel_end_kg", "butt_kg"),
                ("scrapped_kg", "scrapped_kg"),
            )
        }
        # A scrapped remainder of 40 kg or more is weighed like a reel.
        error["scrapped_kg"] += stated["reel_kg"] * np.sqrt((mine["scrapped_kg"] > 40).sum())
        error |= counted
        error["mounted_kg"] = stated["reel_kg"] * np.sqrt(weighings)
        area = webs[(webs["week"] == key[0]) & (webs["press"] == key[1])].groupby("material")["kg"].sum()
        error["grammage_kg"] = np.sqrt((area**2).sum()) + counted["good_kg"] / 50
        error["unexplained_kg"] = np.sqrt(error["mounted_kg"] ** 2 + gross**2 + error["grammage_kg"] ** 2)
        # Copies are counted whole, and small weights are logged to 0.01 or 0.1 kg.
        rows[key] = {name: value + 0.3 for name, value in error.items()}
    return pd.DataFrame(rows).T


@pytest.mark.parametrize("stream", ["mounted_kg", *STREAMS])
def test_stream_equals_the_planted_kilograms(stream, balance, planted, errors):
    known = balance[stream].dropna()
    assert len(known) > 0.95 * len(planted)
    z = (known - planted.loc[known.index, stream]) / errors.loc[known.index, stream]
    assert z.abs().max() < 4.5
    assert (z.abs() <= 2).mean() >= 0.90
    # No bias either: the mean of the weeks is within its own error, a bias they share (grammage) aside.
    if stream not in ("grammage_kg", "unexplained_kg"):
        assert abs(z.mean()) < 4 / np.sqrt(len(z)) + 0.05


def test_streams_add_up_to_what_was_mounted(balance):
    known = balance.dropna(subset="mounted_kg")
    assert np.abs(known[list(STREAMS)].sum(axis=1) - known["mounted_kg"]).max() < 1e-6


def test_planted_grammages_lie_in_their_intervals(logs):
    table = weighed_paper(logs).grammage.set_index("material")
    assert set(table.index) == set(TRUTHS["grammage"])
    for material, truth in TRUTHS["grammage"].items():
        row = table.loc[material]
        assert row["ci_low"] <= truth["effective_gsm"] <= row["ci_high"], material
        assert row["ci_high"] - row["ci_low"] < 0.05 * truth["nominal_gsm"]


def test_week_without_reels_and_weeks_that_lost_a_mount_are_blank_and_no_others(balance):
    blank = set(balance.index[balance["mounted_kg"].isna()])
    week = pd.Timestamp(TRUTHS["week_without_reels"]["week"])
    expected = {(week, press) for press in ("P1", "P2")}
    for row in TRUTHS["impossible_rows"]:
        lost = row.get("loses") or {}
        if row["table"] == "reel_mounts" and "week" in lost:
            expected.add((pd.Timestamp(lost["week"]), lost["press"]))
    assert blank == expected
    columns = ["mounted_kg", "strip_kg", "reel_end_kg", "scrapped_kg", "unexplained_kg", "waste_pct"]
    assert balance.loc[list(blank), columns].isna().all(axis=None)
    assert balance.loc[list(blank), "good_kg"].notna().all()


def test_every_impossible_row_is_set_aside_with_its_line_and_no_other(logs):
    found = {(row.table, row.file, int(row.line)) for row in logs.rejected.itertuples()}
    planted = {(row["table"], row["file"], row["line"]) for row in TRUTHS["impossible_rows"]}
    assert found == planted
    for row in TRUTHS["impossible_rows"]:
        mine = logs.rejected[(logs.rejected["file"] == row["file"]) & (logs.rejected["line"] == row["line"])]
        assert row["column"] in mine["column"].iloc[0]
        # The line number is that of a text editor.
        if row["file"].endswith(".csv"):
            line = (DEMO / row["file"]).read_text(encoding="utf-8-sig").splitlines()[row["line"] - 1]
            assert row["value"] in line


def test_suspicious_rows_are_warned_about_and_used(logs):
    for row in TRUTHS["suspicious_rows"]:
        if "gross" in row["what"]:
            mine = logs.warnings[
                (logs.warnings["file"] == row["file"]) & (logs.warnings["line"] == row["line"])
            ]
            assert len(mine) == 1
            assert (logs["runs"]["run_id"] == row["run_id"]).sum() == 1


def test_overlapping_export_changes_no_bit(logs, tmp_path):
    folder = tmp_path / "once"
    overlapping = {row["file"] for row in TRUTHS["overlapping_exports"]}
    shutil.copytree(DEMO, folder, ignore=lambda _, names: overlapping & set(names))
    once = read_logs(folder)
    assert once.tables.keys() == logs.tables.keys()
    for name, table in logs.tables.items():
        pd.testing.assert_frame_equal(once[name], table, check_exact=True)
    both = [paper_balance(weighed_paper(one).runs) for one in (once, logs)]
    pd.testing.assert_frame_equal(*both, check_exact=True)


def test_store_losses_that_stand_out_are_the_planted_ones(logs):
    chain = reel_chain(logs).set_index(["supplier", "reel_id"])
    limit = 6 * np.sqrt(2) * TRUTHS["measurement"]["reel_kg"]
    found = set(chain.index[chain["store_loss_kg"] > limit])
    planted = {(row["supplier"], row["reel_id"]): row["kg"] for row in TRUTHS["store_losses"]}
    assert found <= set(planted)
    assert {reel for reel, kg in planted.items() if kg > limit + 10} <= found
    for reel in found:
        assert chain.loc[reel, "store_loss_kg"] == pytest.approx(planted[reel], abs=4.5 * np.sqrt(2) * 3)


OWN_TIME = {
    "tank_readings": "read_at",
    "stock_counts": "counted_on",
    "waste_sold": "sold_on",
    "deliveries": "ordered_on",
    "plan": "made_on",
    "reels": "received_on",
}


def later_rows(folder: Path, as_of: pd.Timestamp):
    """Yield each file, its separator, its rows (of CSV as text) and a mask of those that are later than `as_of`."""
    runs = pd.concat([pd.read_csv(path, dtype=str) for path in folder.glob("runs*.csv")])
    dates = pd.to_datetime(runs["date"], errors="coerce")
    # The planted run of 2205 tells by its hours that it is of 2023.
    later = set(runs.loc[(dates > as_of) & (dates.dt.year < 2100), "run_id"])
    for path in sorted((*folder.glob("*.csv"), *folder.glob("*.parquet"))):
        if path.suffix == ".parquet":
            separator, table = "", pd.read_parquet(path)
        else:
            separator = ";" if path.read_text(encoding="utf-8-sig").partition("\n")[0].count(";") else ","
            table = pd.read_csv(path, dtype=str, keep_default_na=False, sep=separator)
        name = path.stem.split("_20")[0]
        if "run_id" in table:
            yield path, separator, table, table["run_id"].isin(later)
        elif name in OWN_TIME:
            told = pd.to_datetime(table[OWN_TIME[name]], errors="coerce")
            yield path, separator, table, told >= as_of + pd.Timedelta(days=1)


def write_again(path: Path, separator: str, table: pd.DataFrame) -> None:
    """Write rows of :func:`later_rows` back to their file."""
    if separator:
        table.to_csv(path, index=False, sep=separator)
    else:
        table.to_parquet(path, index=False)


def later_rows_altered(folder: Path, as_of: pd.Timestamp) -> None:
    """Change numbers in every row that is later than `as_of`, line by line, keeping the lines."""
    changed = {"copies_good": "3", "copies_gross": "77", "start_kg": "999", "strip_kg": "88", "level_kg": "11",
               "quantity": "1", "solid_pages": "0.5", "pages": "4", "kg": "5", "unit_price": "9",
               "copies_planned": "1"}  # fmt: skip
    for path, separator, table, rows in later_rows(folder, as_of):
        for column, value in changed.items():
            if column in table:
                table.loc[rows, column] = value if separator else float(value)
        if path.stem == "deliveries":  # what was open at as-of comes another day, in another quantity
            open_then = ~rows & (pd.to_datetime(table["delivered_on"], errors="coerce") > as_of)
            table.loc[open_then, ["delivered_on", "unit_price", "quantity"]] = ["2025-10-20", "7", "5"]
        write_again(path, separator, table)


def later_rows_removed(folder: Path, as_of: pd.Timestamp) -> None:
    """Remove every row that is later than `as_of` from every table, reels among them."""
    for path, separator, table, rows in later_rows(folder, as_of):
        write_again(path, separator, table[~rows])


MONDAY = pd.Timestamp("2025-03-31")
#: Day in the middle of a small plant's eight weeks.
MIDDLE = FIRST_DAY + pd.Timedelta(days=34)


@pytest.fixture(scope="module")
def logs_of_monday():
    return read_logs(DEMO, MONDAY.date())


def assert_known_alike(first: Logs, second: Logs, lines_moved: bool) -> None:
    """Check that two logs tell an analysis the same: all but digests, and how many rows are later than as-of.

    Lines move up where rows before them are taken out of a file.
    """
    assert first.as_of == second.as_of
    assert first.plant == second.plant
    assert first.lost_orders == second.lost_orders
    assert first.lost_nights.equals(second.lost_nights)
    assert list(first.tables) == list(second.tables)
    for name in first.tables:
        pd.testing.assert_frame_equal(second[name], first[name], check_exact=True)
    for name in ("set_aside", "lost_mounts"):
        pd.testing.assert_frame_equal(getattr(second, name), getattr(first, name), check_exact=True)
    kept = ["table", "used", "set_aside", "repeated"]
    pd.testing.assert_frame_equal(second.ledger[kept], first.ledger[kept], check_exact=True)
    for name in ("rejected", "warnings"):
        one, two = (
            getattr(logs, name).drop(columns="line" if lines_moved else []) for logs in (first, second)
        )
        assert len(one)
        pd.testing.assert_frame_equal(two, one, check_exact=True)


@pytest.mark.parametrize("change", [later_rows_altered, later_rows_removed])
def test_later_rows_change_nothing_that_is_known_of_a_past_monday(change, logs_of_monday, tmp_path):
    folder = tmp_path / "changed"
    shutil.copytree(DEMO, folder)
    change(folder, MONDAY)
    changed = read_logs(folder, MONDAY.date())
    assert changed.digest != logs_of_monday.digest
    assert_known_alike(logs_of_monday, changed, lines_moved=change is later_rows_removed)


@pytest.fixture(scope="module")
def middle(tmp_path_factory):
    folder = write_small_plant(tmp_path_factory.mktemp("small") / "logs", small_tables(56))
    return folder, analysed_then(folder)


def analysed_then(folder: Path):
    return analyse(read_logs(folder, MIDDLE.date()), *past_forecasts(None, MIDDLE))


@pytest.mark.parametrize("change", [later_rows_altered, later_rows_removed])
def test_later_rows_change_no_published_table(change, middle, tmp_path):
    """What an analysis is given beside the known rows, it does not use."""
    folder, first = tmp_path / "changed", middle[1]
    shutil.copytree(middle[0], folder)
    change(folder, MIDDLE)
    second = analysed_then(folder)
    assert first.logs.digest != second.logs.digest
    assert (first.logs.ledger["later"] > 0).sum() >= 5
    assert len(first["demand_forecast"])
    assert len(first["to_do"])
    assert len(first["order_plan"])
    for name, table in first.tables().items():
        pd.testing.assert_frame_equal(second[name], table, check_exact=True)
