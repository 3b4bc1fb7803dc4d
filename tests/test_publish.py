"""A publication appears whole or not at all, and the same inputs make the same bytes."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import nbformat
import papermill
import pytest
from stand_ins import (
    AS_OF,
    HOSTILE,
    IMPORTS,
    REPORTS,
    notebook,
    opener,
    sound_notebooks,
    tables,
    write_notebooks,
)

from pressstats.publishing import Publication, Report, ReportFailed, folders, publication, publish, running
from pressstats.publishing.kernels import WarmKernels

pytestmark = pytest.mark.usefixtures("forked_kernels")
QUICK = (REPORTS[0],)
SAY = 'from pressstats.exhibits import headline\nheadline("Nothing new.")'


def digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def run(
    folder: Path,
    notebooks: dict[str, nbformat.NotebookNode],
    *,
    reports: Sequence[Report] = QUICK,
    as_of: str = "",
    names: Sequence[str] = (),
    tell: list[str] | None = None,
    plant: str = "Plant",
) -> Publication:
    write_notebooks(folder / "notebooks", notebooks)
    return publish(
        folder,
        folder / "out",
        as_of,
        names,
        notebooks=folder / "notebooks",
        reports=reports,
        open_results=opener(plant),
        tell=(tell if tell is not None else []).append,
    )


def test_a_publication_holds_every_part_of_the_contract(stand_in_publication: Publication) -> None:
    assert stand_in_publication.folder.name == AS_OF
    names = set(digests(stand_in_publication.folder))
    assert {"index.html", "first.html", "week.html", "buying_outlook.xlsx", "manifest.json"} <= names
    assert {"tables/demand_forecast.csv", "tables/stock_cover.csv"} <= names
    assert not any(name.endswith(".ipynb") for name in names)
    assert sorted(path.name for path in stand_in_publication.folder.parent.glob("[!.]*")) == [
        AS_OF,
        "index.html",
    ]


def test_the_same_inputs_make_the_same_bytes(
    stand_in_publication: Publication, stand_in_notebooks: Path, tmp_path: Path
) -> None:
    again = publish(
        stand_in_publication.manifest["parameters"]["logs"],
        tmp_path,
        notebooks=stand_in_notebooks,
        reports=REPORTS,
        open_results=opener(),
        workers=1,
        tell=[].append,
    )
    one, other = digests(stand_in_publication.folder), digests(again.folder)
    assert one.pop("manifest.json") != other.pop("manifest.json")
    assert one == other
    manifests = [
        json.loads((each.folder / "manifest.json").read_text()) for each in (stand_in_publication, again)
    ]
    assert [set(each.pop("seconds")) for each in manifests] == [
        {"reading", "notebooks", "pages", "total", "reports"}
    ] * 2
    assert manifests[0] == manifests[1]


def test_the_manifest_names_inputs_parameters_versions_rows_and_files(
    stand_in_publication: Publication,
) -> None:
    document = json.loads((stand_in_publication.folder / "manifest.json").read_text(encoding="utf-8"))
    assert document["parameters"]["as_of"] == AS_OF
    assert document["parameters"]["reports"] == ["first", "week"]
    assert document["inputs"][0]["sha256"] == "ab" * 32
    assert document["inputs"][0]["first"] == "2025-01-01"
    assert document["past_publications"][0]["sha256"] == "ef" * 32
    assert document["packages"]["plotly"]
    assert document["rows"] == {name: len(frame) for name, frame in tables().items()}
    assert [one["figures"] for one in document["reports"]] == [2, 1]
    files = digests(stand_in_publication.folder)
    del files["manifest.json"]
    assert document["files"] == files


class Addresses(HTMLParser):
    """Collects what a page refers to, its scripts' sources and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self.inline_scripts: list[str | None] = []
        self.text = ""
        self._script = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append(tag)
        self.addresses += [found[name] or "" for name in ("href", "src", "action", "data") if name in found]
        self._script = tag == "script"
        if self._script and "src" not in found:
            self.inline_scripts.append(found.get("type") or "script")
        assert not [name for name in found if name.startswith("on")], found

    def handle_endtag(self, tag: str) -> None:
        self._script = self._script and tag != "script"

    def handle_data(self, data: str) -> None:
        if not self._script:
            self.text += data


def one_script_is_let_run(page: str) -> None:
    """Check that a page holds one script of its own, and that its policy names the digest of that one alone."""
    (script,) = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    (policy,) = re.findall(r"script-src ([^;]*);", page)
    assert policy.split()[0] == f"'sha256-{digest}'"
    assert set(policy.split()[1:]) in (set(), {"'self'", "file:"})


