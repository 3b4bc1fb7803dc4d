"""The shape of the project: imports run one way, notebooks call and define nothing."""

import ast
import graphlib
import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "pressstats"
SIMULATION = ROOT / "tests" / "demo_plant"

#: Lines of a function, its docstring aside, beyond which its first line gives a reason.
LONG = 60

#: What each part, and each module at the top, may import from the package, besides itself. Each names parts that stand
#: above it only: the way the material flows.
EARLIER = {
    "geometry": set(),
    "tables": set(),
    "palette": set(),
    "past": set(),
    "cache": set(),
    "stopping": set(),
    "beside": {"stopping"},
    "spreading": {"beside"},
    "exports": {"tables"},
    "plant": {"tables", "exports"},
    "markup": {"tables"},
    "lines": {"markup"},
    "logs": {"geometry", "tables", "exports", "plant"},
    "start": {"tables", "exports", "plant", "logs"},
    "forecast": {"tables"},
    "offers": {"tables", "logs"},
    "valuation": set(),
    "prices": {"logs", "valuation"},
    "paper": {"geometry", "tables", "plant", "logs"},
    "ink": {"tables", "beside", "plant", "logs", "paper"},
    "reels": {"geometry", "tables", "plant", "logs", "prices", "paper"},
    "watch": {"tables", "plant", "logs", "prices", "paper", "ink", "reels"},
    "demand": {
        "geometry",
        "tables",
        "beside",
        "plant",
        "logs",
        "prices",
        "paper",
        "ink",
        "reels",
        "forecast",
    },
    "orders": {
        "tables",
        "beside",
        "plant",
        "logs",
        "offers",
        "prices",
        "paper",
        "ink",
        "reels",
        "forecast",
        "demand",
    },
    "nights": {"tables", "plant", "logs", "paper", "reels", "demand", "orders"},
    "accounts": {"geometry", "tables", "plant", "logs", "valuation", "prices", "paper", "ink", "reels"}
    | {"demand"},
    "suppliers": {"tables", "plant", "logs", "offers", "prices", "paper", "reels", "orders"},
    "together": {"tables", "logs", "reels", "watch", "demand", "orders", "nights", "past"},
    "workbook": {"tables", "logs", "prices", "paper", "ink", "reels", "demand", "orders", "accounts"},
    "analysing": {"tables", "logs", "prices", "paper", "ink", "reels", "watch", "demand", "orders", "past"}
    | {"accounts", "suppliers", "beside", "together"},
    "results": {
        "tables",
        "workbook",
        "analysing",
        "logs",
        "ink",
        "reels",
        "demand",
        "orders",
        "past",
        "cache",
    },
    "group": {"tables", "exports", "plant", "logs", "reels", "past", "results"},
    "figures": {"markup", "palette"},
    "figure_data": {"markup", "palette"},
    "exhibits": {"logs", "markup", "lines", "palette", "figure_data"},
    "pages": {
        "offers",
        "geometry",
        "tables",
        "plant",
        "logs",
        "prices",
        "paper",
        "ink",
        "reels",
        "watch",
        "demand",
    }
    | {"orders", "nights", "accounts", "results", "group", "figures", "exhibits"},
    "publishing": {
        "tables",
        "cache",
        "stopping",
        "beside",
        "spreading",
        "logs",
        "orders",
        "pages",
        "results",
        "group",
        "markup",
        "lines",
        "palette",
        "figure_data",
        "exhibits",
    },
    "cli": {"stopping", "spreading", "tables", "logs", "start", "watch", "group", "publishing"},
    "__main__": {"stopping", "cli"},
}


#: Parts that compute: they open no file and draw nothing.
ANALYSES = ("geometry", "tables", "plant", "forecast", "offers", "prices", "paper", "ink", "reels", "watch")
ANALYSES += (
    "demand",
    "orders",
    "nights",
    "valuation",
    "accounts",
    "suppliers",
    "workbook",
    "analysing",
    "together",
)


def files_of(part: str) -> list[Path]:
    """Modules of a part, which is a folder or a module at the top."""
    return sorted((PACKAGE / part).rglob("*.py")) or [PACKAGE / f"{part}.py"]


def module_file(*names: str) -> Path | None:
    """File of a module or folder of the package."""
    found = (PACKAGE.joinpath(*names, "__init__.py"), PACKAGE.joinpath(*names).with_suffix(".py"))
    return next((path for path in found if path.exists()), None)


