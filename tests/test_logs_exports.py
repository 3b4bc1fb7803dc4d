"""Exports as plants have them: other words, constants, names, units, identifiers and clocks give the same rows."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.cli import main
from pressstats.logs import LogsError, describe_check, read_logs
from pressstats.plant import PlantError, read_plant

KG_PER_LB = 0.45359237  # the international pound, exact by definition

Tables = dict[str, pd.DataFrame]


def _read(folder: Path, tables: Tables, toml: str) -> Tables:
    logs = read_logs(write_small_plant(folder, tables, PLANT_TOML + toml))
    assert logs.rejected.empty, logs.rejected.to_string()
    assert logs.warnings.empty, logs.warnings.to_string()
    return logs.tables


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("clean"))).tables


def _same(found: Tables, clean: Tables, **tolerance: float) -> None:
    assert found.keys() == clean.keys()
    for name, table in clean.items():
        pd.testing.assert_frame_equal(found[name], table, **tolerance)


def test_words_of_the_plant_stand_for_ours(tmp_path: Path, clean: Tables) -> None:
    tables = small_tables()
    tables["runs"]["production"] = tables["runs"]["production"].map({"straight": "D", "collect": "gesammelt"})
    tables["coverage"]["ink"] = tables["coverage"]["ink"].map({"black": "Schwarz", "cyan": "CYAN"})
    tables["tank_readings"]["ink"] = tables["tank_readings"]["ink"].map({"black": "K", "cyan": "cyan"})
    tables["runs"]["crew"] = tables["runs"]["crew"].fillna("-")
    toml = """
[values.runs]
production = {d = "straight", Gesammelt = "collect"}
crew = {"-" = ""}
[values.coverage.ink]
"schwarz" = "black"
[values.tank_readings.ink]
K = "black"
"""
    _same(_read(tmp_path, tables, toml), clean)


def test_constants_stand_for_columns_that_an_export_lacks(tmp_path: Path, clean: Tables) -> None:
    tables = small_tables()
    tables["runs"] = tables["runs"].drop(columns=["page_width_mm", "pages"])
    tables["prices"] = tables["prices"].drop(columns=["valid_from", "material"])
    toml = """
[constants.runs]
page_width_mm = 300.0
pages = 16
[constants.prices]
material = "N1200"
valid_from = 2025-03-03
"""
    _same(_read(tmp_path, tables, toml), clean)


def test_a_constant_gives_way_to_a_column_and_says_so(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path, plant_toml=PLANT_TOML + '\n[constants.runs]\npress = "P9"\n')
    logs = read_logs(folder)
    assert "P9" not in set(logs["runs"]["press"])
    assert logs.notes["column"].tolist() == ["press"]


def test_files_and_sheets_by_other_names_below_the_title_of_a_report(tmp_path: Path, clean: Tables) -> None:
    tables = small_tables()
    folder = write_small_plant(
        tmp_path,
        {name: table for name, table in tables.items() if name not in ("runs", "run_webs", "deliveries")},
        PLANT_TOML
        + """
