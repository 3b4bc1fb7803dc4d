"""Run every notebook on the demo plant and keep the outputs of its checked cells, and of no others.

    python tests/renew_checked_cells.py

To be run when the demo plant or a model has changed, after looking at what changes.
"""

from pathlib import Path

import nbformat
from nbclient import NotebookClient

CHECKED = "nbval-check-output"


def renew(path: Path) -> None:
    """Execute the notebook at `path` in its folder and write it back with checked outputs only."""
    notebook = nbformat.read(path, as_version=4)
    metadata = dict(notebook.metadata)
    NotebookClient(notebook, kernel_name="python3", resources={"metadata": {"path": path.parent}}).execute()
    # A kernel writes its own version into the metadata: no machine's version belongs into the project.
    notebook.metadata = metadata
    for cell in notebook.cells:
        if cell.cell_type == "code":
            checked = CHECKED in cell.metadata.get("tags", [])
            # A cell without a count is taken for one that was never run, and not compared.
            cell.execution_count = 1 if checked else None
            cell.metadata.pop("execution", None)
            if not checked:
                cell.outputs = []
    nbformat.write(notebook, path)


if __name__ == "__main__":
    for found in sorted((Path(__file__).parent.parent / "notebooks").glob("*.ipynb")):
        print(found.name, flush=True)
        renew(found)
