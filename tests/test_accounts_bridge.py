"""Bridges: the log-mean Divisia index against published data, its limits, and changes that were planted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.accounts import (
    Span,
    bridge_of,
    lmdi_effects,
    logarithmic_mean,
    material_books,
    part_effects,
    valued_use,
)
from pressstats.results import Results, open_results
from pressstats.tables import OUTPUTS

pytestmark = pytest.mark.usefixtures("few_draws")

# --- the index ---------------------------------------------------------------------------------


def test_effects_of_the_two_sectors_of_ang_2005():
    """Energy of two sectors, 30 and 20 to 80 and 16; output 10 and 40 to 40 and 40. From memory of Ang (2005)."""
    energy, output = np.array([[30.0, 20.0], [80.0, 16.0]]), np.array([[10.0, 40.0], [40.0, 40.0]])
    sides = []
    for used, made in zip(energy, output, strict=True):
        sides.append(np.column_stack([np.full(2, made.sum()), made / made.sum(), used / made]))
    activity, structure, intensity = lmdi_effects(*sides).sum(axis=0)
    assert activity + structure + intensity == pytest.approx(46.0, abs=1e-9)
    assert activity == pytest.approx(32.4, abs=0.05)
    assert structure == pytest.approx(38.3, abs=0.05)
    assert intensity == pytest.approx(-24.7, abs=0.05)


def test_the_logarithmic_mean_lies_between_geometric_and_arithmetic():
    one, two = np.array([4.0, 5.0, 1.0, 0.0]), np.array([16.0, 5.0, 1.00001, 3.0])
    mean = logarithmic_mean(one, two)
    # (16 - 4) / ln 4
    assert mean[0] == pytest.approx(12 / np.log(4))
    assert mean[1] == 5.0
    assert np.sqrt(1.00001) <= mean[2] <= 1.000005
    assert mean[3] == 0.0


def test_near_values_keep_their_digits():
    from fractions import Fraction

    for step in (1e-3, 1e-5, 1e-9, 1e-13):
        last = 1.0 + step
        change = float(Fraction(last) - 1)
        series = 1 + change / 2 - change**2 / 12 + change**3 / 24
        assert logarithmic_mean(np.array([last]), np.array([1.0]))[0] == pytest.approx(series, rel=1e-12)


@pytest.mark.parametrize("zeros", [(0,), (1,), (0, 2)])
def test_zeros_are_the_limit_of_small_values(zeros: tuple[int, ...]):
    """The small-value strategy of Ang and Choi (1997) converges, slowly, to the analytical limit."""
    now = np.array([[2.0, 3.0, 5.0]])
    before = now.copy() * 1.5
    before[0, list(zeros)] = 0.0
    small = before.copy()
    small[0, list(zeros)] = 1e-280
    if len(zeros) == 1:
        limit = lmdi_effects(small, now)
        np.testing.assert_allclose(lmdi_effects(before, now), limit, atol=0.1)
    exact = lmdi_effects(before, now)[0]
    assert exact.sum() == pytest.approx(30.0)
    np.testing.assert_allclose(exact[list(zeros)], 30.0 / len(zeros))
    # The other way round is the same with the other sign.
    np.testing.assert_allclose(lmdi_effects(now, before)[0], -exact)


def test_a_thousand_pairs_add_up_whatever_begins_and_ends():
    rng = np.random.default_rng(3)
    for _ in range(1000):
        before, now = rng.lognormal(0, 1, (2, 12, 6))
        near = rng.random((12, 6)) < 0.3
        now[near] = before[near] * (1 + rng.normal(0, 1e-7, near.sum()))
        for side in (before, now):
            side[rng.random(12) < 0.2, 0] = 0.0
            gone = side[:, 0] == 0
            side[gone, 1:] = np.nan
        first, last = (np.nan_to_num(side).prod(axis=1) for side in (before, now))
        effects = lmdi_effects(before, now)
        np.testing.assert_allclose(effects.sum(axis=1), last - first, atol=1e-9)
        parts_before, parts_now = rng.normal(0.1, 0.2, (2, 12, 4))
        parts_before[:, 3], parts_now[:, 3] = (
            np.nan_to_num(side[:, 5], nan=1.0) - part[:, :3].sum(axis=1)
            for side, part in ((before, parts_before), (now, parts_now))
        )
        told = part_effects(first, last, parts_before, parts_now).sum(axis=1)
        both = (first > 0) & (last > 0)
        np.testing.assert_allclose(told[both], effects[both, 5], atol=1e-9)


# --- changes that were planted -----------------------------------------------------------------

#: The second of two weeks of the small plant is changed; both are whole weeks.
SECOND = FIRST_DAY + pd.Timedelta(days=7)
Change = Callable[[dict[str, pd.DataFrame]], None]


def made(folder: Path, change: Change | None = None, days: int = 14) -> Results:
    tables = small_tables(days)
    if change is not None:
        change(tables)
    return open_results(write_small_plant(folder / "logs", tables))


def effects_of(results: Results, of: str, between: str = "week") -> pd.DataFrame:
    table = results["bridge"]
    return table[(table["of"] == of) & (table["between"] == between)].set_index("effect")


def later(runs: pd.DataFrame) -> pd.Series:
    return runs["date"] >= SECOND


def assert_adds_up(table: pd.DataFrame) -> None:
    for (of, between), rows in table.groupby(["of", "between"]):
        for name in ("quantity", "cost"):
            difference = rows[f"{name}_now"].iloc[0] - rows[f"{name}_before"].iloc[0]
            assert rows[name].sum() == pytest.approx(
                difference, abs=1e-9 * max(rows[f"{name}_now"].iloc[0], 1)
            ), (of, between)


def test_a_night_that_is_not_printed_is_a_day_of_publication(tmp_path: Path):
    def closed(tables: dict[str, pd.DataFrame]) -> None:
        lost = tables["runs"].loc[tables["runs"]["date"] == SECOND + pd.Timedelta(days=2), "run_id"]
        for name in ("runs", "run_webs", "reel_mounts", "coverage"):
            tables[name] = tables[name][~tables[name]["run_id"].isin(lost)].reset_index(drop=True)

    results = made(tmp_path, closed)
    assert_adds_up(results["bridge"])
    paper = effects_of(results, "newsprint")
    runs = results.run_balance[results.run_balance["date"] == FIRST_DAY + pd.Timedelta(days=2)]
    assert paper.loc["days of publication", "quantity"] == pytest.approx(-runs["mounted_kg"].sum())
    assert paper.loc["copies", "quantity"] == pytest.approx(0.0, abs=1e-9)
    plates = effects_of(results, "plates")
    assert plates.loc["days of publication", "quantity"] == -64.0
    assert plates.loc["days of publication", "cost"] == pytest.approx(-64 * 3.0)


def test_a_title_that_ends_is_told_apart_from_a_night_that_was_not_printed(tmp_path: Path):
    def ended(tables: dict[str, pd.DataFrame]) -> None:
        lost = tables["runs"].loc[later(tables["runs"]) & (tables["runs"]["title"] == "Weekly"), "run_id"]
        for name in ("runs", "run_webs", "reel_mounts", "coverage"):
            tables[name] = tables[name][~tables[name]["run_id"].isin(lost)].reset_index(drop=True)

    results = made(tmp_path, ended)
    paper = effects_of(results, "newsprint")
    gone = results.run_balance.loc[results.run_balance["title"] == "Weekly", "mounted_kg"].sum()
    assert paper.loc["titles begun or ended", "quantity"] == pytest.approx(-gone)
    assert paper.loc["days of publication", "quantity"] == 0.0
    assert_adds_up(results["bridge"])


def test_plates_of_more_pages_and_of_remakes_are_told_apart(tmp_path: Path):
    def remade(tables: dict[str, pd.DataFrame]) -> None:
        runs = tables["runs"]
        runs.loc[later(runs), "plates"] = 72.0
        runs.loc[later(runs), "plates_remade"] = 8.0

    plates = effects_of(made(tmp_path, remade), "plates")
    runs = 8  # seven nights and a weekly
    assert plates.loc["remakes", "quantity"] == pytest.approx(8.0 * runs)
    assert plates.loc["pages", "quantity"] == pytest.approx(0.0, abs=1e-9)
    assert plates.loc["plates per page", "quantity"] == pytest.approx(0.0, abs=1e-9)


def test_start_up_waste_moves_its_own_stream_alone(tmp_path: Path):
    def more(tables: dict[str, pd.DataFrame]) -> None:
        runs = tables["runs"]
        daily = later(runs) & (runs["title"] == "Daily")
        # 200 more of the gross copies are start-up waste instead of not counted and running waste.
        runs.loc[daily, "copies_startup_waste"] += 200.0
        runs.loc[daily, "copies_running_waste"] -= 200.0

    results = made(tmp_path, more)
    paper = effects_of(results, "newsprint")
    kg = 7 * 200 * 0.96 * 0.045
    # The Weekly of the same night is unchanged, and so is what the two streams moved together.
    assert paper.loc["start-up waste", "quantity"] == pytest.approx(kg, rel=0.01)
    assert paper.loc["running waste", "quantity"] == pytest.approx(-kg, rel=0.01)
    assert_adds_up(results["bridge"])


def test_a_dearer_paper_is_price_and_nothing_else(tmp_path: Path):
    def dearer(tables: dict[str, pd.DataFrame]) -> None:
        rows = tables["deliveries"]
        # What was there ends with the first week; what comes then costs a tenth more.
        rows.loc[rows["delivery_id"] == "D1", "unit_price"] = 0.5
        rows.loc[rows["delivery_id"] == "D2", ["unit_price", "quantity"]] = [0.55, 60_000.0]
        for day in ("delivered_on", "promised_on"):
            rows.loc[rows["delivery_id"] == "D2", day] = SECOND
        rows.loc[rows["delivery_id"] == "D2", "delivered_at"] = SECOND
        kg = tables["reel_mounts"].merge(tables["runs"][["run_id", "date"]], on="run_id")
        used = (kg["start_kg"] - kg["returned_kg"])[kg["date"] < SECOND].sum()
        counts = tables["stock_counts"]
        tables["stock_counts"] = counts.iloc[:1].assign(quantity=used)

    results = made(tmp_path, dearer)
    assert_adds_up(results["bridge"])
    paper = effects_of(results, "newsprint")
    mounted = results.run_balance.groupby("week")["mounted_kg"].sum()
    mean = logarithmic_mean(mounted.iloc[[1]].to_numpy() * 0.55, mounted.iloc[[0]].to_numpy() * 0.5)
    told = paper.loc[["price", "mix of suppliers"], "cost"].sum()
    assert told == pytest.approx(float(mean[0]) * np.log(1.1), rel=0.01)
    assert paper.loc["mix of papers", "cost"] == pytest.approx(0.0, abs=1e-6)


def test_any_two_spans_add_up(tmp_path: Path):
    def uneven(tables: dict[str, pd.DataFrame]) -> None:
        rng = np.random.default_rng(8)
        runs = tables["runs"]
        runs["copies_good"] -= rng.integers(0, 900, len(runs))
        runs["plates"] += rng.integers(0, 9, len(runs))
        runs["plates_remade"] = rng.integers(0, 5, len(runs)).astype(float)

    results = made(tmp_path, uneven, 60)
    books = material_books(results.logs, results.use, OUTPUTS["ink_findings"].empty())
    spent = valued_use(results.use, books)
    from pressstats.paper import weighed_paper

    weighed, rng = weighed_paper(results.logs), np.random.default_rng(4)
    for _ in range(25):
        first, second = (
            FIRST_DAY + pd.to_timedelta(np.sort(rng.integers(0, 60, 2)), unit="D") for _ in range(2)
        )
        table = bridge_of(
            results.logs,
            weighed,
            results.ink_exposure,
            results["ink_model"],
            spent,
            Span(*first),
            Span(*second),
        )
        assert set(table["of"]) == {"newsprint", "ink", "plates"}
        assert_adds_up(table.assign(between="any"))


def test_a_month_is_held_against_its_budget(tmp_path: Path):
    def budgeted(tables: dict[str, pd.DataFrame]) -> None:
        month = pd.Timestamp("2025-04-01")
        rows = [("N1200", 60_000.0, 36_000.0), ("plate", 2_000.0, 5_000.0)]
        tables["budget"] = pd.DataFrame(rows, columns=["material", "quantity", "cost"]).assign(month=month)

    results = made(tmp_path, budgeted, 60)
    table = results["bridge"]
    table = table[table["between"] == "budget"]
    assert set(table["of"]) == {"newsprint", "plates"}
    assert_adds_up(table)
    close = results["month_close"].set_index(["month", "material"]).loc[(pd.Timestamp("2025-04-01"), "plate")]
    plates = table[table["of"] == "plates"].set_index("effect")
    assert plates.loc["volume", "quantity"] == pytest.approx(close["used"] - 2_000.0)
    # 2.50 budgeted, 3.00 paid, on a log mean of both costs.
    mean = logarithmic_mean(np.array([close["used_value"]]), np.array([5_000.0]))[0]
    assert plates.loc["price", "cost"] == pytest.approx(mean * np.log(3.0 / 2.5))
