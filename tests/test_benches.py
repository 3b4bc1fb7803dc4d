"""The benches run, each command once on the smallest that it can be given, and their figures are kept and shown."""

from __future__ import annotations

import ast
import csv
import inspect
import pkgutil
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from demo_plant import write_demo
from order_rules import RULES
from order_simulation import Result
from small_plant import small_tables, write_small_plant

import pressstats.forecast
from pressstats.publishing.reports import REPORTS

sys.path.insert(0, str(Path(__file__).parent / "bench"))
import bench_ablation
import bench_accounts
import bench_bombs
import bench_demand
import bench_faults
import bench_forecast
import bench_group
import bench_ink
import bench_lab
import bench_mutants
import bench_mutations
import bench_orders
import bench_pages
import bench_paper
import bench_publish
import bench_reading
import bench_reels
import bench_sources
import bench_start
import bench_suppliers
import bench_weeks
import bench_wheel
import bench_worlds
import figures

if TYPE_CHECKING:
    from pressstats.publishing import Publication


def measured(command: click.Command, line: str | list[str] = "") -> dict[str, float]:
    """Run a command line of a bench and return its figures; each is named by itself."""
    words = line.split() if isinstance(line, str) else line
    result = CliRunner().invoke(command, words, standalone_mode=False)
    if result.exception:
        raise result.exception
    found = result.return_value
    assert found
    assert all(str(figure) in result.output for figure in found)
    values = {figure.what: figure.value for figure in found}
    assert len(values) == len(found)
    assert np.isfinite(list(values.values())).any()
    return values


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the logs of a year of the invented plant."""
    folder = tmp_path_factory.mktemp("plant") / "logs"
    write_demo(folder, years=1)
    return folder


NEEDS_BROWSER = pytest.mark.skipif(shutil.which("chromium") is None, reason="needs Chromium")


@NEEDS_BROWSER
def test_lab(tmp_path: Path) -> None:
    logs = write_small_plant(tmp_path / "logs", small_tables(21))
    found = measured(bench_lab.main, f"run --notebook log_check --logs {logs}")
    assert found["cells with an error"] == 0
    assert found["figures"] >= 1
    assert found["figures not drawn"] == 0
    assert found["tiles that overlap, light and dark"] == 0
    assert found["texts of little contrast, light and dark"] == 0


def test_lab_keeps_tables_and_figures_and_takes_parameters(tmp_path: Path) -> None:
    """Run by papermill as of a day in the past, and converted to HTML by nbconvert, as the README says."""
    logs = write_small_plant(tmp_path / "logs", small_tables(21))
    found = measured(bench_lab.main, f"keep --notebook paper_balance --logs {logs} --as-of 2025-03-16")
    assert found["as told"] == 1
    assert found["lost on the way to HTML"] == 0
    assert found["tables"] >= 5
    assert found["figures"] >= 3


def test_start() -> None:
    found = measured(bench_start.main, "--plant 6")
    assert found["sure but wrong, held out"] == 0
    assert found["plants read as their clean logs, all"] == 1


def test_reading() -> None:
    found = measured(bench_reading.main, "--years 1 --repeats 1")
    assert found["demo plant, read_logs / pandas.read_csv, processor"] > 0
    both = found["1 years, both together / pandas.read_csv, processor"]
    assert both == pytest.approx(
        found["1 years, read_logs / pandas.read_csv, processor"]
        + found["1 years, paper_balance / pandas.read_csv, processor"]
    )


def test_publish(tmp_path: Path) -> None:
    logs = write_small_plant(tmp_path / "logs", small_tables())
    found = measured(bench_publish.main, f"--rounds 1 --logs {logs} --report log_check")
    assert found["floor / floor, clock"] == found["floor / floor, processor"] == 1
    assert found["publish / floor, processor"] > 0.5


def test_bombs() -> None:
    found = measured(bench_bombs.main, "--only far")
    assert found["bombs"] == 2
    assert found["neither refused nor read"] == 0
    assert found["most memory"] < 1000


@pytest.mark.parametrize(("command", "count"), [("read --seed 2", 20), ("analyse --seed 2", 1)])
def test_mutants(command: str, count: int) -> None:
    found = measured(bench_mutants.main, f"{command} --count {count}")
    assert found["mutants read"] + found["mutants refused"] == count
    assert (
        found["mutants traceback"] == found["mutants hang"] == found["tables whose rows do not add up"] == 0
    )


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> bench_faults.Trial:
    """Return a folder in which one publication stands, for all faults."""
    return bench_faults.Trial(tmp_path_factory.mktemp("trial"))


@pytest.mark.parametrize("command", ["kills", "full", "pairs"])  # stops: test_publish_command_line
def test_faults(command: str, trial: bench_faults.Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_faults, "Trial", lambda folder: trial)
    found = measured(bench_faults.main, f"{command} --count 1")
    found.pop("publications that had ended before", None)
    assert len(found) == 6
    assert not any(found.values()), found


@pytest.mark.parametrize(
    ("line", "figures"),
    [
        ("coverage --plants 2", 7 * 8),
        ("changes --plants 1 --every 7", 3 * 7),
        ("unfound --plants 1 --every 7 --years 0.6", 14 * 5),
        ("use --plants 1", 3 * 2),
        ("kinds --plants 1 --dip-kg 20", 5 * 5),
        ("false-alarms --plants 1", 7 * 7),
        ("speed --rounds 1 --years 1", 1),
    ],
)
def test_ink(line: str, figures: int) -> None:
    assert len(measured(bench_ink.main, line)) == figures


@pytest.mark.parametrize(("line", "figures"), [("alarms --plants 1", 6), ("found --plants 1", 12 * 5)])
def test_paper(line: str, figures: int) -> None:
    found = measured(bench_paper.main, line)
    assert len(found) == figures
    assert min(found.values()) >= 0


@pytest.mark.parametrize(
    ("line", "figures"),
    [
        ("censoring --plants 2", 12),
        ("coverage --plants 2", 36),
        ("ranking --plants 1 --part planted", 6),
        ("ranking --plants 1 --part stands", 8),
        ("target --plants 1", 7),
        ("speed --most 3000", 3),
    ],
)
def test_reels(line: str, figures: int) -> None:
    assert len(measured(bench_reels.main, line)) == figures


def test_a_group_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    alarms = measured(bench_group.main, "alarms --groups 2")
    assert alarms == {
        "groups of equal plants in which one is named": 0,
        "95 % intervals that hold the truth": 100,
    }
    assert measured(bench_group.main, "found --groups 2 --more 40") == {
        "plants named that waste 40 % more": 100
    }
    monkeypatch.setattr(bench_group, "write_demo", lambda folder, **_: write_small_plant(folder))
    scale = measured(bench_group.main, "scale --years 1")
    assert 0 < scale["1 years: most memory of a process"] < 1
    whole = measured(bench_group.main, "whole --plants 1 --years 1 --report last_night")
    assert whole["plants published"] == 1
    assert 0 < whole["most memory of a process of the group"] < 1


def test_suppliers() -> None:
    assert set(measured(bench_suppliers.main, "coverage --plants 1")) == {
        f"{name} held, of 3 mills" for name in ("true cost", "grammage", "breaks")
    }
    assert len(measured(bench_suppliers.main, "claims --plants 1")) == 5


def test_orders_closed_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    """The loop itself is run by its own tests: here each rule has its figures."""
    nothing = pd.Series({"N45-1260": 0.0, "N45-630": 0.0})
    changes = [(3e4, 0.0), (0.0, 5e4)]

    def simulated(seed: int, *_: Any) -> dict[str, Result]:
        same = {
            "weeks_short": 0.1,
            "nights": 1,
            "stock_kg": 5e4,
            "loads": 9,
            "near_empty": 0.2,
            "overfull": 0.0,
        }
        same |= {"drawn": pd.Series({("Mill", "N45-1260"): 1.05, ("Mill", "N45-630"): 0.8})}
        odds = same["drawn"].index.to_frame(index=False, name=["supplier", "material"])
        odds = odds.assign(chance_below=[0.0, 0.5], chance_above=[0.04, 0.0])
        same |= {"told": [(odds, 2.5)] * 26, "rushed": 1.5}
        same |= {"holding": 0.0, "expediting": 0.0, "shortage": 0.0, "held": nothing, "flutter": changes}
        short = nothing.replace({0.0: 2.0}).where(nothing.index == "N45-1260", 0.0)
        return {
            name: Result(freight=1000.0 * (place + seed), by_material=short, **same)
            for place, name in enumerate([*RULES, "textbook in fixed shares"], start=1)
        }

    monkeypatch.setattr(bench_orders, "simulate_seed", simulated)
    found = measured(bench_orders.bench, "closed-loop --seeds 2 --weeks 26 --jobs 1")
    assert found["mean of 2 plants: plan, nights not printed"] == 2
    assert found["plan / perfect foresight, all cost"] == pytest.approx((2 + 3) / (5 + 6))
    assert found["next review changed by more than a load, of all weeks"] == 50
    assert found["plan short: N45-1260"] == 4
    several = measured(bench_orders.bench, "closed-loop --mills --seeds 2 --weeks 26 --jobs 1")
    assert several["plan cheaper than (R, S) with fixed shares, of 2"] == 2
    assert several["contracts drawn within their tolerance"] == 50
    # What was drawn short by a fifth was told to be so by one in two, eight weeks before.
    assert several["breaches foreseen eight weeks before"] == 100
    assert several["mean chance told eight weeks before"] == pytest.approx(27)
    assert several["weeks with emergency supply, told"] == 2.5


@pytest.mark.parametrize(
    "line",
    [
        "risk --worlds 2 --futures 50",
        "programme --materials 1 --suppliers 2",
        "speed --repeats 1 --materials 2 --draws 20 --years 1 --nodes 5",
    ],
)
def test_orders(line: str) -> None:
    assert min(measured(bench_orders.bench, line).values()) >= 0


@pytest.mark.parametrize(
    "line",
    ["full --repeats 1", "cost --repeats 1 --origins 2 --origins 4 --copies 1 --copies 2", "promises"],
)
def test_demand(year: Path, line: str) -> None:
    found = measured(bench_demand.main, f"{line} --logs {year}")
    assert min(found.values()) > 0
    if line == "promises":
        # Logs of one year know no season: as good as the naive method is all that can be asked.
        assert found["demo: published"] < 1.05 * found["demo: seasonal naive"]


def test_demand_december() -> None:
    found = measured(bench_demand.main, "december --plants 1")
    assert {name.split(", ")[1] for name in found} == {*bench_demand.CUTS, "1 Dec to 4 Jan"}


def test_demand_short() -> None:
    found = measured(bench_demand.main, "short --cuts 1")
    assert found["cuts with an interval that narrows"] == 0
    assert found["held by 90 %, weeks ahead 1 to 4"] > 50


def test_forecast() -> None:
    found = measured(bench_forecast.main, "-s M1-quarterly -s cost -s paths --series 4 --plants 1")
    assert found["M1-quarterly: engine, MASE"] > 0
    assert found["backtest of 15 series, 13 origins"] > 0
    assert 0 < found["common share 0.8: 80 % intervals held: week"] <= 100


def test_ablation() -> None:
    line = ["-s", "M1-quarterly", "--series", "12", "--departure", "memory of seasons 0.5"]
    found = measured(bench_ablation.main, line)
    assert set(found) == {f"memory of seasons 0.5 for 0.75: {score}" for score in ("MASE", "MSIS")}
    assert all(found.values())
    # Left as it is, it is as good as it is.
    knob = bench_ablation._KNOBS["forecast"][0]
    same = bench_ablation.Departure("same", ((knob[1], knob[2], getattr(knob[1], knob[2])),))
    tasks = bench_ablation.competition("M1-quarterly", 4)
    own, other = (bench_ablation.without(one, tasks, "forecast") for one in (None, same))
    pd.testing.assert_frame_equal(own, other)


def test_each_number_of_the_engine_is_left_out_once() -> None:
    """All that is set at the head of a module of the forecast; what only says how it is computed stands here."""
    computed = {"_WHOLE_YEAR_MOST", "_TOGETHER", "_ROWS_TOGETHER", "_SHIFTS", "PAST_ORIGINS"}
    computed |= {"PROBABILITIES", "_MIDDLES", "_MEAN_SIZE", "MEMBERS", "COMBINED", "_ENTERS", "_OF_TRENDS"}
    # Fitted to M1, each worth what its `_ERRORS` says, which is left out.
    fitted = {"_PRIOR", "_SHAPE", "_SHAPE_AT"}
    left_out = {(part.__name__, name) for one in bench_ablation.departures() for part, name, _ in one.changes}
    for module in pkgutil.iter_modules(pressstats.forecast.__path__, "pressstats.forecast."):
        part = sys.modules[module.name]
        tree = ast.parse(inspect.getsource(part))
        names = {
            one.id
            for node in tree.body
            if isinstance(node, ast.Assign)
            for one in node.targets
            if isinstance(one, ast.Name)
        }
        names = {name for name in names if name.lstrip("_").isupper()} - computed - fitted
        assert {(module.name, name) for name in names} <= left_out, module.name


def test_weeks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tmp_path / "figures.csv"
    shutil.copy(figures.KEPT, kept)
    monkeypatch.setattr(figures, "KEPT", kept)
    found = measured(bench_weeks.main, f"--seeds 1 --part plants --kept {tmp_path / 'kept'} --keep")
    assert found["plants with a hump, 150 weeks: engine, MASE of weeks 1 to 13"] < 1
    # A folder stands as what it is, since no other machine has it.
    assert "--part plants --kept KEPT --seeds 1" in {row["command"] for row in rows_of(kept)}


@pytest.fixture(scope="module")
def world() -> tuple[Any, Any]:
    """Return what is true and what is found of a world that is twenty weeks old."""
    return bench_worlds._made("quiet_no_orders", 1, before=20)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("tables -w quiet_no_orders", "false sentences and states"),
        ("false-alarms --seeds 1", "false exceptions"),
        ("risk -w quiet_no_orders --seeds 1 --futures 5", "materials within 5 points"),
    ],
)
def test_worlds(world: tuple[Any, Any], monkeypatch: pytest.MonkeyPatch, line: str, expected: str) -> None:
    truth, results = world
    monkeypatch.setattr(bench_worlds, "_made", lambda *_, **__: world)
    monkeypatch.setattr(bench_worlds, "make", lambda *_, **__: truth)
    monkeypatch.setattr(bench_worlds, "_results", lambda *_: results)
    found = measured(bench_worlds.bench, line)
    assert expected in found
    assert found.get("worlds that failed", 0) == 0


@NEEDS_BROWSER
def test_pages_print() -> None:
    """Six weeks of runs and webs alone: the page is short, and so is what is computed."""
    found = measured(bench_pages.bench, "print -w only_runs_and_webs --weeks 6")
    assert 1 <= found["only_runs_and_webs: sides of A4"] <= 2
    assert found["only_runs_and_webs: tables wider than the paper"] == 0
    assert found["only_runs_and_webs: beyond a phone's screen"] == 0


@NEEDS_BROWSER
def test_pages_draw(stand_in_publication: Publication) -> None:
    found = measured(bench_pages.bench, f"draw --folder {stand_in_publication.folder}")
    assert 0 < found["largest page"] < 0.5
    assert found["slowest figure"] > 0
    assert found["requests to elsewhere"] == found["barriers"] == 0


def test_accounts() -> None:
    found = measured(bench_accounts.bench, "titles --plants 1")
    assert 0 <= found["title-months inside their 95 % limits"] <= 100


def test_worlds_what_if() -> None:
    found = measured(bench_worlds.bench, ["what-if", "--seeds", "1", "--weeks", "40", "-l", "butts of 8 m"])
    assert set(found) == {
        "butts of 8 m, butts: inside with chance, of 1",
        "changes inside their 90 % limits",
        "changes inside with chance",
    }


def test_worlds_forecast() -> None:
    found = measured(bench_worlds.bench, "forecast -w quiet -c June --seeds 1 --weeks 60")
    assert 0 < found["quiet, June, paper: published"] < 1.5


def test_mutations(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is to be changed stands where it is said; the tests of a change are not run here."""

    class NoTests:
        def __init__(self, *_: Any, **__: Any) -> None: ...

        def tests(self, *_: Any) -> tuple[list[str], float]:
            return [], 0.0

    assert len(list(bench_mutations.named())) == len(bench_mutations.NAMED)
    monkeypatch.setattr(bench_mutations, "Executed", NoTests)
    monkeypatch.setattr(bench_mutations, "warm", lambda folder: None)
    result = CliRunner().invoke(
        bench_mutations.main, ["constants", "--parts", "prices.py", "--sample", "2", "--seconds", "1"]
    )
    assert result.exit_code == 1
    assert "changes of 2: SURVIVED: 2 count" in result.output