def test_pages_refer_to_nothing_outside_the_publication(stand_in_publication: Publication) -> None:
    folder = stand_in_publication.folder
    pages = [*folder.glob("*.html"), folder.parent / "index.html"]
    assert len(pages) == 4
    for page in pages:
        for address in Addresses(page.read_text(encoding="utf-8")).addresses:
            assert address.startswith("#") or address == "data:," or (page.parent / address).exists(), address
    for asset in ("page.css", "page.js"):
        text = (folder / "assets" / asset).read_text(encoding="utf-8")
        assert not re.search(r"https?:|//[a-z]|@import|url\(", re.sub(r"^\s*//.*$", "", text, flags=re.M)), (
            asset
        )


def test_hostile_text_stays_text_and_no_script_is_ours_but_ours(stand_in_publication: Publication) -> None:
    source = (stand_in_publication.folder / "first.html").read_text(encoding="utf-8")
    page = Addresses(source)
    assert set(page.inline_scripts) == {"application/json", "script"}
    one_script_is_let_run(source)
    assert "img" not in page.tags
    for text in HOSTILE:
        assert text.replace("\u202e", "") in page.text
    assert "Invented <b>Plant</b>" in page.text
    assert "{{ 7*7 }}" in page.text


def test_no_code_and_nothing_printed_reaches_a_page(stand_in_publication: Publication) -> None:
    page = (stand_in_publication.folder / "first.html").read_text(encoding="utf-8")
    for code in (
        "code of a cell",
        "a remark",
        "import numpy",
        "logs_folder",
        "published_folder",
        "exhibit(",
        "[1]",
    ):
        assert code not in page
    assert str(stand_in_publication.folder.parent) not in page


def test_a_page_is_whole(stand_in_publication: Publication) -> None:
    text = (stand_in_publication.folder / "week.html").read_text(encoding="utf-8")
    assert '<html lang="en">' in text
    assert "<title>The week, Sun 2 Mar 2025: Invented &lt;b&gt;Plant&lt;/b&gt;</title>" in text
    assert text.count("<h1>") == 1
    assert "<h1>The week</h1>" in text
    assert "Some <em>prose</em> about it." in text
    assert '<a href="week.html" aria-current="page">The week</a>' in text
    assert '<a href="../index.html">All weeks</a>' in text
    assert text.index("week.html") < text.index("first.html")  # the manager's report comes first
    assert '<a class="skip" href="#content">' in text
    assert re.search(r'<script src="assets/plotly-\d+\.\d+\.\d+\.min\.js"></script>', text)


def test_output_that_is_no_block_is_told(tmp_path: Path) -> None:
    told: list[str] = []
    silent = nbformat.v4.new_code_cell("1 + 1", metadata={"tags": ["nbval-check-output"]})
    node = notebook(SAY, "40 + 2")
    node.cells.append(silent)
    run(tmp_path, {"first": node}, tell=told)
    assert "first: not on the page, being no block: output of cell 4" in told
    assert any(re.fullmatch(r"first: done in \d+\.\d s", line) for line in told)


