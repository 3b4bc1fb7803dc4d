"""Frames, their descriptions, comparisons and sliders: what whoever explores the workbook starts from."""

from __future__ import annotations

import builtins
import dataclasses
import pydoc
from pathlib import Path

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
import statsmodels.api as sm
from scipy import stats
from small_plant import FIRST_DAY, small_tables, write_small_plant
from test_watch import steady_tables

import pressstats
from pressstats import pages
from pressstats.accounts import rate_by
from pressstats.demand import WhatIf, driver_days
from pressstats.orders import on_order
from pressstats.reels.failures import FailureCurve
from pressstats.reels.target import SpliceStudy
from pressstats.results import Results, open_results
from pressstats.tables import FRAMES
from pressstats.workbook import by_hand, described, halves


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return open_results(write_small_plant(tmp_path_factory.mktemp("explored") / "logs", steady_tables(150)))


@pytest.mark.parametrize("name", FRAMES)
def test_frames_have_the_columns_that_are_declared(results: Results, name: str) -> None:
    frame, table = getattr(results, name), FRAMES[name]
    assert list(frame.columns) == table.names
    assert len(frame) > 0
    assert not frame.duplicated(list(table.key)).any()
    for column in table.columns:
        assert column.meaning, column.name
        kind = frame[column.name].dtype.kind
        assert kind == ("M" if column.is_time else "f" if column.is_number else kind), column.name
    told = results.describe(name)
    assert told["column"].tolist() == table.names


def test_runs_hold_what_the_logs_and_the_parts_say(results: Results) -> None:
    runs = results.runs.set_index("run_id")
    logged = results.logs["runs"].set_index("run_id")
    assert runs.index.tolist() == results.logs["runs"]["run_id"].tolist()
    pd.testing.assert_series_equal(runs["copies_good"], logged["copies_good"])
    assert (runs["pages_printed"] == logged["pages"] * logged["copies_gross"]).all()
    run = runs.iloc[40]
    webs = results.logs["run_webs"].query("run_id == @run.name")
    assert run["webs"] == len(webs)
    lasted = logged.iloc[40]["finished_at"] - logged.iloc[40]["started_at"]
    assert run["hours"] == pytest.approx(lasted / pd.Timedelta(hours=1))
    film = results["ink_model"].set_index(["ink", "term"])["estimate"]
    solid = results.logs["coverage"].set_index(["run_id", "ink"])["solid_pages"][run.name, "black"]
    page = logged.iloc[40]["page_width_mm"] * logged.iloc[40]["page_height_mm"] / 1e6
    area = solid * page * run["copies_gross"]
    assert run["black_m2"] == pytest.approx(area)
    expected = area * film["black", "film_g_m2"] / 1000 + film["black", "startup_kg_per_run"]
    assert run["black_kg"] == pytest.approx(expected)


def test_waste_is_the_same_in_runs_weeks_and_the_published_balance(results: Results) -> None:
    """One rule for waste: mounted less good copies and their share of heavy paper."""
    published = results["paper_balance"].groupby("week")[["mounted_kg", "strip_kg", "reel_end_kg"]].sum()
    weeks = results.weeks.set_index("week")
    for name in published:
        np.testing.assert_allclose(weeks[name].reindex(published.index), published[name])
    by_run = results.runs.groupby("week")["wasted_kg"].sum()
    np.testing.assert_allclose(weeks["wasted_kg"], by_run.reindex(weeks.index), rtol=1e-9)


def test_what_runs_spoil_is_shared_among_their_mounts_without_a_rest(results: Results) -> None:
    mounts = results.mounts.groupby("run_id")[["startup_kg", "running_kg", "strip_kg"]].sum()
    runs = results.runs.set_index("run_id").reindex(mounts.index)
    for name in mounts:
        np.testing.assert_allclose(mounts[name], runs[name], atol=1e-9)
    reels = results.reels.set_index(["supplier", "reel_id"])
    mine = results.mounts.groupby(["supplier", "reel_id"])["run_km"].sum()
    np.testing.assert_allclose(reels["run_km"].reindex(mine.index), mine)


def test_ink_intervals_hold_the_pages_of_the_runs_between_their_dips(results: Results) -> None:
    row = results.ink.query("ink == 'black'").iloc[30]
    runs = results.logs["runs"]
    between = runs[(runs["finished_at"] > row["since"]) & (runs["finished_at"] <= row["read_at"])]
    assert row["pages_printed"] == (between["pages"] * between["copies_gross"]).sum()


