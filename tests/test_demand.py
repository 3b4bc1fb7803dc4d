"""Use by week against loops, whole and broken weeks, and how past publications are read."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.demand import (
    CHOICE,
    counted_use,
    demand_forecast,
    demand_outlook,
    recipe_of,
    weekly_use,
    whole_weeks,
)
from pressstats.ink import ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.logs import Logs, read_logs
from pressstats.paper import weighed_paper
from pressstats.past import PastError, past_forecasts
from pressstats.publishing.csv_files import write_csv

WEEK = pd.Timedelta(days=7)


def logs_of(
    folder: Path, tables: dict[str, pd.DataFrame], as_of: str | None = None, plant_toml: str = PLANT_TOML
) -> Logs:
    return read_logs(write_small_plant(folder / "logs", tables, plant_toml), as_of)


def use_of(logs: Logs) -> pd.DataFrame:
    runs = weighed_paper(logs).runs
    exposure = ink_exposure(logs)
    intervals, fits, _ = judge_inks(ink_intervals(logs, exposure))
    return weekly_use(logs, runs, exposure, intervals, ink_model(intervals, fits))


def with_wash(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Add wash, counted every Sunday, 21 l used a week, 50 l delivered in the second week."""
    materials = tables["materials"]
    wash = materials[materials["material"] == "plate"].assign(material="wash", kind="other", unit="l")
    days = pd.date_range(FIRST_DAY - pd.Timedelta(days=1), periods=5, freq="7D")
    counts = pd.DataFrame(
        {"counted_on": days, "material": "wash", "quantity": [100.0, 79.0, 108.0, 87.0, 66.0]}
    )
    came = (
        tables["deliveries"]
        .iloc[[0]]
        .assign(delivery_id="W1", material="wash", quantity=50.0, supplier="Inkworks")
    )
    came = came.assign(
        ordered_on=FIRST_DAY, promised_on=FIRST_DAY, delivered_on=FIRST_DAY + pd.Timedelta(days=9)
    )
    came = came.assign(delivered_at=pd.NaT)
    return tables | {
        "materials": pd.concat([materials, wash], ignore_index=True),
        "stock_counts": pd.concat([tables["stock_counts"], counts], ignore_index=True),
        "deliveries": pd.concat([tables["deliveries"], came], ignore_index=True),
    }


# --- use by week -------------------------------------------------------------------------------


def test_weekly_use_of_the_small_plant_by_hand_and_by_loop(tmp_path: Path) -> None:
    tables = with_wash(small_tables(28))
    history = use_of(logs_of(tmp_path, tables))
    assert list(history.index) == [FIRST_DAY + n * WEEK for n in range(4)]
    assert list(history.columns) == ["N1200", "black", "cyan", "plate", "wash"]
    week_of = {
        row.run_id: row.date - pd.Timedelta(days=row.date.weekday()) for row in tables["runs"].itertuples()
    }
    mounted = dict.fromkeys(history.index, 0.0)
    for mount in tables["reel_mounts"].itertuples():
        mounted[week_of[mount.run_id]] += mount.start_kg - mount.returned_kg
    np.testing.assert_allclose(history["N1200"], list(mounted.values()), rtol=1e-12)
    # Seven Dailies of 20,000 x 1.6 pages x 0.12 m2 x 2 g = 7.68 kg, one Weekly of 5,000 = 1.92 kg, and 1 kg a day.
    np.testing.assert_allclose(history["black"], 7 * 7.68 + 1.92 + 7, atol=0.002)
    np.testing.assert_allclose(history["cyan"], (7 * 7.68 + 1.92) / 2 + 7, atol=0.002)
    np.testing.assert_allclose(history["plate"], 8 * 64)
    np.testing.assert_allclose(history["wash"], 21.0)


def test_ink_of_an_interval_is_shared_by_what_ran_and_adds_up_to_the_dips(tmp_path: Path) -> None:
    # One dip on Thursday, the next the Thursday after: three Dailies fall in the first week, and the Weekly, dated
    # Sunday; three Dailies in the second, and each of the four days has its own.
    tables = small_tables(28)
    dips = tables["tank_readings"]
    tables["tank_readings"] = dips[dips["read_at"].dt.day_of_week == 3]
    logs = logs_of(tmp_path, tables)
    history = use_of(logs)["black"]
    assert history.isna().tolist() == [True, False, False, True]
    # Without a model use goes by solid area: 4 Dailies of 3,840 m2 after the dip of Thursday, of them one dated
    # Friday, one Saturday, one Sunday with the Weekly's 960 m2; then Monday to Thursday in the next week.
    between = 7 * 7.68 + 1.92 + 7
    first, second = 3 * 3840 + 960, 4 * 3840
    expected = between * (second / (first + second) + first / (first + second))
    np.testing.assert_allclose(history[1:3], expected, atol=0.005)
    # One jump in use: the share of each week follows, and the sum is that of the ledger.
    dips = tables["tank_readings"].sort_values("read_at")
    later = (dips["tank"] == "K1") & (dips["read_at"] >= FIRST_DAY + pd.Timedelta(days=17))
    tables["tank_readings"] = dips.assign(level_kg=dips["level_kg"] - 100.0 * later)
    moved = use_of(logs_of(tmp_path / "more", tables))["black"] - history
    # The 100 kg fall between the second and third Thursday; 12,480 m2 of their 27,840 m2 ran in the first week.
    np.testing.assert_allclose(
        moved[1:3], [100 * first / (first + second), 100 * second / (first + second)], rtol=1e-6
    )