[files]
runs = "Produktion_*.txt"
run_webs = "lager.xlsx#Bahnen*"
deliveries = "Lager.xlsx#Tabelle1"
""",
    )
    for month, rows in (("Mai", slice(0, 9)), ("Juni", slice(9, None))):
        text = tables["runs"][rows].to_csv(index=False, sep="|")
        (folder / f"Produktion_{month}.txt").write_text(f"Produktion {month}|||\n\nGedruckt am;1.7.\n{text}")
    with pd.ExcelWriter(folder / "Lager.xlsx") as book:
        tables["deliveries"].to_excel(book, sheet_name="Tabelle1", index=False, startrow=3)
        book.sheets["Tabelle1"].write(0, 0, "Wareneingang")
        book.sheets["Tabelle1"].write(1, 1, "material")
        tables["run_webs"][:9].to_excel(book, sheet_name="Bahnen 1", index=False)
        tables["run_webs"][9:].to_excel(book, sheet_name="Bahnen 2", index=False)
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert logs.warnings.empty
    _same(logs.tables, clean)


def test_a_name_of_a_file_that_is_not_there_is_a_problem(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path, plant_toml=PLANT_TOML + '\n[files]\nprices = "Preise.csv"\n')
    logs = read_logs(folder)
    assert not logs.has("prices")
    assert ["prices", "Preise.csv"] in logs.rejected[["table", "file"]].values.tolist()
    assert ["", "prices.csv"] in logs.warnings[["table", "file"]].values.tolist()


def test_one_file_may_hold_two_tables(tmp_path: Path, clean: Tables) -> None:
    tables = small_tables()
    webs = tables["run_webs"].rename(columns={"pages": "pages_web"})
    wide = tables.pop("runs").merge(webs, on="run_id")
    tables["print"] = wide
    tables.pop("run_webs")
    toml = (
        '\n[files]\nruns = "print.csv"\nrun_webs = "print.csv"\n[columns.run_webs]\npages_web = "pages"\n'
        + '"pages of copy" = "pages"\n'
    )
    folder = write_small_plant(tmp_path, tables, PLANT_TOML + toml)
    logs = read_logs(folder)
    assert logs.rejected.empty
    _same(logs.tables, clean)


def test_units_by_table_and_in_the_units_of_materials(tmp_path: Path, clean: Tables) -> None:
    tables = small_tables()
    tables["reel_mounts"]["start_kg"] /= KG_PER_LB
    paper = tables["deliveries"]["material"] == "N1200"
    tables["deliveries"]["quantity"] = tables["deliveries"]["quantity"].where(
        ~paper, tables["deliveries"]["quantity"] / 1000
    )
    tables["stock_counts"]["quantity"] /= 1000
    newsprint = tables["materials"]["kind"] == "newsprint"
    per_tonne = tables["materials"]["unit_price"] * 1000
    tables["materials"]["unit_price"] = tables["materials"]["unit_price"].where(~newsprint, per_tonne)
    plates = tables["materials"]["kind"] == "plate"
    tables["materials"].loc[plates, "unit_price"] *= 100
    tables["budget"]["cost"] /= 1000
    toml = """
