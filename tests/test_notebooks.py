"""Every notebook runs from top to bottom in a crew's folder, and is kept without outputs."""

import shutil
from pathlib import Path

import nbclient
import nbformat
import pytest

from yieldkit.cli.shipped import copy_notebooks
from yieldkit.records.ingest import ingest

ROOT = Path(__file__).parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.fixture(scope="module")
def crew_folder(tmp_path_factory):
    """The demo crew, taken in; the sample crew where there is no demo crew."""
    folder = tmp_path_factory.mktemp("crew") / "crew"
    made = ROOT / "data" / "demo"
    if not (made / "inbox").exists():
        made = ROOT / "tests" / "crew_a"
    shutil.copytree(made, folder)
    copy_notebooks(folder)
    ingest(folder)
    return folder


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_kept_without_outputs(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert not any(cell.outputs or cell.execution_count for cell in code)
    assert notebook.cells[0].cell_type == "markdown"


@pytest.mark.filterwarnings("default")  # of the kernel's own start, not of ours
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_from_top_to_bottom(path, crew_folder):
    place = crew_folder / "notebooks" / path.name
    notebook = nbformat.read(place, as_version=4)
    client = nbclient.NotebookClient(
        notebook, timeout=120, resources={"metadata": {"path": str(place.parent)}}
    )
    client.execute()
    shown = [cell for cell in notebook.cells if cell.cell_type == "code" and cell.outputs]
    assert shown
    loud = [
        out.get("text", "") for cell in shown for out in cell.outputs if out.get("name") == "stderr"
    ]
    assert not loud