def test_known_survivors_are_still_there() -> None:
    known = {(file, what) for file, what, _ in bench_mutations.known_survivors()}
    root = bench_mutations.ROOT
    places = {
        (change.file, change.what)
        for file in {file for file, _ in known}
        for make in (bench_mutations.constants, bench_mutations.operators)
        for change in make(root / file)
    }
    assert known <= places


def test_each_bench_finds_by_itself_what_it_needs() -> None:
    """What one bench adds to the search path is taken away before the next; libraries stay loaded."""
    alone = """
import runpy, sys
from pathlib import Path
folder, path = Path(sys.argv[1]), sys.path[1:]
for file in sorted(folder.glob("bench_*.py")):
    for name, module in list(sys.modules.items()):
        if (getattr(module, "__file__", None) or "").startswith(str(folder.parent)):
            del sys.modules[name]
    sys.path[:] = [str(folder), *path]
    runpy.run_path(str(file), run_name="bench")
    print(file.stem)
"""
    folder = Path(__file__).resolve().parent / "bench"
    done = subprocess.run([sys.executable, "-c", alone, folder], capture_output=True, text=True, check=False)
    assert done.stdout.split() == sorted(path.stem for path in folder.glob("bench_*.py")), done.stderr


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_figures_are_kept_in_place_of_those_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tmp_path / "figures.csv"
    shutil.copy(figures.KEPT, kept)
    monkeypatch.setattr(figures, "KEPT", kept)
    before = rows_of(kept)
    for _ in range(2):
        found = measured(bench_paper.main, "alarms --plants 1 --weeks 26 --keep")
    after = rows_of(kept)
    new = [row for row in after if row["command"] == "alarms --plants 1 --weeks 26"]
    assert {row["what"]: float(row["value"]) for row in new} == found
    assert all(row["bench"] == "bench_paper" and row["commit"] and row["date"] for row in new)
    assert sorted(map(str, (row for row in after if row not in new))) == sorted(map(str, before))
    shown = CliRunner().invoke(figures.main, ["paper"]).output
    assert "bench_paper.py alarms --plants 1 --weeks 26  [" in shown
    assert "bench_ink" not in shown
    assert CliRunner().invoke(figures.main, ["nothing"]).exit_code == 2


def test_kept_figures_are_of_commands_that_there_are() -> None:
    benches = {name: sys.modules[name] for name in sys.modules if name.startswith("bench_")}
    for row in rows_of(figures.KEPT):
        float(row["value"])
        command = getattr(benches[row["bench"]], "main", None) or benches[row["bench"]].bench
        if isinstance(command, click.Group) and not row["command"].startswith("("):
            assert row["command"].split()[0] in command.commands, row


def test_sources() -> None:
    found = measured(bench_sources.main, "--plant least --store csv --store sqlite")
    tables = small_tables()
    assert found == {
        "least: rows read": len(tables["runs"]) + len(tables["run_webs"]),
        "least: tables from sqlite that differ": 0,
    }


def test_wheel() -> None:
    # begin_here is no report and group one of several plants; the simulation is no part of a wheel
    assert measured(bench_wheel.main, "--here") == {
        "notebooks found": len(REPORTS) + 2,
        "exit code of demo": 2,
    }