[units.reel_mounts]
start_kg = "lb"
[units.deliveries.quantity]
newsprint = "t"
[units.stock_counts]
quantity = "t"
[units.materials.unit_price]
newsprint = "EUR / t"
plate = "EUR / (100 each)"
[units.budget]
cost = "1000 currency"
"""
    _same(_read(tmp_path, tables, toml), clean, rtol=1e-12)


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ('[units.deliveries]\nquantity = "m2"\n', r"units\.deliveries\.quantity = 'm2'"),
        ('[units.deliveries.quantity]\nplate = "t"\n', r"units\.deliveries\.quantity = 't'"),
    ],
)
def test_a_unit_that_no_material_is_counted_in_is_an_error(tmp_path: Path, toml: str, words: str) -> None:
    with pytest.raises(LogsError, match=words):
        read_logs(write_small_plant(tmp_path, plant_toml=PLANT_TOML + "\n" + toml))


def test_an_identifier_made_of_several_columns(tmp_path: Path, clean: Tables) -> None:
    tables = small_tables()
    dates = tables["runs"].set_index("run_id")["date"]
    day_numbers = tables["runs"].groupby("date").cumcount().add(1).astype(str).str.zfill(2)
    number = pd.Series(day_numbers.to_numpy(), tables["runs"]["run_id"])
    for name in ("run_webs", "reel_mounts", "coverage"):
        day = tables[name]["run_id"].map(dates)
        tables[name]["Datum"] = day.dt.strftime("%d.%m.%Y")
        tables[name]["run_id"] = tables[name]["run_id"].map(number)
    tables["runs"]["run_id"] = day_numbers
    toml = '\n[keys]\nruns = ["run_id", "date"]\n[format]\ndates = "day_first"\n' + "".join(
        f'[columns.{name}]\nDatum = "date"\n' for name in ("run_webs", "reel_mounts", "coverage")
    )
    found = _read(tmp_path, tables, toml)
    made = dict(zip(clean["runs"]["run_id"], number + " " + dates.dt.strftime("%Y-%m-%d"), strict=True))
    assert len(set(made.values())) == len(made)
    for name in ("runs", "run_webs", "reel_mounts", "coverage"):
        key = [column for column in ("run_id", "web", "ink", "mounted_at") if column in clean[name]]
        expected = clean[name].assign(run_id=clean[name]["run_id"].map(made).astype("str"))
        pd.testing.assert_frame_equal(
            found[name].sort_values(key, ignore_index=True), expected.sort_values(key, ignore_index=True)
        )


def test_an_identifier_lacks_a_part(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path, plant_toml=PLANT_TOML + '\n[keys]\nruns = ["run_id", "date"]\n')
    with pytest.raises(LogsError, match="run_id: required column is missing"):
        read_logs(folder)


def test_two_columns_of_one_part_of_an_identifier_are_told(tmp_path: Path) -> None:
    tables, toml = small_tables(), '\n[keys]\nruns = ["run_id", "date"]\n'
    dates = tables["runs"].set_index("run_id")["date"]
    for name in ("run_webs", "reel_mounts", "coverage"):
        tables[name]["Nacht"] = tables[name]["run_id"].map(dates)
        toml += f'[columns.{name}]\nNacht = "date"\n'
    tables["coverage"]["Tag"] = tables["coverage"]["Nacht"]
    logs = read_logs(write_small_plant(tmp_path, tables, f'{PLANT_TOML}{toml}Tag = "date"\n'))
    told = logs.rejected.set_index("table")["rule"]
    assert told.index.tolist() == ["coverage"]
    assert told["coverage"].startswith("two columns have this name; the header has")


def _split(
    column: str, day: Callable[[pd.Series], pd.Series], clock: str
) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def split(table: pd.DataFrame) -> pd.DataFrame:
        times = table[column]
        table["Tag " + column] = day(times).dt.strftime("%d.%m.%y")
        table["Uhr " + column] = times.dt.strftime(clock)
        return table.drop(columns=column)

    return split


@pytest.mark.parametrize("clock", ["%H:%M", "%Hh%M", "%H.%M", "%H%M", "%I:%M %p", "%H:%M:%S"])
def test_date_and_time_in_two_columns(tmp_path: Path, clean: Tables, clock: str) -> None:
    tables = small_tables()
    tables["tank_readings"] = _split("read_at", lambda times: times, clock)(tables["tank_readings"])
    toml = '\n[format]\ndates = "day_first"\n[columns.tank_readings]\n'
    toml += '"Tag read_at" = "read_at"\n"Uhr read_at" = "read_at"\n'
    _same(_read(tmp_path, tables, toml), clean)


@pytest.mark.parametrize("dated", ["calendar", "evening", "issue"])
def test_nights_dated_by_their_evening_their_issue_or_the_calendar(
    tmp_path: Path, clean: Tables, dated: str
) -> None:
    tables = small_tables()
    runs = tables["runs"]
    evening = runs["started_at"].dt.normalize() - pd.to_timedelta(
        (runs["started_at"].dt.hour < 12).astype(int), unit="D"
    )
    day = {"calendar": runs["started_at"], "evening": evening, "issue": evening + pd.Timedelta(days=1)}[dated]
    runs["Tag"] = day.dt.strftime("%Y-%m-%d")
    runs["Beginn"], runs["Ende"] = (runs[name].dt.strftime("%H:%M") for name in ("started_at", "finished_at"))
    tables["runs"] = runs.drop(columns=["started_at", "finished_at"])
    toml = f"""
