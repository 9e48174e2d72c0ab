"""STL, read through trimesh; corners at one place become one vertex.

References
----------
3D Systems, *StereoLithography Interface Specification*, 1989.
"""

from __future__ import annotations

import io
import os
import re
import warnings
from pathlib import Path

import numpy as np

from ribbonsim.contents import DEFAULT_NAME, Ints, MeshContents, checked, group_name, read_bytes
from ribbonsim.errors import RibbonsimError

_HEAD, _TRIANGLE = 84, 50
_CORNER = re.compile(rb"\bvertex[ \t]+[-+.0-9nNiI]", re.IGNORECASE)


def read_stl(path: str | os.PathLike[str]) -> MeshContents:
    """Read an STL file, binary or text.

    Parameters
    ----------
    path : path

    Returns
    -------
    MeshContents
        STL knows no vertices, only corners of triangles: corners whose numbers are equal are
        one vertex, in the order of their first corner.

    Raises
    ------
    RibbonsimError
        If the file cannot be read as a mesh.
    """
    path = Path(path)
    data = read_bytes(path)
    wanted = _HEAD + _TRIANGLE * int.from_bytes(data[80:_HEAD], "little")
    binary = len(data) >= _HEAD and len(data) == wanted
    if not binary and not _is_text(data):
        raise RibbonsimError(
            f"{path}: the file is cut short or not STL: its head tells of {wanted} bytes and it "
            f"has {len(data)}; export or copy it again."
        )
    corners, names, sizes = _corners(path, data)
    if not binary and len(_CORNER.findall(data)) != len(corners):
        raise RibbonsimError(
            f"{path}: the file is cut short or holds a triangle that is not whole; export or copy "
            "it again."
        )
    # adding nought makes -0.0 and 0.0 one place
    _, first, inverse = np.unique(corners + 0.0, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    vertices = rank[inverse.reshape(-1)]
    triangles = len(corners) // 3
    note = (
        f"STL has no vertices of its own: {len(corners)} corners of {triangles} triangles were "
        f"merged into {len(first)} vertices, numbered in the order of the file."
    )
    return checked(
        MeshContents(
            positions=corners[first[order]],
            colours=None,
            texcoords=None,
            normals=None,
            offsets=3 * np.arange(triangles + 1),
            corner_vertices=vertices,
            corner_texcoords=None,
            corner_normals=None,
            group_names=names,
            polygon_groups=np.repeat(np.arange(len(names)), sizes),
            object_names=(DEFAULT_NAME,),
            polygon_objects=np.zeros(triangles, dtype=np.int64),
            vertex_lines=None,
            polygon_lines=None,
            notes=(note,),
        ),
        path,
    )


def _is_text(data: bytes) -> bool:
    return data.lstrip()[:5].lower() == b"solid" and b"\0" not in data[:1000]


def _corners(path: Path, data: bytes) -> tuple[np.ndarray, tuple[str, ...], Ints]:
    """(3 T, 3) corners, and name and number of triangles of each solid."""
    import trimesh

    try:
        with warnings.catch_warnings():
            # text that is not a number would otherwise end the list in silence
            warnings.filterwarnings("error", message=".*string or file could not be read.*")
            scene = trimesh.load_scene(io.BytesIO(data), file_type="stl", process=False)
    except Exception as error:  # a reader of others' files raises whatever it meets
        reason = str(error).strip() or type(error).__name__
        raise RibbonsimError(
            f"{path}: the file cannot be read as STL ({reason}); export the mesh again."
        ) from error
    solids = [(name, mesh) for name, mesh in scene.geometry.items() if len(mesh.faces)]
    if not solids:
        raise RibbonsimError(f"{path}: there are no triangles in the file; export the mesh again.")
    corners = [
        np.asarray(mesh.vertices, dtype=float)[mesh.faces].reshape(-1, 3) for _, mesh in solids
    ]
    names = [DEFAULT_NAME] if len(solids) == 1 else [group_name(n, DEFAULT_NAME) for n, _ in solids]
    sizes = np.array([len(mesh.faces) for _, mesh in solids], dtype=np.int64)
    return np.concatenate(corners), tuple(names), sizes