def test_a_week_that_lacks_records_is_blank(tmp_path: Path) -> None:
    tables = with_wash(small_tables(28))
    runs, mounts, coverage = tables["runs"], tables["reel_mounts"], tables["coverage"]
    week = runs["date"] - pd.to_timedelta(runs["date"].dt.day_of_week, unit="D")
    second = runs.loc[week == FIRST_DAY + WEEK, "run_id"]
    tables["reel_mounts"] = mounts[~mounts["run_id"].isin(second.tail(1))]
    third = runs.loc[week == FIRST_DAY + 2 * WEEK, "run_id"]
    tables["runs"] = runs.assign(plates=runs["plates"].mask(runs["run_id"].isin(third.head(1))))
    history = use_of(logs_of(tmp_path, tables))
    assert history["N1200"].isna().tolist() == [False, True, False, False]
    assert history["plate"].isna().tolist() == [False, False, True, False]
    assert history[["black", "cyan", "wash"]].notna().all(axis=None)
    # A run of unknown coverage whose interval lies within one week costs nothing: the dips know its use.
    tables["coverage"] = coverage[coverage["run_id"] != "0101"]
    assert use_of(logs_of(tmp_path / "known", tables))["black"].notna().all()
    # One at the turn of the week leaves both weeks open.
    dips = tables["tank_readings"]
    tables["tank_readings"] = dips[dips["read_at"].dt.normalize() != FIRST_DAY + pd.Timedelta(days=13)]
    tables["coverage"] = coverage[coverage["run_id"] != "0141"]
    assert use_of(logs_of(tmp_path / "open", tables))["black"].isna().tolist() == [False, True, True, False]


def test_a_week_without_any_run_is_unknown_not_zero(tmp_path: Path) -> None:
    tables = small_tables(28)
    runs = tables["runs"]
    gone = runs.loc[
        runs["date"].between(FIRST_DAY + WEEK, FIRST_DAY + 2 * WEEK - pd.Timedelta(days=1)), "run_id"
    ]
    for name in ("runs", "run_webs", "reel_mounts", "coverage"):
        tables[name] = tables[name][~tables[name]["run_id"].isin(gone)]
    history = use_of(logs_of(tmp_path, tables))
    for material in ("N1200", "plate"):
        assert history[material].isna().tolist() == [False, True, False, False]
    # Weeks after the last run: the logs end, the plant may not have.
    later = use_of(logs_of(tmp_path / "later", small_tables(14), "2025-04-06"))
    assert len(later) == 5
    assert later[["N1200", "plate"]].tail(3).isna().all(axis=None)


def test_materials_that_cannot_be_told_have_no_column(tmp_path: Path) -> None:
    tables = small_tables(14)
    materials = tables["materials"]
    never = materials.head(1).assign(material="N800")
    twin = materials[materials["material"] == "black"].assign(material="black two")
    litres = materials["unit"].mask(materials["material"] == "cyan", "l")
    tables["materials"] = pd.concat([materials.assign(unit=litres), never, twin], ignore_index=True)
    assert list(use_of(logs_of(tmp_path, tables)).columns) == ["N1200", "plate"]
    del tables["materials"]
    assert use_of(logs_of(tmp_path / "none", tables)).shape == (2, 0)


@pytest.mark.parametrize(
    ("as_of", "weeks", "first"),
    [("2025-03-30", 4, "2025-03-31"), ("2025-03-26", 3, "2025-03-31"), ("2025-03-31", 4, "2025-04-07")],
)
def test_whole_weeks_end_before_a_broken_one(tmp_path: Path, as_of: str, weeks: int, first: str) -> None:
    logs = logs_of(tmp_path, small_tables(35), as_of)
    assert list(whole_weeks(logs)) == [FIRST_DAY + n * WEEK for n in range(weeks)]
    outlook = demand_outlook(recipe_of(logs, use_of(logs), ink_exposure(logs)))
    ahead = demand_forecast(outlook, logs.plant.first_forecast_week(logs.as_of))
    assert ahead["week"].min() == pd.Timestamp(first) == logs.plant.first_forecast_week(logs.as_of)
    assert (ahead.groupby("material").size() == CHOICE).all()


