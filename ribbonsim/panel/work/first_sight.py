"""The creature that the panel opens first, read and drawn while the page is still loaded."""

from __future__ import annotations

import io
import json
import os
import threading
from pathlib import Path

from PIL import Image

from ribbonsim import threads
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.panel.state.demo import demo_meshes
from ribbonsim.panel.state.session import Session
from ribbonsim.panel.work.bare import draw_bare
from ribbonsim.panel.work.read_before import MeshFile, leave
from ribbonsim.panel.work.session_files import SessionFiles, session_folder
from ribbonsim.panel.work.starting import first_source
from ribbonsim.view import look
from ribbonsim.view.scene import Stage

_SIZE, _QUALITY = (1200, 800), 90


class FirstSight:
    """A mesh file that is read and drawn on a thread of its own.

    Parameters
    ----------
    path : Path
        The mesh file.
    picture : int
        The number of an open file, which its picture is written to, and which is closed;
        nothing is written if it cannot be read or drawn.
    """

    def __init__(self, path: Path, picture: int) -> None:
        self.path, self._picture = path.absolute(), picture
        self._file: MeshFile | None = None
        self._read = threading.Event()
        self._thread = threads.begin("first", self._work)

    def wait(self, seconds: float) -> None:
        """Wait for the picture, but not longer than that."""
        self._thread.join(seconds)

    def mesh(self) -> CreatureMesh | None:
        """The mesh, once it is read; None if it could not be, or the file is another by now."""
        self._read.wait()
        return None if self._file is None else self._file.mesh()

    def _work(self) -> None:
        with open(self._picture, "wb") as stream:
            try:
                self._file = MeshFile.read(self.path)
                self._read.set()
                stream.write(_drawn(self._file.known))
            except Exception:  # the panel tries it again, and says it
                return
            finally:
                self._read.set()


def _drawn(mesh: CreatureMesh) -> bytes:
    """A line of JSON with its name and the colours behind it, and a JPEG file."""
    with Stage(mesh, _SIZE) as stage:
        picture = draw_bare(stage, _SIZE[0] / _SIZE[1])
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, "JPEG", quality=_QUALITY)
    head = {"name": mesh.name, "ground": [look.BACKGROUND_TOP, look.BACKGROUND_BOTTOM]}
    return json.dumps(head).encode() + b"\n" + stream.getvalue()


def look_ahead(picture: int, patience: float) -> None:
    """Read and draw what a panel opens that is told nothing, and write it there.

    After so many seconds of patience it goes on beside what follows.
    """
    source = first_source(demo_meshes(), SessionFiles(Session, session_folder()))
    if source is None:
        os.close(picture)
    else:
        sight = FirstSight(source, picture)
        leave(sight)
        sight.wait(patience)
