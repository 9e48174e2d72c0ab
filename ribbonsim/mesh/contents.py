"""What every mesh file gives, whatever its format; and what no file may hold."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.files.writing import open_input
from ribbonsim.mesh.topology import edge_table

DEFAULT_NAME = "default"
# Beyond this, areas and volumes leave the range of single precision, in which pictures are drawn.
LARGEST_COORDINATE = 1e18


@dataclass(frozen=True, eq=False)
class Shading:
    """What a file says of how its polygons are to be shaded; kept to be written again.

    Attributes
    ----------
    libraries : tuple of str
        Material files that it names, as they stand there.
    material_names, smoothing_names : tuple of str
        Materials and smoothing groups in order of their first polygon; "" is no material.
    polygon_materials, polygon_smoothing : (P,) int arrays
        Index of each polygon's name.
    """

    libraries: tuple[str, ...]
    material_names: tuple[str, ...]
    polygon_materials: Ints
    smoothing_names: tuple[str, ...]
    polygon_smoothing: Ints


@dataclass(frozen=True, eq=False)
class MeshContents:
    """What a mesh file holds.

    Attributes
    ----------
    positions : (V, 3) float array
        Every vertex in file order.
    colours : (V, 3) float array or None
        Vertex colours from 0 to 1, where any vertex has them; white for those that do not.
    texcoords : (VT, 2) float array or None
        Every texture coordinate, if there is one.
    normals : (VN, 3) float array or None
        Every normal, if there is one.
    offsets : (P + 1,) int array
        Polygon ``p`` has the corners ``offsets[p]:offsets[p + 1]``.
    corner_vertices, corner_texcoords, corner_normals : (C,) int arrays
        Indices from 0 of each corner; -1 where a corner has none, None where the file has none.
    group_names, object_names : tuple of str
        Names in order of their first polygon.
    polygon_groups, polygon_objects : (P,) int arrays
        Index of each polygon's name.
    vertex_lines, polygon_lines : (V,) and (P,) int arrays or None
        Line numbers from 1; None where the file has no lines.
    notes : tuple of str
        What was read differently from how it stands in the file, one sentence each.
    joined : (n,) int array or None
        Vertices that no polygon uses because it uses another one at their place.
    shading : Shading or None
        Materials and smoothing groups of an OBJ that has any.
    """

    positions: Array
    colours: Array | None
    texcoords: Array | None
    normals: Array | None
    offsets: Ints
    corner_vertices: Ints
    corner_texcoords: Ints | None
    corner_normals: Ints | None
    group_names: tuple[str, ...]
    polygon_groups: Ints
    object_names: tuple[str, ...]
    polygon_objects: Ints
    vertex_lines: Ints | None
    polygon_lines: Ints | None
    notes: tuple[str, ...]
    joined: Ints | None = None
    shading: Shading | None = None


def read_bytes(path: Path) -> bytes:
    """Read a whole file.

    Raises
    ------
    RibbonsimError
        If it is not there, is a folder, is empty or cannot be read.
    """
    try:
        with open_input(path) as stream:
            data = stream.read()
    except FileNotFoundError:
        raise RibbonsimError(f"{path}: there is no such file; check the path.") from None
    except IsADirectoryError:
        raise RibbonsimError(f"{path}: this is a folder; name a mesh file in it.") from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise RibbonsimError(
            f"{path}: the file cannot be read ({reason}); check its permissions."
        ) from None
    if not data:
        raise RibbonsimError(f"{path}: the file is empty; export the mesh again.")
    return data


def checked(contents: MeshContents, path: str | os.PathLike[str]) -> MeshContents:
    """Refuse numbers and indices that cannot be meant.

    Parameters
    ----------
    path : path
        For messages.

    Returns
    -------
    MeshContents
        The same.

    Raises
    ------
    RibbonsimError
        Naming the first vertex or face that cannot be used.
    """
    points, corners = contents.positions, contents.corner_vertices
    if not len(points) or len(contents.offsets) < 2:
        raise RibbonsimError(
            f"{path}: there are no {'faces' if len(points) else 'vertices'} in the file; export "
            "the mesh with its faces."
        )
    bad = np.flatnonzero(~(np.abs(points) <= LARGEST_COORDINATE).all(axis=1))
    if len(bad):
        finite = np.isfinite(points[bad[0]]).all()
        what = f"larger than {LARGEST_COORDINATE:g}" if finite else "not a finite number"
        raise RibbonsimError(
            f"{path}{_line(contents.vertex_lines, bad[0])}: a coordinate of vertex {bad[0] + 1} "
            f"is {what}; correct it or export the mesh again."
        )
    few = np.flatnonzero(np.diff(contents.offsets) < 3)
    if len(few):
        raise RibbonsimError(
            f"{path}{_line(contents.polygon_lines, few[0])}: face {few[0] + 1} has fewer than "
            "three corners; correct it or export the mesh again."
        )
    out = np.flatnonzero((corners < 0) | (corners >= len(points)))
    if len(out):
        polygon = int(np.searchsorted(contents.offsets, out[0], side="right")) - 1
        raise RibbonsimError(
            f"{path}{_line(contents.polygon_lines, polygon)}: face {polygon + 1} names vertex "
            f"{corners[out[0]] + 1} of {len(points)}; correct it or export the mesh again."
        )
    return contents


def _line(lines: Ints | None, index: int) -> str:
    return "" if lines is None else f", line {lines[index]}"


def join_seams(contents: MeshContents, parts: Ints) -> MeshContents:
    """Let polygons use one vertex where several stand at one place for a seam's sake.

    Formats with one texture coordinate and one normal a vertex split vertices where those
    change. The vertices stay, in number and order; polygons then use the first at each place,
    and keep their texture coordinates.

    Parameters
    ----------
    parts : (V,) int array
        Only vertices of one part are joined.

    Returns
    -------
    MeshContents
        The same if joining would make edges that more than two faces share.
    """
    order = np.lexsort((parts, *contents.positions.T))  # stable: the first at a place leads
    places, owners = contents.positions[order], parts[order]
    leads = np.ones(len(order), dtype=bool)
    leads[1:] = (places[1:] != places[:-1]).any(axis=1) | (owners[1:] != owners[:-1])
    stands_for = np.empty(len(order), dtype=np.int64)
    stands_for[order] = order[leads][np.cumsum(leads) - 1]
    used = np.zeros(len(parts), dtype=bool)
    used[contents.corner_vertices] = True
    joined = np.flatnonzero((stands_for != np.arange(len(parts))) & used)
    if not len(joined):
        return contents
    corners = stands_for[contents.corner_vertices]
    if _crowded(contents.offsets, corners, len(parts)) > _crowded(
        contents.offsets, contents.corner_vertices, len(parts)
    ):
        return contents
    count = len(joined)
    vertices, verb = (
        ("vertex that stands", "was") if count == 1 else ("vertices that stand", "were")
    )
    note = (
        f"{count} {vertices} where another one does, as at seams of the texture (such as vertex "
        f"{joined[0] + 1}, on vertex {stands_for[joined[0]] + 1}), {verb} joined to it and "
        f"{'moves' if count == 1 else 'move'} with it."
    )
    return replace(contents, corner_vertices=corners, joined=joined, notes=(*contents.notes, note))


def _crowded(offsets: Ints, corners: Ints, vertex_count: int) -> int:
    return int(np.count_nonzero(edge_table(offsets, corners, vertex_count).uses > 2))


def group_name(name: str, fallback: str) -> str:
    """Make a name that an OBJ group can have.

    Parameters
    ----------
    fallback : str
        If nothing is left.
    """
    words = [word.lstrip("#") for word in name.split()]
    return " ".join(word for word in words if word).rstrip("\\ ") or fallback


def several(names: Sequence[str]) -> str:
    """Join names for a sentence."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