def test_weeks_may_begin_on_sunday(tmp_path: Path) -> None:
    toml = PLANT_TOML.replace("currency", 'week_starts = "sunday"\ncurrency', 1)
    logs = logs_of(tmp_path, small_tables(28), plant_toml=toml)
    # The logs begin on a Monday and every Sunday prints, so the first week is not whole.
    sunday = FIRST_DAY + pd.Timedelta(days=6)
    assert list(whole_weeks(logs)) == [sunday, sunday + WEEK, sunday + 2 * WEEK]
    tables = small_tables(28)
    on_sunday = tables["runs"]["date"].dt.day_of_week == 6
    gone = tables["runs"].loc[on_sunday, "run_id"]
    for name in ("runs", "run_webs", "reel_mounts", "coverage"):
        tables[name] = tables[name][~tables[name]["run_id"].isin(gone)]
    logs = logs_of(tmp_path / "six", tables, plant_toml=toml)
    # A plant that never prints on Sunday has printed all of the week that began the day before.
    assert whole_weeks(logs)[0] == FIRST_DAY - pd.Timedelta(days=1)


def test_counted_use_follows_the_hour_of_a_count_and_never_goes_below_zero(tmp_path: Path) -> None:
    tables = with_wash(small_tables(28))
    weeks = pd.date_range(FIRST_DAY, periods=4, freq="7D", unit="us")
    counts = tables["stock_counts"].assign(counted_at=pd.NaT)
    # Delivered on the day of the second count: before it by rule, after it if the count was at eight.
    deliveries = tables["deliveries"].copy()
    wash = deliveries["material"] == "wash"
    deliveries.loc[wash, "delivered_on"] = FIRST_DAY + pd.Timedelta(days=6)
    deliveries.loc[wash, "delivered_at"] = FIRST_DAY + pd.Timedelta(days=6, hours=10)
    tables["deliveries"] = deliveries
    by_rule = counted_use(logs_of(tmp_path / "rule", tables), "wash", weeks)
    # 100 + 50 - 79 = 71 in the first week; then 79 to 108 without a delivery is impossible, so blank.
    np.testing.assert_allclose(by_rule, [71.0, np.nan, 21.0, 21.0])
    second = (counts["material"] == "wash") & (counts["counted_on"] == FIRST_DAY + pd.Timedelta(days=6))
    counts.loc[second, "counted_at"] = FIRST_DAY + pd.Timedelta(days=6, hours=8)
    by_hour = counted_use(logs_of(tmp_path / "hour", tables | {"stock_counts": counts}), "wash", weeks)
    np.testing.assert_allclose(by_hour, 21.0)


# --- past publications -------------------------------------------------------------------------


def test_past_publications_are_read_with_their_digest(tmp_path: Path) -> None:
    weeks = pd.date_range("2025-03-10", periods=2, freq="7D", unit="us")
    hostile = ["=1+1", "007", "NA", 'O\'Neil, "wide"', "plain"]
    table = pd.DataFrame(
        {"material": np.repeat(hostile, 2), "week": np.tile(weeks.to_numpy(), 5), "mean": 10.0}
    )
    table = table.assign(**dict.fromkeys(("q05", "q10", "q25", "q50", "q75", "q90"), 5.0), q95=np.nan)
    for day in ("2025-03-05", "2025-03-12", "2025-03-19", "2025-13-45", "notes"):
        folder = tmp_path / day / "tables"
        folder.mkdir(parents=True)
        write_csv(table, folder / "demand_forecast.csv", "demand_forecast")
    past, digests = past_forecasts(tmp_path, pd.Timestamp("2025-03-19"))
    assert sorted(digests) == [f"2025-03-{day}/tables/demand_forecast.csv" for day in ("05", "12")]
    assert set(past["material"]) == set(hostile)
    assert sorted(past["made_on"].unique()) == [pd.Timestamp("2025-03-05"), pd.Timestamp("2025-03-12")]
    assert past["q95"].isna().all()
    assert (past["mean"] == 10.0).all()
    assert len(past) == 20
    assert past_forecasts(tmp_path / "nowhere", pd.Timestamp("2025-03-19"))[0].dtypes.equals(past.dtypes)


@pytest.mark.parametrize(
    "text",
    [
        "material,week\na,2025-03-10\n",
        "material,week,mean,q05,q95\na,soon,1,1,1\n",
        "material,week,mean,q05,q95\na,2025-03-10,1,1,1\na,2025-03-10,1,1,1\n",
        "material,week,mean,q05,q95\n,2025-03-10,1,1,1\n",
        "material,week,mean,q05,q95\na,2025-03-10,inf,1,1\n",
        "",
    ],
)
def test_a_past_forecast_that_cannot_be_read_is_named(tmp_path: Path, text: str) -> None:
    folder = tmp_path / "2025-03-05" / "tables"
    folder.mkdir(parents=True)
    (folder / "demand_forecast.csv").write_text(text)
    with pytest.raises(PastError, match=r"2025-03-05.*publish that day again"):
        past_forecasts(tmp_path, pd.Timestamp("2025-03-19"))


@pytest.mark.parametrize("put", [Path.mkdir, os.mkfifo], ids=["folder", "pipe"])
def test_a_past_forecast_that_is_no_file_is_not_waited_for(
    tmp_path: Path, put: Callable[[Path], None]
) -> None:
    folder = tmp_path / "2025-03-05" / "tables"
    folder.mkdir(parents=True)
    put(folder / "demand_forecast.csv")
    with pytest.raises(PastError, match="it is no file"):
        past_forecasts(tmp_path, pd.Timestamp("2025-03-19"))
