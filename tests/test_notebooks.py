"""Every notebook runs from top to bottom, as it is, in a fresh kernel (nbclient)."""

import json
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks():
    assert "05_handoff" in [path.stem for path in NOTEBOOKS]


PATH = [path for path in NOTEBOOKS if path.stem < "06"]


@pytest.mark.parametrize("path", PATH, ids=lambda path: path.stem)
def test_each_step_opens_with_a_picture_and_takes_another_mesh_by_one_line(path):
    first, *others = json.loads(path.read_text(encoding="utf-8"))["cells"]
    title, words, picture = "".join(first["source"]).split("\n\n")
    assert title.startswith(f"# {int(path.stem[:2])} · ")
    assert "Shift+Enter" not in words
    assert (path.parent / re.fullmatch(r"!\[.+\]\((\w+\.jpg)\)", picture)[1]).is_file()
    code = "\n".join("".join(cell["source"]) for cell in others if cell["cell_type"] == "code")
    assert len(re.findall(r"^mesh = .*#", code, flags=re.MULTILINE)) == 1


@pytest.mark.slow
# the libraries that run notebooks warn of one another's futures
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path):
    # both load jsonschema, which builds forty grammars: seconds that every worker would spend
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    for cell in notebook.cells:
        assert not cell.get("outputs"), f"{path.name} is kept with outputs: clear them"
    client = NotebookClient(
        notebook, timeout=1200, kernel_name="python3", resources={"metadata": {"path": path.parent}}
    )
    client.execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert outputs
    assert not [output for output in outputs if output.output_type == "error"]
    assert "rs-says rs-wrong" not in str(client.widget_state)
