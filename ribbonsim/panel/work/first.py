"""Before the page asks for anything: what it will open first, and the first drawing context."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from ribbonsim.errors import RibbonsimError
from ribbonsim.panel.jupyter import MESH_VARIABLE, START_VARIABLE
from ribbonsim.panel.state.begun import Ahead, open_ahead
from ribbonsim.panel.state.demo import demo_meshes
from ribbonsim.panel.state.session import Session
from ribbonsim.panel.work.session_files import SessionFiles, session_folder
from ribbonsim.panel.work.worker import PICTURES
from ribbonsim.view.scene import Stage

_SMALL = (90, 60)


def begin() -> None:
    """Open what a panel will open at first, and draw once: the first picture takes longest."""
    file = first_file(SessionFiles(Session, session_folder()), demo_meshes())
    if file is not None:
        ahead = open_ahead(file)
        PICTURES.ask(ahead, lambda: _draw_once(ahead))


def first_file(files: SessionFiles[Any], demos: Mapping[str, Path]) -> Path | None:
    """What a panel opens at first where nothing is asked for.

    That is what was worked on last in a folder, a mesh that was named when the notebook was
    started, or a demo creature.
    """
    named, started = os.environ.get(MESH_VARIABLE, ""), os.environ.get(START_VARIABLE, "0")
    last = files.last_opened(float(started) if named else 0.0)
    if last is not None:
        return next((path for path in demos.values() if path == last), last)
    return Path(named) if named else next(iter(demos.values()), None)


def _draw_once(ahead: Ahead) -> None:
    mesh = ahead.mesh()
    if mesh is not None:
        with suppress(RibbonsimError), Stage(mesh, _SMALL, smooth_edges=False) as stage:
            stage.hurry(True)
            stage.show_clay()
            stage.image(labels=False)