@contextmanager
def own_kernels() -> Iterator[None]:
    """Let kernels start as those of a few reports do, each by itself."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(running, "WarmKernels", WarmKernels)
        yield


def failing(
    tmp_path: Path, node: nbformat.NotebookNode, kernels: AbstractContextManager[None] | None = None
) -> ReportFailed:
    """Publish once soundly, then with `node`; the first publication must stand as it was."""
    run(tmp_path, {"first": notebook(SAY)})
    before = digests(tmp_path / "out")
    with kernels or nullcontext(), pytest.raises(ReportFailed) as caught:
        run(tmp_path, {"first": node})
    after = digests(tmp_path / "out")
    kept = {name: digest for name, digest in after.items() if name.startswith("failed/")}
    assert {name: digest for name, digest in after.items() if name not in kept} == before
    assert [path.name for path in (tmp_path / "out").glob(".*")] == [".lock"]
    return caught.value


def exploring(first: str = SAY) -> nbformat.NotebookNode:
    """A report with cells for exploring, code and prose, which stop any publication that runs them."""
    tags = {"tags": ["explore"]}
    node = notebook(first, "what_if = 1")
    node.cells[2:2] = [
        nbformat.v4.new_markdown_cell("Try another number of pages.", metadata=tags, id="e1"),
        nbformat.v4.new_code_cell("raise SystemError('explored')", metadata=tags, id="e2"),
    ]
    return node


def test_cells_for_exploring_are_neither_run_nor_shown(tmp_path: Path) -> None:
    done = run(tmp_path, {"first": exploring()})
    page = (done.folder / "first.html").read_text()
    assert "Nothing new." in page
    assert "Try another" not in page
    assert "explored" not in page


def test_cells_for_exploring_count_where_a_failing_cell_is_named(tmp_path: Path) -> None:
    node = exploring()
    node.cells[-1].source = "1 / 0"
    with pytest.raises(ReportFailed, match=r"first\.ipynb failed, cell 6\."):
        run(tmp_path, {"first": node})


def test_cells_for_exploring_run_in_the_tests(tmp_path: Path) -> None:
    """As ``python -m pytest notebooks/...`` runs them."""
    write_notebooks(tmp_path, {"first": exploring("x = 1")})
    command = [sys.executable, "-m", "pytest", "-n", "0", "-p", "no:cacheprovider", "--rootdir", tmp_path]
    record = tmp_path / "record.xml"  # what is printed depends on the terminal and on CI
    options = [
        "-q",
        "--nbval-lax",
        "--nbval-current-env",
        "-c",
        os.devnull,
        "-o",
        "addopts=",
        f"--junit-xml={record}",
    ]
    subprocess.run([*command, *options, tmp_path / "first.ipynb"], capture_output=True, check=False)
    cases = {case.get("name"): case for case in ElementTree.parse(record).iter("testcase")}
    failed = [name for name, case in cases.items() if case.find("failure") is not None]
    assert len(cases) == 4
    assert failed == ["Cell 1"]


def test_a_failing_cell_is_named_and_the_publication_before_it_stands(tmp_path: Path) -> None:
    error = failing(tmp_path, notebook(SAY, "\n# what went wrong\nx = {}\nx['title']", "never = 1"))
    message = str(error)
    assert "first.ipynb failed, cell 4." in message
    assert "at:  # what went wrong" in message
    assert "why: KeyError: 'title'" in message
    assert "\x1b" not in message
    kept = error.kept / "first.ipynb"
    assert kept == tmp_path / "out" / "failed" / AS_OF / "first.ipynb"
    outputs = [output for cell in nbformat.read(kept, 4).cells for output in cell.get("outputs", [])]
    assert "KeyError" in [output.get("ename") for output in outputs]


def test_the_kept_notebook_goes_when_the_day_is_published(tmp_path: Path) -> None:
    failing(tmp_path, notebook("1 / 0"))
    run(tmp_path, {"first": notebook(SAY)})
    assert not (tmp_path / "out" / "failed").exists()


def test_a_kernel_that_dies_is_a_failure_with_its_cell(tmp_path: Path) -> None:
    dying = notebook(SAY, "import os\nos._exit(3)", "never = 1")
    error = failing(tmp_path, dying, own_kernels())
    assert error.failures[0].cell == 4
    assert "at:  import os" in str(error)
    assert "DeadKernelError" in str(error)


def test_a_notebook_is_saved_as_it_begins_and_as_it_ends_however_many_cells_it_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    saved: list[int] = []
    write = papermill.engines.write_ipynb

    def count(node: nbformat.NotebookNode, path: str) -> None:
        saved.append(sum(len(cell.get("outputs", [])) for cell in node.cells))
        write(node, path)

    monkeypatch.setattr(papermill.engines, "write_ipynb", count)
    run(tmp_path, {"first": notebook(SAY, *["print(1)"] * 3)})
    assert saved == [0, 4]


def test_every_failing_report_is_told(tmp_path: Path) -> None:
    with pytest.raises(ReportFailed) as caught:
        run(tmp_path, {"first": notebook("1 / 0"), "week": notebook("[][1]")}, reports=REPORTS)
    assert [one.report.name for one in caught.value.failures] == ["first", "week"]
    assert "ZeroDivisionError" in str(caught.value)
    assert "IndexError" in str(caught.value)
    assert not (tmp_path / "out" / AS_OF).exists()
    assert not (tmp_path / "out" / "index.html").exists()


def test_a_notebook_without_a_block_makes_no_page(tmp_path: Path) -> None:
    with pytest.raises(ReportFailed, match="shows no block"):
        run(tmp_path, {"first": notebook("1 + 1")})


def test_one_name_for_two_things_makes_no_page(tmp_path: Path) -> None:
    sheet = 'sheet(pd.DataFrame({"a": [1]}), name="same", caption="x")'
    with pytest.raises(ReportFailed, match="uses a name twice: table-same"):
        run(tmp_path, {"first": notebook(IMPORTS, sheet, sheet)})


def test_a_notebook_that_does_not_take_a_parameter_is_refused_before_anything_runs(tmp_path: Path) -> None:
    misspelt = notebook(SAY, parameters='logs_folder = ""\nasof = ""\npublished_folder = ""')
    with pytest.raises(ValueError, match=r"first\.ipynb does not declare as_of \(it declares .*asof"):
        run(tmp_path, {"first": misspelt})
    assert not (tmp_path / "out").exists()
    with pytest.raises(ValueError, match=r"second\.ipynb is not there"):
        run(tmp_path, {}, reports=(Report("second", "Second", "?", "buyer"),))


def test_a_notebook_gets_the_day_as_text_and_runs_in_its_own_folder(tmp_path: Path) -> None:
    cell = (
        "from pathlib import Path\nfrom pressstats.exhibits import say\n"
        "assert as_of == '2025-02-23' and Path.cwd() == Path(published_folder).parent / 'notebooks'\n"
        "assert Path(logs_folder).is_absolute()\nsay('Done.')"
    )
    folder = tmp_path / 'it\'s "odd" 007'
    assert run(folder, {"first": notebook(cell)}, as_of="2025-02-23").folder.name == "2025-02-23"


def test_a_notebook_saved_from_another_kernel_runs_in_ours(tmp_path: Path) -> None:
    node = notebook(SAY)
    node.metadata.kernelspec = {"name": "conda-env-x", "display_name": "x", "language": "python"}
    with own_kernels():
        assert run(tmp_path, {"first": node}).folder.is_dir()


def test_only_the_named_reports_are_published(tmp_path: Path) -> None:
    done = run(tmp_path, {"first": notebook("1 / 0"), "week": notebook(SAY)}, reports=REPORTS, names=["week"])
    assert sorted(path.name for path in done.folder.glob("*.html")) == ["index.html", "week.html"]
    with pytest.raises(ValueError, match="no report is called month; there are first, week"):
        run(tmp_path, {}, reports=REPORTS, names=["month"])


def test_all_weeks_are_listed_the_newest_first_with_their_headlines(tmp_path: Path) -> None:
    for day, text in (
        ("2025-02-23", "It **fell**."),
        ("2025-03-02", "It rose."),
        ("2025-02-16", "<i>It</i>"),
    ):
        cell = f"from pressstats.exhibits import headline\nheadline({text!r})"
        done = run(tmp_path, {"first": notebook(cell)}, as_of=day)
    broken = tmp_path / "out" / "2025-01-05"
    broken.mkdir()
    (broken / "index.html").write_text("x")
    (broken / "manifest.json").write_text("{")
    done = run(tmp_path, {"first": notebook(SAY)}, as_of="2025-03-02")
    index = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    days = re.findall(r'href="(\d{4}-\d\d-\d\d)/index.html"', index)
    assert days == ["2025-03-02", "2025-02-23", "2025-02-16", "2025-01-05"]
    assert "It <strong>fell</strong>." in index
    assert "&lt;i&gt;It&lt;/i&gt;" in index
    assert "It rose." not in index
    assert "Sun 5 Jan 2025" in index
    one_script_is_let_run(index)
    scripts = [
        next((week / "assets").glob("plotly*")) for week in (done.folder, tmp_path / "out" / "2025-02-16")
    ]
    assert scripts[0].samefile(scripts[1])


def test_the_publication_before_is_put_back_if_the_new_one_cannot_be_placed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        folders, "_exchanged", lambda *_: False
    )  # as on systems where names cannot change places
    run(tmp_path, {"first": notebook(SAY)})
    before = digests(tmp_path / "out")
    rename = Path.rename

    def refuses(self: Path, target: Path) -> Path:
        if self.name == "content":
            raise OSError("disk gone")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", refuses)
    with pytest.raises(OSError, match="disk gone"):
        run(tmp_path, {"first": notebook(SAY)})
    assert digests(tmp_path / "out") == before
    assert sorted(path.name for path in (tmp_path / "out").glob("[!.]*")) == [AS_OF, "index.html"]


def test_what_a_killed_publication_left_is_put_in_order(tmp_path: Path) -> None:
    (tmp_path / ".previous-2025-02-23-4711").mkdir()
    (tmp_path / ".previous-2025-02-23-4711" / "index.html").write_text("old")
    (tmp_path / ".building-2025-02-16-abc").mkdir()
    # Time of the machine counts for nothing: one that was set back has written this.
    os.utime(tmp_path / ".building-2025-02-16-abc", (4e9, 4e9))
    with folders.building_in(tmp_path, AS_OF) as folder:
        assert folder.parent == tmp_path
        assert [path.name for path in tmp_path.glob(".building-*")] == [folder.name]
    assert (tmp_path / "2025-02-23" / "index.html").read_text() == "old"
    assert [path.name for path in tmp_path.glob("[!.]*")] == ["2025-02-23"]


def test_one_publication_at_a_time_is_built_in_a_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    monkeypatch.setattr(folders, "_PATIENCE", 0.1)
    with folders.building_in(tmp_path, AS_OF) as folder:
        (folder / "half").write_text("whole")
        with (
            pytest.raises(TimeoutError, match="another publication"),
            folders.building_in(tmp_path, "2025-03-03", told.append),
        ):
            pass
        assert (folder / "half").read_text() == "whole"
    assert told == [f"waiting for another publication in {tmp_path}"]
    with folders.building_in(tmp_path, AS_OF):
        pass


def test_a_day_is_never_missing_while_it_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    seen, done = [], threading.Event()

    def watch() -> None:
        while not done.is_set():
            seen.append((tmp_path / "day").exists())

    watching = threading.Thread(target=watch)
    watching.start()
    for number in range(100):
        (tmp_path / "new").mkdir()
        (tmp_path / "new" / str(number)).touch()
        folders.place(tmp_path / "new", tmp_path / "day")
        shutil.rmtree(tmp_path / "new")
    done.set()
    watching.join()
    assert (tmp_path / "day" / "99").exists()
    assert len(seen) > 100
    assert all(seen)


@pytest.mark.parametrize("name", ["2025-02-31", "2025-02-10"])
def test_what_past_publications_cannot_mean_is_listed_by_its_day_or_not_at_all(
    tmp_path: Path, name: str
) -> None:
    past = tmp_path / "out" / name
    past.mkdir(parents=True)
    (past / "index.html").write_text("")
    (past / "manifest.json").write_text("[" * 100_000)
    done = run(tmp_path, {"first": notebook(SAY)})
    listed = (done.folder.parent / "index.html").read_text()
    assert f"{AS_OF}/index.html" in listed
    assert (f"{name}/index.html" in listed) == (name == "2025-02-10")


@pytest.mark.parametrize("fails", [False, True])
def test_kernels_start_when_the_results_leave_them_a_core(
    tmp_path: Path, stand_in_notebooks: Path, monkeypatch: pytest.MonkeyPatch, fails: bool
) -> None:
    """Told so while they are computed, or when they have failed: nobody waits without end."""
    sparing, begun = threading.Event(), threading.Event()

    def whole() -> Any:
        assert not begun.wait(0.2)
        sparing.set()
        if fails:
            raise ArithmeticError("no results")
        assert begun.wait(20)
        return tables()

    def run_notebooks(*given: Any, **options: Any) -> Any:
        begun.set()
        return running.run_notebooks(*given, **options)

    monkeypatch.setattr(publication, "run_notebooks", run_notebooks)

    def waiting(*given: Any) -> Any:
        results = opener()(*given)
        return SimpleNamespace(logs=results.logs, tables=whole, sparing=sparing)

    told: dict[str, Any] = {"notebooks": stand_in_notebooks, "reports": QUICK, "open_results": waiting}
    with pytest.raises(ArithmeticError) if fails else nullcontext():
        publish(tmp_path / "logs", tmp_path / "out", **told)
    assert begun.is_set()
    assert list((tmp_path / "out").glob("*/index.html")) == [tmp_path / "out" / AS_OF / "index.html"] * (
        not fails
    )


def test_a_cell_without_end_is_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "CELL_SECONDS", 2)
    halted = "import os, signal\nos.kill(os.getpid(), signal.SIGSTOP)"
    failed = failing(tmp_path, notebook("x = 1", halted), own_kernels())
    assert "timed out" in str(failed)
    assert not list((tmp_path / "out").glob(".building-*"))


def test_stand_in_notebooks_name_every_hostile_text() -> None:
    assert all(
        repr(text) in "".join(cell.source for cell in sound_notebooks()["first"].cells) for text in HOSTILE
    )


def test_a_day_is_not_republished_without_some_of_its_reports(tmp_path: Path) -> None:
    both = {"first": notebook(SAY), "week": notebook(SAY)}
    done = run(tmp_path, both, reports=REPORTS)
    before = digests(done.folder)
    with pytest.raises(ValueError, match=r"holds first\.html"):
        run(tmp_path, both, reports=REPORTS, names=["week"])
    assert digests(done.folder) == before
    # All of them again, or one more, may replace it.
    run(tmp_path, both, reports=REPORTS)
