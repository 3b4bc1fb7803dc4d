"""A group is published: each plant by itself, over cores or machines, whatever becomes of one of them."""

import functools
import json
import re
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from killed_publications import killed_once
from small_plant import small_tables, write_small_plant
from spread_work import dies, lost
from stand_ins import REPORTS as STAND_INS
from stand_ins import notebook, write_notebooks

from pressstats import pages
from pressstats.cli import main
from pressstats.group import PLANTS, Outcome, PlantOf, open_group, read_group
from pressstats.publishing import group as publishing_group
from pressstats.publishing import publish_group
from pressstats.publishing.group import PlantTask
from pressstats.publishing.unchanged import is_unchanged
from pressstats.results import Pending
from pressstats.spreading import TRIES, SpreadError, spread


@pytest.fixture(scope="module")
def cluster():
    """Two worker processes of a Dask cluster on this machine."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as made:
        yield made.scheduler_address


#: One page a plant: what is tested is how plants are spread, not what their pages say.
REPORTS = STAND_INS[1:]


@pytest.fixture(scope="module")
def group_folder(tmp_path_factory):
    """Two small plants, and one whose folder is not there."""
    folder = tmp_path_factory.mktemp("group")
    for plant in ("north", "south"):
        write_small_plant(folder / plant, small_tables(7))
    plants = 'north = "north"\nsouth = "south"\ngone = "<i>gone"\n'
    (folder / "plant.toml").write_text(f'name = "Two <b>Plants</b>"\n[group]\n{plants}')
    return folder


@pytest.fixture(scope="module")
def notebooks(tmp_path_factory):
    """A notebook for each stand-in report that says a sentence."""
    folder = tmp_path_factory.mktemp("notebooks")
    said = notebook("from pressstats.exhibits import headline\nheadline('Waste **fell**.')")
    write_notebooks(folder, {report.name: said for report in STAND_INS})
    return folder


@pytest.fixture(scope="module")
def on_cores(group_folder, notebooks, tmp_path_factory):
    """The group as joblib publishes it."""
    out = tmp_path_factory.mktemp("cores")
    group = read_group(group_folder / "plant.toml")
    done = publish_group(
        group,
        group_folder,
        out,
        notebooks=notebooks,
        reports=REPORTS,
        workers=2,
        tell=lambda line: None,
    )
    return done, out


def tasks(folder: Path, out: Path, notebooks: Path) -> list[PlantTask]:
    """What a worker is told of each of the two plants that there are."""
    names = tuple(report.name for report in REPORTS)
    return [
        PlantTask(
            plant,
            str(folder / plant),
            str(out / PLANTS / plant),
            "",
            names,
            str(notebooks),
            REPORTS,
            1,
            False,
        )
        for plant in ("north", "south")
    ]


def contents(folder: Path) -> dict[str, bytes]:
    """All files of publications; of manifests all but how long it took."""
    found = {}
    for path in sorted(path for path in folder.rglob("*") if path.is_file() and path.name != ".lock"):
        content = path.read_bytes()
        if path.name == "manifest.json":
            content = json.dumps({**json.loads(content), "seconds": None}).encode()
        found[path.relative_to(folder).as_posix()] = content
    return found


def test_each_plant_has_a_publication_all_have_a_page_and_who_fails_stops_nobody(on_cores):
    done, out = on_cores
    states = [(one.plant, one.state) for one in done.outcomes]
    assert states == [("north", "published"), ("south", "published"), ("gone", "failed")]
    assert [one.plant for one in done.failed] == ["gone"]
    day = done.outcomes[0].as_of
    for plant in ("north", "south"):
        assert (out / PLANTS / plant / day / "week.html").is_file()
    page = (out / day / "group.html").read_text()
    assert "Two &lt;b&gt;Plants&lt;/b&gt;" in page
    assert f'href="../plants/north/{day}/index.html"' in page
    assert "is not compared: all waste is known of fewer than 24 weeks" in page
    assert "gone</bdi> could not be published" in page
    assert "&lt;i&gt;gone" in page
    assert "no such" in page
    assert "<i>" not in page
    assert str(out.parent) not in page
    assert {path.name for path in (out / day / "tables").glob("*.csv")} == {
        "group_plants.csv",
        "group_waste.csv",
        "group_standard.csv",
        "group_suppliers.csv",
    }
    assert not [path for path in out.rglob(".*") if path.name != ".lock"]


def test_plants_that_call_themselves_alike_have_their_short_names_beside_them():
    names = {"a": "Works", "b": "Works", "c": "Quay", "d": ""}
    published = tuple(
        PlantOf(Outcome(short, "published", "2025-10-26"), name) for short, name in names.items()
    )
    table = pd.DataFrame({"plant": list(names), "name": list(names.values())})

    class Alike(dict[str, pd.DataFrame]):
        plants, as_of = published, pd.Timestamp("2025-10-26")

    page = pages.group.weeks(Alike(group_plants=table)).markup
    shown = re.findall(r"<bdi[^>]*>([^<]*)</bdi></a>", page)
    assert shown == ["Works (a)", "Works (b)", "Quay", "d"]


def test_dask_publishes_the_same_bytes_though_a_worker_is_killed_in_the_middle(
    on_cores, cluster, group_folder, notebooks, tmp_path
):
    given = tasks(group_folder, tmp_path, notebooks)
    work = functools.partial(killed_once, tmp_path)
    outcomes = sorted(spread(work, given, scheduler=cluster, lost=lost), key=lambda one: one.plant)
    assert [one.state for one in outcomes] == ["published", "published"]
    assert (tmp_path / "south").exists()
    for plant in ("north", "south"):
        assert contents(tmp_path / PLANTS / plant) == contents(on_cores[1] / PLANTS / plant)


def test_what_stands_is_not_made_again_and_a_killed_worker_loses_nothing(
    on_cores, group_folder, notebooks, tmp_path
):
    _, out = on_cores
    before = contents(out)
    text = (group_folder / "south" / "runs.csv").read_text()
    (group_folder / "south" / "runs.csv").write_text(text.replace("\n", "\r\n"))
    work = functools.partial(killed_once, tmp_path, before="run_notebooks")
    outcomes = list(spread(work, tasks(group_folder, out, notebooks), workers=1, lost=lost))
    assert {one.plant: one.state for one in outcomes} == {"north": "unchanged", "south": "published"}
    assert (tmp_path / "south").exists()
    after = contents(out)
    assert after.keys() == before.keys()
    assert not [path for path in out.rglob(".*") if path.name != ".lock"]
    changed = {name for name, content in after.items() if before[name] != content}
    assert {"/".join(name.split("/")[:2]) for name in changed} == {"plants/south"}


def test_only_a_publication_that_is_whole_and_in_the_index_stands(on_cores, group_folder, notebooks):
    _, out = on_cores
    north = out / PLANTS / "north"
    pending = Pending(group_folder / "north", "", north)
    day = f"{pending.logs.as_of:%Y-%m-%d}"

    def stands(reports=REPORTS) -> bool:
        return is_unchanged(north, day, pending, notebooks, reports)

    assert stands()
    assert not stands(STAND_INS)
    for path, text in (
        (north / "index.html", "no week"),
        (north / day / "week.html", "x"),
        (north / day / "manifest.json", "["),
    ):
        kept = path.read_bytes()
        path.write_text(text)
        assert not stands(), path
        path.write_bytes(kept)
    assert stands()


def test_the_command_line_tells_a_group_and_its_failures(tmp_path, monkeypatch):
    (tmp_path / "plant.toml").write_text('name = "G"\n[group]\na = "a"\nb = "b"\n')
    asked = ["publish", "--logs", str(tmp_path), "--out", str(tmp_path / "out"), "--workers", "1"]
    with monkeypatch.context() as patch:  # in this process, which ends with nobody
        patch.setattr(publishing_group, "spread", lambda work, items, **_: map(work, items))
        patch.setattr(publishing_group, "ends_with_parent", lambda parent: None)
        result = CliRunner().invoke(main, asked)
    assert result.exit_code == 1
    assert "a failed: a: no such folder" in result.output
    assert "(2 of 2)" in result.output
    plant = CliRunner().invoke(
        main, ["publish", "--logs", str(write_small_plant(tmp_path / "one")), "--workers", "2"]
    )
    assert plant.exit_code == 2
    assert "are of a group" in plant.output
    nobody = CliRunner().invoke(main, [*asked, "--scheduler", "nonsense"])
    assert nobody.exit_code == 2
    assert "no scheduler answers at nonsense" in nobody.output


def test_logs_of_one_plant_are_a_group_of_one(tmp_path):
    group = open_group(write_small_plant(tmp_path / "logs", small_tables(7)))
    assert list(group["group_plants"]["state"]) == ["published"]
    assert group["group_waste"].empty


def test_work_whose_worker_dies_is_done_again_on_cores(tmp_path):
    work = functools.partial(dies, tmp_path)
    assert sorted(spread(work, [1, 2], workers=1, lost=lost)) == [1, 4]
    assert len(list(tmp_path.glob("2-*"))) == 2
    assert list(spread(work, [3], workers=1, lost=lost)) == [-1]
    assert len(list(tmp_path.glob("3-*"))) == TRIES


def test_work_whose_worker_dies_is_done_again_on_a_cluster(tmp_path, cluster):
    work = functools.partial(dies, tmp_path)
    assert sorted(spread(work, [1, 2, 4, 5], scheduler=cluster, lost=lost)) == [1, 4, 16, 25]
    assert len(list(tmp_path.glob("2-*"))) == 2


def test_a_scheduler_that_is_not_there_is_said():
    with pytest.raises(SpreadError, match="no scheduler answers"):
        list(spread(abs, [1], scheduler="nonsense", lost=lost))
