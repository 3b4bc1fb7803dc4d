"""What the ink model leaves out is found where it is planted, and rarely where it is not."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pressstats.ink import adequacy, influence, robust_estimate
from pressstats.ink.adequacy import EXTENSIONS, whitened_model
from pressstats.ink.model import dip_pattern, fit_ink, ink_design


def plant(seed, *, press=0.0, coverage=0.0, per_year=0.0, dip_kg=15.0, nights=400):
    """Simulate nights of one to three runs; film weight differs as asked for. Return logs, exposure, intervals."""
    rng = np.random.default_rng(seed)
    count = rng.integers(1, 4, nights)
    night = np.repeat(np.arange(nights), count)
    n = len(night)
    first = pd.Timestamp("2024-01-01")
    runs = pd.DataFrame(
        {
            "run_id": [f"r{i}" for i in range(n)],
            "finished_at": first + pd.to_timedelta(24.0 * night + 2 + rng.uniform(0, 2, n), unit="h"),
            "press": rng.choice(["P1", "P2"], n),
            "title": rng.choice(["Lamp", "Bell", "Oar"], n),
            "production": rng.choice(["straight", "collect"], n),
            "copies_gross": rng.uniform(20_000, 60_000, n).round(),
            "pages": rng.choice([24.0, 32.0, 48.0], n),
            "page_width_mm": 315.0,
            "page_height_mm": 470.0,
        }
    )
    share = rng.uniform(0.1, 0.3, n)
    solid = runs["copies_gross"] * runs["pages"] * 0.315 * 0.47 * share
    film = 1.4 * (
        1 + press * (runs["press"] == "P2") + coverage * (share - 0.2) / 0.058 + per_year * night / 365.25
    )
    used = (film * solid / 1000 + 6.0) * (1 + rng.normal(0, 0.05, n))
    ends = pd.date_range(first + pd.Timedelta(hours=6), periods=nights, unit="us")
    sums = pd.DataFrame(
        {"night": night, "solid_m2": solid, "solid_squared": solid**2, "starts": 1.0, "used": used}
    )
    sums = sums.groupby("night").sum().iloc[1:]
    dips = rng.normal(0, dip_kg, nights)
    rows = pd.DataFrame({"since": ends[:-1], "read_at": ends[1:]}).assign(
        solid_m2=sums["solid_m2"].to_numpy(),
        solid_squared=sums["solid_squared"].to_numpy(),
        starts=sums["starts"].to_numpy(),
        days=1.0,
        used_kg=sums["used"].to_numpy() + 10.0 + dips[:-1] - dips[1:],
        why="",
    )
    exposure = runs[["run_id", "finished_at"]].assign(ink="black", solid_m2=solid, starts=1.0)
    return {"runs": runs}, exposure, rows


def judged(seed, **planted):
    logs, exposure, rows = plant(seed, **planted)
    fit = fit_ink("black", rows)
    assert fit is not None
    return adequacy(logs, exposure, {"black": fit}).set_index("extension"), fit, logs, exposure


def test_every_doubt_is_tested():
    table, *_ = judged(1)
    assert set(table.index) == set(EXTENSIONS)
    assert table["p_adjusted"].between(0, 1).all()
    assert (table["p_adjusted"] >= table["p_value"]).all()


@pytest.mark.parametrize(("nights", "tested"), [(270, False), (280, True)])
def test_a_season_is_tested_from_three_quarters_of_a_year_on(nights, tested):
    # 0.75 x 365.25 = 274 days: a wave of the year that is fitted to fewer is carried through months that nobody saw.
    table, *_ = judged(1, nights=nights)
    assert ("season" in table.index) == tested
    assert set(EXTENSIONS) - set(table.index) <= {"season"}


def test_statistic_equals_dense_generalised_least_squares():
    table, fit, logs, exposure = judged(2, press=0.05)
    runs = exposure.merge(logs["runs"][["run_id", "press"]], on="run_id")
    commonest = runs.groupby("press")["solid_m2"].sum().idxmax()
    other = runs[runs["press"] != commonest]
    extra = np.array(
        [
            other.loc[
                (other["finished_at"] > row.since) & (other["finished_at"] <= row.read_at), "solid_m2"
            ].sum()
            for row in fit.rows.itertuples()
        ]
    )
    diagonal, beside = dip_pattern(fit.rows)
    dense = np.diag(fit.fit.dip_variance * diagonal + fit.fit.scatter_variance * fit.scatter)
    dense += np.diag(fit.fit.dip_variance * beside, 1) + np.diag(fit.fit.dip_variance * beside, -1)
    design = np.column_stack([ink_design(fit.rows), extra / 1000])
    # statsmodels 0.15: GLS(y, X, sigma=V).fit().f_test of the last coefficient
    other_fit = sm.GLS(fit.rows["used_kg"].to_numpy(), design, sigma=dense).fit()
    tested = other_fit.f_test([[0.0, 0.0, 0.0, 1.0]])
    assert table.loc["press", "statistic"] == pytest.approx(float(tested.fvalue), rel=1e-8)
    # The chance is averaged over the variances that the readings allow: near that of the likeliest.
    assert table.loc["press", "p_value"] == pytest.approx(float(tested.pvalue), abs=0.02)


@pytest.mark.parametrize(
    ("doubt", "planted", "change"),
    [
        ("press", {"press": 0.15}, 15.0),
        ("coverage", {"coverage": 0.10}, 10.0),
        ("time", {"per_year": 0.20}, 6.0),
    ],
)
def test_what_is_planted_is_found_and_sized(doubt, planted, change):
    # Time is in units of its own spread: 400 even nights are 1.095 years, of spread 0.316, so 20 % a year are 6.3 %.
    table, *_ = judged(3, **planted)
    assert table["p_adjusted"].idxmin() == doubt
    assert table.loc[doubt, "p_adjusted"] < 0.001
    assert table.loc[doubt, "change_pct"] == pytest.approx(change, rel=0.25)
    # In little more than a year a creep looks like a season, and the one is found with the other.
    others = table.drop(index=[doubt, "season"] if doubt == "time" else doubt)
    assert (others["p_adjusted"] > 0.01).all()


def test_nothing_is_found_where_nothing_is_planted():
    tables = [judged(100 + seed, nights=200, dip_kg=30.0)[0] for seed in range(40)]
    chances = np.concatenate([table["p_value"] for table in tables])
    # 240 tests at 5 %: 12 expected, and hardly ever more than 24.
    assert (chances < 0.05).sum() <= 24
    assert np.mean([(table["p_adjusted"] < 0.05).any() for table in tables]) <= 0.15


def test_influence_is_what_leaving_an_interval_out_does():
    _, fit, *_ = judged(5)
    table = influence(fit)
    design, response = whitened_model(fit)
    inverse = np.linalg.inv(design.T @ design)
    whole = inverse @ (design.T @ response)
    for place in (0, 17, 250):
        keep = np.arange(len(response)) != place
        without = np.linalg.lstsq(design[keep], response[keep], rcond=None)[0]
        shift = (whole[0] - without[0]) / np.sqrt(inverse[0, 0])
        assert table["film_shift"].iloc[place] == pytest.approx(shift, rel=1e-6, abs=1e-9)
    assert table["leverage"].sum() == pytest.approx(3.0)


def test_robust_estimate_is_moved_less_by_a_wild_reading():
    _, _, rows = plant(6)
    clean = fit_ink("black", rows)
    wild_rows = rows.copy()
    # One heavy night reads 400 kg too much.
    wild_rows.loc[wild_rows["solid_m2"].idxmax(), "used_kg"] += 400.0
    wild = fit_ink("black", wild_rows)
    assert clean is not None
    assert wild is not None
    assert abs(robust_estimate(wild)[0] - clean.estimate[0]) < abs(wild.estimate[0] - clean.estimate[0])
    np.testing.assert_allclose(robust_estimate(clean), clean.estimate, rtol=0.1)


def test_one_press_and_one_title_leave_their_doubts_out():
    logs, exposure, rows = plant(7)
    logs["runs"] = logs["runs"].assign(press="P1", title="Lamp")
    fit = fit_ink("black", rows)
    assert fit is not None
    table = adequacy(logs, exposure, {"black": fit})
    assert not {"press", "title"} & set(table["extension"])
