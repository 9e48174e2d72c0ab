"""A creature that is opened before anybody asks for it, while the page is still being loaded."""

from __future__ import annotations

import logging
import os
import threading
from pathlib import Path

from ribbonsim.body.guide import Guide, read_guide
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.rig.bind import bind
from ribbonsim.rig.first_layout import build_layout
from ribbonsim.rig.rig import Rig

_LOG = logging.getLogger(__name__)
_TICK = 0.1  # a thread that waits can be stopped in between


class Ahead:
    """A mesh file that is read, and its first layout bound, on a thread of its own.

    What goes wrong is not told: it is tried again, and told, when the file is asked for.
    """

    def __init__(self, path: Path) -> None:
        self._path, self._stamp = path, _stamp(path)
        self._read, self._bound = threading.Event(), threading.Event()
        self._mesh: CreatureMesh | None = None
        self._first: tuple[Rig, Guide] | None = None
        threading.Thread(target=self._work, name="ribbonsim-ahead", daemon=True).start()

    def mesh(self) -> CreatureMesh | None:
        """The mesh once it is read; None if it cannot be, or has changed since."""
        _wait(self._read)
        return self._mesh if _stamp(self._path) == self._stamp else None

    def first(self) -> tuple[Rig, Guide] | None:
        """The first layout, bound, and what was understood; None if it cannot be found."""
        _wait(self._bound)
        return self._first

    def _work(self) -> None:
        try:
            mesh = self._mesh = load_mesh(self._path)
            self._read.set()
            self._first = bind(mesh, build_layout(mesh)), read_guide(mesh)
        except Exception as error:  # who asks for the file does it again, and is told
            _LOG.debug("%s could not be opened beforehand: %s", self._path, error)
        finally:
            self._read.set()
            self._bound.set()


_WAITING: dict[Path, Ahead] = {}


def open_ahead(path: Path) -> Ahead:
    """Begin to open a file."""
    ahead = _WAITING[path.resolve()] = Ahead(path)
    return ahead


def take_ahead(path: str | os.PathLike[str]) -> Ahead | None:
    """What was begun of a file, for the first who asks."""
    return _WAITING.pop(Path(path).resolve(), None)


def _wait(event: threading.Event) -> None:
    while not event.wait(_TICK):
        pass


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns
