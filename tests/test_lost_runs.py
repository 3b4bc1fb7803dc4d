"""What a run that was set aside whole, or coverage that is there in part, must not do to sums and models."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.ink import mean_use
from pressstats.logs import read_logs
from pressstats.past import past_forecasts
from pressstats.reels import reel_chain
from pressstats.results import Results, analyse

pytestmark = pytest.mark.usefixtures("few_draws")


def results_of(folder: Path, tables: dict[str, pd.DataFrame]) -> Results:
    logs = read_logs(write_small_plant(folder, tables))
    return analyse(logs, *past_forecasts(None, logs.as_of))


@pytest.fixture(scope="module")
def lost(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Eight weeks in which the run of the third Thursday says that more copies were good than printed."""
    tables = small_tables(56)
    tables["runs"].loc[tables["runs"]["run_id"] == "0171", "copies_good"] = 99_999.0
    # Counted before that run.
    tables["stock_counts"] = pd.DataFrame(
        [{"counted_on": FIRST_DAY + pd.Timedelta(days=14), "material": "N1200", "quantity": 60000.0}]
    )
    return results_of(tmp_path_factory.mktemp("lost"), tables)


def test_the_night_of_a_run_set_aside_is_told(lost: Results) -> None:
    assert lost.logs.lost_nights.tolist() == [FIRST_DAY + pd.Timedelta(days=17)]
    assert "0171" not in set(lost.logs["runs"]["run_id"])


def test_its_week_is_blank_not_low(lost: Results) -> None:
    assert lost.outlook is not None
    history = lost.outlook.history
    week = FIRST_DAY + pd.Timedelta(days=14)
    assert history.loc[week, ["N1200", "plate"]].isna().all()
    assert history.drop(index=week)[["N1200", "plate"]].notna().all(axis=None)


def test_stock_counted_before_it_is_not_known(lost: Results) -> None:
    row = lost.on_hand.set_index("material").loc["N1200"]
    assert np.isnan(row["quantity"])
    assert "set aside" in row["why"]


def test_the_interval_that_holds_it_says_nothing_of_the_ink_model(lost: Results) -> None:
    intervals = lost.ink_intervals
    touched = intervals[intervals["why"] == "a run that was set aside"]
    night = FIRST_DAY + pd.Timedelta(days=17)
    assert set(touched["ink"]) == {"black", "cyan"}
    half = pd.Timedelta(hours=12)
    assert ((touched["since"] < night + half) & (touched["read_at"] > night - half)).all()
    assert len(touched) <= 4


def test_levels_and_deliveries_make_the_use(lost: Results) -> None:
    rows = lost.ink_intervals
    used = rows["level_before_kg"] + rows["delivered_kg"] - rows["level_after_kg"]
    pd.testing.assert_series_equal(used, rows["used_kg"], check_names=False)
    assert rows["delivered_kg"].sum() == 300.0


def coverage_of(tables: dict[str, pd.DataFrame], runs: pd.Series) -> dict[str, pd.DataFrame]:
    coverage = tables["coverage"]
    return tables | {"coverage": coverage[coverage["run_id"].isin(runs)].reset_index(drop=True)}


@pytest.mark.parametrize("part", ["one press", "every other run"])
def test_coverage_in_part_is_no_crash_and_no_thinner_mean(part: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    tables = small_tables(150)
    tables["coverage"]["solid_pages"] *= rng.uniform(0.8, 1.2, len(tables["coverage"]))
    runs = tables["runs"]
    kept = runs.loc[runs["press"] == "P1", "run_id"] if part == "one press" else runs["run_id"].iloc[::2]
    results = results_of(tmp_path, coverage_of(tables, kept))
    assert set(results.ink_exposure.loc[results.ink_exposure["solid_m2"].isna(), "run_id"]) == set(
        runs["run_id"]
    ) - set(kept)
    # 1.6 solid pages of 16 are 10 % of black, whoever else was not covered.
    covered = results.mean_coverage()
    assert covered["black"] == pytest.approx(0.10, rel=0.03)


def test_unlogged_deliveries_are_found_without_a_model(tmp_path: Path) -> None:
    tables = small_tables(60)
    del tables["coverage"]
    dips = tables["tank_readings"]
    # 500 kg come into K1 on the thirtieth day, and nobody logs them.
    late = (dips["tank"] == "K1") & (dips["read_at"] >= FIRST_DAY + pd.Timedelta(days=30))
    dips.loc[late, "level_kg"] += 500.0
    # A digit slips on the fortieth.
    slip = (dips["tank"] == "C1") & (dips["read_at"].dt.normalize() == FIRST_DAY + pd.Timedelta(days=40))
    dips.loc[slip, "level_kg"] += 270.0
    results = results_of(tmp_path, tables)
    found = {(one.ink, one.kind): one for one in results.ink_findings}
    assert set(found) == {("black", "step"), ("cyan", "misread dip")}
    assert found["black", "step"].extra_kg == pytest.approx(-500, abs=10)
    assert found["cyan", "misread dip"].size == pytest.approx(270, abs=10)
    # Neither bends the mean use: 8.954 kg of black a day as without them.
    plain = mean_use(results.logs, results.ink_intervals).set_index("ink")
    assert plain.loc["black", "kg_per_day"] == pytest.approx((7 * 8.68 + 1.92) / 7, rel=0.02)
    assert (results["ink_watch"]["signal"] != "").sum() == 2


def test_a_reel_of_a_mount_that_was_set_aside_is_neither_in_the_store_nor_lost_by_it(tmp_path: Path) -> None:
    tables = small_tables(56)
    mounts = tables["reel_mounts"].sort_values("mounted_at")
    reel = ["supplier", "reel_id"]
    size = mounts.groupby(reel).size()
    mine = mounts.set_index(reel).index
    # Of one reel the last of its mounts is spoilt, of another the second of more, of a third the first.
    last, middle, first = size[size >= 3].index[:3]
    rows = [mounts.index[mine == last][-1], mounts.index[mine == middle][1], mounts.index[mine == first][0]]
    sound = reel_chain(read_logs(write_small_plant(tmp_path / "sound", tables))).set_index(reel)
    tables["reel_mounts"].loc[rows, "start_kg"] = 99_999.0
    logs = read_logs(write_small_plant(tmp_path / "spoilt", tables))
    assert set(map(tuple, logs.lost_mounts[reel].to_numpy())) == {last, middle, first}
    chain = reel_chain(logs).set_index(reel)
    assert np.isnan(chain.loc[last, "in_store_kg"])
    for one in (middle, first):
        assert chain.loc[one, "in_store_kg"] == sound.loc[one, "in_store_kg"]
    assert chain.loc[[last, middle, first], "store_loss_kg"].isna().all()
    others = chain.index.difference([last, middle, first])
    columns = ["store_loss_kg", "in_store_kg"]
    pd.testing.assert_frame_equal(chain.loc[others, columns], sound.loc[others, columns])


def test_a_reel_whose_only_mount_was_set_aside_is_not_in_the_store(tmp_path: Path) -> None:
    tables = small_tables(28)
    reel = ["supplier", "reel_id"]
    once = tables["reel_mounts"].groupby(reel).size().loc[lambda size: size == 1].index[0]
    mine = (tables["reel_mounts"]["supplier"] == once[0]) & (tables["reel_mounts"]["reel_id"] == once[1])
    tables["reel_mounts"].loc[mine, "start_kg"] = 99_999.0
    chain = reel_chain(read_logs(write_small_plant(tmp_path, tables))).set_index(reel)
    assert chain.loc[once, "mounts"] == 0
    assert np.isnan(chain.loc[once, "in_store_kg"])