def imported(path: Path) -> set[Path]:
    """Modules of the package that a module imports, wherever in it, for types only as well."""
    modules = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names = [tuple(alias.name.split(".")) for alias in node.names]
            modules |= {module_file(*name[1:]) for name in names if name[0] == "pressstats"}
        elif isinstance(node, ast.ImportFrom):
            inside = path.is_relative_to(PACKAGE) and node.level
            folder = ("pressstats", *path.parent.relative_to(PACKAGE).parts) if inside else ()
            start = folder[: len(folder) + 1 - node.level] if inside else ()
            source = (*start, *(node.module or "").split(".")) if node.module else start
            if source[:1] == ("pressstats",):
                names = {alias.name for alias in node.names} - {"__version__"}
                modules |= {module_file(*source[1:], name) or module_file(*source[1:]) for name in names}
    return modules - {None}


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def test_every_part_is_held():
    parts = {path.stem for path in PACKAGE.iterdir() if path.suffix == ".py" or path.is_dir()}
    assert parts - {"__init__", "__pycache__"} == set(EARLIER)


def test_parts_name_only_parts_above_them():
    names = list(EARLIER)
    for place, part in enumerate(names):
        assert EARLIER[part] <= set(names[:place]), part


@pytest.mark.parametrize("part", EARLIER)
def test_imports_run_one_way(part):
    for path in files_of(part):
        assert {part_of(module) for module in imported(path)} <= EARLIER[part] | {part}, path


def test_no_modules_import_each_other():
    graph = {path: imported(path) for path in PACKAGE.rglob("*.py")}
    graphlib.TopologicalSorter(graph).prepare()


def test_the_guide_names_every_part_and_modules_that_there_are():
    rows = re.findall(r"(?m)^\| (`.+?) \|.*\| (.*?) ?\|$", (ROOT / "DEVELOPERS.md").read_text())
    rows = {cells[0]: cells[1] for cells in rows if not cells[0].startswith("`bench_")}
    parts = {part for names in rows for part in re.findall(r"`([^`]+)`", names)}
    assert {part for part in parts if not part.startswith("tests/")} == set(EARLIER) - {"__main__"}
    for names, modules in rows.items():
        folders = [ROOT / part if "/" in part else PACKAGE / part for part in re.findall(r"`([^`]+)`", names)]
        for module in re.findall(r"`([^`]+)`", modules):
            assert any((folder / f"{module}.py").exists() for folder in folders), (names, module)


def test_the_simulation_knows_only_the_columns_of_the_logs():
    assert {part_of(module) for path in SIMULATION.glob("*.py") for module in imported(path)} == {"tables"}
    for path in PACKAGE.rglob("*.py"):
        assert path.name == "cli.py" or SIMULATION.name not in path.read_text(), path


@pytest.mark.parametrize("part", ANALYSES)
def test_analyses_open_no_file_and_draw_nothing(part):
    for path in files_of(part):
        source = path.read_text()
        assert "plotly" not in source, path
        if part != "plant":
            assert not any(word in source for word in ("open(", "read_csv", "read_text", "read_bytes")), path


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda path: path.stem)
def test_notebooks_define_nothing_and_carry_no_outputs(path):
    notebook = json.loads(path.read_text())
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    checked = 0
    assert code[0]["metadata"]["tags"] == ["parameters"]
    for cell in code:
        tree = ast.parse("".join(cell["source"]))
        assert not any(isinstance(node, ast.FunctionDef | ast.ClassDef) for node in ast.walk(tree))
        if "nbval-check-output" not in cell["metadata"].get("tags", []):
            assert cell["outputs"] == []
        else:
            checked += 1
            assert cell["outputs"], "nothing to compare with"
            assert cell["execution_count"], "nothing to compare with"
    assert checked == 1
    assert notebook["metadata"]["kernelspec"]["name"] == "python3"


def test_every_report_has_a_notebook():
    from pressstats.publishing.reports import GROUP_REPORTS, REPORTS

    assert {report.notebook for report in (*REPORTS, *GROUP_REPORTS)} == {
        path.name for path in (ROOT / "notebooks").glob("*.ipynb") if path.stem != "begin_here"
    }


def test_modules_are_short_and_say_what_they_offer():
    for path in (*PACKAGE.rglob("*.py"), *SIMULATION.rglob("*.py")):
        source = path.read_text()
        assert source.count("\n") <= 400, path
        if path.name != "__main__.py":
            assert "__all__" in source, path
        assert ast.get_docstring(ast.parse(source)), path


def test_a_long_function_says_why_it_is_one():
    seen = 0
    for path in (*PACKAGE.rglob("*.py"), *Path(__file__).parent.rglob("*.py")):
        source = path.read_text()
        for node in ast.walk(ast.parse(source)):
            if not isinstance(node, ast.FunctionDef):
                continue
            begins = node.body[0].end_lineno if ast.get_docstring(node) else node.lineno
            if node.end_lineno - begins > LONG:
                assert "long: " in source.splitlines()[node.lineno - 1], f"{path}: {node.name}"
                seen += 1
    assert seen


def test_nothing_else_stands_at_the_top():
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    allowed = {"README.md", "DEVELOPERS.md", "requirements.txt", "pyproject.toml"}
    allowed |= {"notebooks", "pressstats", "tests", "data_demo"}
    assert {name for name in top if not name.startswith(".")} == allowed