def test_stock_and_forecast_say_what_is_published(results: Results) -> None:
    stock, cover = results.stock.set_index("material"), results["stock_cover"].set_index("material")
    pd.testing.assert_series_equal(stock["quantity"], cover["quantity"].reindex(stock.index))
    assert stock.loc["N1200", "risk"] == results.risk["N1200"]
    opened = results.open_orders
    expected = opened[opened["material"] == "N1200"]["quantity"].sum()
    assert expected > 0
    assert stock.loc["N1200", "on_order"] == expected
    unknown = opened.assign(quantity=np.nan)
    assert np.isnan(on_order(results.logs, unknown, pd.Series(["N1200"]))).all()
    ahead = results.forecast.dropna(subset="mean").set_index(["material", "week"])
    said = results["demand_forecast"].set_index(["material", "week"])
    pd.testing.assert_series_equal(ahead["mean"].sort_index(), said["mean"].sort_index())
    past = results.forecast.dropna(subset="used")
    assert past["week"].max() < said.index.get_level_values("week").min()


def test_without_a_table_its_frames_are_empty_or_blank(tmp_path: Path) -> None:
    tables = small_tables(21)
    bare = open_results(
        write_small_plant(tmp_path / "logs", {name: tables[name] for name in ("runs", "run_webs")})
    )
    for name, table in FRAMES.items():
        assert list(getattr(bare, name).columns) == table.names
    assert bare.runs["wasted_kg"].isna().all()
    assert bare.weeks["copies_good"].notna().all()
    with pytest.raises(ValueError, match="too short for a forecast"):
        dataclasses.replace(bare, outlook=None).what_if({})


def test_descriptions_are_found_by_a_word_and_by_a_name_misspelt(results: Results) -> None:
    found = described("splices")
    assert {"reel_ends", "reel_mounts"} & set(found["table"])
    assert described("SPLICES").equals(found)
    assert len(described()) > len(found)
    assert {"frame", "published", "logs"} == set(results.describe()["sort"])
    with pytest.raises(KeyError, match="did you mean ink_watch"):
        results.describe("ink_wach")


# --- a model as general libraries show one ----------------------------------------------------------


def test_an_ink_fit_is_the_generalised_least_squares_of_a_general_library(results: Results) -> None:
    """statsmodels.api.GLS with the covariance of the readings gives the same estimates, and errors at that scale."""
    fit = results.ink_fits["black"]
    used = fit.rows["used_kg"].to_numpy()
    same = sm.GLS(used, fit.design, sigma=fit.reading_covariance()).fit()
    np.testing.assert_allclose(same.params, fit.fit.estimate, rtol=1e-6)
    np.testing.assert_allclose(same.normalized_cov_params, fit.fit.covariance, rtol=1e-5)
    published = results["ink_model"].query("ink == 'black'").set_index("term")
    limits = fit.conf_int()
    np.testing.assert_allclose(limits["ci_low"], published.loc[limits.index, "ci_low"])
    assert (fit.conf_int(0.2)["ci_low"] > limits["ci_low"]).all()
    np.testing.assert_allclose(fit.bse, published.loc[limits.index, "std_error"])
    row = pd.DataFrame({"solid_m2": [2000.0], "starts": [3.0], "days": [1.0]})
    assert fit.terms == ("film_g_m2", "startup_kg_per_run", "standing_kg_per_day")
    assert fit.predict(row).iloc[0] == pytest.approx(fit.params @ np.array([2.0, 3.0, 1.0]))
    shown = str(fit.summary())
    assert "film_g_m2" in shown
    assert f"{fit.params.iloc[0]:.4f}" in shown


# --- rates --------------------------------------------------------------------------------------


def weekly(values: list[float], sizes: list[float]) -> pd.DataFrame:
    days = pd.date_range("2025-01-06", periods=len(values), freq="7D")
    return pd.DataFrame({"date": days, "title": "Daily", "kg": values, "size": sizes})


def test_a_rate_of_equal_weeks_has_the_interval_of_their_mean() -> None:
    """With weeks of one size it is a mean: Student's t interval of a general library (scipy.stats)."""
    values = [3.0, 5.0, 4.0, 8.0, 5.5]
    row = rate_by(weekly(values, [2.0] * 5), ["title"], "kg", "size").iloc[0]
    low, high = stats.t.interval(0.95, 4, np.mean(values) / 2, stats.sem(values) / 2)
    assert (row["rate"], row["ci_low"], row["ci_high"]) == pytest.approx((np.mean(values) / 2, low, high))
    assert (row["kg"], row["size"], row["weeks"]) == (25.5, 10.0, 5.0)


