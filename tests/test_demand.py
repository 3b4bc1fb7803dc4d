"""Use by week against loops, the outlook by week and month, and the record of what was said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.demand import (
    Outlook,
    choice_table,
    counted_use,
    demand_forecast,
    demand_outlook,
    demand_season,
    forecast_record,
    weekly_use,
    whole_weeks,
)
from pressstats.forecast.simple import CHOICE, HORIZON
from pressstats.ink import ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.logs import Logs, read_logs
from pressstats.paper import effective_grammage, run_balance, threading_paper
from pressstats.past import PastError, past_forecasts
from pressstats.publish.csv_files import write_csv

WEEK = pd.Timedelta(days=7)
NO_PAST = past_forecasts(None, FIRST_DAY)[0]


def logs_of(
    folder: Path, tables: dict[str, pd.DataFrame], as_of: str | None = None, plant_toml: str = PLANT_TOML
) -> Logs:
    return read_logs(write_small_plant(folder / "logs", tables, plant_toml), as_of)


def use_of(logs: Logs) -> pd.DataFrame:
    runs = run_balance(logs, effective_grammage(threading_paper(logs), logs))
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
    assert len(later) == 5 and later[["N1200", "plate"]].tail(3).isna().all(axis=None)


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
    ahead = demand_forecast(demand_outlook(use_of(logs)), logs.plant.first_forecast_week(logs.as_of))
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


# --- outlook -----------------------------------------------------------------------------------


def history_of(weeks: int = 130, seed: int = 3) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    index = pd.date_range("2022-09-05", periods=weeks, freq="7D", unit="us")
    season = 1 + 0.1 * np.sin(2 * np.pi * np.arange(weeks) / 52.18)
    frame = pd.DataFrame(index=index)
    frame["N1200"] = 6000 * season + rng.normal(0, 150, weeks)
    frame["plate"] = 512 + rng.normal(0, 9, weeks)
    return frame


@pytest.fixture(scope="module")
def outlook() -> Outlook:
    return demand_outlook(history_of())


def test_forecast_is_the_point_corrected_for_the_mean_error(outlook: Outlook) -> None:
    last = outlook.history.index[-1]
    table = demand_forecast(outlook, last + WEEK)
    assert list(table.loc[table["material"] == "plate", "week"]) == [
        last + (n + 1) * WEEK for n in range(CHOICE)
    ]
    for number, material in enumerate(outlook.test.names):
        method = outlook.chosen[number]
        mine = table[table["material"] == material].set_index("week")["mean"]
        for ahead, week in enumerate(mine.index):
            window = slice(max(ahead - 1 - ahead // 6, 0), ahead + 2 + ahead // 6)
            past = outlook.errors[method, number, :, window]
            bias = np.nanmean(past) * outlook.test.scale[number, -1]
            assert mine[week] == pytest.approx(outlook.test.forecasts[method, number, -1, ahead] + bias)
    quantiles = table[["q05", "q10", "q25", "q50", "q75", "q90", "q95"]].to_numpy()
    assert (np.diff(quantiles, axis=1) >= 0).all()


def test_a_broken_week_is_left_out_and_widens_what_follows(outlook: Outlook) -> None:
    last = outlook.history.index[-1]
    whole = demand_forecast(outlook, last + WEEK).set_index(["material", "week"])
    broken = demand_forecast(outlook, last + 2 * WEEK).set_index(["material", "week"])
    both = whole.index.intersection(broken.index)
    pd.testing.assert_frame_equal(whole.loc[both], broken.loc[both])
    assert len(broken) == 2 * CHOICE and broken.notna().all(axis=None)


def season_of(tmp_path: Path, outlook: Outlook, as_of: str, budget: pd.DataFrame | None) -> pd.DataFrame:
    tables = small_tables(7)
    days = pd.Timestamp(as_of) - tables["runs"]["date"].max()
    tables = {name: tables[name] for name in ("runs", "run_webs")}
    for column in ("date", "started_at", "finished_at"):
        tables["runs"] = tables["runs"].assign(**{column: tables["runs"][column] + days})
    if budget is not None:
        tables["budget"] = budget
    logs = logs_of(tmp_path, tables)
    assert logs.as_of == pd.Timestamp(as_of)
    return demand_season(outlook, logs)


def test_season_shares_weeks_among_months_by_their_days(tmp_path: Path, outlook: Outlook) -> None:
    last_day = outlook.history.index[-1] + pd.Timedelta(days=6)  # Sunday 2025-03-02
    budget = pd.DataFrame(
        [{"month": pd.Timestamp("2025-05-01"), "material": "N1200", "quantity": 26_000.0, "cost": 13_000.0}]
    )
    season = season_of(tmp_path, outlook, f"{last_day:%Y-%m-%d}", budget)
    assert (season.groupby("material").size() == 12).all()
    months = sorted(season["month"].unique())
    assert months[0] == pd.Timestamp("2025-04-01") and months[-1] == pd.Timestamp("2026-03-01")
    season = season.set_index(["material", "month"])
    for number, material in enumerate(outlook.test.names):
        for month in months:
            by_day = 0.0
            for week, use in zip(outlook.weeks, outlook.mean[number], strict=True):
                for day in range(7):
                    if (week + pd.Timedelta(days=day)).to_period("M") == month.to_period("M"):
                        by_day += use / 7
            assert season.loc[(material, month), "mean"] == pytest.approx(by_day)
            year_before, known, days = month - pd.DateOffset(years=1), 0.0, 0
            for week, use in outlook.history[material].items():
                for day in range(7):
                    if (week + pd.Timedelta(days=day)).to_period("M") == year_before.to_period("M"):
                        known, days = known + use / 7, days + 1
            expected = known if days == year_before.days_in_month else np.nan
            assert season.loc[(material, month), "last_year"] == pytest.approx(expected, nan_ok=True)
    # March 2025 has begun but is not over, so March 2026 has no last year.
    assert np.isnan(season.loc[("plate", pd.Timestamp("2026-03-01")), "last_year"])
    row = season.loc[("N1200", pd.Timestamp("2025-05-01"))]
    assert (row["budget_quantity"], row["budget_cost"]) == (26_000.0, 13_000.0)
    assert season["budget_quantity"].notna().sum() == 1
    assert (season["q05"] < season["mean"]).all() and (season["mean"] < season["q95"]).all()


@pytest.mark.parametrize(
    ("as_of", "first"),
    [("2025-03-05", "2025-04-01"), ("2025-03-31", "2025-04-01"), ("2025-04-01", "2025-05-01")],
)
def test_season_begins_with_the_first_whole_month(tmp_path: Path, as_of: str, first: str) -> None:
    day = pd.Timestamp(as_of)
    weeks = (day + pd.Timedelta(days=1) - pd.Timestamp("2022-09-05")).days // 7
    season = season_of(tmp_path, demand_outlook(history_of(weeks)), as_of, None)
    assert season["month"].min() == pd.Timestamp(first)
    assert (season.groupby("material").size() == 12).all() and season["mean"].notna().all()
    assert season[["budget_quantity", "budget_cost"]].isna().all(axis=None)
    # The twelfth month is covered to its last day.
    assert season["mean"].groupby(season["month"]).first().iloc[-1] > 20_000


def test_the_horizon_reaches_the_end_of_the_twelfth_month_from_any_day() -> None:
    for day in pd.date_range("2023-01-01", "2028-12-31"):
        last_week = day + pd.Timedelta(days=1) - pd.Timedelta(days=(day.weekday() + 1) % 7 + 7)
        end = (day + pd.offsets.MonthBegin(1)) + pd.DateOffset(months=12) - pd.Timedelta(days=1)
        assert (end - last_week).days < 7 * (HORIZON + 1)


def test_a_short_history_has_a_mean_and_no_interval(tmp_path: Path) -> None:
    outlook = demand_outlook(history_of(3))
    table = demand_forecast(outlook, outlook.weeks[0])
    assert table["mean"].notna().all() and table[["q05", "q50", "q95"]].isna().all(axis=None)
    assert choice_table(outlook)["chosen"].tolist() == ["seasonal naive", "seasonal naive"]
    assert forecast_record(demand_outlook(history_of(1)), NO_PAST).empty
    season = season_of(tmp_path, outlook, "2022-09-25", None)
    assert season["mean"].notna().all() and season[["q05", "q95", "last_year"]].isna().all(axis=None)


def test_evidence_of_the_choice_is_the_mean_absolute_error(outlook: Outlook) -> None:
    table = choice_table(outlook)
    for number, row in enumerate(table.itertuples(index=False)):
        means = [np.nanmean(np.abs(outlook.errors[method, number, :, :CHOICE])) for method in (0, 1)]
        assert [row[2], row[3]] == pytest.approx(means)
        assert outlook.chosen[number] == int(np.argmin(means)) and row.weeks == 130


# --- record ------------------------------------------------------------------------------------


def published_on(day: pd.Timestamp, first_week: pd.Timestamp) -> pd.DataFrame:
    weeks = [first_week + n * WEEK for n in range(CHOICE)]
    said = pd.DataFrame({"material": "N1200", "made_on": day, "week": weeks, "mean": 6100.0, "q05": 5800.0})
    return said.assign(q95=6400.0).astype({"made_on": "datetime64[us]", "week": "datetime64[us]"})


def test_what_was_published_stands_before_what_is_made_again(outlook: Outlook) -> None:
    weeks = outlook.history.index
    end = weeks[-1] + pd.Timedelta(days=6)
    alone = forecast_record(outlook, NO_PAST)
    assert set(alone["source"]) == {"remade"}
    assert sorted(alone["made_on"].unique()) == [week - pd.Timedelta(days=1) for week in weeks[-26:]]
    # A Wednesday's publication speaks of the week after it, as the Sunday after it would have.
    wednesday = weeks[-6] - pd.Timedelta(days=5)
    record = forecast_record(outlook, published_on(wednesday, weeks[-6]))
    assert record["made_on"].max() <= end
    mine = record[record["made_on"] == wednesday]
    assert len(mine) == CHOICE and set(mine["source"]) == {"published"} and (mine["mean"] == 6100.0).all()
    assert weeks[-6] - pd.Timedelta(days=1) not in set(record["made_on"])
    others = record[record["source"] == "remade"].reset_index(drop=True)
    expected = alone[alone["made_on"] != weeks[-6] - pd.Timedelta(days=1)].reset_index(drop=True)
    pd.testing.assert_frame_equal(others, expected)
    # Each stands beside what came; what has not come is blank.
    for row in record.itertuples():
        came = outlook.history[row.material].get(row.week, np.nan)
        assert row.actual == pytest.approx(came, nan_ok=True)
    assert mine["actual"].notna().sum() == 6


def test_a_forecast_made_again_knows_only_its_own_past(outlook: Outlook) -> None:
    history = history_of()
    origin = 115
    altered = history.copy()
    altered.iloc[origin:] = np.random.default_rng(4).uniform(0, 9000, altered.iloc[origin:].shape)
    made_on = history.index[origin] - pd.Timedelta(days=1)
    # First origins differ with the length of the history only, so both have the same.
    one = forecast_record(outlook, NO_PAST)
    two = forecast_record(demand_outlook(altered), NO_PAST)
    assert (one["made_on"] <= made_on).sum() == 12 * 2 * CHOICE
    columns = ["material", "made_on", "week", "mean", "q05", "q95"]
    known = [record.loc[record["made_on"] <= made_on, columns] for record in (one, two)]
    pd.testing.assert_frame_equal(*known)


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
    assert past["q95"].isna().all() and (past["mean"] == 10.0).all() and len(past) == 20
    assert past_forecasts(tmp_path / "nowhere", pd.Timestamp("2025-03-19"))[0].dtypes.equals(past.dtypes)


@pytest.mark.parametrize(
    "text", ["material,week\na,2025-03-10\n", "material,week,mean,q05,q95\na,soon,1,1,1\n", ""]
)
def test_a_past_forecast_that_cannot_be_read_is_named(tmp_path: Path, text: str) -> None:
    folder = tmp_path / "2025-03-05" / "tables"
    folder.mkdir(parents=True)
    (folder / "demand_forecast.csv").write_text(text)
    with pytest.raises(PastError, match="2025-03-05"):
        past_forecasts(tmp_path, pd.Timestamp("2025-03-19"))
