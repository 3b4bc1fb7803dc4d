"""The outlook: which method is believed, what was known when, months, days, records, what if, and sums that agree."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from issue_simulation import Plant, Title, logs_of, plant_tables, recipe_from
from threadpoolctl import threadpool_limits

from pressstats.demand import (
    CHOICE,
    HORIZON,
    METHODS,
    Outlook,
    WhatIf,
    choice_table,
    demand_forecast,
    demand_outlook,
    demand_season,
    forecast_record,
    levers,
    promise_table,
    reconcile,
)
from pressstats.forecast import Forecast, calibrated
from pressstats.logs import Logs, read_logs
from pressstats.pages.demand_record import _worse
from pressstats.past import past_forecasts
from pressstats.results import open_results
from pressstats.tables import QUANTILES

ROOT = Path(__file__).resolve().parents[1]
WEEK = pd.Timedelta(days=7)


def copies_of_a_season(day: int) -> float:
    """Copies that swing over the year, as a whole number."""
    return round(20_000 * (1 + 0.1 * np.sin(2 * np.pi * day / 365.25)) + 150 * np.sin(day * 7.3))


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    plant = Plant((Title("Daily", copies=copies_of_a_season), Title("Weekly", (3,))), days=7 * 80)
    return logs_of(tmp_path_factory.mktemp("plant"), plant)


@pytest.fixture(scope="module")
def outlook(logs: Logs) -> Outlook:
    return demand_outlook(recipe_from(logs))


@pytest.fixture(scope="module")
def demo() -> Outlook:
    found = open_results(ROOT / "data_demo").outlook
    assert found is not None
    return found


# --- choice and evidence -----------------------------------------------------------------------


def test_evidence_is_the_mean_absolute_scaled_error_by_a_slow_loop(outlook: Outlook) -> None:
    backtest, n = outlook.backtest, len(outlook.history)
    table = choice_table(outlook).set_index("material")
    for place, name in enumerate(backtest.names):
        errors: dict[str, list[float]] = {method: [] for method in METHODS}
        for row, origin in enumerate(backtest.origins):
            for ahead in range(min(CHOICE, n - origin)):
                if origin + ahead < 52 <= n:
                    continue  # nobody had seen that season yet
                came = outlook.history[name].iloc[origin + ahead]
                said = backtest.forecasts[:, row, place, ahead]
                scale = backtest.naive[row, place]
                if np.isfinite(came) and np.isfinite(said).all() and scale > 0:
                    for number, method in enumerate(METHODS):
                        errors[method].append(abs(came - said[number]) / scale)
        if any(errors.values()):
            means = [float(np.mean(errors[method])) for method in METHODS]
            assert table.loc[name, list(METHODS)].to_numpy(dtype=float) == pytest.approx(means)
            assert table.loc[name, "chosen"] == METHODS[int(np.argmin(means))]


def test_naive_wins_when_it_wins(outlook: Outlook) -> None:
    forecasts = outlook.backtest.forecasts.copy()
    forecasts[1:] *= 1.5
    spoilt = replace(outlook.backtest, forecasts=forecasts)
    assert (spoilt.chosen(len(outlook.history)) == 0).all()


def test_the_demo_keeps_its_promises(demo: Outlook) -> None:
    # Over 26 origins and 13 weeks, choice and intervals as each could make them then.
    table = promise_table(demo)
    last = table.iloc[-1]
    assert last["origins"] == 26
    assert len(table) == len(demo.names) + 1
    assert last["published"] < last["seasonal naive"] - 0.15
    assert last["published"] < last["direct"] - 0.01
    assert 0.75 <= last["held_80"] <= 0.85
    assert 0.92 <= last["held_95"] <= 0.98


# --- nothing leaks -----------------------------------------------------------------------------


def test_what_an_origin_said_knows_nothing_later(outlook: Outlook, tmp_path: Path) -> None:
    origin = 60
    day = outlook.history.index[0] + origin * WEEK
    plant = Plant((Title("Daily", copies=copies_of_a_season), Title("Weekly", (3,))), days=7 * 80)
    tables = plant_tables(plant)
    later = tables["runs"]["date"] >= day
    changed = tables["runs"].assign(
        copies_ordered=tables["runs"]["copies_ordered"].mask(later, 9_000.0),
        pages=tables["runs"]["pages"].mask(later, 40.0),
    )
    altered = demand_outlook(recipe_from(logs_of(tmp_path, plant, tables | {"runs": changed})))
    row = origin - int(outlook.backtest.origins[0])
    for number in (2, 3):  # drivers, and what they have a part in
        one, two = (each.backtest.forecasts[number, row] for each in (outlook, altered))
        known = ~np.isnan(one)
        # Use between two counts or dips is shared by runs of the same interval: nothing else is later's.
        assert two[known] == pytest.approx(one[known], rel=1e-9)


# --- weeks, days, months -----------------------------------------------------------------------


def test_weeks_days_and_months_agree(logs: Logs, outlook: Outlook) -> None:
    days = pd.date_range(outlook.weeks[0], periods=7 * 20, freq="D", unit="us")
    paths, mean = outlook.day_paths(40, days)
    assert mean.reshape(len(outlook.names), 20, 7).sum(axis=2) == pytest.approx(outlook.mean[:, :20])
    weekly = outlook.forecast.paths(40, 20240229).transpose(2, 0, 1)[:, :, :20]
    assert paths.reshape(len(outlook.names), 40, 20, 7).sum(axis=3) == pytest.approx(weekly)
    season = demand_season(outlook, logs).set_index(["material", "month"])
    for place, name in enumerate(outlook.names):
        month = season.loc[name].index[1]
        inside = pd.date_range(month, month + pd.offsets.MonthEnd(1), freq="D", unit="us")
        whole = outlook.day_paths(2, inside)[1][place].sum()
        assert season.loc[(name, month), "mean"] == pytest.approx(whole)


def test_a_weekly_title_takes_its_day(outlook: Outlook) -> None:
    days = pd.date_range(outlook.weeks[0], periods=7, freq="D", unit="us")
    share = outlook.shares[outlook.names.index("N1200"), 0]
    assert share.sum() == pytest.approx(1.0)
    # Thursdays print the Weekly besides the Daily.
    assert share.argmax() == int(np.flatnonzero(days.day_of_week == 3)[0])


def test_seasons_have_twelve_whole_months(logs: Logs, outlook: Outlook) -> None:
    season = demand_season(outlook, logs)
    assert (season.groupby("material").size() == 12).all()
    assert season["month"].min() == (logs.as_of + pd.offsets.MonthBegin(1)).normalize()
    assert (season["q05"] <= season["q50"]).all()
    assert (season["q50"] <= season["q95"]).all()
    assert season[["budget_quantity", "budget_cost"]].isna().all(axis=None)
    # What was used a year before is a figure of the past, whatever is expected.
    ahead = replace(outlook, forecast=replace(outlook.forecast, floor=1e6), shares=outlook.shares[:, ::-1])
    other = demand_season(ahead, logs)
    assert (other["mean"] > season["mean"]).all()
    assert season["last_year"].notna().any()
    pd.testing.assert_series_equal(other["last_year"], season["last_year"])


def test_a_broken_week_is_left_out(outlook: Outlook) -> None:
    whole = demand_forecast(outlook, outlook.weeks[0]).set_index(["material", "week"])
    broken = demand_forecast(outlook, outlook.weeks[1]).set_index(["material", "week"])
    both = whole.index.intersection(broken.index)
    pd.testing.assert_frame_equal(whole.loc[both], broken.loc[both])
    assert len(broken) == len(outlook.names) * CHOICE
    levels = broken[list(QUANTILES)].to_numpy()
    assert (np.diff(levels, axis=1) >= -1e-9).all()
    assert (levels >= 0).all()


def test_the_horizon_reaches_the_end_of_the_twelfth_month_from_any_day() -> None:
    for day in pd.date_range("2023-01-01", "2028-12-31"):
        last_week = day + pd.Timedelta(days=1) - pd.Timedelta(days=(day.weekday() + 1) % 7 + 7)
        end = (day + pd.offsets.MonthBegin(1)) + pd.DateOffset(months=12) - pd.Timedelta(days=1)
        assert (end - last_week).days < 7 * (HORIZON + 1)


def test_a_few_weeks_have_a_forecast_and_no_promise(tmp_path: Path) -> None:
    outlook = demand_outlook(recipe_from(logs_of(tmp_path, Plant(days=21))))
    table = demand_forecast(outlook, outlook.weeks[0])
    assert table["mean"].notna().any()
    assert promise_table(outlook).empty


# --- record ------------------------------------------------------------------------------------


def test_what_was_published_stands_before_what_is_made_again(outlook: Outlook) -> None:
    weeks = outlook.history.index
    alone = forecast_record(outlook, past_forecasts(None, weeks[0])[0])
    assert set(alone["source"]) == {"reconstructed"}
    assert sorted(alone["made_on"].unique()) == [week - pd.Timedelta(days=1) for week in weeks[-26:]]
    wednesday = weeks[-6] - pd.Timedelta(days=5)
    said = pd.DataFrame(
        {"material": "N1200", "made_on": wednesday, "week": [weeks[-6] + n * WEEK for n in range(CHOICE)]}
    ).assign(mean=6100.0, q05=5800.0, q95=6400.0)
    said = said.astype({"made_on": "datetime64[us]", "week": "datetime64[us]"})
    record = forecast_record(outlook, said)
    mine = record[record["made_on"] == wednesday]
    assert len(mine) == CHOICE
    assert set(mine["source"]) == {"published"}
    assert mine["actual"].notna().sum() == 6
    # A Wednesday's publication speaks of the week after it, as the Sunday after it would have.
    gone = weeks[-6] - pd.Timedelta(days=1)
    others = record[record["source"] == "reconstructed"].reset_index(drop=True)
    pd.testing.assert_frame_equal(others, alone[alone["made_on"] != gone].reset_index(drop=True))


# --- what if -----------------------------------------------------------------------------------


def test_levers_are_arithmetic_where_nothing_else_moves(outlook: Outlook) -> None:
    titles = ["Daily", "Weekly"]
    table = levers(
        outlook,
        {
            "copies": WhatIf(copies=dict.fromkeys(titles, 0.8), waste=0.8),
            "lighter": WhatIf(grammage={"N1200": 0.9 * float(outlook.recipe.kinds["grammage_gsm"]["N1200"])}),
            "closed": WhatIf(closed=tuple(titles[:1])),
        },
    ).set_index(["what_if", "material"])
    ratio = table["assumed"] / table["expected"]
    assert ratio["lighter", "N1200"] == pytest.approx(0.9)
    assert ratio["copies", "plate"] == pytest.approx(1.0)
    assert 0.75 < ratio["copies", "N1200"] < 0.9
    assert 0 < ratio["closed", "N1200"] < 0.3
    with pytest.raises(ValueError, match="Sunday"):
        levers(outlook, {"none": WhatIf(closed=("Sunday",))})


# --- sums that agree ---------------------------------------------------------------------------


@pytest.mark.parametrize("weighted", [False, True])
def test_reconciled_forecasts_are_those_of_a_general_least_squares(weighted: bool) -> None:
    # A hierarchy of twenty regions in seven states, as large as that of `visnights` (fpp2); numbers are drawn.
    rng = np.random.default_rng(3)
    state = rng.integers(0, 7, 20)
    state[:7] = np.arange(7)
    summing = np.vstack([np.ones(20), (state == np.arange(7)[:, None]).astype(float), np.eye(20)])
    base = summing @ rng.gamma(3, 100, (20, 8)) + rng.normal(0, 40, (28, 8))
    variance = rng.uniform(0.5, 5, 28) if weighted else np.ones(28)
    found = reconcile(base, summing, variance)
    root = 1 / np.sqrt(variance)[:, None]
    parts = np.linalg.lstsq(summing * root, base * root, rcond=None)[0]
    assert found == pytest.approx(summing @ parts, rel=1e-8)
    assert found[0] == pytest.approx(found[8:].sum(axis=0), rel=1e-10)
    assert np.abs(found[1:8] - summing[1:8] @ found[8:]).max() < 1e-10 * np.abs(found).max()


def test_direct_widths_add_up_to_all_newsprint(demo: Outlook) -> None:
    kinds = demo.recipe.kinds["kind"]
    widths = [place for place, name in enumerate(demo.names) if kinds[name] == "newsprint"]
    said = demo.backtest.forecasts[1, -1, widths]
    assert np.isfinite(said).all()
    assert (said >= 0).all()


# --- calibration -------------------------------------------------------------------------------


def test_calibrated_intervals_hold_what_they_say_and_paths_have_their_margins() -> None:
    rng = np.random.default_rng(6)
    origins, series, horizon, trials = np.arange(60), 8, 13, 40
    size = rng.uniform(5, 50, series)
    grow = np.sqrt(np.arange(1, horizon + 1))
    levels = np.array([0.1, 0.025, 0.9, 0.975])
    held = []
    for _ in range(trials):
        errors = rng.standard_t(6, (len(origins) + 1, series, horizon)) * size[:, None] * grow
        known = origins[:, None] + np.arange(horizon) < 60
        missed = np.where(known[:, None], errors[:-1], np.nan)
        said = Forecast(
            pd.RangeIndex(horizon),
            pd.Index(range(series)),
            calibrated(np.zeros((series, horizon)), missed, origins, size),
            -np.inf,
        )
        bands = said.quantiles(levels).transpose(0, 2, 1)
        held.append([(errors[-1] >= bands[n]) & (errors[-1] <= bands[n + 2]) for n in (0, 1)])
    share = np.mean(held, axis=(0, 2, 3))
    assert share == pytest.approx([0.8, 0.95], abs=0.03)
    paths = said.paths(4000, 1)
    assert np.quantile(paths, 0.9, axis=0) == pytest.approx(said.quantiles(levels)[2], rel=0.12)


def test_the_same_recipe_gives_the_same_digits(outlook: Outlook) -> None:
    # As the results are computed: several threads of linear algebra add in another order.
    with threadpool_limits(1):
        once, again = demand_outlook(outlook.recipe), demand_outlook(outlook.recipe)
    assert np.array_equal(again.mean, once.mean, equal_nan=True)


def test_the_forecast_begins_where_the_demo_ends(demo: Outlook) -> None:
    assert read_logs(ROOT / "data_demo").as_of == pd.Timestamp(demo.recipe.drivers.last)


def test_a_record_says_how_much_of_it_was_never_published() -> None:
    from pressstats.pages.demand_record import _reconstructed

    source = pd.DataFrame({"source": ["reconstructed"] * 2 + ["published"]})
    assert _reconstructed(source.head(2)) == "each made again from what was known then, none published"
    assert _reconstructed(source) == "2 of 3 made again from what was known then"
    assert _reconstructed(source.tail(1)) == "all as published"


def test_only_what_is_known_of_most_weeks_is_told_as_worse_than_last_year() -> None:
    shown = pd.DataFrame(
        {
            "material": list("abc"),
            "off": [13.2, 20.0, 4.0],
            "off_naive": [8.1, 9.0, 5.0],
            "both": 9,
            "one": 10,
        }
    )
    said = _worse(shown).replace("\xa0", " ").replace("\u2068", "").replace("\u2069", "")
    assert said == "Worse than last year's week: b, 20 % against 9 %; a, 13 % against 8 %. "
    assert _worse(shown.assign(both=[9, 1, 9])).count("against") == 1
    # Of a young plant nothing is known of most weeks: nothing is told.
    assert _worse(shown.assign(both=1)) == ""
    assert _worse(shown.assign(off=1.0)) == ""
