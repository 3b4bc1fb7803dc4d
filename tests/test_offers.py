"""Who can deliver what: terms by day, their rules, prices by supplier, and the days on which orders go out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, every_table, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.offers import OFFER_COLUMNS, contracts, offered_soon, offers
from pressstats.orders.leadtimes import receipt_days
from pressstats.plant import PlantError, read_plant
from pressstats.prices import agreed_price, price_breaks

DAY = pd.Timedelta(days=1)
Tables = dict[str, pd.DataFrame]


def logs_of(folder: Path, tables: Tables | None = None, toml: str = "", as_of: Any = None) -> Logs:
    tables = every_table() if tables is None else tables
    return read_logs(write_small_plant(folder / "logs", tables, PLANT_TOML + toml), as_of)


def changed(row: int, **values: Any) -> Tables:
    """Every table, a row of ``terms`` with other values."""
    tables = every_table()
    for column, value in values.items():
        tables["terms"][column] = tables["terms"][column].astype(object)
        tables["terms"].loc[row, column] = value
    return tables


# --- offers ---------------------------------------------------------------------------------------


def test_the_newest_terms_by_the_day_hold(tmp_path: Path) -> None:
    logs = logs_of(tmp_path)
    assert logs.rejected.empty
    assert logs.warnings.empty
    now, later = offers(logs, FIRST_DAY + 6 * DAY), offers(logs, FIRST_DAY + 7 * DAY)
    assert list(now.columns) == OFFER_COLUMNS
    paper = now[now["material"] == "N1200"].set_index("supplier")
    assert list(paper.index) == ["Eastmill", "Northmill"]
    assert paper["share_minimum_pct"].tolist() == [20.0, 40.0]
    assert later.set_index(["material", "supplier"])["share_minimum_pct"]["N1200", "Eastmill"] == 30.0
    assert paper.loc["Northmill", "contract_to"] == pd.Timestamp("2025-12-31")
    assert paper.loc["Northmill", "certified"] == "mixed sources"
    assert paper.loc["Northmill", ["contract_quantity", "tolerance_pct", "co2_kg_per_unit"]].tolist() == [
        400000.0,
        10.0,
        0.4,
    ]
    # No terms yet, and materials of which there are none: the supplier of record, as materials say.
    before = offers(logs, FIRST_DAY - 61 * DAY)
    for found in (now[now["material"] != "N1200"], before):
        listed = logs["materials"].set_index("material").loc[found["material"]]
        for column in ("supplier", "lead_time_days", "pack_quantity", "load_quantity", "order_minimum"):
            assert found[column].tolist() == listed[column].tolist(), column
        assert found[OFFER_COLUMNS[6:]].isna().all(axis=None)
    assert now.dtypes.tolist() == before.dtypes.tolist()


def test_without_terms_materials_are_the_offer(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    found = offers(logs, logs.as_of)
    assert found[["material", "supplier"]].to_numpy().tolist() == (
        logs["materials"].sort_values("material")[["material", "supplier"]].to_numpy().tolist()
    )
    assert found[OFFER_COLUMNS[6:]].isna().all(axis=None)


def test_contracts_end_where_the_next_begins_and_are_taken_to_go_on_where_none_does(tmp_path: Path) -> None:
    how = {"lead_time_days": 14, "pack_quantity": 1000, "load_quantity": 24_000, "order_minimum": 1000}
    rows = [
        ("North", "2025-01-01", 100.0, "2025-01-01", "2025-12-31"),
        ("North", "2025-02-01", 120.0, "2025-01-01", "2025-12-31"),  # the same, agreed anew
        ("North", "2025-12-15", 130.0, "2026-01-01", "2026-12-31"),
        ("South", "2025-01-01", 50.0, "2025-01-01", "2025-12-31"),
        ("West", "2025-01-01", 70.0, "2025-01-01", "2025-12-31"),
        ("West", "2026-01-01", np.nan, None, None),  # goes on without
        ("East", "2024-01-01", 80.0, "2024-01-01", "2024-12-31"),  # over
    ]
    columns = ["supplier", "valid_from", "contract_quantity", "contract_from", "contract_to"]
    terms = pd.DataFrame(rows, columns=columns).assign(material="N1200", **how)
    found = contracts(logs_of(tmp_path, small_tables() | {"terms": terms}))
    told = found.assign(year=found["contract_from"].dt.year)
    assert told[["supplier", "year", "contract_quantity", "assumed"]].to_numpy().tolist() == [
        ["East", 2024, 80.0, False],
        ["North", 2025, 120.0, False],
        ["North", 2026, 130.0, False],
        ["South", 2025, 50.0, False],
        ["South", 2026, 50.0, True],
        ["West", 2025, 70.0, False],
    ]
    assert found.loc[found["assumed"], "contract_to"].tolist() == [pd.Timestamp("2026-12-31")]
    assert contracts(logs_of(tmp_path / "without", small_tables())).empty


def test_who_begins_to_deliver_within_the_plan_is_asked_too(tmp_path: Path) -> None:
    for begins, asked in ((98, ["Eastmill", "Northmill"]), (99, ["Northmill"])):
        tables = every_table()
        tables["terms"] = tables["terms"].iloc[:2]
        day = pd.Timestamp(tables["runs"]["date"].max()) + begins * DAY
        tables["terms"].loc[1, "valid_from"] = day
        found = offered_soon(logs_of(tmp_path / str(begins), tables))
        assert sorted(found.loc[found["material"] == "N1200", "supplier"]) == asked


def test_terms_that_begin_after_as_of_are_known_once_agreed(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, as_of=str((FIRST_DAY + 2 * DAY).date()))
    assert len(logs["terms"]) == 3
    assert len(logs["titles"]) == 2
    assert offers(logs, logs.as_of + 9 * DAY)["share_minimum_pct"].max() == 40.0
    tables = every_table()
    tables["terms"]["agreed_on"] = [FIRST_DAY - 70 * DAY, None, FIRST_DAY + 3 * DAY]
    logs = logs_of(tmp_path / "agreed", tables, as_of=str((FIRST_DAY + 2 * DAY).date()))
    assert logs["terms"]["agreed_on"].isna().tolist() == [True, False]


def test_a_contract_without_its_days_is_not_followed(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, changed(0, contract_to=None))
    assert logs.rejected.empty
    (rule,) = logs.warnings["rule"]
    assert rule == "a contract without its first and last day: it is not followed"
    row = offers(logs, logs.as_of).set_index(["material", "supplier"]).loc[("N1200", "Northmill")]
    assert row[["contract_quantity", "contract_from", "contract_to", "tolerance_pct"]].isna().all()
    assert row["share_minimum_pct"] == 40.0


# --- rules of terms and titles -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "values", "column", "rule"),
    [
        (0, {"contract_to": "2024-12-31"}, "contract_from", "the contract ends before it begins"),
        (
            0,
            {"share_minimum_pct": 90.0},
            "share_minimum_pct, share_maximum_pct",
            "the least share is above the largest",
        ),
        (0, {"share_minimum_pct": 101.0}, "share_minimum_pct", "out of limits; from 0 to 100 %"),
        (1, {"tolerance_pct": -1.0}, "tolerance_pct", "out of limits; from 0 to 100 %"),
        (1, {"supplier": " "}, "supplier", ""),
        (2, {"material": "N999"}, "material", "no such material"),
        (
            2,
            {"co2_kg_per_unit": 1001.0},
            "co2_kg_per_unit",
            "out of limits; from 0 to 1,000 kg / material unit",
        ),
        (2, {"lead_time_days": 731.0}, "lead_time_days", "out of limits; from 0 to 730 day"),
        (
            2,
            {"share_minimum_pct": 60.1},
            "share_minimum_pct",
            "the least shares of this material come to more than 100 %; 100.1 %",
        ),
    ],
)
def test_terms_that_cannot_be_are_set_aside(
    tmp_path: Path, row: int, values: dict[str, Any], column: str, rule: str
) -> None:
    logs = logs_of(tmp_path, changed(row, **values))
    assert logs.rejected[["table", "file", "line"]].to_numpy().tolist() == [["terms", "terms.csv", row + 2]]
    assert column in logs.rejected["column"].iloc[0]
    assert rule in logs.rejected["rule"].iloc[0]
    assert str(next(iter(values.values()))).strip() in logs.rejected["value"].iloc[0]
    assert len(logs["terms"]) == 2


def test_least_shares_may_take_all_and_older_ones_no_longer_count(tmp_path: Path) -> None:
    assert logs_of(tmp_path / "whole", changed(2, share_minimum_pct=60.0)).rejected.empty
    # 90 % was the least share of a supplier whose newer terms say 10 %, and another's 80 % begins with them.
    tables = changed(2, share_minimum_pct=10.0)
    tables["terms"].loc[1, "share_minimum_pct"] = 20.0
    tables["terms"].loc[0, ["share_minimum_pct", "valid_from"]] = [80.0, FIRST_DAY + 7 * DAY]
    assert logs_of(tmp_path / "newer", tables).rejected.empty
    tables["terms"].loc[0, "valid_from"] = FIRST_DAY + 6 * DAY
    assert logs_of(tmp_path / "exact", tables).rejected.empty
    tables["terms"].loc[1, "share_minimum_pct"] = 21.0
    assert logs_of(tmp_path / "over", tables).rejected["line"].tolist() == [2.0]


@pytest.mark.parametrize(
    ("table", "values", "rule"),
    [
        ("terms", {"contract_quantity": None}, "a tolerance without the quantity of its contract"),
        ("terms", {"pack_quantity": 20001.0}, "a pack is more than a load"),
        ("titles", {"title": "Dayly"}, "no run has printed this title"),
        ("titles", {"kind": "contract"}, "contract printing without a customer"),
        ("prices", {"supplier": "Westmill"}, "terms know no such supplier of this material"),
    ],
)
def test_what_is_doubtful_is_used_with_a_warning(
    tmp_path: Path, table: str, values: dict[str, Any], rule: str
) -> None:
    tables = every_table()
    for column, value in values.items():
        frame = tables[table].assign(**{column: tables[table].get(column, pd.Series(None, dtype=object))})
        frame[column] = frame[column].astype(object)
        frame.loc[0, column] = value
        tables[table] = frame
    logs = logs_of(tmp_path, tables)
    assert logs.rejected.empty
    assert logs.warnings[["table", "line"]].to_numpy().tolist() == [[table, 2.0]]
    assert logs.warnings["rule"].tolist() == [rule]


def test_prices_of_other_materials_need_no_terms(tmp_path: Path) -> None:
    tables = every_table()
    tables["prices"] = tables["prices"].assign(material="black", supplier="Inkworks")
    assert logs_of(tmp_path, tables).warnings.empty


def test_a_title_s_kind_is_a_word_of_two(tmp_path: Path) -> None:
    tables = every_table()
    tables["titles"].loc[0, "kind"] = "foreign"
    assert logs_of(tmp_path, tables).rejected["column"].tolist() == ["kind"]


# --- prices ---------------------------------------------------------------------------------------


def test_price_of_a_supplier_goes_before_that_of_all_of_its_terms_and_of_the_list(tmp_path: Path) -> None:
    tables = every_table()
    tables["materials"].loc[0, "unit_price"] = 0.9
    tables["prices"] = tables["prices"].iloc[:0]
    bare = logs_of(tmp_path / "bare", tables)
    day = FIRST_DAY + 6 * DAY
    assert price_breaks(bare, "N1200", day, "Eastmill") == [(0.0, 0.49)]
    assert price_breaks(bare, "N1200", day + DAY, "Eastmill") == [(0.0, 0.47)]
    assert price_breaks(bare, "N1200", day - 90 * DAY, "Eastmill") == [(0.0, 0.9)]
    assert price_breaks(bare, "N1200", day, "Westmill") == [(0.0, 0.9)]
    assert price_breaks(bare, "N1200", day) == [(0.0, 0.5)]  # Northmill is the supplier of record
    assert price_breaks(bare, "black", day) == [(0.0, 2.0)]
    tables["terms"].loc[1, "unit_price"] = float("nan")
    assert agreed_price(logs_of(tmp_path / "blank", tables), "N1200", day, 1.0, "Eastmill") == 0.9
    agreed = [(None, 0.0, 0.52), ("Eastmill", 10_000.0, 0.45)]
    tables["prices"] = pd.DataFrame(agreed, columns=["supplier", "from_quantity", "unit_price"]).assign(
        material="N1200", valid_from=FIRST_DAY
    )
    logs = logs_of(tmp_path / "agreed", tables)
    assert price_breaks(logs, "N1200", day, "Northmill") == [(0.0, 0.52)]
    assert price_breaks(logs, "N1200", day + DAY, "Eastmill") == [(0.0, 0.47), (10_000.0, 0.45)]
    assert price_breaks(logs, "N1200", FIRST_DAY - DAY, "Northmill") == [(0.0, 0.5)]


# --- days -----------------------------------------------------------------------------------------


def test_days_without_orders_and_receipts_are_weekdays_month_days_and_dates(tmp_path: Path) -> None:
    toml = '\n[calendar]\nno_receipts = ["sunday", "12-24", "2025-12-23"]\nordering_closed = ["friday", "12-31"]\n'
    logs = logs_of(tmp_path, toml=toml)
    days = pd.date_range("2025-12-20", "2026-12-31", freq="D")
    ordered = [day.day_name() != "Friday" and (day.month, day.day) != (12, 31) for day in days]
    assert logs.plant.calendar.takes_orders(days).tolist() == ordered
    opens = [
        day.day_name() != "Sunday" and (day.month, day.day) != (12, 24) and day != pd.Timestamp("2025-12-23")
        for day in days
    ]
    for place, found in enumerate(receipt_days(logs, days)):
        assert found == next((n for n in range(place, len(days)) if opens[n]), len(days) - 1)


def test_by_default_orders_go_out_every_day_and_reels_need_no_rest(tmp_path: Path) -> None:
    logs = logs_of(tmp_path)
    days = pd.date_range("2025-12-20", periods=14, freq="D")
    assert logs.plant.calendar.takes_orders(days).all()
    plant = logs.plant
    assert (plant.reel.rest_days, plant.policy.break_cost, plant.policy.freight_per_load) == (0, 400, 600)
    assert plant.policy.price_breaks_by == "material"
    assert plant.calendar.ordering_closed == ()


@pytest.mark.parametrize(
    ("toml", "message"),
    [
        ('[calendar]\nno_receipts = ["saterday"]', r"calendar\.no_receipts.*did you mean 'saturday'"),
        ('[calendar]\nordering_closed = ["24-12"]', r"'24-12' is neither a weekday, a month-day"),
        ('[calendar]\nordering_closed = ["2025-02-29"]', r"'2025-02-29' is neither"),
        (
            '[calendar]\norder_closed = ["12-24"]',
            r"order_closed: unknown key; did you mean 'ordering_closed'",
        ),
        ("[reel]\nrest_days = -1", r"reel\.rest_days = -1: .*greater than or equal to 0"),
        ("[reel]\nrest_days = 61", r"reel\.rest_days = 61: .*less than or equal to 60"),
        ("[reel]\nrest_days = 1.5", r"reel\.rest_days = 1\.5"),
        ("[policy]\nbreak_cost = -1", r"policy\.break_cost = -1"),
        (
            '[policy]\nprice_breaks_by = "load"',
            r"policy\.price_breaks_by = 'load': .*'row', 'material' or 'order'",
        ),
        ("[policy]\nload_cost = 500", r"policy\.load_cost: unknown key"),
        ("[waste.bales]\nholds = []", r"waste\.bales\.holds"),
        ('[waste.bales]\nholds = ["strip", "strip"]', r"strip stands twice"),
        ('[waste.metal]\nholds = ["plates"]', r"needs plate_kg"),
        ('[waste.metal]\nholds = ["plates", "strip"]\nplate_kg = 0.1', r"plates are sold apart"),
        ('[owners]\nstandby_tests = "desk 12"', r"'standby_tests'; did you mean 'standby_test'"),
        ('[owners]\nbutts = " "', r"butts is asked of nobody"),
    ],
)
def test_what_plant_toml_cannot_say(tmp_path: Path, toml: str, message: str) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(f"{PLANT_TOML}\n{toml}\n")
    with pytest.raises(PlantError, match=message):
        read_plant(path)
