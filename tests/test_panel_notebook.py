"""Starting the notebook: what is found, copied and refused, and the command that is run."""

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from cases import first_of

import ribbonsim as rs
from ribbonsim.cli.main import main
from ribbonsim.panel import jupyter as notebook

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

        def poll(self):
            return 0

    monkeypatch.setattr(notebook.subprocess, "Popen", Fake)
    return runs


def test_notebook_that_is_there_is_taken_and_never_replaced(tmp_path):
    own = tmp_path / "notebooks" / NAME
    own.parent.mkdir()
    own.write_text("mine", encoding="utf-8")
    assert notebook.find_notebook(tmp_path) == own
    assert own.read_text(encoding="utf-8") == "mine"


def test_a_notebook_above_the_folder_is_somebody_elses(tmp_path):
    other = tmp_path / "notebooks" / NAME
    other.parent.mkdir()
    other.write_text("theirs", encoding="utf-8")
    below = tmp_path / "deep" / "down"
    below.mkdir(parents=True)
    made = notebook.find_notebook(below)
    assert made == below / "notebooks" / NAME
    assert f"--ServerApp.root_dir={below}" in notebook.lab_command(made)
    assert other.read_text(encoding="utf-8") == "theirs"


SERVES = """
import sys
from pathlib import Path
from ribbonsim.cli.main import main
from ribbonsim.panel import jupyter
code = "import os, sys, time; print(os.getpid(), flush=True); time.sleep(100)"
jupyter.lab_command = lambda *_: [sys.executable, "-c", code]
main(["notebook", "--folder", sys.argv[1]])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ")
@pytest.mark.parametrize("kind", first_of("SIGTERM", "SIGHUP"))
def test_the_server_ends_with_the_command(tmp_path, kind):
    number = getattr(signal, kind)
    # a program that was started to outlive its terminal passes on that it ignores SIGHUP
    heeds = f"import signal\nsignal.signal(signal.{kind}, signal.SIG_DFL)\n"
    process = subprocess.Popen(
        [sys.executable, "-c", heeds + SERVES, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    with process:
        server = int(process.stdout.readline())
        process.send_signal(number)
        assert process.wait(60) == 128 + number
    with pytest.raises(ProcessLookupError):
        os.kill(server, 0)


@pytest.mark.skipif(sys.platform == "win32", reason="signals differ")
def test_a_server_that_does_not_end_is_ended(tmp_path):
    deaf = SERVES.replace('code = "', 'jupyter._PATIENCE = 0.5\ncode = "import signal; "\\\n"'
                          "signal.signal(signal.SIGTERM, signal.SIG_IGN); ")  # fmt: skip
    process = subprocess.Popen(
        [sys.executable, "-c", deaf, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    with process:
        server = int(process.stdout.readline())
        process.terminate()
        assert process.wait(60) == 128 + signal.SIGTERM
    with pytest.raises(ProcessLookupError):
        os.kill(server, 0)


def test_without_them_the_packaged_copies_are_put_there(tmp_path):
    made = notebook.find_notebook(tmp_path)
    shipped = sorted((ROOT / "notebooks").glob("*.*"))
    assert len(shipped) > 6
    for path in shipped:
        if path.suffix in (".ipynb", ".jpg"):
            assert (made.parent / path.name).read_bytes() == path.read_bytes()
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
    assert environment["RIBBONSIM_NOTEBOOK"] == f"notebooks/{NAME}"
    assert command[:3] == [sys.executable, "-m", "ribbonsim.panel.serving"]
    assert f"--LabApp.default_url=/doc/workspaces/ribbonsim/tree/notebooks/{NAME}" in command
    assert "--port=8123" in command
    assert any("websocket_max_message_size" in part for part in command)
    assert "--no-browser" in command


def test_only_what_the_shipped_notebook_opens_is_read_ahead(tmp_path, started):
    made = notebook.find_notebook(tmp_path)
    notebook.start_notebook(None, tmp_path)
    text = made.read_text(encoding="utf-8")
    made.write_text(text.replace("mesh = None", "mesh = 'other.obj'"), encoding="utf-8")
    notebook.start_notebook(None, tmp_path)
    made.write_text("{", encoding="utf-8")
    notebook.start_notebook(None, tmp_path)
    told = [environment.get("RIBBONSIM_OPENS_FIRST") for _, environment in started]
    assert told == [str(made.parent), None, None]


# what is asked and answered: Jupyter Server's REST API, GET /api/sessions
@pytest.mark.slow
def test_the_kernel_is_up_before_the_page_asks(tmp_path):
    made = notebook.find_notebook(tmp_path)
    own = {name: str(tmp_path / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR")}
    place = f"notebooks/{NAME}"
    log = tmp_path / "log"
    with log.open("w") as stream:
        server = subprocess.Popen(
            [*notebook.lab_command(made, browser=False), "--port=0", "--IdentityProvider.token="],
            env={**os.environ, **own, "RIBBONSIM_NOTEBOOK": place},
            stdout=stream,
            stderr=subprocess.STDOUT,
        )
    try:
        address, sessions = wait_for_session(log, server)
        with urllib.request.urlopen(f"{address}/ribbonsim/first", timeout=60) as answer:
            assert answer.status == 204  # nothing was read ahead: RFC 9110, No Content
    finally:
        server.terminate()
        server.wait(timeout=120)
    (session,) = sessions
    assert session["path"] == place
    assert session["type"] == "notebook"
    assert "not started beforehand" not in log.read_text()


def wait_for_session(log, server):
    for _ in range(600):
        assert server.poll() is None, log.read_text()
        told = re.search(r"http://127\.0\.0\.1:\d+", log.read_text())
        if told:
            with urllib.request.urlopen(f"{told[0]}/api/sessions", timeout=60) as answer:
                sessions = json.load(answer)
            if sessions and sessions[0]["kernel"]["execution_state"] == "idle":
                return told[0], sessions
        time.sleep(0.2)
    raise AssertionError(f"no session came:\n{log.read_text()}")


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
    code = "import ribbonsim.panel.jupyter, sys; print('ipywidgets' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
