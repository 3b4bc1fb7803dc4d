"""Logs in another unit: they are refused as a whole, and the unit is named; honest logs are not."""

from __future__ import annotations

import inspect
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from demo_plant import write_demo
from small_plant import small_tables, write_small_plant

from pressstats import ink, pages, paper, watch
from pressstats.cli import main
from pressstats.logs import LogsError, read_logs
from pressstats.past import past_forecasts
from pressstats.results import Results, analyse
from pressstats.watch.units_suspected import LENGTHS, WEIGHTS, fitting_unit, nearest_unit

pytestmark = pytest.mark.usefixtures("few_draws")

DEMO = Path(__file__).parent.parent / "data_demo"
CM, INCH, METRE = 1 / 10, 1 / 25.4, 1 / 1000  # what one millimetre is
POUND, TONNE = 1 / 0.45359237, 1 / 1000  # what one kilogram is
WEIGHED = ("start_kg", "returned_kg", "strip_kg", "butt_kg", "scrapped_kg")


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the logs of a year of the invented plant."""
    folder = tmp_path_factory.mktemp("plant") / "logs"
    write_demo(folder, years=1)
    return folder


def relogged(plant: Path, folder: Path, table: str, columns: tuple[str, ...], factor: float) -> Path:
    """Copy the invented plant with some columns of a table multiplied."""
    shutil.copytree(plant, folder)
    for path in folder.glob(f"{table}*.csv"):
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in columns:
            numbers = pd.to_numeric(rows[column], errors="coerce")
            rows[column] = (numbers * factor).round(5).astype(str).where(numbers.notna(), rows[column])
        rows.to_csv(path, index=False)
    for path in folder.glob(f"{table}*.parquet"):
        rows = pd.read_parquet(path)
        rows[list(columns)] *= factor
        rows.to_parquet(path)
    return folder


def gate(folder: Path) -> pd.DataFrame:
    logs = read_logs(folder)
    weighed = paper.weighed_paper(logs)
    exposure = ink.ink_exposure(logs)
    intervals, fits, _ = ink.judge_inks(ink.ink_intervals(logs, exposure))
    return watch.implausible(logs, weighed.runs, weighed.grammage, ink.ink_model(intervals, fits))


@pytest.mark.parametrize(
    ("table", "columns", "factor", "suspect", "refuses"),
    [
        ("run_webs", ("width_mm",), CM, "run_webs.width_mm in centimetres?", "everything"),
        ("run_webs", ("width_mm",), INCH, "run_webs.width_mm in inches?", "everything"),
        ("materials", ("width_mm",), CM, "materials.width_mm in centimetres?", "everything"),
        ("materials", ("grammage_gsm",), 1 / 1.6275, "materials.grammage_gsm in pounds a ream?", "paper"),
        ("reel_mounts", WEIGHED, POUND, "reel_mounts.start_kg in pounds?", "paper"),
        ("reel_mounts", WEIGHED, TONNE, "reel_mounts.start_kg in tonnes?", "paper"),
        ("reels", ("received_kg",), POUND, "reels.received_kg in pounds?", "paper"),
        ("tank_readings", ("level_kg",), POUND, "tank_readings.level_kg in pounds?", "ink"),
    ],
)
def test_another_unit_is_refused_and_named(
    year: Path,
    tmp_path: Path,
    table: str,
    columns: tuple[str, ...],
    factor: float,
    suspect: str,
    refuses: str,
) -> None:
    found = gate(relogged(year, tmp_path / "logs", table, columns, factor))
    assert len(found)
    assert found["suspect"].iloc[0] == suspect
    assert found["refuses"].iloc[0] == refuses
    # What the wrong unit does not touch is not refused.
    touched = {"paper", "ink", "demand"} if refuses == "everything" else {refuses}
    assert watch.refused_parts(found) == touched


@pytest.mark.parametrize(
    ("kind", "begins", "refuses"), [("newsprint", "N", "paper"), ("ink", "ink", "ink")], ids=["paper", "ink"]
)
def test_deliveries_in_another_unit_are_named(
    year: Path, tmp_path: Path, kind: str, begins: str, refuses: str
) -> None:
    folder = tmp_path / "logs"
    shutil.copytree(year, folder)
    for path in folder.glob("deliveries*.csv"):
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        mine = rows["material"].str.startswith(begins) & rows["quantity"].ne("")
        rows.loc[mine, "quantity"] = (rows.loc[mine, "quantity"].astype(float) * POUND).round(1).astype(str)
        rows.to_csv(path, index=False)
    found = gate(folder)
    assert found["suspect"].iloc[0] == f"deliveries.quantity of {kind} in pounds?"
    assert found["value"].iloc[0] == pytest.approx(POUND if kind == "newsprint" else 1 / POUND, rel=0.05)
    assert watch.refused_parts(found) == {refuses}


def test_the_invented_plant_is_plausible() -> None:
    found = gate(DEMO)
    assert found.empty
    assert watch.refused_parts(found) == frozenset()


@pytest.mark.parametrize(("bad", "refused"), [(1, False), (2, False), (3, True)])
def test_a_twentieth_of_a_table(tmp_path: Path, bad: int, refused: bool) -> None:
    """Three of 35 webs are more than a twentieth; two, of any table, are slips."""
    tables = small_tables()
    tables["coverage"].loc[: bad - 1, "solid_pages"] = 99.0  # more than the pages of its run
    found = gate(write_small_plant(tmp_path / "logs", tables))
    rows = found[found["what"] == "rows set aside or doubtful"]
    assert rows["subject"].tolist() == ["coverage"] * refused
    assert rows["refuses"].tolist() == ["ink"] * refused


def test_a_twentieth_is_not_more_than_a_twentieth(tmp_path: Path) -> None:
    tables = small_tables(30)  # 64 rows of coverage in 32 runs
    for bad, refused in ((3, False), (4, True)):  # 4.7 %, 6.2 %
        tables["coverage"].loc[: bad - 1, "solid_pages"] = 99.0
        found = gate(write_small_plant(tmp_path / f"logs{bad}", tables))
        assert ("coverage" in found["subject"].tolist()) == refused


def test_doubts_about_names_refuse_nothing(tmp_path: Path) -> None:
    """A press that plant.toml lacks and a title not printed yet leave every figure right."""
    tables = small_tables()
    tables["runs"].loc[tables["runs"]["press"] == "P1", "press"] = "P9"
    tables["plan"]["title"] = "Newcomer"
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    assert len(logs.warnings) > 15
    assert "runs" not in gate(tmp_path / "logs")["subject"].tolist()
    assert "plan" not in gate(tmp_path / "logs")["subject"].tolist()


@pytest.mark.parametrize(("film", "refused"), [(-0.37, True), (0.0, True), (0.01, False), (21.0, True)])
def test_a_film_weight_that_no_press_prints(tmp_path: Path, film: float, refused: bool) -> None:
    """As an ink without its deliveries would have it."""
    tables = small_tables()
    tables["deliveries"] = tables["deliveries"][tables["deliveries"]["material"] != "black"]
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    weighed = paper.weighed_paper(logs)
    model = pd.DataFrame({"ink": ["black"], "term": ["film_g_m2"], "estimate": [film]})
    found = watch.implausible(logs, weighed.runs, weighed.grammage, model)
    films = found[found["what"] == "film weight"]
    assert films["refuses"].tolist() == ["ink"] * refused
    assert films["suspect"].tolist() == ["deliveries of this ink are missing"] * refused


def test_lost_copies_are_no_unit(tmp_path: Path) -> None:
    """Less than 80 % of mounted paper in good copies is refused, and no unit is blamed for it."""
    tables = small_tables()
    tables["runs"]["copies_running_waste"] += 6000
    tables["runs"]["copies_good"] -= 6000
    tables["runs"] = tables["runs"][tables["runs"]["title"] == "Daily"]
    keep = tables["runs"]["run_id"]
    for name in ("run_webs", "reel_mounts", "coverage"):
        tables[name] = tables[name][tables[name]["run_id"].isin(keep)]
    found = gate(write_small_plant(tmp_path / "logs", tables))
    share = found[found["what"] == "mounted paper in good copies"]
    # 13,000 of 20,000 copies; strip, cores, threading and one damaged reel are a twelfth of what was mounted.
    assert share["value"].iloc[0] == pytest.approx(65 * 11 / 12, abs=2)
    assert (
        share["limit"].iloc[0] == 64
    )  # two weeks tell no grammage, so that the limit of 80 is a fifth wider
    assert "?" not in share["suspect"].iloc[0]


def test_runs_without_a_usable_row_are_an_error(tmp_path: Path) -> None:
    with pytest.raises(LogsError, match="page_width_mm"):
        read_logs(relogged(DEMO, tmp_path / "logs", "runs", ("page_width_mm",), CM))


def test_factors_of_units() -> None:
    # One inch is 25.4 mm and one pound 0.45359237 kg exactly (ISO 80000-3 and -4).
    assert nearest_unit(1 / 25.4, LENGTHS) == "inches"
    assert nearest_unit(0.1 * 1.19, LENGTHS) == "centimetres"
    assert nearest_unit(0.1 * 1.21, LENGTHS) == ""
    assert nearest_unit(1 / 0.45359237, WEIGHTS) == "pounds"
    assert nearest_unit(1.0, WEIGHTS) == ""
    assert nearest_unit(float("nan"), WEIGHTS) == ""


def test_a_unit_fits_only_where_ours_does_not() -> None:
    values = pd.Series([126.0, 94.5, 63.0]).to_numpy()
    assert fitting_unit(values, LENGTHS, lambda mm: (mm > 600) & (mm < 1300)) == "centimetres"
    assert fitting_unit(values, LENGTHS, lambda mm: mm > 0) == ""


# --- what is not derived ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def in_centimetres(year: Path, tmp_path_factory: pytest.TempPathFactory) -> Results:
    folder = relogged(year, tmp_path_factory.mktemp("cm") / "logs", "run_webs", ("width_mm",), CM)
    return analyse(read_logs(folder), *past_forecasts(None, pd.Timestamp("2025-10-26")))


def test_nothing_is_published_of_refused_logs(in_centimetres: Results) -> None:
    left = {name for name, table in in_centimetres.tables().items() if len(table)}
    told = {"exceptions", "rejected_rows", "stock_cover", "to_do", "warning_rows", "week_figures"}
    assert left == told
    states = in_centimetres["week_figures"].set_index("figure")["state"]
    assert set(states.drop(["logs", "standby"])) == {"unknown"}
    assert in_centimetres["to_do"]["exception"].str.startswith(("implausible logs", "standby test")).all()
    assert in_centimetres["stock_cover"]["quantity"].isna().all()
    kinds = set(in_centimetres["exceptions"]["kind"])
    assert kinds == {"implausible logs", "standby test"}


def test_pages_open_with_it_and_leave_out_what_rests_on_it(in_centimetres: Results) -> None:
    opening = pages.opening(in_centimetres)
    assert opening is not None
    assert "run_webs.width_mm in centimetres?" in opening.text.splitlines()[0]
    of_reels = (pages.reels, pages.reel_ends, pages.reel_store)
    of_need = (pages.demand, pages.demand_record)
    for page in (pages.paper_balance, *of_reels, pages.ink_use, pages.ink_checks, *of_need):
        for name in set(page.__all__) - {"key_figures", "reel_ages"}:
            function = getattr(page, name)
            parameters = list(inspect.signature(function).parameters)
            if parameters == ["results"]:
                assert function(in_centimetres).text.startswith("Left out: "), (page.__name__, name)
    assert pages.buying_outlook.headline(in_centimetres).text.startswith("Left out: it rests on forecasts")


def test_refused_paper_leaves_ink_and_plates(tmp_path: Path) -> None:
    tables = small_tables(60)
    tables["reel_mounts"][list(WEIGHED)] *= POUND
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    results = analyse(logs, *past_forecasts(None, logs.as_of))
    assert watch.refused_parts(results.implausible) == {"paper"}
    assert results["paper_balance"].empty
    assert len(results["ink_model"])
    stock = results["stock_cover"].set_index("material")["quantity"]
    assert np.isnan(stock["N1200"])
    assert stock["black"] > 0
    assert pages.paper_balance.headline(results).text.startswith("Left out: it rests on paper,")
    assert not pages.ink_use.headline(results).text.startswith("Left out")


def test_a_plausible_plant_is_shown_whole(tmp_path: Path) -> None:
    logs = read_logs(write_small_plant(tmp_path / "logs", small_tables(60)))
    results = analyse(logs, *past_forecasts(None, logs.as_of))
    assert results.implausible.empty
    assert pages.opening(results) is None
    assert not pages.paper_balance.headline(results).text.startswith("Left out")


def test_check_prints_it_and_fails(tmp_path: Path) -> None:
    tables = small_tables(60)
    tables["reel_mounts"][list(WEIGHED)] *= TONNE
    tables["reels"]["received_kg"] = 1.0
    folder = write_small_plant(tmp_path / "logs", tables)
    assert read_logs(folder).rejected.empty
    assert read_logs(folder).warnings.empty
    done = CliRunner().invoke(main, ["check", "--logs", str(folder)])
    assert done.exit_code == 1
    assert "These logs cannot be right as a whole" in done.output
    assert "reel_mounts.start_kg in tonnes?" in done.output


def test_an_open_order_that_is_set_aside_opens_the_page(tmp_path: Path) -> None:
    tables = small_tables(60)
    orders = tables["deliveries"].astype({"quantity": object})
    orders.loc[orders["delivery_id"] == "D4", "quantity"] = "ten thousand"
    orders.loc[orders["delivery_id"] == "D2", "quantity"] = "received"
    tables["deliveries"] = orders
    found = gate(write_small_plant(tmp_path / "logs", tables))
    assert found[["subject", "value", "refuses"]].values.tolist() == [["deliveries", 1.0, ""]]
    assert watch.refused_parts(found) == frozenset()
