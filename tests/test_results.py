"""The whole chain: nothing after as-of may show, odd logs give blanks, and the cache never answers for others."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant
from test_watch import steady_tables

from pressstats import results
from pressstats.ink import COMBINED, TERMS
from pressstats.logs import read_logs
from pressstats.past import past_forecasts
from pressstats.publishing.csv_files import write_csv
from pressstats.results import Results, analyse, open_results
from pressstats.tables import OUTPUTS

pytestmark = pytest.mark.usefixtures("few_draws")

Tables = dict[str, pd.DataFrame]


def results_of(
    folder: Path, tables: Tables, as_of: str | None = None, plant_toml: str = PLANT_TOML
) -> Results:
    logs = read_logs(write_small_plant(folder / "logs", tables, plant_toml), as_of)
    return analyse(logs, *past_forecasts(None, logs.as_of))


def assert_same(one: Results, two: Results) -> None:
    for name in OUTPUTS:
        pd.testing.assert_frame_equal(one[name], two[name], obj=name)
    for name in ("run_balance", "threading", "unexplained", "ink_exposure", "ink_intervals", "waste_chart"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name), obj=name)
    for name in ("on_hand", "open_orders"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name), obj=name)


# --- nothing after as-of -----------------------------------------------------------------------

#: A Thursday, so that a broken week lies before as-of too; four weeks of logs follow.
AS_OF = FIRST_DAY + pd.Timedelta(days=40 * 7 + 3)
#: What tells the time of a row, and the tables that follow their run.
TOLD_BY = {
    "runs": "date",
    "reels": "received_on",
    "tank_readings": "read_at",
    "deliveries": "ordered_on",
    "stock_counts": "counted_on",
    "prices": "agreed_on",
    "plan": "made_on",
    "waste_sold": "sold_on",
}
OF_A_RUN = ("run_webs", "reel_mounts", "coverage")


def eventful_tables() -> Tables:
    """Forty-four weeks with something of every table after as-of, some of it begun before."""
    tables = steady_tables(44 * 7)

    def day(n: int) -> pd.Timestamp:
        return AS_OF + pd.Timedelta(days=n)

    base = (
        tables["deliveries"]
        .iloc[[1]]
        .assign(tank=None, cancelled_on=pd.NaT, unit_price=0.5, quantity_ordered=9700.0)
    )
    begun = [
        # Ordered before, delivered after, at another price and weight, on another load.
        base.assign(
            delivery_id="E1", ordered_on=day(-9), promised_on=day(-2), delivered_on=day(3), quantity=9_650.0
        ),
        # Ordered before, cancelled after.
        base.assign(
            delivery_id="E2", ordered_on=day(-9), promised_on=day(9), delivered_on=pd.NaT, cancelled_on=day(2)
        ),
        base.assign(delivery_id="E3", ordered_on=day(1), promised_on=day(8), delivered_on=day(8)),
        base.assign(
            delivery_id="E4", material="black", ordered_on=day(-4), promised_on=day(4), delivered_on=day(4)
        ).assign(tank="K1", quantity=250.0, quantity_ordered=250.0),
    ]
    begun = [rows.assign(delivered_at=rows["delivered_on"] + pd.Timedelta(hours=9)) for rows in begun]
    tables["deliveries"] = pd.concat([tables["deliveries"], *begun], ignore_index=True)
    counts = pd.DataFrame(
        {"counted_on": [day(-6), day(4)], "material": "N1200", "quantity": [9_000.0, 8_000.0]}
    )
    plates = pd.DataFrame({"counted_on": [day(-6)], "material": "plate", "quantity": [1_200.0]})
    tables["stock_counts"] = pd.concat([tables["stock_counts"], counts, plates], ignore_index=True)
    # A price is known from the day that it is agreed, whenever it begins; one that names no day, at once.
    price = tables["prices"].assign(valid_from=day(20), agreed_on=day(2), unit_price=0.61)
    tables["prices"] = pd.concat([tables["prices"], price], ignore_index=True)
    sold = tables["waste_sold"].assign(sold_on=day(5))
    tables["waste_sold"] = pd.concat([tables["waste_sold"], sold], ignore_index=True)
    plan = tables["plan"].assign(made_on=day(1), copies_planned=21_000.0)
    tables["plan"] = pd.concat([tables["plan"], plan], ignore_index=True)
    mounted = tables["reel_mounts"].groupby(["supplier", "reel_id"])["mounted_at"].min()
    first = pd.MultiIndex.from_frame(tables["reels"][["supplier", "reel_id"]]).map(mounted).normalize()
    tables["reels"] = tables["reels"].assign(received_on=first - pd.Timedelta(days=3))
    # Waste, ink and reels go wrong before as-of, so that exceptions stand there too.
    runs = tables["runs"]
    bad = (runs["date"] > day(-35)) & (runs["press"] == "P1")
    tables["runs"] = runs.assign(
        copies_startup_waste=runs["copies_startup_waste"] + 60.0 * bad,
        copies_good=runs["copies_good"] - 60.0 * bad,
    )
    return tables


def later_rows(tables: Tables) -> dict[str, pd.Series]:
    """Return which rows of each table tell a time after as-of."""
    end = AS_OF + pd.Timedelta(days=1)
    later = {name: tables[name][column] >= end for name, column in TOLD_BY.items()}
    runs = tables["runs"].loc[later["runs"], "run_id"]
    return later | {name: tables[name]["run_id"].isin(runs) for name in OF_A_RUN}


def unknown_yet(tables: Tables) -> Tables:
    """Turn what became known of an order after as-of into other values."""
    deliveries = tables["deliveries"].copy()
    came = deliveries["delivered_on"] > AS_OF
    for column in ("delivered_on", "delivered_at"):
        deliveries[column] = deliveries[column] + pd.to_timedelta(13 * came, unit="D")
    deliveries["quantity"] = deliveries["quantity"] * np.where(came, 0.8, 1.0)
    deliveries["unit_price"] = deliveries["unit_price"] * np.where(came, 3.0, 1.0)
    deliveries["load"] = deliveries["load"].mask(came, "L99")
    cancelled = deliveries["cancelled_on"] > AS_OF
    deliveries["cancelled_on"] = deliveries["cancelled_on"].mask(cancelled, AS_OF + pd.Timedelta(days=12))
    return tables | {"deliveries": deliveries}


def removed(tables: Tables) -> Tables:
    later = later_rows(tables)
    kept = {name: table[~later[name]] if name in later else table for name, table in tables.items()}
    deliveries = kept["deliveries"].copy()
    came = deliveries["delivered_on"] > AS_OF
    # As the table stood that day: still open, at the quantity ordered.
    deliveries["quantity"] = deliveries["quantity_ordered"].where(came, deliveries["quantity"])
    deliveries.loc[came, ["delivered_on", "delivered_at"]] = pd.NaT
    deliveries.loc[came, "unit_price"] = np.nan
    deliveries.loc[came, ["tank", "load"]] = None
    deliveries.loc[deliveries["cancelled_on"] > AS_OF, "cancelled_on"] = pd.NaT
    return kept | {"deliveries": deliveries}


def altered(tables: Tables) -> Tables:
    changed = unknown_yet(tables)
    factors = {
        "runs": ["copies_gross"],
        "coverage": ["solid_pages"],
        "reel_mounts": ["start_kg"],
        "tank_readings": ["level_kg"],
        "deliveries": ["quantity", "quantity_ordered"],
        "stock_counts": ["quantity"],
        "prices": ["unit_price"],
        "plan": ["copies_planned"],
        "waste_sold": ["kg"],
        "reels": ["received_kg"],
        "run_webs": ["width_mm"],
    }
    for name, later in later_rows(tables).items():
        for column in factors[name]:
            factor = np.where(later, 1.37, 1.0)
            changed[name] = changed[name].assign(**{column: (changed[name][column] * factor).round(3)})
    return changed


def impossible(tables: Tables) -> Tables:
    """Make later rows such as would be rejected; none of that may be listed."""
    later = later_rows(tables)
    runs = tables["runs"]
    runs = runs.assign(copies_good=runs["copies_good"].mask(later["runs"], 90_000.0))
    dips = tables["tank_readings"]
    dips = dips.assign(level_kg=dips["level_kg"].mask(later["tank_readings"], 99_000.0))
    counts = tables["stock_counts"]
    counts = counts.assign(material=counts["material"].mask(later["stock_counts"], "nobody knows"))
    return tables | {"runs": runs, "tank_readings": dips, "stock_counts": counts}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return results_of(tmp_path_factory.mktemp("whole"), eventful_tables(), f"{AS_OF:%Y-%m-%d}")


def test_the_day_looked_at_has_something_to_leak_into(whole: Results) -> None:
    later = later_rows(eventful_tables())
    assert all(rows.any() for rows in later.values()), {name: rows.sum() for name, rows in later.items()}
    for name in (
        "ink_watch",
        "demand_forecast",
        "forecast_record",
        "stock_cover",
        "order_plan",
        "exceptions",
    ):
        assert len(whole[name]), name
    assert {"start-up waste", "delivery late"} <= set(whole["exceptions"]["kind"])
    assert set(whole.open_orders["delivery_id"]) >= {"E1", "E2", "E4"}
    assert whole["forecast_record"]["q05"].notna().any()
    assert whole["stock_cover"].set_index("material")["quantity"].notna().all()
    assert whole["rejected_rows"].empty


@pytest.mark.parametrize("change", [removed, altered, impossible])
def test_nothing_after_as_of_shows_in_any_table(
    tmp_path: Path, whole: Results, change: Callable[[Tables], Tables]
) -> None:
    assert_same(whole, results_of(tmp_path, change(eventful_tables()), f"{AS_OF:%Y-%m-%d}"))


def test_what_happened_before_does_show(tmp_path: Path, whole: Results) -> None:
    # The comparison above can fail: the same change a day earlier is seen.
    tables = eventful_tables()
    runs = tables["runs"]
    hit = runs["date"] == AS_OF
    tables["runs"] = runs.assign(copies_gross=runs["copies_gross"] + 2000.0 * hit)
    with pytest.raises(AssertionError):
        assert_same(whole, results_of(tmp_path, tables, f"{AS_OF:%Y-%m-%d}"))


# --- odd logs ----------------------------------------------------------------------------------


def without(*names: str) -> Callable[[Tables], Tables]:
    return lambda tables: {name: table for name, table in tables.items() if name not in names}


def emptied(*names: str) -> Callable[[Tables], Tables]:
    return lambda tables: tables | {name: tables[name].iloc[:0] for name in names}


def never_used(tables: Tables) -> Tables:
    materials = tables["materials"].set_index("material", drop=False)
    more = [
        materials.loc[["N1200"]].assign(material="N800"),
        materials.loc[["cyan"]].assign(material="m", ink="magenta"),
    ]
    more.append(materials.loc[["plate"]].assign(material="wash", kind="other", unit="l"))
    return tables | {"materials": pd.concat([materials, *more], ignore_index=True)}


def without_hours(tables: Tables) -> Tables:
    return tables | {
        "deliveries": tables["deliveries"].drop(columns=["delivered_at", "tank", "supplier", "unit_price"])
    }


def without_optional_counts(tables: Tables) -> Tables:
    columns = ["plates", "plates_remade", "web_breaks", "colour_pages", "crew"]
    return tables | {"runs": tables["runs"].drop(columns=columns)}


def blank_weights(tables: Tables) -> Tables:
    columns = ["start_kg", "strip_kg", "returned_kg", "butt_kg"]
    return tables | {"reel_mounts": tables["reel_mounts"].assign(**dict.fromkeys(columns, np.nan))}


#: Other tables that are missing are looked at, with what pages say of them, in ``test_page_contents.py``.
ODD: dict[str, Callable[[Tables], Tables]] = {
    "no mounts": without("reel_mounts", "reels"),
    "no counts": without("stock_counts"),
    # what does not meet in any answer stands in one plant
    "never used, no hours": lambda tables: without_hours(never_used(tables)),
    "no optional counts, blank weights": lambda tables: blank_weights(without_optional_counts(tables)),
    "empty mounts, dips, standby and plan": emptied("reel_mounts", "tank_readings", "standby", "plan"),
    "empty coverage, deliveries and counts": emptied("coverage", "deliveries", "stock_counts"),
}


def assert_declared(found: Results) -> None:
    for name, table in OUTPUTS.items():
        frame = found[name]
        assert list(frame.columns) == table.names, name
        for column in table.columns:
            kind = frame[column.name].dtype.kind
            assert kind == ("M" if column.is_time else "f" if column.is_number else "O"), (
                name,
                column.name,
                kind,
            )
            assert column.is_time or column.is_number or frame[column.name].dtype == "str", (
                name,
                column.name,
            )


@pytest.mark.parametrize("name", ODD)
def test_odd_logs_give_every_table_as_declared(tmp_path: Path, name: str) -> None:
    assert_declared(results_of(tmp_path, ODD[name](small_tables())))


@pytest.mark.parametrize("days", [3, 7, 11])
def test_short_logs_give_every_table_as_declared(tmp_path: Path, days: int) -> None:
    found = results_of(tmp_path, small_tables(days))
    assert_declared(found)
    assert (len(found["demand_forecast"]) > 0) == (days >= 7)
    assert found["demand_forecast"][["q05", "q95"]].isna().all(axis=None)


def test_logs_from_sunday_to_sunday(tmp_path: Path) -> None:
    toml = PLANT_TOML.replace("currency", 'week_starts = "sunday"\ncurrency', 1)
    found = results_of(tmp_path, small_tables(30), plant_toml=toml)
    assert_declared(found)
    for name in ("demand_forecast", "paper_balance"):
        assert set(found[name]["week"].dt.day_name()) == {"Sunday"}


def test_what_is_not_known_is_blank_and_never_zero(tmp_path: Path) -> None:
    tables = small_tables(28)
    little = results_of(tmp_path / "bare", bare(tables))
    cover = little["stock_cover"]
    assert len(cover) == 4
    assert cover[["quantity", "days_cover", "runs_out_q50"]].isna().all(axis=None)
    assert set(little["exceptions"]["kind"]) == {"stock unknown"}
    # Newsprint is what was printed, at nominal grammage.
    assert list(little["demand_forecast"]["material"].unique()) == ["N1200", "plate"]
    assert little["demand_season"][["last_year", "budget_quantity", "budget_cost"]].isna().all(axis=None)
    # All nights of this plant are alike: terms that cannot be told apart are blank, and their sum serves.
    found = results_of(tmp_path / "alike", tables)
    model = found["ink_model"].set_index("term")["estimate"]
    assert model[list(TERMS)].isna().all()
    assert model[list(COMBINED)[1]].gt(0).all()
    assert found["ink_watch"]["expected_kg"].gt(0).all()
    assert found["ink_watch"]["used_kg"].gt(0).all()


# --- cache -------------------------------------------------------------------------------------


def bare(tables: Tables) -> Tables:
    """Return the tables without which nothing is computed, and the list of materials."""
    return {name: tables[name] for name in ("runs", "run_webs", "materials")}


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[str]:
    """Return the digests of the logs that are analysed, in a cache of this test's own."""
    calls: list[str] = []
    plain = results.analyse

    def counting(logs: object, *more: object) -> Results:
        calls.append(logs.digest)  # type: ignore[attr-defined]
        return plain(logs, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(results, "analyse", counting)
    monkeypatch.setenv("PRESSSTATS_CACHE", str(tmp_path / "cache"))
    return calls


def test_who_asks_at_the_same_time_or_again_waits_and_computes_nothing(
    tmp_path: Path, counted: list[str]
) -> None:
    folder = write_small_plant(tmp_path / "logs", bare(small_tables()))
    pending = results.Pending(folder)
    assert len(pending.logs["runs"]) > 0
    assert counted == []
    with ThreadPoolExecutor(max_workers=3) as askers:
        answers = list(askers.map(open_results, [folder] * 3))
    assert len(counted) == 1
    again = open_results(folder, "")
    for other in (*answers[1:], again):
        assert_same(answers[0], other)
    assert answers[0].logs.digest == again.logs.digest
    assert list(pending.tables()) == list(again.tables()) == list(OUTPUTS)
    assert len(counted) == 1


def test_rows_that_lay_after_today_are_computed_anew(
    tmp_path: Path, counted: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write_small_plant(tmp_path / "logs", small_tables(14))
    found = []
    for today in (dt.date(2025, 3, 12), dt.date(2025, 3, 20)):
        monkeypatch.setattr(results, "read_logs", partial(read_logs, today=today))
        found.append(open_results(folder, "2025-03-10"))
    assert len(counted) == 2
    assert len(set(counted)) == 1
    assert len(found[0]["rejected_rows"]) > len(found[1]["rejected_rows"]) == 0


def test_another_day_log_or_past_is_computed_anew(tmp_path: Path, counted: list[str]) -> None:
    folder, out = write_small_plant(tmp_path / "logs", bare(small_tables())), tmp_path / "out"
    latest = open_results(folder, None, out)
    earlier = open_results(folder, "2025-03-12", out)
    assert len(counted) == 2
    assert earlier.logs.as_of < latest.logs.as_of
    said = out / "2025-03-05" / "tables"
    said.mkdir(parents=True)
    write_csv(latest["demand_forecast"], said / "demand_forecast.csv", "demand_forecast")
    with_past = open_results(folder, None, out)
    assert len(counted) == 3
    assert set(with_past["forecast_record"]["source"]) == {"published"}
    assert list(with_past.past_digests) == ["2025-03-05/tables/demand_forecast.csv"]
    # The same bytes of another day are another past.
    (out / "2025-03-05").rename(out / "2025-03-06")
    moved = open_results(folder, None, out)
    assert len(counted) == 4
    assert set(moved["forecast_record"]["made_on"]) == {pd.Timestamp("2025-03-06")}
    runs = small_tables()["runs"]
    runs.assign(copies_running_waste=310.0).to_csv(folder / "runs.csv", index=False)
    open_results(folder, None, out)
    assert len(counted) == 5
    assert len(set(counted)) == 3


def test_every_published_column_has_a_meaning_and_every_number_a_unit() -> None:
    """The unit of a number is its column's, or stands in the row: in a column `unit`, or in the name of the term."""
    for table in OUTPUTS.values():
        in_row = "unit" in table.by_name or table.name == "ink_model"
        for column in table.columns:
            assert column.meaning, (table.name, column.name)
            assert column.kind != "number" or column.unit or in_row, (table.name, column.name)
