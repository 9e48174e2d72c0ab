"""Starting the notebook: what is found, copied and refused, and the command that is run."""

import subprocess
import sys
from pathlib import Path

import pytest

import ribbonsim as rs
from ribbonsim import notebook
from ribbonsim.cli import main

ROOT = Path(__file__).resolve().parents[1]
NAME = "01_does_it_bend.ipynb"


@pytest.fixture
def started(monkeypatch):
    """Commands and environments that would have been run."""
    runs = []

    class Fake:
        def __init__(self, command, env):
            runs.append((command, env))

        def wait(self):
            return 0

    monkeypatch.setattr(notebook.subprocess, "Popen", Fake)
    return runs


def test_notebook_that_is_there_is_taken_and_never_replaced(tmp_path):
    own = tmp_path / "notebooks" / NAME
    own.parent.mkdir()
    own.write_text("mine", encoding="utf-8")
    below = tmp_path / "deep" / "down"
    below.mkdir(parents=True)
    for folder in (tmp_path, below):
        assert notebook.find_notebook(folder) == own
    assert own.read_text(encoding="utf-8") == "mine"
    assert list(below.iterdir()) == []


def test_without_one_the_packaged_copy_is_put_there(tmp_path):
    made = notebook.find_notebook(tmp_path)
    assert made == tmp_path / "notebooks" / NAME
    assert made.read_bytes() == (ROOT / "notebooks" / NAME).read_bytes()
    assert notebook.find_notebook(tmp_path) == made


def test_folder_that_cannot_be_used_is_a_sentence(tmp_path):
    with pytest.raises(rs.RibbonsimError, match="nowhere"):
        notebook.find_notebook(tmp_path / "nowhere")
    (tmp_path / "notebooks").write_text("a file", encoding="utf-8")
    with pytest.raises(rs.RibbonsimError, match="cannot be written"):
        notebook.find_notebook(tmp_path)


def test_mesh_is_handed_over_and_the_notebook_opens_alone(tmp_path, started):
    mesh = tmp_path / "worm.obj"
    mesh.write_text("", encoding="utf-8")
    assert notebook.start_notebook(mesh, tmp_path, 8123, browser=False) == 0
    ((command, environment),) = started
    assert environment["RIBBONSIM_MESH"] == str(mesh)
    assert command[:4] == [sys.executable, "-m", "jupyter", "lab"]
    assert f"--LabApp.default_url=/doc/tree/notebooks/{NAME}" in command
    assert "--port=8123" in command
    assert any("websocket_max_message_size" in part for part in command)
    assert "--no-browser" in command


def test_missing_mesh_and_missing_jupyterlab_are_sentences(tmp_path, started, monkeypatch, capsys):
    with pytest.raises(SystemExit) as end:
        main(["notebook", str(tmp_path / "worm.obj"), "--folder", str(tmp_path)])
    assert end.value.code == 2
    assert "worm.obj" in capsys.readouterr().err
    monkeypatch.setattr(notebook.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(SystemExit) as end:
        main(["notebook", "--folder", str(tmp_path)])
    assert end.value.code == 2
    said = capsys.readouterr().err
    assert "pip install 'ribbonsim[notebook]'" in said
    assert said.count("\n") == 1
    assert started == []


def test_the_module_loads_no_widgets():
    code = "import ribbonsim.notebook, sys; print('ipywidgets' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
