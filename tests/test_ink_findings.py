"""What departs from the model of an ink: statistics against dense algebra, kinds over simulated and planted faults."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from ink_simulation import DISTURBANCES, Habits, simulate_ink
from scipy import stats

from pressstats.ink import TERMS, Finding, InkFit, ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.ink.changes import Change
from pressstats.ink.findings import LASTING, NAMED, SINGLE, WINDOW, candidates
from pressstats.ink.model import dip_pattern, fit_ink
from pressstats.ink.score_tests import ScoreTests, on_known_scale
from pressstats.ink.windows import Window
from pressstats.logs import read_logs

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
FORTNIGHT = pd.Timedelta(days=14)


# --- statistics ------------------------------------------------------------------------------------


class Dense:
    """The same model, its covariance written out."""

    def __init__(self, score_tests: ScoreTests) -> None:
        self.score_tests = score_tests
        beside = score_tests.beside
        self.covariance = np.diag(score_tests.diagonal) + np.diag(beside, 1) + np.diag(beside, -1)

    def judge(self, regressor: np.ndarray) -> tuple[float, float]:
        """Coefficient of one more regressor and its squared statistic, the covariance being known.

        statsmodels.api.GLS(use, [design, regressor], sigma=V).fit(): params and normalized_cov_params,
        which is the covariance of the estimates without the overall variance that it estimates.
        """
        score_tests = self.score_tests
        design = np.column_stack([score_tests.design, regressor])
        other = sm.GLS(score_tests.response, design, sigma=self.covariance).fit()
        return other.params[-1], other.params[-1] ** 2 / other.normalized_cov_params[-1, -1]


def score_tests_of(gaps: bool, extra: bool) -> tuple[ScoreTests, pd.DataFrame]:
    rows, _ = simulate_ink(np.random.default_rng(8), Habits(days=70), DISTURBANCES["step"])
    if gaps:
        rows = rows.drop(index=[5, 6, 30, 51]).reset_index(drop=True)
    windows = [Window("solid_m2", rows["since"].iloc[40], rows["read_at"].iloc[52])] if extra else []
    fit = fit_ink("black", rows, windows)
    assert fit is not None
    assert fit.design.shape[1] == 3 + extra
    diagonal, beside = dip_pattern(rows)
    covariance = 3600.0 * diagonal + 0.0036 * fit.scatter, 3600.0 * beside
    return ScoreTests(*covariance, fit.design, rows["used_kg"].to_numpy()), rows


@pytest.mark.parametrize("gaps", [False, True])
@pytest.mark.parametrize("extra", [False, True])
def test_statistics_are_those_of_one_more_regressor(gaps: bool, extra: bool) -> None:
    score_tests, rows = score_tests_of(gaps, extra)
    dense, count = Dense(score_tests), len(rows)
    one = np.eye(count)
    steps = np.array([dense.judge(one[row]) for row in range(count)]).T
    np.testing.assert_allclose(score_tests.steps(), steps, rtol=1e-8, atol=1e-10)
    misread = np.array([dense.judge(one[row] - one[row + 1]) for row in range(count - 1)]).T
    np.testing.assert_allclose(score_tests.misread(), misread, rtol=1e-8, atol=1e-10)
    first, last = (grid.ravel() for grid in np.meshgrid(np.arange(count), np.arange(count)))
    kept = (last >= first) & ((first + 3 * last) % 7 == 0) & (last - first < count - 1)
    kept &= (first != 40) | (last != 52)  # the window that is in the model already
    first, last = first[kept], last[kept]
    for exposure in (rows["solid_m2"].to_numpy() / 1000, rows["days"].to_numpy()):
        inside = (np.arange(count) >= first[:, None]) & (np.arange(count) <= last[:, None])
        windows = [dense.judge(np.where(row, exposure, 0.0)) for row in inside]
        told = score_tests.windows(exposure, first, last)
        np.testing.assert_allclose(told, np.array(windows).T, rtol=1e-8, atol=1e-10)


def test_a_regressor_that_is_in_the_model_has_no_statistic() -> None:
    score_tests, rows = score_tests_of(gaps=False, extra=True)
    again = score_tests.windows(rows["solid_m2"].to_numpy() / 1000, np.array([40]), np.array([52]))
    assert again[0][0] == 0
    assert again[1][0] == 0
    always = score_tests.windows(rows["days"].to_numpy(), np.array([0]), np.array([len(rows) - 1]))
    assert always[0][0] == 0
    assert always[1][0] == 0


# --- kinds, over simulated inks --------------------------------------------------------------------


def judged(kind: str, dip_kg: float, seed: int) -> tuple[list[Finding], pd.Timestamp, InkFit, pd.DataFrame]:
    habits = Habits(dip_kg=dip_kg, days=728)
    rows, since = simulate_ink(np.random.default_rng(seed), habits, DISTURBANCES[kind])
    out, fits, findings = judge_inks(rows)
    assert since is not None
    return findings, since, fits["black"], out


@pytest.mark.parametrize("dip_kg", [10.0, 40.0])
@pytest.mark.parametrize("kind", list(DISTURBANCES))
def test_a_disturbance_is_found_once_dated_and_hardly_ever_misnamed(kind: str, dip_kg: float) -> None:
    # Ten plants each; at full size: bench_ink.py kinds. Of those named, one in a hundred is named wrongly.
    found, wrong = 0, 0
    for seed in range(10):
        findings, since, fit, _ = judged(kind, dip_kg, seed)
        if not findings:
            continue
        found += 1
        assert len(findings) == 1
        assert abs(findings[0].since - since) <= FORTNIGHT
        wrong += findings[0].kind not in (kind, "change")
        # Terms are those of the time without the disturbance.
        assert (abs(fit.estimate - Habits().terms) < 4 * fit.std_error).all()
    assert found >= 9
    assert wrong <= 1


def test_what_is_clear_is_named() -> None:
    for kind in ("step", "misread dip"):
        findings, _, _, _ = judged(kind, 20.0, 3)
        assert findings[0].kind == kind
        assert findings[0].statistic - findings[0].rival >= NAMED
    assert judged("step", 20.0, 3)[0][0].extra_kg == pytest.approx(-180.0, abs=60)
    misread = judged("misread dip", 20.0, 3)[0][0]
    assert misread.size == pytest.approx(900.0, abs=80)
    assert misread.extra_kg == 0


def test_a_leak_and_a_drift_are_sized() -> None:
    leak = judged("leak", 10.0, 1)[0][0]
    assert leak.exposure == "days"
    assert leak.size == pytest.approx(14.0, rel=0.3)
    assert leak.extra_kg == pytest.approx(14.0 * 21, rel=0.3)
    drift = judged("drift", 10.0, 1)[0][0]
    assert drift.exposure == "solid_m2"
    assert drift.size == pytest.approx(0.12 * 1.42, rel=0.3)


def test_a_misread_dip_is_left_out_and_its_intervals_joined() -> None:
    rows, _ = simulate_ink(np.random.default_rng(3), Habits(days=364), DISTURBANCES["misread dip"])
    out, fits, findings = judge_inks(rows)
    dip = findings[0].until
    assert len(out) == len(rows) - 1
    assert dip not in set(out["read_at"])
    exposures = ["used_kg", "solid_m2", "solid_squared", "starts", "days"]
    np.testing.assert_allclose(out[exposures].sum(), rows[exposures].sum(), rtol=1e-12)
    joined = out[(out["since"] < dip) & (out["read_at"] > dip)]
    assert len(joined) == 1
    assert (out["since"].iloc[1:].to_numpy() == out["read_at"].iloc[:-1].to_numpy()).all()
    # What is left is the model of the history without that dip.
    without = fit_ink("black", out)
    assert without is not None
    np.testing.assert_allclose(fits["black"].fit.estimate, without.estimate, rtol=1e-9)


def test_a_step_is_set_aside_and_shown_as_logged() -> None:
    rows, _ = simulate_ink(np.random.default_rng(3), Habits(days=364, dip_kg=20.0), DISTURBANCES["step"])
    out, _, findings = judge_inks(rows)
    aside = out[out["why"] != ""]
    assert len(aside) == 1
    assert aside["since"].iloc[0] == findings[0].since
    pd.testing.assert_series_equal(out["used_kg"], rows["used_kg"])


def test_undisturbed_inks_have_no_finding() -> None:
    # At full size: bench_ink.py false-alarms. The median of the largest statistics lies far below the limits.
    rng = np.random.default_rng(11)
    largest = []
    for number in range(24):
        habits = Habits(days=728, dip_kg=(10.0, 60.0)[number % 2], daily_kg=(130.0, 520.0)[number // 2 % 2])
        rows, _ = simulate_ink(rng, habits)
        _, fits, findings = judge_inks(rows)
        assert findings == []
        best = candidates(fits["black"])
        largest.append(
            [max(f.statistic for f, places in best if bool(places) == one) for one in (True, False)]
            + [f.statistic for f, _ in best if isinstance(f, Change)]
        )
    single, window, lasting = np.median(largest, axis=0)
    assert 9 < single < SINGLE - 6
    assert 7 < window < WINDOW - 5
    assert 3 < lasting < LASTING - 10
    # What is meant to be found: 4 % more film for thirty weeks of sixty comes out at 27 to 52.
    assert LASTING < 20


@pytest.mark.parametrize(("days", "every"), [(20, 1), (60, 1), (364, 28), (1092, 28)])
def test_a_load_that_nobody_logged_is_found_in_a_short_history_too(days: int, every: int) -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=days, every=every, dip_kg=20, missed=0.0))
    rows.loc[len(rows) // 2, "used_kg"] -= 6000.0
    out, _, findings = judge_inks(rows)
    assert [finding.kind for finding in findings] == ["step"]
    assert findings[0].since == rows["since"].iloc[len(rows) // 2]
    assert findings[0].extra_kg == pytest.approx(-6000, abs=200)
    assert list(out.index[out["why"] != ""]) == [len(rows) // 2]


@pytest.mark.parametrize("freedom", [6, 20, 100, 1000])
def test_statistics_are_put_on_the_scale_of_a_known_variance(freedom: int) -> None:
    # scipy.stats: the normal quantile of the tail of Student's t with the suspect left out of the variance.
    share = np.array([0.01, 0.1, 0.3])
    squared_t = (freedom - 1) * share / (1 - share)
    expected = stats.norm.isf(stats.t.sf(np.sqrt(squared_t), freedom - 1)) ** 2
    np.testing.assert_allclose(on_known_scale(share * freedom, freedom), expected, rtol=0.01)


def test_rare_dips_and_short_histories_are_judged_too() -> None:
    for days, every in ((40, 1), (1092, 28), (200, 7)):
        rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=days, every=every, missed=0.0))
        out, _, findings = judge_inks(rows)
        assert findings == []
        assert len(out) == len(rows)
    nothing = rows.iloc[:0]
    assert judge_inks(nothing)[1:] == ({}, [])
    assert judge_inks(nothing)[0].empty


# --- planted faults of the invented plant ----------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> tuple[pd.DataFrame, dict[str, InkFit], list[Finding]]:
    logs = read_logs(DEMO)
    return judge_inks(ink_intervals(logs, ink_exposure(logs)))


@pytest.fixture(scope="module")
def truths() -> dict:
    return json.loads((DEMO / "truths" / "truths.json").read_text(encoding="utf-8"))


def test_the_terms_of_the_invented_plant_lie_within_their_intervals(demo: tuple, truths: dict) -> None:
    intervals, fits, _ = demo
    model = ink_model(intervals, fits).set_index(["ink", "term"])
    assert set(fits) == {"black", "cyan", "magenta", "yellow"}
    for ink, terms in truths["ink"].items():
        for term in TERMS:
            row = model.loc[(ink, term)]
            assert row["ci_low"] <= terms[term] <= row["ci_high"], (ink, term, row)


def test_the_planted_faults_are_found_and_nothing_else(demo: tuple, truths: dict) -> None:
    findings = {finding.ink: finding for finding in demo[2]}
    assert len(demo[2]) == 3
    planted = {
        "black": (truths["black_gauge"]["from"], "step"),
        truths["leak"]["ink"]: (truths["leak"]["from"], "leak"),
        truths["magenta_film"]["ink"]: (truths["magenta_film"]["from"], "drift"),
    }
    assert set(findings) == set(planted)
    for ink, (since, kind) in planted.items():
        assert abs(findings[ink].since - pd.Timestamp(since)) <= FORTNIGHT, ink
        assert findings[ink].kind in (kind, "change"), ink
    leak, drift = truths["leak"], truths["magenta_film"]
    assert abs(findings[leak["ink"]].until - pd.Timestamp(leak["until"])) <= FORTNIGHT
    assert abs(findings[drift["ink"]].until - pd.Timestamp(drift["until"])) <= FORTNIGHT
    assert findings["black"].kind == "step"
    assert findings["black"].extra_kg == pytest.approx(-truths["black_gauge"]["shift_kg"], abs=60)
    assert findings[leak["ink"]].size == pytest.approx(leak["kg_per_day"], rel=0.25)
