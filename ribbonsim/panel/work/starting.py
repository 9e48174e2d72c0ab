"""What a panel opens at first that is told nothing."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ribbonsim.panel.jupyter import MESH_VARIABLE, START_VARIABLE
from ribbonsim.panel.work.session_files import SessionFiles


def first_source(demos: Mapping[str, Path], files: SessionFiles[Any]) -> Path | None:
    """What was worked on last in a folder, else a mesh that was named, else a demo creature.

    A mesh that was named when the notebook was started goes before what is older than that.
    """
    named, started = os.environ.get(MESH_VARIABLE, ""), os.environ.get(START_VARIABLE, "0")
    last = files.last_opened(float(started) if named else 0.0)
    if last is not None:
        return next((path for path in demos.values() if path == last), last)
    return Path(named) if named else next(iter(demos.values()), None)
