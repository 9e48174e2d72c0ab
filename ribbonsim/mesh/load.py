"""A mesh from a file, whatever its format."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np

from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.contents import MeshContents
from ribbonsim.mesh.creature import CreatureMesh, check_size, noted
from ribbonsim.mesh.obj_read import read_obj
from ribbonsim.mesh.triangles import triangulate

MOST_CORNERS = 50_000  # of one face: cutting ears takes the longer the more there are
MESH_ENDINGS = (".obj", ".glb", ".gltf", ".ply")


def load_mesh(path: str | os.PathLike[str]) -> CreatureMesh:
    """Read a mesh from an OBJ, glTF or PLY file.

    Parameters
    ----------
    path : path
        The file; its name ends in ``.obj``, ``.glb``, ``.gltf`` or ``.ply``.

    Returns
    -------
    CreatureMesh
        Vertices in number and order as in the file. What is odd but usable stands in `notes`.
        Of a glTF file the meshes of the scene stand where their nodes put them, one after the
        other.

    Raises
    ------
    RibbonsimError
        If the file cannot be read as a mesh; the sentence names the path and the line.
    """
    path = Path(path)
    if os.path.isdir(path):
        raise RibbonsimError(f"{path}: this is a folder; name a mesh file in it.")
    contents = _reader(path)(path)
    _check_faces(path, contents)
    triangles, triangle_polygons = triangulate(
        contents.positions, contents.offsets, contents.corner_vertices
    )
    mesh = CreatureMesh(
        positions=contents.positions,
        polygon_offsets=contents.offsets,
        corner_vertices=contents.corner_vertices,
        triangles=triangles,
        triangle_polygons=triangle_polygons,
        texcoords=contents.texcoords,
        corner_texcoords=contents.corner_texcoords,
        normals=contents.normals,
        corner_normals=contents.corner_normals,
        colours=contents.colours,
        group_names=contents.group_names,
        polygon_groups=contents.polygon_groups,
        object_names=contents.object_names,
        polygon_objects=contents.polygon_objects,
        shading=contents.shading,
        name=shown_name(path.stem),
        source=str(path),
        notes=(),
    )
    lines = contents.vertex_lines
    line = "" if lines is None else f", line {lines[mesh.corner_vertices[0]]}"
    check_size(mesh, f"{path}{line}")
    return noted(
        mesh, contents.notes, contents.vertex_lines, contents.polygon_lines, contents.joined
    )


def shown_name(stem: str) -> str:
    """A file's name without what would act on a terminal or could not be written as text."""
    return "".join(sign if sign.isprintable() else "_" for sign in stem)


def _check_faces(path: Path, contents: MeshContents) -> None:
    sizes = np.diff(contents.offsets)
    worst = int(sizes.argmax())
    if sizes[worst] > MOST_CORNERS:
        lines = contents.polygon_lines
        line = "" if lines is None else f", line {lines[worst]}"
        raise RibbonsimError(
            f"{path}{line}: face {worst + 1} has {sizes[worst]} corners, more than the "
            f"{MOST_CORNERS} that are cut into triangles; cut it into smaller ones."
        )


def _reader(path: Path) -> Callable[[Path], MeshContents]:
    """What reads files of this kind; loaded when there is one, but for OBJ."""
    kind = path.suffix.lower()
    if kind == ".obj":
        return read_obj
    if kind == ".ply":
        from ribbonsim.mesh.ply import read_ply

        return read_ply
    if kind in (".glb", ".gltf"):
        from ribbonsim.mesh.gltf import read_gltf

        return read_gltf
    raise RibbonsimError(
        f"{path}: files of this kind are not read; export the mesh as "
        f"{', '.join(MESH_ENDINGS[:-1])} or {MESH_ENDINGS[-1]}."
    )
