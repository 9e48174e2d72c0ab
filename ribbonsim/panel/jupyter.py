"""Start JupyterLab on the notebook with the live panel."""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import make_folder, write_file
from ribbonsim.panel import serving
from ribbonsim.panel.serving import NOTEBOOK_VARIABLE

NOTEBOOK = "01_does_it_bend.ipynb"
FOLDER_VARIABLE = "RIBBONSIM_FOLDER"  # where it was started
MESH_VARIABLE = "RIBBONSIM_MESH"
START_VARIABLE = "RIBBONSIM_STARTED"  # when, in seconds: what is newer is gone on with
# what shows the panel as a page, and runs the notebook that is opened
_PAGE = Path(__file__).resolve().parent / "page"
# of the server: what checks programs as they are written, and what only old extensions need
_UNUSED = ("jupyter_lsp", "notebook_shim")
_UPLOAD = 512 * 1024 * 1024
_STOPS, _PATIENCE = ("SIGTERM", "SIGHUP"), 20.0
_NEEDED = ("jupyterlab", "ipywidgets", "ipyevents")


def start_notebook(
    mesh: str | os.PathLike[str] | None = None,
    folder: str | os.PathLike[str] = ".",
    port: int | None = None,
    browser: bool = True,
) -> int:
    """Start JupyterLab on the notebook with the panel, and stay until it ends."""
    environment = {**os.environ, FOLDER_VARIABLE: os.getcwd()}
    if mesh is not None:
        file = Path(mesh)
        if not os.path.isfile(file):
            raise RibbonsimError(f"{file}: there is no such file; check the path")
        environment[MESH_VARIABLE] = str(file.resolve())
        environment[START_VARIABLE] = f"{time.time():.3f}"
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise RibbonsimError(
            f"{missing[0]} is not installed, and the panel needs it: "
            "run pip install 'ribbonsim[notebook]'"
        )
    notebook = find_notebook(folder)
    environment[NOTEBOOK_VARIABLE] = _seen_from_root(notebook)
    if _codes(notebook) == _codes(_shipped() / NOTEBOOK):
        environment[serving.FOLDER_VARIABLE] = str(notebook.parent)
    with _Server() as server:
        return server.run(lab_command(notebook, port, browser), environment)


class _Server:
    """JupyterLab as a process that ends when this one is told to."""

    def __init__(self) -> None:
        self._lab: subprocess.Popen[bytes] | None = None
        self._came: list[int] = []
        self._before: dict[int, Any] = {}

    def __enter__(self) -> _Server:
        if threading.current_thread() is threading.main_thread():
            for kind in (getattr(signal, name) for name in _STOPS if hasattr(signal, name)):
                if signal.getsignal(kind) is not signal.SIG_IGN:
                    self._before[kind] = signal.signal(kind, self._pass_on)
        return self

    def _pass_on(self, number: int, _frame: object) -> None:
        self._came.append(number)
        if self._lab is not None:
            self._stop(self._lab)

    @staticmethod
    def _stop(lab: subprocess.Popen[bytes]) -> None:
        """Have it end; one that waits for a thread of its own is not waited for."""
        lab.terminate()
        later = threading.Timer(_PATIENCE, lab.kill)
        later.daemon = True
        later.start()

    def run(self, command: list[str], environment: dict[str, str]) -> int:
        """Run it until it ends."""
        try:
            self._lab = subprocess.Popen(command, env=environment)
        except OSError as error:
            raise RibbonsimError(f"JupyterLab could not be started: {error.strerror}") from error
        if self._came:  # while it was started
            self._stop(self._lab)
        while True:
            try:
                return self._lab.wait()
            except KeyboardInterrupt:  # JupyterLab got it too, and asks whether it is meant
                continue

    def __exit__(self, *_: object) -> None:
        if self._lab is not None and self._lab.poll() is None:
            self._stop(self._lab)
            self._lab.wait()
        for kind, handler in self._before.items():
            signal.signal(kind, handler)
        if self._came:
            signal.raise_signal(self._came[0])


def lab_command(notebook: Path, port: int | None = None, browser: bool = True) -> list[str]:
    """The command that opens a notebook alone in JupyterLab."""
    command = [sys.executable, "-m", serving.__name__]
    command.append(f"--ServerApp.root_dir={notebook.parent.parent}")
    extensions = {serving.__name__: True, **dict.fromkeys(_UNUSED, False)}
    command.append(f"--ServerApp.jpserver_extensions={extensions}")
    # a workspace of its own: bars that are folded here stay as they are elsewhere
    place = f"/doc/workspaces/ribbonsim/tree/{_seen_from_root(notebook)}"
    command.append(f"--LabApp.default_url={place}")
    command.append(f"--LabApp.extra_labextensions_path={_PAGE}")
    # for the button that runs the notebook again once its kernel was restarted
    command.append("--LabApp.expose_app_in_browser=True")
    command += [
        "--LabApp.news_url=",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    ]
    # an OBJ that is uploaded comes in one message; the usual limit is 10 MiB
    command.append(f"--ServerApp.tornado_settings={{'websocket_max_message_size': {_UPLOAD}}}")
    if port is not None:
        command += [f"--port={port}", "--ServerApp.port_retries=0"]
    if not browser:
        command.append("--no-browser")
    if hasattr(os, "geteuid") and os.geteuid() == 0:  # it refuses the superuser otherwise
        command.append("--allow-root")
    return command


def _seen_from_root(notebook: Path) -> str:
    return notebook.relative_to(notebook.parent.parent).as_posix()


def find_notebook(folder: str | os.PathLike[str] = ".") -> Path:
    """Find the notebook in a folder; those that are not there are put there, with pictures."""
    here = Path(folder).resolve()
    if not here.is_dir():
        raise RibbonsimError(f"{folder} is not a folder: make it, or name another")
    target, source = here / "notebooks" / NOTEBOOK, _shipped()
    make_folder(target.parent)
    for file in sorted((*source.glob("*.ipynb"), *source.glob("*.jpg"))):
        if not (target.parent / file.name).exists():
            write_file(target.parent / file.name, file.read_bytes())
    return target


def _shipped() -> Path:
    """The folder with the notebooks that come with the product."""
    package = Path(__file__).resolve().parents[1]
    # inside the package once installed, beside it in a checkout
    for folder in (package / "notebooks", package.parent / "notebooks"):
        if (folder / NOTEBOOK).is_file():
            return folder
    raise RibbonsimError(f"{NOTEBOOK} is not part of this installation: install it again")


def _codes(notebook: Path) -> list[str] | None:
    """What a notebook runs, cell by cell; None if it cannot be read."""
    try:
        cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
        return ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    except (OSError, ValueError, TypeError, KeyError):
        return None
