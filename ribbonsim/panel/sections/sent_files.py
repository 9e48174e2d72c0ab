"""Mesh files sent from the browser: uploaded, or dropped on the panel with the files they name."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.load import MESH_ENDINGS, load_mesh
from ribbonsim.panel.sections.page_widget import PageWidget

_ENDINGS = f"{', '.join(MESH_ENDINGS[:-1])} or {MESH_ENDINGS[-1]}"


class MeshDrop(PageWidget):
    """Hears of files that are dropped on the panel that it stands in; shows nothing itself.

    Parameters
    ----------
    take : callable
        Takes the files by their names.
    complain : callable
        Takes a sentence.
    """

    _page_file = "drop_mesh.js"

    def __init__(
        self, take: Callable[[dict[str, bytes]], None], complain: Callable[[str], None]
    ) -> None:
        super().__init__()
        self._take, self._complain = take, complain
        self.on_msg(self._hear)

    def _hear(self, _: Any, told: dict[str, Any], buffers: list[bytes]) -> None:
        names = [Path(str(name)).name for name in told.get("names", [])]
        if told.get("kind") == "large":
            self._complain(
                f"{', '.join(names)} is too large to be sent from the browser (10 MB): "
                "open it by its path"
            )
        elif told.get("kind") == "dropped":
            self._take(dict(zip(names, map(bytes, buffers), strict=True)))


def read_sent(files: Mapping[str, bytes]) -> CreatureMesh:
    """Read the one mesh among files.

    Raises
    ------
    RibbonsimError
        If none or several of them are meshes, or it cannot be read.
    """
    meshes = [name for name in files if Path(name).suffix.lower() in MESH_ENDINGS]
    if not meshes:
        raise RibbonsimError(f"no mesh was sent: a mesh file ends with {_ENDINGS}")
    if len(meshes) > 1:
        raise RibbonsimError(f"{' and '.join(meshes)} are {len(meshes)} meshes: send one of them")
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            Path(folder, name).write_bytes(content)
        path = Path(folder, meshes[0])
        try:
            return load_mesh(path)
        except RibbonsimError as error:
            # the folder is gone by the time anybody reads this: name the file alone
            raise RibbonsimError(str(error).replace(str(path), path.name)) from error
