"""Wavefront OBJ, written with polygons and vertex order as a mesh has them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from itertools import pairwise

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.files.writing import write_file
from ribbonsim.mesh.contents import DEFAULT_NAME
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.obj_lines import NO_MATERIAL, NO_SMOOTHING

_WRITE_ROWS = 50_000


def write_obj(
    mesh: CreatureMesh,
    path: str | os.PathLike[str],
    positions: Array | None = None,
    force: bool = False,
) -> None:
    """Write a mesh as OBJ, with the polygons and the vertex order it was read with.

    The file appears whole or not at all. Numbers are written so that they read back bit for bit.

    Parameters
    ----------
    mesh : CreatureMesh
        The mesh: polygons, texture coordinates, normals, colours, groups and objects are written,
        and the names of its materials and smoothing groups.
    path : path
        Where to.
    positions : (V, 3) float array, optional
        Positions to write in place of the mesh's own. The mesh's normals are then left out, as
        they belong to its own shape.
    force : bool
        Write over a file that is already there; never over the one that the mesh was read from.

    Raises
    ------
    RibbonsimError
        If the file is there already and `force` is not set, if the place cannot be written to, or
        if the positions do not fit the mesh.
    """
    shape = mesh if positions is None else mesh.with_positions(positions)
    text = _obj_text(shape, with_normals=positions is None)
    write_file(path, b"".join(part.encode() for part in text), force, (mesh.source,))


class PosedObj:
    """A mesh's OBJ text with its vertices elsewhere; all but their lines is made once.

    Parameters
    ----------
    mesh : CreatureMesh
        Its normals are left out, as they belong to its own shape.
    remarks : iterable of str
        Comments for the head of the file, a line each.
    """

    def __init__(self, mesh: CreatureMesh, remarks: Iterable[str] = ()) -> None:
        self._mesh = mesh
        self._head = "".join([_HEAD, *(f"# {remark}\n" for remark in remarks)])
        self._rest = "".join(_after_vertices(mesh, with_normals=False))

    def text(self, positions: Array) -> str:
        """Give the whole file.

        Parameters
        ----------
        positions : (V, 3) float array
            Numbers are written so that they read back bit for bit.

        Raises
        ------
        RibbonsimError
            If the positions do not fit the mesh.
        """
        shape = self._mesh.with_positions(positions)
        return "".join([self._head, *_vertices(shape), self._rest])


_HEAD = "# polygon mesh; indices count from 1\n"


def _obj_text(mesh: CreatureMesh, with_normals: bool) -> Iterator[str]:
    yield _HEAD
    yield from _vertices(mesh)
    yield from _after_vertices(mesh, with_normals)


def _vertices(mesh: CreatureMesh) -> Iterator[str]:
    vertices = mesh.positions
    if mesh.colours is not None:
        vertices = np.column_stack([vertices, mesh.colours])
    yield from _rows("v", vertices)


def _after_vertices(mesh: CreatureMesh, with_normals: bool) -> Iterator[str]:
    if mesh.texcoords is not None:
        yield from _rows("vt", mesh.texcoords)
    if with_normals and mesh.normals is not None:
        yield from _rows("vn", mesh.normals)
    normals = mesh.corner_normals if with_normals else None
    first = [
        ("o", mesh.object_names, mesh.polygon_objects),
        ("g", mesh.group_names, mesh.polygon_groups),
    ]
    in_force = {"o": DEFAULT_NAME, "g": DEFAULT_NAME, "usemtl": NO_MATERIAL, "s": NO_SMOOTHING}
    shading = mesh.shading
    if shading is not None:
        yield from (f"mtllib {library}\n" for library in shading.libraries)
        first.append(("usemtl", shading.material_names, shading.polygon_materials))
        first.append(("s", shading.smoothing_names, shading.polygon_smoothing))
    for start, stop in _name_runs(*(which for _, _, which in first)):
        for keyword, names, which in first:
            name = names[which[start]]
            if name != in_force[keyword]:
                in_force[keyword] = name
                yield f"{keyword} {name}\n"
        for block in range(start, stop, _WRITE_ROWS):
            yield _face_lines(mesh, normals, block, min(block + _WRITE_ROWS, stop))


def _rows(keyword: str, values: Array) -> Iterator[str]:
    pattern = keyword + " %r" * values.shape[1] + "\n"
    for start in range(0, len(values), _WRITE_ROWS):
        rows = values[start : start + _WRITE_ROWS]
        yield pattern * len(rows) % tuple(rows.ravel().tolist())


def _name_runs(*labels: Ints) -> Iterable[tuple[int, int]]:
    """Stretches of polygons over which none of the labels changes."""
    changes = np.any([np.diff(label) != 0 for label in labels], axis=0)
    cuts = [0, *(np.flatnonzero(changes) + 1).tolist(), len(labels[0])]
    return pairwise(cuts)


def _face_lines(mesh: CreatureMesh, normals: Ints | None, start: int, stop: int) -> str:
    offsets = mesh.polygon_offsets[start : stop + 1]
    span = slice(int(offsets[0]), int(offsets[-1]))
    words = [str(index) for index in (mesh.corner_vertices[span] + 1).tolist()]
    if mesh.corner_texcoords is not None or normals is not None:
        none = np.full(len(words), -1, dtype=np.int64)
        texcoords = none if mesh.corner_texcoords is None else mesh.corner_texcoords[span]
        bent = none if normals is None else normals[span]
        words = [
            word
            + (f"/{texture + 1}" if texture >= 0 else "/" if normal >= 0 else "")
            + (f"/{normal + 1}" if normal >= 0 else "")
            for word, texture, normal in zip(words, texcoords.tolist(), bent.tolist(), strict=True)
        ]
    cuts = (offsets - offsets[0]).tolist()
    return "".join(f"f {' '.join(words[a:b])}\n" for a, b in pairwise(cuts))
