"""Meshes that were read before a panel asks for them: ahead of it, or by the one it replaces."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import load_mesh
from ribbonsim.panel.state.opening import Source
from ribbonsim.panel.work.session_files import Stamp, stamp_of


class Read(Protocol):
    """A mesh file that is read, or was."""

    @property
    def path(self) -> Path:
        """The file."""

    def mesh(self) -> CreatureMesh | None:
        """The mesh, once it is read; None if it could not be, or the file is another by now."""


@dataclass(frozen=True)
class MeshFile:
    """A mesh and the file that it was read from.

    What was found in a mesh is known as long as the mesh is.

    Parameters
    ----------
    stamp : stamp or None
        The file's, before it was read.
    """

    path: Path
    stamp: Stamp | None
    known: CreatureMesh

    def mesh(self) -> CreatureMesh | None:
        """The mesh; None if the file is another by now."""
        return self.known if stamp_of(self.path) == self.stamp else None

    @classmethod
    def read(cls, path: Path) -> MeshFile:
        """Read a file; raises RibbonsimError as :func:`load_mesh` does."""
        stamp = stamp_of(path)
        return cls(path, stamp, load_mesh(path))


_LEFT: list[Read] = []


def leave(read: Read) -> None:
    """Leave a mesh to whoever opens anything next."""
    _LEFT.append(read)


def read_already(source: Source) -> Source:
    """A creature's mesh if its file was read before, once; else what was given."""
    path, found = path_of(source), None
    while _LEFT:  # what is not opened now is not kept for later: it may be large
        left = _LEFT.pop()
        if left.path == path:
            found = left.mesh()
    return found or source


def path_of(source: Source) -> Path | None:
    """The whole path of a file that is to be opened; None where it is no file."""
    return Path(source).absolute() if isinstance(source, str | os.PathLike) else None
