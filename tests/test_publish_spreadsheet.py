"""The spreadsheet for suppliers: a unit in each row, spend, real numbers, and nothing a spreadsheet would run."""

from __future__ import annotations

import datetime as dt
import html
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant
from stand_ins import HOSTILE, StandInResults, tables
from test_watch import steady_tables

from pressstats.logs import read_logs
from pressstats.pages import buying_files
from pressstats.pages.buying_files import supplier_files
from pressstats.pages.order_reasons import reason_words
from pressstats.past import past_forecasts
from pressstats.publishing.csv_files import write_csv
from pressstats.publishing.sheets import OUTLOOK, about_outlook, outlook_sheets
from pressstats.publishing.spreadsheet import Worksheet, write_spreadsheet
from pressstats.publishing.supplier_files import supplier_workbooks, write_supplier_files
from pressstats.results import Results, analyse
from pressstats.tables import QUANTILES

Tables = dict[str, pd.DataFrame]

DAYS = 70
LAST = FIRST_DAY + pd.Timedelta(days=DAYS - 1)
#: Names of the plant that a spreadsheet could take for formulas.
NAMES = {"N1200": "=1+1", "Northmill": "@SUM(A1:A2)", "Inkworks": "+cmd|' /C calc'!A0", "Plateworks": "-2+3"}
PLANT = "=HYPERLINK(1)"
#: What a formula of ours may be: a product or sum of two cells, and the sum of the rows that are shown.
OUR_FORMULAS = re.compile(r"=(?:[A-Z]+\d+[*+][A-Z]+\d+|SUBTOTAL\(109,[A-Z]+2:[A-Z]+\d+\))")
PRICE = 0.4
#: Last day of the first mill's contract: the plan goes on after it.
CONTRACT_TO = LAST + pd.Timedelta(days=45)


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


def rows_of(sheet: Any, above: bool = False) -> pd.DataFrame:
    """Return the rows before the first empty one, columns named without their units; sentences stand `above` some."""
    rows = list(sheet.iter_rows(values_only=True))
    head, *rows = rows[next(place for place, row in enumerate(rows) if row[1] or not above) :]
    names = [re.sub(r" \[.*\]$", "", name) for name in head]
    end = next((place for place, row in enumerate(rows) if not any(row)), len(rows))
    return pd.DataFrame(rows[:end], columns=names)


def results_in(path: Path) -> Any:
    """Return the workbook with what its formulas come to, as a reader without a spreadsheet sees it."""
    return openpyxl.load_workbook(path, data_only=True)


def about_of(book: Any) -> dict[str, Any]:
    return {row[0]: row[1] for row in book["About"].iter_rows(values_only=True)}


# --- what the sheets hold ----------------------------------------------------------------------


def test_every_sheet_is_there_and_told_of(book: Any) -> None:
    names = ["Order now", "Plan", "Open orders", "Suppliers", "Season", "Year", "Stock", "Record", "About"]
    assert book.sheetnames == names
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
    assert "stays in the house" in about["In the house"]
    assert "Forecast" not in about