def test_the_interval_of_a_rate_holds_it_about_as_often_as_it_says() -> None:
    """Weeks of differing size: 95 % of the intervals of 150 draws hold the truth, within four standard errors."""
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(150):
        sizes = rng.uniform(50, 150, 26)
        found = rate_by(
            weekly(list(rng.normal(0.04, 0.01, 26) * sizes), list(sizes)), ["title"], "kg", "size"
        )
        held += bool(found.loc[0, "ci_low"] <= 0.04 <= found.loc[0, "ci_high"])
    assert abs(held / 150 - 0.95) < 4 * np.sqrt(0.95 * 0.05 / 150)


def test_a_group_of_one_week_has_no_interval_and_a_wrong_column_a_name() -> None:
    row = rate_by(weekly([3.0], [2.0]), ["title"], "kg", "size").iloc[0]
    assert row["rate"] == 1.5
    assert np.isnan(row["ci_low"])
    with pytest.raises(KeyError, match="did you mean size"):
        rate_by(weekly([3.0], [2.0]), ["title"], "kg", "sizes")


def test_half_years_follow_on_each_other_and_have_as_many_sundays(results: Results) -> None:
    before, now = halves(results.logs)
    assert now.last == results.logs.as_of
    assert now.first == before.last + pd.Timedelta(days=1)
    for span in (before, now):
        assert len(pd.date_range(span.first, span.last)) == 182


# --- what if, on some days only ---------------------------------------------------------------------


def test_an_assumption_for_some_weekdays_changes_those_and_their_sum_is_that_for_all(
    results: Results,
) -> None:
    assert results.outlook is not None
    recipe = results.outlook.recipe
    days = pd.date_range(results.outlook.weeks[0], periods=28, freq="D", unit="us")
    known = pd.Timestamp(recipe.drivers.last)
    plain = driver_days(recipe, known, days)
    every = driver_days(recipe, known, days, WhatIf(pages={"Daily": 4})) - plain
    parts = {
        name: driver_days(recipe, known, days, WhatIf(pages={"Daily": 4}, weekdays=(name,))) - plain
        for name in days.day_name().unique()
    }
    for name, part in parts.items():
        assert (part.loc[days.day_name() != name].fillna(0.0) == 0).all(axis=None)
    np.testing.assert_allclose(sum(part.fillna(0.0) for part in parts.values()), every.fillna(0.0), atol=1e-9)
    late = driver_days(recipe, known, days, WhatIf(pages={"Daily": 4}, first=days[14], last=days[20])) - plain
    np.testing.assert_allclose(late.iloc[14:21].fillna(0.0), every.iloc[14:21].fillna(0.0), atol=1e-9)
    assert (late.drop(late.index[14:21]).fillna(0.0) == 0).all(axis=None)
    nothing = driver_days(
        recipe, known, days, WhatIf(pages={"Daily": 4}, first=days[-1] + pd.Timedelta(days=1))
    )
    pd.testing.assert_frame_equal(nothing, plain)
    with pytest.raises(ValueError, match="no weekday is called 'Caturday'"):
        WhatIf(weekdays=("Caturday",))


def test_what_if_looks_at_the_days_that_are_asked_for(results: Results) -> None:
    assert results.outlook is not None
    first = results.outlook.weeks[2]
    last = first + pd.Timedelta(days=6)
    more = {"more": WhatIf(pages={"Daily": 4})}
    week = results.what_if(more, first=first, last=last).set_index("material").loc["N1200"]
    _, mean = results.outlook.day_paths(2, pd.date_range(first, last, unit="us"))
    assert week["expected"] == pytest.approx(mean[results.outlook.names.index("N1200")].sum())
    assert week["need_low"] < week["expected"] + week["change"] < week["need_high"]
    assert week["q05"] < week["cost"] < week["q95"]
    with pytest.raises(ValueError, match="not within the forecast"):
        results.what_if(more, first=FIRST_DAY)


# --- blocks and sliders ---------------------------------------------------------------------------


def test_blocks_carry_their_frame_and_a_figure_that_can_be_changed(results: Results) -> None:
    block = pages.paper_balance.streams(results)
    assert isinstance(block.frame, pd.DataFrame)
    figure = block.figure
    assert isinstance(figure, go.Figure)
    assert len(figure.data) > 0
    assert figure.update_layout(height=700).layout.height == 700
    assert block.figure.layout.height != 700


def test_sliders_begin_at_the_defaults_and_call_anew_when_moved() -> None:
    widgets = pytest.importorskip("ipywidgets")
    asked = []
    shown = by_hand(
        lambda pages=48, ink="black": asked.append((pages, ink)), pages=(8, 96, 8), ink=["black", "cyan"]
    )
    slider, words, _ = shown.children
    assert isinstance(slider, widgets.IntSlider)
    assert (slider.min, slider.max, slider.step) == (8, 96, 8)
    slider.value, words.value = 56, "cyan"
    assert asked == [(48, "black"), (56, "black"), (56, "cyan")]
    with pytest.raises(ValueError, match=r"pages = 4 is not within \(8, 96, 8\)"):
        by_hand(lambda pages=4: pages, pages=(8, 96, 8))


