"""Stock on hand by hand arithmetic, open orders, and the price of an order."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.ink import ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.logs import Logs, read_logs
from pressstats.orders import open_orders, stock_on_hand
from pressstats.paper import weighed_paper

NOTHING = pd.Series(dtype="float64")


def logs_of(
    folder: Path, tables: dict[str, pd.DataFrame], as_of: str | None = None, plant_toml: str = PLANT_TOML
) -> Logs:
    return read_logs(write_small_plant(folder / "logs", tables, plant_toml), as_of)


def stock_of(logs: Logs, daily: pd.Series = NOTHING, model: pd.DataFrame | None = None) -> pd.DataFrame:
    runs = weighed_paper(logs).runs
    exposure = ink_exposure(logs)
    if model is None:
        intervals, fits, _ = judge_inks(ink_intervals(logs, exposure))
        model = ink_model(intervals, fits)
    return stock_on_hand(logs, runs, exposure, model, daily).set_index("material")


def planted_model() -> pd.DataFrame:
    """The ink model that the small plant was made with: 2 g/m2 of solid and 1 kg a day standing."""
    terms = {"film_g_m2": 2.0, "startup_kg_per_run": 0.0, "standing_kg_per_day": 1.0}
    rows = [(ink, term, value) for ink in ("black", "cyan") for term, value in terms.items()]
    return pd.DataFrame(rows, columns=["ink", "term", "estimate"])


# --- what is on hand ---------------------------------------------------------------------------


def test_newsprint_is_the_count_plus_receipts_less_what_was_mounted_since(tmp_path: Path) -> None:
    tables = small_tables()
    logs = logs_of(tmp_path, tables)
    # Counted 33,000 kg on the seventh day's end; 9,900 kg came on the tenth; runs dated the eighth and later
    # took their mounts.
    counted = FIRST_DAY + pd.Timedelta(days=6)
    later = set(tables["runs"].loc[tables["runs"]["date"] > counted, "run_id"])
    used = sum(
        row.start_kg - row.returned_kg for row in tables["reel_mounts"].itertuples() if row.run_id in later
    )
    stock = stock_of(logs)
    assert stock.loc["N1200", "quantity"] == pytest.approx(33_000 + 9_900 - used)
    assert stock.loc["N1200", "counted_on"] == counted
    assert stock.loc["N1200", "why"] == ""
    # By hand, nearly: each Daily 2 x 446.6 kg and the Weekly 225.8 kg, strip and butts and breaks on top.
    assert used == pytest.approx(7 * 2 * 446.6 + 225.8, rel=0.16)


def test_a_count_with_its_hour_takes_the_runs_finished_and_the_deliveries_come_by_then(
    tmp_path: Path,
) -> None:
    tables = small_tables()
    day = FIRST_DAY + pd.Timedelta(days=9)  # the day of the delivery at ten o'clock
    mounts, runs = tables["reel_mounts"], tables["runs"].set_index("run_id")
    kg = (mounts["start_kg"] - mounts["returned_kg"]).groupby(mounts["run_id"]).sum()
    for hour, came in ((9, 9_900.0), (11, 0.0), (23.75, 0.0)):
        at = day + pd.Timedelta(hours=hour)
        count = pd.DataFrame(
            {"counted_on": [day], "material": "N1200", "quantity": 30_000.0, "counted_at": at}
        )
        stock = stock_of(logs_of(tmp_path / str(hour), tables | {"stock_counts": count}))
        used = kg[runs.index[runs["finished_at"] > at]].sum()
        assert stock.loc["N1200", "quantity"] == pytest.approx(30_000 + came - used)
    # By the day's end it is before the night's printing: the run that starts that evening is dated the next day.
    count = pd.DataFrame({"counted_on": [day], "material": "N1200", "quantity": 30_000.0})
    stock = stock_of(logs_of(tmp_path / "day", tables | {"stock_counts": count}))
    used = kg[runs.index[runs["date"] > day]].sum()
    assert stock.loc["N1200", "quantity"] == pytest.approx(30_000 - used)


def test_plates_and_uncounted_materials(tmp_path: Path) -> None:
    tables = small_tables()
    counts = tables["stock_counts"]
    more = pd.DataFrame(
        {"counted_on": FIRST_DAY + pd.Timedelta(days=10), "material": ["plate"], "quantity": 900.0}
    )
    stock = stock_of(logs_of(tmp_path / "counted", tables | {"stock_counts": pd.concat([counts, more])}))
    # Runs dated the 12th, 13th and 14th day: three Dailies and the second Weekly, 64 plates each.
    assert stock.loc["plate", "quantity"] == 900 - 4 * 64
    assert stock_of(logs_of(tmp_path / "never", tables)).loc["plate", "why"] == "never counted"
    runs = tables["runs"].assign(plates=tables["runs"]["plates"].mask(tables["runs"]["run_id"] == "0121"))
    logs = logs_of(tmp_path / "blank", tables | {"runs": runs, "stock_counts": pd.concat([counts, more])})
    assert np.isnan(stock_of(logs).loc["plate", "quantity"])
    materials = tables["materials"]
    wash = materials[materials["material"] == "plate"].assign(material="wash", kind="other", unit="l")
    counted = more.assign(material="wash", quantity=40.0)
    tables |= {"materials": pd.concat([materials, wash]), "stock_counts": pd.concat([counts, counted])}
    logs = logs_of(tmp_path / "wash", tables)
    # Three days since the count at 2.5 l a day; unknown use leaves the stock unknown.
    assert stock_of(logs, pd.Series({"wash": 2.5})).loc["wash", "quantity"] == pytest.approx(40 - 3 * 2.5)
    assert stock_of(logs).loc["wash", ["quantity", "why"]].tolist() == [
        pytest.approx(np.nan, nan_ok=True),
        "use unknown",
    ]


def test_runs_without_reel_records_or_more_use_than_stock_leave_it_unknown(tmp_path: Path) -> None:
    tables = small_tables()
    mounts = tables["reel_mounts"]
    gone = logs_of(tmp_path / "gone", tables | {"reel_mounts": mounts[mounts["run_id"] != "0101"]})
    assert np.isnan(stock_of(gone).loc["N1200", "quantity"])
    assert "reel records" in stock_of(gone).loc["N1200", "why"]
    del tables["reel_mounts"], tables["reels"]
    none = stock_of(logs_of(tmp_path / "none", tables))
    assert np.isnan(none.loc["N1200", "quantity"])
    assert "log reel_mounts" in none.loc["N1200", "why"]
    tables = small_tables()
    counts = tables["stock_counts"].assign(quantity=100.0)
    elsewhere = tables["deliveries"].query("material != 'N1200'")
    assert len(elsewhere)
    short = stock_of(
        logs_of(
            tmp_path / "short",
            tables | {"stock_counts": counts.tail(1), "deliveries": elsewhere},
        )
    )
    assert np.isnan(short.loc["N1200", "quantity"])
    assert "count again" in short.loc["N1200", "why"]


def test_without_deliveries_a_count_or_dip_tells_the_stock_of_its_own_day_alone(tmp_path: Path) -> None:
    tables = small_tables()
    del tables["deliveries"]
    counted = FIRST_DAY + pd.Timedelta(days=6)
    stock = stock_of(logs_of(tmp_path / "days", tables), model=planted_model())
    told = stock.loc["N1200", ["quantity", "counted_on", "why"]].tolist()
    assert np.isnan(told[0])
    assert told[1] == counted
    assert told[2] == f"no deliveries are logged: what came since the count of {counted:%Y-%m-%d} is unknown"
    logs = logs_of(tmp_path / "ink", tables)
    late = tables["tank_readings"].query("read_at < @logs.as_of")
    logs = logs_of(tmp_path / "dip", tables | {"tank_readings": late})
    why = stock_of(logs, model=planted_model()).loc["black", "why"]
    assert why.startswith("no deliveries are logged: what came since the dip of ")
    # Counted on as-of's day: what was counted is what is there, and nothing has come since.
    last = tables["stock_counts"].assign(counted_on=logs.as_of)
    stock = stock_of(
        logs_of(tmp_path / "last", tables | {"stock_counts": last.tail(1)}), model=planted_model()
    )
    assert stock.loc["N1200", "quantity"] == last["quantity"].iloc[-1]
    assert stock.loc["N1200", "why"] == ""


def test_ink_is_the_last_dip_plus_fillings_less_use_since(tmp_path: Path) -> None:
    tables = small_tables()
    dips = tables["tank_readings"]
    last = FIRST_DAY + pd.Timedelta(days=11, hours=6)
    tables["tank_readings"] = dips[dips["read_at"] <= last]
    deliveries = tables["deliveries"].copy()
    black = deliveries["delivery_id"] == "D3"
    for column in ("promised_on", "delivered_on", "delivered_at"):
        deliveries.loc[black, column] = last + (
            pd.Timedelta(hours=4) if column == "delivered_at" else -pd.Timedelta(hours=6)
        )
    stock = stock_of(logs_of(tmp_path / "a", tables | {"deliveries": deliveries}), model=planted_model())
    level = tables["tank_readings"].set_index(["tank", "read_at"])["level_kg"]
    # Since the dip of the twelfth day: the Dailies of the 13th and 14th (7.68 kg of black each), the Weekly
    # (1.92 kg), and standing from six in the morning to the end of the 14th, 2.75 days of 1 kg.
    expected = level["K1", last] + 300 - 2 * 7.68 - 1.92 - 2.75
    assert stock.loc["black", "quantity"] == pytest.approx(expected)
    assert stock.loc["cyan", "quantity"] == pytest.approx(level["C1", last] - 3.84 * 2 - 0.96 - 2.75)
    assert stock.loc["black", "counted_on"] == last.normalize()
    # The tank may be blank: the material says which ink it is.
    blank = deliveries.assign(tank=None)
    again = stock_of(logs_of(tmp_path / "b", tables | {"deliveries": blank}), model=planted_model())
    assert again.loc["black", "quantity"] == pytest.approx(expected)
    # Without its hour nobody can say what that day's dip saw of it: the dip before stands.
    unknown = deliveries.assign(delivered_at=pd.NaT)
    before = stock_of(logs_of(tmp_path / "c", tables | {"deliveries": unknown}), model=planted_model())
    day_before = last - pd.Timedelta(days=1)
    assert before.loc["black", "quantity"] == pytest.approx(
        level["K1", day_before] + 300 - 3 * 7.68 - 1.92 - 3.75
    )


def test_two_tanks_are_one_ink(tmp_path: Path) -> None:
    tables = small_tables()
    dips = tables["tank_readings"]
    second = dips[dips["tank"] == "K1"].assign(tank="K2", level_kg=500.0)
    tables["tank_readings"] = pd.concat([dips, second])
    toml = PLANT_TOML + '\n[tanks.K2]\nink = "black"\n'
    stock = stock_of(logs_of(tmp_path, tables, plant_toml=toml), model=planted_model())
    last = dips[dips["tank"] == "K1"]["level_kg"].iloc[-1]
    # The last dip is of the fourteenth morning, after its runs: 18 hours of standing are left.
    assert stock.loc["black", "quantity"] == pytest.approx(last + 500 - 0.75)


def test_ink_that_cannot_be_told_is_blank_and_says_why(tmp_path: Path) -> None:
    tables = small_tables()
    dips = tables["tank_readings"]
    tables["tank_readings"] = dips[dips["read_at"] < FIRST_DAY + pd.Timedelta(days=12)]
    # The model is blank, and runs since the dip have used nobody knows what.
    blank = planted_model().assign(estimate=np.nan)
    stock = stock_of(logs_of(tmp_path / "model", tables), model=blank)
    assert np.isnan(stock.loc["black", "quantity"])
    assert "use since" in stock.loc["black", "why"]
    coverage = tables["coverage"]
    logs = logs_of(tmp_path / "run", tables | {"coverage": coverage[coverage["run_id"] != "0131"]})
    assert np.isnan(stock_of(logs, model=planted_model()).loc["black", "quantity"])
    materials = tables["materials"]
    twin = materials[materials["material"] == "black"].assign(material="black two")
    litres = materials["unit"].mask(materials["material"] == "cyan", "l")
    changed = pd.concat([materials.assign(unit=litres), twin])
    stock = stock_of(logs_of(tmp_path / "bought", tables | {"materials": changed}), model=planted_model())
    assert stock.loc[["black", "black two", "cyan"], "quantity"].isna().all()
    assert (stock.loc[["black", "black two", "cyan"], "why"] != "").all()


def test_a_spot_colour_without_a_tank_is_counted(tmp_path: Path) -> None:
    tables = small_tables()
    materials = tables["materials"]
    spot = materials[materials["material"] == "cyan"].assign(material="reflex", ink="reflex")
    count = pd.DataFrame(
        {"counted_on": [FIRST_DAY + pd.Timedelta(days=13)], "material": "reflex", "quantity": 33.0}
    )
    tables |= {
        "materials": pd.concat([materials, spot]),
        "stock_counts": pd.concat([tables["stock_counts"], count]),
    }
    assert stock_of(logs_of(tmp_path, tables)).loc["reflex", "quantity"] == 33.0


def test_open_orders_are_neither_delivered_nor_cancelled(tmp_path: Path) -> None:
    assert list(open_orders(logs_of(tmp_path / "now", small_tables()))["delivery_id"]) == ["D4"]
    # On the sixth day nothing but D1 had come, black was still on its way (it came that morning), and D5 stood.
    earlier = open_orders(logs_of(tmp_path / "then", small_tables(), "2025-03-07"))
    assert list(earlier["delivery_id"]) == ["D2", "D3", "D5"]
    assert earlier.set_index("delivery_id").loc["D2", "quantity"] == 10_000.0  # as ordered, not as it came
