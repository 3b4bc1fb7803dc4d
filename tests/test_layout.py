"""The shape of the project: imports run one way, notebooks call and define nothing."""

import ast
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "pressstats"
SIMULATION = ROOT / "tests" / "demo_plant"

#: What each part may import from the package, besides itself: the way the material flows.
EARLIER = {
    "tables": set(),
    "plant": {"tables"},
    "logs": {"tables", "plant"},
    "paper": {"tables", "plant", "logs"},
    "ink": {"tables", "plant", "logs", "paper"},
    "reels": {"tables", "plant", "logs", "prices", "paper"},
    "prices": {"logs"},
    "forecast": {"tables"},
    "demand": {"tables", "plant", "logs", "prices", "paper", "ink", "reels", "forecast"},
    "orders": {"tables", "plant", "logs", "prices", "paper", "ink", "reels", "forecast", "demand"},
    "watch": {"tables", "plant", "logs", "prices", "paper", "ink", "reels"},
    "past": set(),
}


def imported(path: Path) -> set[str]:
    """Parts of the package that a module imports."""
    depth = len(path.relative_to(PACKAGE).parts)
    parts = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.level == depth:
            parts |= {node.module.split(".")[0]} if node.module else {name.name for name in node.names}
        if (
            isinstance(node, ast.ImportFrom)
            and node.level == 0
            and (node.module or "").startswith("pressstats.")
        ):
            parts.add(node.module.split(".")[1])
    return parts - {"__version__"}


@pytest.mark.parametrize("part", EARLIER)
def test_imports_run_one_way(part):
    files = (
        [PACKAGE / f"{part}.py"]
        if (PACKAGE / f"{part}.py").exists()
        else list((PACKAGE / part).rglob("*.py"))
    )
    assert files
    for path in files:
        assert imported(path) <= EARLIER[part] | {part}, path


@pytest.mark.parametrize("part", [name for name in EARLIER if name not in ("logs", "past")])
def test_analyses_open_no_file_and_draw_nothing(part):
    files = (
        [PACKAGE / f"{part}.py"]
        if (PACKAGE / f"{part}.py").exists()
        else list((PACKAGE / part).rglob("*.py"))
    )
    for path in files:
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
            assert cell["outputs"] and cell["execution_count"], "nothing to compare with"
    assert checked == 1
    assert notebook["metadata"]["kernelspec"]["name"] == "python3"


def test_every_report_has_a_notebook():
    from pressstats.publish.reports import REPORTS

    assert {report.notebook for report in REPORTS} == {
        path.name for path in (ROOT / "notebooks").glob("*.ipynb")
    }


def test_modules_are_short_and_say_what_they_offer():
    for path in (*PACKAGE.rglob("*.py"), *SIMULATION.rglob("*.py")):
        source = path.read_text()
        assert source.count("\n") <= 400, path
        if path.name != "__main__.py":
            assert "__all__" in source, path
        assert ast.get_docstring(ast.parse(source)), path


def test_nothing_else_stands_at_the_top():
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    allowed = {"README.md", "DEVELOPERS.md", "requirements.txt", "pyproject.toml"}
    allowed |= {"notebooks", "pressstats", "tests", "data_demo"}
    assert {name for name in top if not name.startswith(".")} == allowed
