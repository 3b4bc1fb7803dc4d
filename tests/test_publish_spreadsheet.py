"""The spreadsheet for suppliers: a unit in each row, spend, real numbers, and nothing a spreadsheet would run."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant
from stand_ins import HOSTILE, StandInResults, tables
from test_watch import steady_tables

from pressstats.logs import read_logs
from pressstats.pages.order_reasons import reason_words
from pressstats.past import past_forecasts
from pressstats.publishing.csv_files import write_csv
from pressstats.publishing.sheets import OUTLOOK, about_outlook, outlook_sheets
from pressstats.publishing.spreadsheet import Worksheet, write_spreadsheet
from pressstats.results import Results, analyse
from pressstats.tables import QUANTILES

Tables = dict[str, pd.DataFrame]

DAYS = 70
LAST = FIRST_DAY + pd.Timedelta(days=DAYS - 1)
#: Names of the plant that a spreadsheet could take for formulas.
NAMES = {"N1200": "=1+1", "Northmill": "@SUM(A1:A2)", "Inkworks": "+cmd|' /C calc'!A0", "Plateworks": "-2+3"}
PLANT = "=HYPERLINK(1)"
PRICE = 0.4


def eventful_tables() -> Tables:
    """Ten weeks with a quantity break, two open orders of which one is overdue, and a material never counted."""
    tables = steady_tables(DAYS)
    prices = tables["prices"]
    # 6.6 t a week, but ordered by the load: both breaks hold
    breaks = prices.assign(from_quantity=5_000.0, unit_price=0.49), prices.assign(from_quantity=20_000.0)
    tables["prices"] = pd.concat([prices, breaks[0], breaks[1].assign(unit_price=PRICE)], ignore_index=True)
    deliveries = tables["deliveries"]
    overdue = deliveries[deliveries["delivery_id"] == "D4"].assign(
        delivery_id="D6", order_id="O6", quantity=2_500.0, promised_on=LAST - pd.Timedelta(days=3)
    )
    tables["deliveries"] = pd.concat([deliveries, overdue], ignore_index=True)
    materials = tables["materials"]
    wash = materials[materials["material"] == "plate"].assign(material="wash", kind="other", unit="l")
    tables["materials"] = pd.concat([materials, wash], ignore_index=True)
    return {name: table.replace(NAMES) for name, table in tables.items()}


def publish_earlier(out: Path) -> None:
    """Leave a forecast of two weeks that an earlier publication made of the newsprint."""
    weeks = [LAST - pd.Timedelta(days=20), LAST - pd.Timedelta(days=13)]
    said = pd.DataFrame({"material": NAMES["N1200"], "week": weeks, "mean": 6_600.5})
    said = said.assign(**{name: 6_600.5 + 100 * (level - 0.5) for name, level in QUANTILES.items()})
    tables = out / f"{LAST - pd.Timedelta(days=21):%Y-%m-%d}" / "tables"
    tables.mkdir(parents=True)
    write_csv(said, tables / "demand_forecast.csv", "demand_forecast")


def results_of(folder: Path, tables: Tables) -> Results:
    toml = PLANT_TOML.replace('"Small Plant"', f'"{PLANT}"').replace('"EUR"', '"NOK"')
    logs = read_logs(write_small_plant(folder / "logs", tables, toml))
    return analyse(logs, *past_forecasts(folder / "out", logs.as_of))


def write(path: Path, known: Results) -> Path:
    sheets = outlook_sheets(known.tables(), known.logs, known)
    about = about_outlook(known.logs, known)
    as_of = known.logs.as_of.date()
    write_spreadsheet(path, sheets, title=known.logs.plant.name, as_of=as_of, about=about)
    return path


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Results:
    folder = tmp_path_factory.mktemp("plant")
    publish_earlier(folder / "out")
    return results_of(folder, eventful_tables())


@pytest.fixture(scope="module")
def path(known: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("book") / "x.xlsx", known)


@pytest.fixture(scope="module")
def book(path: Path) -> Any:
    return openpyxl.load_workbook(path)


def rows_of(sheet: Any) -> pd.DataFrame:
    """Return the rows above the first empty one, columns named without their units."""
    head, *rows = sheet.iter_rows(values_only=True)
    names = [re.sub(r" \[.*\]$", "", name) for name in head]
    end = next((place for place, row in enumerate(rows) if not any(row)), len(rows))
    return pd.DataFrame(rows[:end], columns=names)


def about_of(book: Any) -> dict[str, Any]:
    return {row[0]: row[1] for row in book["About"].iter_rows(values_only=True)}


# --- what the sheets hold ----------------------------------------------------------------------


def test_every_sheet_is_there_and_told_of(book: Any) -> None:
    assert book.sheetnames == ["About", "Orders", "Weeks", "Months", "Year", "Cover", "Record"]
    about = about_of(book)
    assert set(OUTLOOK) <= set(about)
    assert all(about[name] for name in OUTLOOK)
    assert about["Plant"] == PLANT
    assert about["As of"] == LAST.to_pydatetime()
    assert "NOK" in about["Units"]
    assert "each" in about["Units"]
    assert "blank" in about["Blank"]
    assert "do not add up" in about["Low, high"]
    for word in ("fire load", "weight", "fire code", "insurer", "floor"):
        assert word in about["Caution"]
    assert "Forecast" not in about


def test_the_unit_of_each_row_stands_beside_its_material(known: Results, book: Any) -> None:
    units = known.logs["materials"].set_index("material")["unit"]
    assert set(units) == {"kg", "l", "each"}
    for sheet in book.worksheets[1:]:
        rows = rows_of(sheet)
        place = list(rows.columns).index("material")
        assert rows.columns[place + 1] == "unit"
        assert len(rows) > 0
        assert rows["unit"].tolist() == rows["material"].map(units).tolist()


def test_published_numbers_and_dates_come_through_as_such(known: Results, book: Any) -> None:
    for name, table in OUTLOOK.items():
        if not table:
            continue
        rows, published = rows_of(book[name]), known[table]
        assert len(rows) == len(published)
        for column in published.columns:
            found = rows[column.replace("_", " ")]
            if published[column].dtype.kind == "M":
                assert pd.to_datetime(found).equals(published[column]), (name, column)
            elif published[column].dtype.kind == "f":
                known_numbers = published[column].notna()
                assert found.notna().equals(known_numbers), (name, column)
                np.testing.assert_allclose(
                    found[known_numbers].astype(float), published[column][known_numbers], rtol=1e-9
                )
            else:
                assert found.tolist() == published[column].tolist(), (name, column)


def test_heads_carry_units_and_the_plants_currency(book: Any) -> None:
    heads = {name: [cell.value for cell in book[name][1]] for name in OUTLOOK}
    assert {"cost [NOK]", "quantity [material unit]", "supplier", "why"} <= set(heads["Orders"])
    assert {"price [NOK / material unit]", "spend low [NOK]", "budget cost [NOK]"} <= set(heads["Months"])
    assert heads["Year"] == [
        "material",
        "unit",
        *(f"{name} [material unit]" for name in ("low", "expected", "high", "order size")),
        "price now [NOK / material unit]",
        *(f"spend {name} [NOK]" for name in ("low", "expected", "high")),
    ]
    assert {"on order [material unit]", "storage maximum [material unit]", "days cover [day]"} <= set(
        heads["Cover"]
    )
    assert not any("currency" in head for row in heads.values() for head in row)


def test_the_year_is_what_52_weeks_of_paths_add_up_to(known: Results, book: Any) -> None:
    year = rows_of(book["Year"]).set_index("material")
    outlook = known.outlook
    assert outlook is not None
    assert list(year.index) == outlook.names
    days = pd.date_range(LAST + pd.Timedelta(days=1), periods=52 * 7, freq="D")
    paths, mean = outlook.day_paths(1000, days)
    for place, name in enumerate(outlook.names):
        sums = sorted(float(path.sum()) for path in paths[place])
        assert (
            sums[49] <= year.loc[name, "low"] <= sums[50]
        )  # numpy's quantile of 1000 lies between these two
        assert sums[949] <= year.loc[name, "high"] <= sums[950]
        assert year.loc[name, "expected"] == pytest.approx(mean[place].sum())
    paper = NAMES["N1200"]
    assert 5_000 < year.loc[paper, "expected"] / 52 < 20_000
    plan = known["order_plan"]
    ordered = plan[plan["material"] == paper].groupby("order_on")["quantity"].sum()
    assert year.loc[paper, "order size"] == pytest.approx((ordered**2).sum() / ordered.sum())
    assert year.loc[paper, "order size"] >= 20_000
    assert year["price now"].to_dict() == {paper: PRICE, "black": 2.0, "cyan": 4.0, "plate": 3.0}
    for name in ("low", "expected", "high"):
        np.testing.assert_allclose(year[f"spend {name}"], year[name] * year["price now"])
    assert (year["spend low"] < year["spend expected"]).all()
    assert (year["spend expected"] < year["spend high"]).all()


def test_only_the_expected_spend_of_the_year_is_added_up(book: Any) -> None:
    sheet = book["Year"]
    rows = rows_of(sheet)
    *_, gap, total = sheet.iter_rows(values_only=True)
    assert not any(gap)
    assert total[0] == "All materials"
    heads = [cell.value for cell in sheet[1]]
    sums = {head: value for head, value in zip(heads, total, strict=True) if value is not None}
    assert set(sums) == {"material", "spend expected [NOK]"}
    assert sums["spend expected [NOK]"] == pytest.approx(rows["spend expected"].sum())
    # sorting and filtering must not reach it
    assert sheet.auto_filter.ref == f"A1:J{len(rows) + 1}"


def test_months_carry_price_and_spend(known: Results, book: Any) -> None:
    months = rows_of(book["Months"])
    assert set(months.loc[months["material"] == NAMES["N1200"], "price"]) == {PRICE}
    season = known["demand_season"]
    for spend, need in (("low", "q05"), ("expected", "mean"), ("high", "q95")):
        assert season[need].notna().all()
        np.testing.assert_allclose(months[f"spend {spend}"], season[need] * months["price"], rtol=1e-9)
    place = list(months.columns).index("month")
    assert book["Months"].cell(2, place + 1).number_format == "yyyy-mm"


def test_each_order_names_its_supplier_and_its_reason(known: Results, book: Any) -> None:
    orders = rows_of(book["Orders"])
    suppliers = {"black": "Inkworks", "cyan": "Inkworks", NAMES["N1200"]: "Northmill", "plate": "Plateworks"}
    expected = [NAMES[suppliers[name]] for name in orders["material"]]
    assert orders["supplier"].tolist() == expected
    assert known.plan is not None
    reasons = reason_words(known, str)
    assert len(reasons) > 1
    assert orders["why"].tolist() == [reasons[order] for order in orders["order"]]
    assert orders["why"].str.len().min() > 20


def test_cover_tells_storage_what_is_on_order_and_what_comes_next(book: Any) -> None:
    cover = rows_of(book["Cover"]).set_index("material")
    paper = cover.loc[NAMES["N1200"]]
    # D4 and the overdue D6 are open; D5 was cancelled
    assert paper["on order"] == 12_500
    assert paper["next promised"] == LAST - pd.Timedelta(days=3)
    assert paper["storage maximum"] == 80_000
    assert pd.isna(paper["why blank"])
    assert paper["quantity"] > 0
    others = cover.drop(index=NAMES["N1200"])
    assert (others["on order"] == 0).all()
    assert others["next promised"].isna().all()
    assert pd.isna(cover.loc["wash", "quantity"])
    assert cover.loc["wash", "why blank"] == "never counted"


# --- how they stand on the sheet ---------------------------------------------------------------


def test_heads_and_first_columns_stay_and_rows_can_be_filtered(book: Any) -> None:
    frozen = {name: book[name].freeze_panes for name in OUTLOOK}
    assert frozen == dict.fromkeys(OUTLOOK, "C2") | {"Orders": "D2"}
    for name in OUTLOOK:
        assert book[name].auto_filter.ref.startswith("A1:")


def test_sheets_print_across_one_page_wide_with_their_heads(book: Any) -> None:
    for sheet in book.worksheets:
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0)
    for name in OUTLOOK:
        assert book[name].print_title_rows == "$1:$1"


def test_text_is_never_a_formula_or_a_link(path: Path, book: Any) -> None:
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} == {"s", "n", "d"}
    assert not any(cell.hyperlink for cell in cells)
    assert {PLANT, *NAMES.values()} <= {cell.value for cell in cells}
    with zipfile.ZipFile(path) as archive:
        names = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
        assert len(names) == 7
        for name in names:
            assert not re.search(rb"<f[ >]|<hyperlink", archive.read(name)), name


def test_the_same_numbers_are_the_same_bytes(known: Results, path: Path, tmp_path: Path) -> None:
    assert write(tmp_path / "y.xlsx", known).read_bytes() == path.read_bytes()


def test_words_of_a_sum_are_no_formula_and_an_unknown_sum_is_blank(tmp_path: Path) -> None:
    frame = pd.DataFrame({"material": ["a"], "spend": [1.5]})
    totals = {"material": "=0+1", "spend": float("nan")}
    sheets = {"Year": Worksheet(frame, total=totals)}
    write_spreadsheet(tmp_path / "x.xlsx", sheets, title="P", as_of=dt.date(2025, 3, 2))
    sheet = openpyxl.load_workbook(tmp_path / "x.xlsx")["Year"]
    assert sheet["A4"].value == "=0+1"
    assert sheet["A4"].data_type == "s"
    assert sheet["B4"].value is None
    assert sheet["B2"].value == 1.5


# --- where much is missing ---------------------------------------------------------------------


def without(*names: str) -> Callable[[Tables], Tables]:
    return lambda tables: {name: table for name, table in tables.items() if name not in names}


def test_without_prices_budget_and_deliveries_the_list_holds_and_the_rest_is_blank(tmp_path: Path) -> None:
    known = results_of(tmp_path, without("prices", "budget", "deliveries")(small_tables(28)))
    book = openpyxl.load_workbook(write(tmp_path / "x.xlsx", known))
    year = rows_of(book["Year"]).set_index("material")
    assert year.loc["N1200", "price now"] == 0.5
    assert rows_of(book["Months"])["budget cost"].isna().all()
    cover = rows_of(book["Cover"])
    assert len(cover) == 4
    assert cover["on order"].isna().all()
    assert cover["next promised"].isna().all()


@pytest.mark.parametrize("bare", [False, True], ids=["three days", "without materials"])
def test_without_a_forecast_the_workbook_says_so(tmp_path: Path, bare: bool) -> None:
    made = without("materials")(small_tables(28)) if bare else small_tables(3)
    known = results_of(tmp_path, made)
    assert known.outlook is None
    book = openpyxl.load_workbook(write(tmp_path / "x.xlsx", known))
    assert book.sheetnames[1:] == list(OUTLOOK)
    about = about_of(book)
    assert about["Forecast"].startswith("There is none")
    for name in ("Orders", "Weeks", "Months", "Year", "Record"):
        assert book[name].max_row == 1
        assert "no rows" in about[name]
        assert book[name]["A1"].value in ("order", "material")
    cover = rows_of(book["Cover"])
    assert len(cover) == (0 if bare else 4)
    if not bare:
        assert cover.set_index("material").loc["plate", "unit"] == "each"
        assert cover["days cover"].isna().all()
        assert cover["storage maximum"].notna().all()


def test_tables_alone_make_sheets_without_what_is_computed_besides(tmp_path: Path) -> None:
    logs = StandInResults().logs
    assert outlook_sheets({}, logs) == {}  # type: ignore[arg-type]
    sheets = outlook_sheets(tables() | {"paper_balance": tables()["stock_cover"]}, logs)  # type: ignore[arg-type]
    assert list(sheets) == ["Weeks", "Cover"]
    write_spreadsheet(tmp_path / "x.xlsx", sheets, title="P", as_of=dt.date(2025, 3, 2))
    cover = openpyxl.load_workbook(tmp_path / "x.xlsx")["Cover"]
    assert [cell.value for cell in cover[1]][:4] == [
        "material",
        "unit",
        "quantity [material unit]",
        "counted on",
    ]
    assert {cell.value for cell in cover["A"]} == {"material", *HOSTILE[:3]}
    assert cover["B2"].value is None  # the unit is not known
    assert cover["C2"].value == 1000
    assert cover["C3"].value is None
    assert cover["D2"].value == dt.datetime(2025, 3, 1)
    assert cover["D2"].number_format == "yyyy-mm-dd"
