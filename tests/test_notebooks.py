"""Every notebook runs from top to bottom, as it is, in a fresh kernel (nbclient)."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks():
    assert NOTEBOOKS


# the libraries that run notebooks warn of one another's futures
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path):
    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        assert not cell.get("outputs"), f"{path.name} is kept with outputs: clear them"
    client = NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": path.parent}}
    )
    client.execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert outputs
    assert not [output for output in outputs if output.output_type == "error"]
    assert "rs-says rs-wrong" not in str(client.widget_state)