[exports]
nights_dated_by = "{dated}"
[columns.runs]
Tag = ["started_at", "finished_at"]
Beginn = "started_at"
Ende = "finished_at"
"""
    _same(_read(tmp_path, tables, toml), clean)


def test_clocks_of_a_spreadsheet_and_22h10(tmp_path: Path, clean: Tables) -> None:
    tables = small_tables()
    epoch = pd.Timestamp(
        "1899-12-30"
    )  # day 0 of the 1900 date system of ECMA-376, part 1, 18.17.4.1, after February 1900
    dips = tables["tank_readings"]
    dips["read_at"] = (dips["read_at"] - epoch) / pd.Timedelta(days=1)
    tables["stock_counts"]["counted_on"] = (tables["stock_counts"]["counted_on"] - epoch).dt.days
    tables["runs"]["started_at"] = tables["runs"]["started_at"].dt.strftime("%d/%m/%Y %Hh%M")
    tables["runs"]["date"] = tables["runs"]["date"].dt.strftime("%Y%m%d")
    _same(_read(tmp_path, tables, '\n[format]\ndates = "day_first"\n'), clean)


def test_the_code_page_of_old_office_programs(tmp_path: Path) -> None:
    words = {"north": "Früh à l'été", "south": "Größe å ñ"}
    for code in ("cp850", "cp1252", "utf-8"):
        folder = write_small_plant(tmp_path / code)
        text = (folder / "runs.csv").read_text()
        for ours, theirs in words.items():
            text = text.replace(ours, theirs)
        (folder / "runs.csv").write_bytes(text.encode(code))
        logs = read_logs(folder)
        assert logs.rejected.empty
        assert set(logs["runs"]["crew"].dropna()) == set(words.values()), code


@pytest.mark.parametrize("dates", [("05", "06"), ("9", "10"), ("06", "06b")])
def test_the_newest_file_wins_where_the_plant_says_so(
    tmp_path: Path, clean: Tables, dates: tuple[str, str]
) -> None:
    tables = small_tables()
    runs = tables.pop("runs")
    wrong = runs.assign(copies_ordered=runs["copies_ordered"] - 1)
    toml = PLANT_TOML + '\n[exports]\ncorrections = "newest_file"\n'
    folder = write_small_plant(tmp_path, tables, toml)
    wrong[:9].to_csv(folder / f"runs_{dates[0]}.csv", index=False)
    runs[6:].to_csv(folder / f"runs_{dates[1]}.csv", index=False)
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert logs.warnings.empty
    found = logs["runs"].set_index("run_id")["copies_ordered"]
    right, older = (part.set_index("run_id")["copies_ordered"] for part in (clean["runs"], wrong[:6]))
    assert (found == right.where(~right.index.isin(older.index), right - 1)).all()
    assert logs.notes["rule"].tolist() == [
        f"corrects an older file; runs_{dates[0]}.csv:{line}" for line in (8, 9, 10)
    ]
    (folder / "plant.toml").write_text(PLANT_TOML)
    rejected = read_logs(folder).rejected
    assert (rejected["table"] == "runs").sum() == 6  # all are set aside otherwise


def test_extra_columns_are_listed_and_are_no_problem(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    runs = pd.read_csv(folder / "runs.csv", dtype=str).assign(moon="full")
    runs.to_csv(folder / "runs.csv", index=False)
    logs = read_logs(folder)
    assert logs.rejected.empty
    assert logs.warnings.empty
    assert "Noted, no problem\n  runs: no column of the table" in describe_check(logs)


def test_all_that_blocks_is_told_at_once_with_the_header_and_the_remedy(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    for name, column in (("runs", "title"), ("runs", "pages"), ("run_webs", "web")):
        text = (folder / f"{name}.csv").read_text()
        (folder / f"{name}.csv").write_text(text.replace(column, f"{column}_x", 1))
    with pytest.raises(LogsError) as caught:
        read_logs(folder)
    lines = str(caught.value).split("\n")
    assert lines[:3] == [
        "runs cannot be used",
        "  runs.csv:1 title: required column is missing, so the table is left out",
        "  runs.csv:1 pages: required column is missing, so the table is left out",
    ]
    assert lines[3].startswith("  runs.csv:1 has: run_id, date, title_x, press")
    assert '[columns.runs] "their name" = "ours"' in lines[4]
    assert lines[5:7] == [
        "run_webs cannot be used",
        "  run_webs.csv:1 web: required column is missing, so the table is left out",
    ]


def test_no_line_of_a_message_is_longer_than_a_screen_shows(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    text = (folder / "runs.csv").read_text()
    wide = ",".join(["y" * 38_000, *(f"more{number}" for number in range(300))])
    lines = [line + "," + ("z" * 38_000) + "," * 300 for line in text.splitlines()[1:]]
    (folder / "runs.csv").write_text("\n".join([text.splitlines()[0] + "," + wide, *lines]))
    told = describe_check(read_logs(folder))
    assert max(map(len, told.split("\n"))) <= 400
    (folder / "runs.csv").write_text((folder / "runs.csv").read_text().replace("title", "x" * 38_000, 1))
    result = CliRunner().invoke(main, ["check", "--logs", str(folder)])
    assert result.exit_code == 2
    assert max(map(len, result.output.split("\n"))) <= 4000


def test_each_problem_stands_on_its_line_and_comes_with_a_remedy(tmp_path: Path) -> None:
    folder = write_small_plant(tmp_path)
    text = (folder / "runs.csv").read_text().replace("straight", "gerade", 3)
    (folder / "runs.csv").write_text(text)
    lines = describe_check(read_logs(folder)).split("\n")
    at = lines.index("  runs: none of the allowed words (3 rows)")
    assert [line.split(" (")[0] for line in lines[at + 1 : at + 4]] == [
        f"    runs.csv:{number} production = gerade" for number in (2, 3, 4)
    ]
    assert lines[at + 4] == "    remedy: say what the plant's words mean in [values.runs.COLUMN]"


def test_reels_that_come_back_from_nowhere_point_to_their_columns(tmp_path: Path) -> None:
    tables = small_tables()
    mounts = tables["reel_mounts"]
    # What is left on a core was exported as what went back.
    tables["reel_mounts"] = mounts.assign(returned_kg=mounts["butt_kg"])
    text = describe_check(read_logs(write_small_plant(tmp_path, tables)))
    told = re.search(r"used up or thrown away before \((\d+) rows?\)\n(?:    .*\n)*?    remedy: (.*)\n", text)
    assert told is not None
    assert int(told[1]) >= 1
    assert (
        told[2] == "where many rows say so returned_kg is another column: say which in [columns.reel_mounts]"
    )


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ('[values.runs.production]\nx = "sideways"\n', "never 'sideways'"),
        ('[values.runs.pages]\nx = "2"\n', "holds no words"),
        ('[constants.runs]\nlane = "1"\n', "no column 'lane'"),
        ('[files]\nrunz = "a.csv"\n', "did you mean 'runs'"),
        ('[keys]\nbudget = ["month"]\n', "no identifier of its own"),
        ('[keys]\nruns = ["dated"]\n', "did you mean 'date'"),
        ("[keys]\nruns = []\n", "keys.runs"),
        ('[columns.runs]\nx = "copies_god"\n', "did you mean 'copies_good'"),
        ('[units.runs]\ntitle = "kg"\n', "has no unit"),
        ('[units.deliveries.quantity]\npaper = "kg"\n', "no unit by 'paper'"),
        ('[exports]\ncorrections = "newest"\n', "newest_file"),
    ],
)
def test_what_plant_toml_cannot_mean_is_an_error(tmp_path: Path, toml: str, words: str) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(PLANT_TOML + "\n" + toml)
    with pytest.raises(PlantError) as caught:
        read_plant(path)
    assert words in str(caught.value)