def test_without_widgets_it_is_a_plain_call(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def missing(name: str, *others: object) -> object:
        if name == "ipywidgets":
            raise ImportError(name)
        return real(name, *others)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", missing)
    assert by_hand(lambda pages=48: pages * 2, pages=(8, 96, 8)) == 96


# --- what by hand is asked -------------------------------------------------------------------------


def test_what_one_run_takes_of_ink_is_film_times_solid_and_a_start(results: Results) -> None:
    runs = results.logs["runs"]
    page = (runs["page_width_mm"] * runs["page_height_mm"] / 1e6).median()
    row = results.run_ink(copies=30_000, pages=32, coverage=1.5).set_index("ink").loc["black"]
    solid = results.ink_exposure.query("ink == 'black'")["solid_m2"].sum()
    known = runs[runs["run_id"].isin(results.ink_exposure["run_id"])]
    printed = known["copies_gross"] * known["pages"] * known["page_width_mm"] * known["page_height_mm"] / 1e6
    film, start = results.ink_fits["black"].params.iloc[:2]
    asked = 30_000 * 32 * page * 1.5 * solid / printed.sum()
    assert row["mean"] == pytest.approx(asked * film / 1000 + start)
    assert row["low"] < row["mean"] < row["high"]
    assert results.mean_coverage()["black"] == pytest.approx(solid / printed.sum())


def test_a_lighter_and_a_narrower_paper_take_less_in_proportion(results: Results) -> None:
    listed = results.logs["materials"].set_index("material").loc["N1200"]
    forecast = results["demand_forecast"].query("material == 'N1200'").head(4)
    one = results.paper_change("N1200", -1, -30, weeks=4).iloc[0]
    lighter = (
        (listed["grammage_gsm"] - 1) / listed["grammage_gsm"] * (listed["width_mm"] - 30) / listed["width_mm"]
    )
    assert one["change_t"] == pytest.approx((lighter - 1) * one["expected_t"])
    assert one["expected_t"] == pytest.approx(forecast["mean"].sum() / 1000, rel=0.02)
    assert one["cost"] == pytest.approx(one["change_t"] * 1000 * listed["unit_price"], rel=0.1)
    assert one["q05"] < one["cost"] < one["q95"] < 0
    with pytest.raises(KeyError, match="no newsprint is called 'black'"):
        results.paper_change("black")


def test_another_splice_setting_costs_its_paper_and_its_failures() -> None:
    """By hand: exp(-L / 5 m) of 100 splices a year fail, each for 400, whose lengths L do not scatter."""
    curve = FailureCurve(
        True, "", 100, 5, 0.0, 5.0, pd.DataFrame({"sure_m": [0.0, -5.0], "falls_m": [5.0, 5.0]}), 1, 1
    )
    table = pd.DataFrame(
        {"material": ["N"], "current_m": [10.0], "scatter_m": [1e-6], "metre_cost_per_year": [50.0]}
    )
    costs = pd.DataFrame({"material": ["N", "N"], "metres": [0.0, 0.5], "paper": [0.0, 0.25]})
    study = SpliceStudy(curve, table, costs, pd.DataFrame())
    now, tried = (row for _, row in study.cost_of("N", 20.0, 400.0).iterrows())
    assert (now["paper"], tried["paper"]) == (500, 1000)
    expected = {metres: 100 * 400 * np.exp(-metres / 5) for metres in (10, 15, 20, 25)}
    assert (now["failures"], tried["failures"]) == pytest.approx((expected[10], expected[20]))
    assert tried["change"] == pytest.approx(500 + expected[20] - expected[10])
    assert (tried["low"], tried["high"]) == pytest.approx(
        (tried["change"], 500 + expected[25] - expected[15])
    )
    blind = dataclasses.replace(study, curve=dataclasses.replace(curve, told=False))
    assert blind.cost_of("N", 20.0, 400.0)[["failures", "change"]].isna().all(axis=None)
    with pytest.raises(KeyError, match="no splice of 'M'"):
        study.cost_of("M", 20.0, 400.0)


def test_help_of_the_package_leads_to_results_and_the_notebook_to_begin_with() -> None:
    shown = pydoc.render_doc(pressstats, renderer=pydoc.plaintext)
    for lead in ("open_results", "results.describe()", "begin_here.ipynb"):
        assert lead in shown
