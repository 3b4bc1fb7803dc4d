"""The shape of the project: imports run one way, notebooks call and define nothing."""

import ast
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "pressstats"

#: What each part may import from the package, besides itself: the way the material flows.
EARLIER = {
    "tables": set(),
    "plant": {"tables"},
    "logs": {"tables", "plant"},
    "paper": {"tables", "plant", "logs"},
    "ink": {"tables", "plant", "logs", "paper"},
    "reels": {"tables", "plant", "logs", "paper"},
    "forecast": {"tables"},
    "demand": {"tables", "plant", "logs", "paper", "ink", "reels", "forecast"},
    "orders": {"tables", "plant", "logs", "paper", "ink", "reels", "forecast", "demand"},
    "watch": {"tables", "plant", "logs", "paper", "ink", "reels"},
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
