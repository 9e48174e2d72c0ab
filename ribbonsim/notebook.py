"""Start JupyterLab on the notebook with the live panel."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

from ribbonsim.errors import RibbonsimError

NOTEBOOK = "01_does_it_bend.ipynb"
MESH_VARIABLE = "RIBBONSIM_MESH"
_UPLOAD = 512 * 1024 * 1024
_NEEDED = ("jupyterlab", "ipywidgets", "ipyevents")


def start_notebook(
    mesh: str | os.PathLike[str] | None = None,
    folder: str | os.PathLike[str] = ".",
    port: int | None = None,
    browser: bool = True,
) -> int:
    """Start JupyterLab on the notebook with the panel, and stay until it ends.

    Parameters
    ----------
    mesh : path, optional
        OBJ file that the panel opens; the first demo creature if left out.
    folder : path
        Where to work. The notebook is taken from its folder ``notebooks`` or one above;
        if there is none, a copy is put into ``folder/notebooks``.
    port : int, optional
        A free one is found if left out.
    browser : bool
        Open a browser window.

    Returns
    -------
    int
        How JupyterLab ended: 0 if well.

    Raises
    ------
    RibbonsimError
        If the mesh or the folder is missing, or JupyterLab is not installed.
    """
    environment = dict(os.environ)
    if mesh is not None:
        file = Path(mesh)
        if not file.is_file():
            raise RibbonsimError(f"{file}: there is no such file; check the path")
        environment[MESH_VARIABLE] = str(file.resolve())
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise RibbonsimError(
            f"{missing[0]} is not installed, and the panel needs it: "
            "run pip install 'ribbonsim[notebook]'"
        )
    notebook = find_notebook(folder)
    try:
        lab = subprocess.Popen(lab_command(notebook, port, browser), env=environment)
    except OSError as error:
        raise RibbonsimError(f"JupyterLab could not be started: {error.strerror}") from error
    while True:
        try:
            return lab.wait()
        except KeyboardInterrupt:  # JupyterLab got it too, and asks whether it is meant
            continue


def lab_command(notebook: Path, port: int | None = None, browser: bool = True) -> list[str]:
    """The command that opens a notebook alone in JupyterLab.

    Parameters
    ----------
    notebook : Path
        In a folder ``notebooks``; the folder above it is what JupyterLab shows.
    port : int, optional
    browser : bool

    Returns
    -------
    list of str
    """
    root = notebook.parent.parent
    command = [sys.executable, "-m", "jupyter", "lab", f"--ServerApp.root_dir={root}"]
    command.append(f"--LabApp.default_url=/doc/tree/{notebook.relative_to(root).as_posix()}")
    # an OBJ that is uploaded comes in one message; the usual limit is 10 MiB
    command.append(f"--ServerApp.tornado_settings={{'websocket_max_message_size': {_UPLOAD}}}")
    if port is not None:
        command += [f"--port={port}", "--ServerApp.port_retries=0"]
    if not browser:
        command.append("--no-browser")
    if hasattr(os, "geteuid") and os.geteuid() == 0:  # it refuses the superuser otherwise
        command.append("--allow-root")
    return command


def find_notebook(folder: str | os.PathLike[str] = ".") -> Path:
    """Find the notebook in a folder or above it, or put the packaged copy there.

    Parameters
    ----------
    folder : path

    Returns
    -------
    Path
        ``.../notebooks/01_does_it_bend.ipynb``; one that is there is never replaced.

    Raises
    ------
    RibbonsimError
        If the folder is not there, or the copy cannot be written.
    """
    here = Path(folder).resolve()
    if not here.is_dir():
        raise RibbonsimError(f"{folder} is not a folder: make it, or name another")
    for place in (here, *here.parents):
        if (place / "notebooks" / NOTEBOOK).is_file():
            return place / "notebooks" / NOTEBOOK
    package = Path(__file__).resolve().parent
    # inside the package once installed, beside it in a checkout
    for source in (package / "notebooks" / NOTEBOOK, package.parent / "notebooks" / NOTEBOOK):
        if source.is_file():
            break
    else:
        raise RibbonsimError(f"{NOTEBOOK} is not part of this installation: install it again")
    target = here / "notebooks" / NOTEBOOK
    try:
        target.parent.mkdir(exist_ok=True)
        with source.open("rb") as text, target.open("xb") as copy:
            shutil.copyfileobj(text, copy)
    except OSError as error:
        raise RibbonsimError(f"{target} cannot be written: {error.strerror}") from error
    return target