def test_the_unit_of_each_row_stands_beside_its_material(known: Results, book: Any) -> None:
    units = known.logs["materials"].set_index("material")["unit"]
    assert set(units) == {"kg", "l", "each"}
    for sheet in book.worksheets[:-1]:
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
    assert {"cost [NOK]", "quantity [material unit]", "supplier", "why"} <= set(heads["Plan"])
    assert {"price [NOK / material unit]", "spend low [NOK]", "budget cost [NOK]"} <= set(heads["Season"])
    assert heads["Year"] == [
        "material",
        "unit",
        *(f"{name} [material unit]" for name in ("low", "expected", "high", "order size")),
        "price now [NOK / material unit]",
        *(f"spend {name} [NOK]" for name in ("low", "expected", "high")),
    ]
    assert {"on order [material unit]", "storage maximum [material unit]", "days cover [day]"} <= set(
        heads["Stock"]
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


def test_only_the_expected_spend_of_the_year_is_added_up(book: Any, path: Path) -> None:
    sheet = book["Year"]
    rows = rows_of(sheet)
    *_, gap, total = sheet.iter_rows(values_only=True)
    assert not any(gap)
    assert total[0] == "All materials"
    heads = [cell.value for cell in sheet[1]]
    sums = {head: value for head, value in zip(heads, total, strict=True) if value is not None}
    assert sums == {
        "material": "All materials",
        "spend expected [NOK]": f"=SUBTOTAL(109,I2:I{len(rows) + 1})",
    }
    *_, total = results_in(path)["Year"].iter_rows(values_only=True)
    assert total[heads.index("spend expected [NOK]")] == pytest.approx(rows["spend expected"].sum())
    # sorting and filtering must not reach it
    assert sheet.auto_filter.ref == f"A1:J{len(rows) + 1}"


def test_months_carry_price_and_spend(known: Results, book: Any) -> None:
    months = rows_of(book["Season"])
    assert set(months.loc[months["material"] == NAMES["N1200"], "price"]) == {PRICE}
    season = known["demand_season"]
    for spend, need in (("low", "q05"), ("expected", "mean"), ("high", "q95")):
        assert season[need].notna().all()
        np.testing.assert_allclose(months[f"spend {spend}"], season[need] * months["price"], rtol=1e-9)
    place = list(months.columns).index("month")
    assert book["Season"].cell(2, place + 1).number_format == "yyyy-mm"


def test_each_order_names_its_supplier_and_its_reason(known: Results, book: Any) -> None:
    orders = rows_of(book["Plan"])
    suppliers = {"black": "Inkworks", "cyan": "Inkworks", NAMES["N1200"]: "Northmill", "plate": "Plateworks"}
    expected = [NAMES[suppliers[name]] for name in orders["material"]]
    assert orders["supplier"].tolist() == expected
    assert known.plan is not None
    reasons = reason_words(known, str)
    assert len(reasons) > 1
    assert orders["why"].tolist() == [reasons[order] for order in orders["order"]]
    assert orders["why"].str.len().min() > 20


def test_cover_tells_storage_what_is_on_order_and_what_comes_next(book: Any) -> None:
    cover = rows_of(book["Stock"]).set_index("material")
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
    wide = {"Order now": "E2", "Plan": "D2", "Open orders": "E2", "Suppliers": "D2"}
    assert frozen == dict.fromkeys(OUTLOOK, "C2") | wide
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
    assert {cell.data_type for cell in cells} == {"s", "n", "d", "f"}
    assert all(OUR_FORMULAS.fullmatch(cell.value) for cell in cells if cell.data_type == "f")
    assert not any(cell.hyperlink for cell in cells)
    assert {PLANT, *NAMES.values()} <= {cell.value for cell in cells}
    with zipfile.ZipFile(path) as archive:
        names = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
        assert len(names) == 9
        for name in names:
            sheet = archive.read(name).decode()
            assert "<hyperlink" not in sheet
            assert all(OUR_FORMULAS.fullmatch(f"={one}") for one in re.findall("<f>(.*?)</f>", sheet)), name


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


def test_orders_are_added_up_by_formula_and_can_be_filled_in(known: Results, path: Path, book: Any) -> None:
    plan = known["order_plan"]
    first = plan[plan["order_on"] == plan["order_on"].min()]
    shown = rows_of(results_in(path)["Order now"])
    assert sorted(shown["order"]) == sorted(first["order"])
    np.testing.assert_allclose(shown["value"], shown["quantity"] * shown["price"])
    np.testing.assert_allclose(sorted(shown["total"]), sorted(first["cost"]), rtol=1e-9)
    *_, total = results_in(path)["Order now"].iter_rows(values_only=True)
    heads = [cell.value for cell in book["Order now"][1]]
    assert total[heads.index("total [NOK]")] == pytest.approx(first["cost"].sum())
    sheet = book["Order now"]
    assert sheet.cell(2, heads.index("value [NOK]") + 1).value == "=G2*H2"
    assert set(shown["status"]) == {"to place"}
    assert shown["order number"].isna().all()
    (choice,) = sheet.data_validations.dataValidation
    assert choice.formula1 == '"to place,placed,confirmed,received"'
    opens = rows_of(book["Open orders"]).set_index("delivery id")
    assert opens.loc["D6", ["quantity", "days late"]].tolist() == [2_500.0, 3.0]


# --- what leaves the house ---------------------------------------------------------------------


def two_mills(folder: Path) -> Results:
    """Return the eventful plant with a second mill of its newsprint, each at a price and under terms of its own."""
    tables = eventful_tables()
    paper, other = NAMES["N1200"], "Southmill"
    row = tables["materials"].set_index("material").loc[paper]
    how = {name: row[name] for name in ("lead_time_days", "pack_quantity", "load_quantity", "order_minimum")}
    terms = [
        {"material": paper, "supplier": name, "valid_from": FIRST_DAY, **how, "unit_price": price}
        for name, price in ((NAMES["Northmill"], 0.4123), (other, 0.4321))
    ]  # fmt: skip
    terms[0] |= {"contract_quantity": 30_000.0, "contract_from": FIRST_DAY, "contract_to": CONTRACT_TO}
    tables["terms"] = pd.DataFrame(terms)
    del tables["prices"]
    return results_of(folder, tables)


def months_of(known: Results, supplier: str, part: float, book: Any) -> list[float]:
    """Check what a supplier is to make ready for, month by month and year by year; return the numbers allowed there."""
    plan, opens = known["order_plan"], known.open_orders
    sheet = rows_of(book["Twelve months"], above=True)
    first = LAST + pd.Timedelta(days=1)
    days = pd.to_datetime(opens["promised_on"]).clip(lower=first)
    rows = pd.concat([plan.assign(day=plan["due_on"]), opens.assign(day=days)])
    rows = rows[(rows["supplier"] == supplier) & rows["day"].notna()]
    if supplier == NAMES["Northmill"]:
        # What is planned after its contract is told as well: it is taken to go on.
        assert (rows["day"] > CONTRACT_TO).any()
    coming = (
        rows["quantity"].astype("float64").groupby([rows["material"], rows["day"].dt.strftime("%Y-%m")]).sum()
    )
    mine = plan[plan["supplier"] == supplier]
    lead = (mine["due_on"] - mine["order_on"]).min() if len(mine) else pd.Timedelta(0)
    season = known["demand_season"].assign(month=known["demand_season"]["month"].dt.strftime("%Y-%m"))
    need = season.set_index(["material", "month"])[["q05", "mean", "q95"]] * part
    allowed, told = [0.0], set()
    for name, at, ready, low, high, by in sheet.drop(columns=["unit", "what"]).itertuples(index=False):
        key = name, f"{at:%Y-%m}"
        # No month is told by the plan that orders after it can still bring something in.
        reached = at + pd.offsets.MonthEnd() <= plan["order_on"].max() + lead and name in set(
            plan["material"]
        )
        said, come = (need.loc[key] if key in need.index else None), coming.get(key, 0.0)
        planned = said is None or reached or come > said["mean"]
        assert ready == pytest.approx(come if planned else said["mean"], abs=0.5), (supplier, key)
        assert (by == "what is on order and planned") == planned
        told.add(planned)
        if said is not None and ready:
            assert low <= ready <= high
            assert high - ready == pytest.approx(said["q95"] - said["mean"], abs=1.1)
        allowed += [one for one in (ready, low, high) if not pd.isna(one)]
    assert told == {True, False}
    received = known.logs["deliveries"]
    listed = known.logs["materials"].set_index("material")["supplier"]
    received = received[received["supplier"].fillna(received["material"].map(listed)) == supplier]
    for name, since, to, came, still, whole in rows_of(book["By year"], above=True)[
        ["material", "from", "to", "received", "still to come", "in all"]
    ].itertuples(index=False):
        inside = sheet[(sheet["material"] == name) & sheet["month"].between(since, to)]
        assert still == inside["make ready for"].sum()
        own = received[(received["material"] == name) & received["delivered_on"].between(since, LAST)]
        assert came == own["quantity"].sum(), (supplier, name)
        if name in set(plan["material"]):
            assert whole == came + still
            allowed.append(whole)
        allowed += [came, still]
    return allowed


def test_a_suppliers_file_holds_its_own_and_nothing_of_anybody_else(tmp_path: Path) -> None:
    """Every number and word in it is one of those that are written down here; all else would be a leak."""
    known = two_mills(tmp_path)
    write_supplier_files(tmp_path, known.logs, supplier_workbooks(known))
    files = supplier_files(known)
    assert set(files) == {NAMES[name] for name in ("Northmill", "Inkworks", "Plateworks")} | {"Southmill"}
    plan, opens = known["order_plan"], known.open_orders
    first = plan[plan["order_on"] == plan["order_on"].min()]
    delivers = {name: {"black", "cyan"} for name in (NAMES["Inkworks"],)} | {
        NAMES["Plateworks"]: {"plate", "wash"}
    }
    held = seen = 0
    for supplier, file in files.items():
        mine = first[first["supplier"] == supplier]
        # Nothing is agreed of the two mills' parts: what the plan orders of each tells them.
        paper = plan[plan["material"] == NAMES["N1200"]]
        part = paper.loc[paper["supplier"] == supplier, "quantity"].sum() / paper["quantity"].sum()
        open_rows = opens[opens["supplier"] == supplier]
        value = mine["quantity"] * mine["unit_price"]
        allowed = [mine["quantity"], mine["unit_price"], value, [value.sum()], open_rows["quantity"]]
        allowed.append(
            months_of(known, supplier, 1.0 if supplier in delivers else part, results_in(tmp_path / file))
        )
        seen += len(allowed[-1])
        numbers = np.concatenate([np.asarray(one, dtype=float) for one in allowed])
        cells = [cell for sheet in results_in(tmp_path / file) for row in sheet.iter_rows() for cell in row]
        for cell in cells:
            if cell.data_type == "n" and cell.value is not None:
                assert np.isclose(numbers, cell.value, rtol=1e-8).any(), (file, cell.coordinate, cell.value)
                held += 1
        words = " ".join(str(cell.value) for cell in cells if cell.data_type == "s")
        for name in set(files) - {supplier}:
            assert name not in words, (file, name)
        for word in (
            "days of stock",
            "stock-out",
            "risk",
            "share",
            "service level",
            "storage",
            "budget",
        ):
            assert word not in words, (file, word)
        with zipfile.ZipFile(tmp_path / file) as archive:
            raw = b"".join(archive.read(name) for name in archive.namelist()).decode(errors="replace")
        for name in set(files) - {supplier}:
            assert html.escape(name, quote=False) not in raw, (file, name)
    assert held > 100
    assert seen > 100


def test_files_of_suppliers_have_sound_names_of_their_own() -> None:
    known = SimpleNamespace(logs=SimpleNamespace(has=lambda name: True, as_of=LAST))
    with pytest.MonkeyPatch.context() as patch:
        offered = pd.DataFrame({"supplier": ["A/..", "a", "@", "Ünder Mill"], "material": list("wxyz")})
        patch.setattr(buying_files, "offered_soon", lambda logs: offered)
        files = supplier_files(known)  # type: ignore[arg-type]
    assert files == {
        "@": "suppliers/supplier.xlsx",
        "A/..": "suppliers/a.xlsx",
        "a": "suppliers/a-2.xlsx",
        "Ünder Mill": "suppliers/nder-mill.xlsx",
    }


# --- where much is missing ---------------------------------------------------------------------


def without(*names: str) -> Callable[[Tables], Tables]:
    return lambda tables: {name: table for name, table in tables.items() if name not in names}


def test_without_prices_budget_and_deliveries_the_list_holds_and_the_rest_is_blank(tmp_path: Path) -> None:
    known = results_of(tmp_path, without("prices", "budget", "deliveries")(small_tables(28)))
    book = openpyxl.load_workbook(write(tmp_path / "x.xlsx", known))
    year = rows_of(book["Year"]).set_index("material")
    assert year.loc["N1200", "price now"] == 0.5
    assert rows_of(book["Season"])["budget cost"].isna().all()
    cover = rows_of(book["Stock"])
    assert len(cover) == 4
    assert cover["on order"].isna().all()
    assert cover["next promised"].isna().all()


@pytest.mark.parametrize("bare", [False, True], ids=["three days", "without materials"])
def test_without_a_forecast_the_workbook_says_so(tmp_path: Path, bare: bool) -> None:
    made = without("materials")(small_tables(28)) if bare else small_tables(3)
    known = results_of(tmp_path, made)
    assert known.outlook is None
    book = openpyxl.load_workbook(write(tmp_path / "x.xlsx", known))
    assert book.sheetnames[:-1] == list(OUTLOOK)
    about = about_of(book)
    assert about["Forecast"].startswith("There is none")
    for name in ("Order now", "Plan", "Season", "Year", "Record"):
        assert book[name].max_row == 1
        assert "no rows" in about[name]
        assert book[name]["A1"].value in ("supplier", "order", "material")
    cover = rows_of(book["Stock"])
    assert len(cover) == (0 if bare else 4)
    if not bare:
        assert cover.set_index("material").loc["plate", "unit"] == "each"
        assert cover["days cover"].isna().all()
        assert cover["storage maximum"].notna().all()


def test_tables_alone_make_sheets_without_what_is_computed_besides(tmp_path: Path) -> None:
    logs = StandInResults().logs
    assert outlook_sheets({}, logs) == {}  # type: ignore[arg-type]
    sheets = outlook_sheets(tables() | {"paper_balance": tables()["stock_cover"]}, logs)  # type: ignore[arg-type]
    assert list(sheets) == ["Stock"]
    write_spreadsheet(tmp_path / "x.xlsx", sheets, title="P", as_of=dt.date(2025, 3, 2))
    cover = openpyxl.load_workbook(tmp_path / "x.xlsx")["Stock"]
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
