"""The creature's mesh: polygons and vertices as the file has them, and what they measure."""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ribbonsim import intake
from ribbonsim.contents import (
    DEFAULT_NAME,
    LARGEST_COORDINATE,
    MeshContents,
    Shading,
)
from ribbonsim.errors import RibbonsimError
from ribbonsim.obj import read_obj
from ribbonsim.topology import (
    EdgeTable,
    Fans,
    edge_table,
    label_components,
    straight_on,
    vertex_fans,
)
from ribbonsim.triangulate import triangulate

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MESH_ENDINGS = (".obj", ".glb", ".gltf", ".ply", ".stl")

# What depends on the polygons alone, so that a mesh moved elsewhere need not find it again. Which
# piece is the body is settled at rest.
_OF_TOPOLOGY = ("polygons", "_edge_table", "_fans", "_used", "components", "body", "is_closed")


@dataclass(frozen=True, eq=False)
class CreatureMesh:
    """A polygon mesh that keeps the order of its source.

    Made by `load_mesh` or `CreatureMesh.from_arrays`; all arrays are read-only. Indices count from
    0 here, and from 1 in `notes`, as they do in an OBJ file.

    Attributes
    ----------
    positions : (V, 3) float array
        Vertex positions in scene units, in file order, used or not.
    polygon_offsets : (P + 1,) int array
        Polygon ``p`` has the corners ``polygon_offsets[p]:polygon_offsets[p + 1]``.
    corner_vertices : (C,) int array
        Vertex of each corner.
    triangles : (T, 3) int array
        Vertices of the triangles the polygons are cut into, turning as the polygons do.
    triangle_polygons : (T,) int array
        Polygon each triangle came from, in increasing order.
    texcoords : (VT, 2) float array or None
        Texture coordinates.
    corner_texcoords : (C,) int array or None
        Texture coordinate of each corner, -1 for none.
    normals : (VN, 3) float array or None
        Normals as the source has them.
    corner_normals : (C,) int array or None
        Normal of each corner, -1 for none.
    colours : (V, 3) float array or None
        Vertex colours from 0 to 1.
    group_names, object_names : tuple of str
        Names; several OBJ group names given together make one, joined by spaces.
    polygon_groups, polygon_objects : (P,) int arrays
        Index of each polygon's group and object name.
    name : str
        The file's stem, or the name given.
    source : str
        Path of the file, or "".
    notes : tuple of str
        What was found odd about the mesh and accepted, one sentence each.
    shading : Shading or None
        Materials and smoothing groups as an OBJ names them.
    """

    positions: Floats
    polygon_offsets: Ints
    corner_vertices: Ints
    triangles: Ints
    triangle_polygons: Ints
    texcoords: Floats | None
    corner_texcoords: Ints | None
    normals: Floats | None
    corner_normals: Ints | None
    colours: Floats | None
    group_names: tuple[str, ...]
    polygon_groups: Ints
    object_names: tuple[str, ...]
    polygon_objects: Ints
    name: str
    source: str
    notes: tuple[str, ...]
    shading: Shading | None = None

    def __post_init__(self) -> None:
        for value in vars(self).values():
            if isinstance(value, np.ndarray):
                value.flags.writeable = False

    @classmethod
    def from_arrays(
        cls,
        positions: ArrayLike,
        polygons: Sequence[Sequence[int]] | Ints,
        name: str = "mesh",
        *,
        source: str = "",
        texcoords: ArrayLike | None = None,
        corner_texcoords: ArrayLike | None = None,
        normals: ArrayLike | None = None,
        corner_normals: ArrayLike | None = None,
        colours: ArrayLike | None = None,
        group_names: Sequence[str] = (DEFAULT_NAME,),
        polygon_groups: ArrayLike | None = None,
        object_names: Sequence[str] = (DEFAULT_NAME,),
        polygon_objects: ArrayLike | None = None,
    ) -> "CreatureMesh":
        """Make a mesh from arrays; they are checked and copied.

        Parameters
        ----------
        positions : (V, 3) array-like
            Vertex positions in scene units.
        polygons : list of lists of int, or (P, k) int array
            Vertices of each polygon, counted from 0.
        name : str
            What to call the mesh.
        source : str
            Where it came from, for messages.
        texcoords, corner_texcoords : (VT, 2) and (C,) array-like, optional
            Texture coordinates, and the index each corner has into them (-1 for none); both or
            neither.
        normals, corner_normals : (VN, 3) and (C,) array-like, optional
            The same for normals.
        colours : (V, 3) array-like, optional
            Vertex colours from 0 to 1.
        group_names, polygon_groups : sequence of str and (P,) array-like, optional
            Names, and the index each polygon has into them (0 if left out).
        object_names, polygon_objects : sequence of str and (P,) array-like, optional
            The same for objects.

        Returns
        -------
        CreatureMesh

        Raises
        ------
        RibbonsimError
            If the arrays do not make a mesh.
        """
        where = source or f"mesh {name!r}"
        points = _table(positions, 3, f"{where}: positions")
        _check_range(points, where)
        offsets, corners = _flattened(polygons, len(points), where)
        sizes = len(offsets) - 1, len(corners)
        groups, group_index = _names(group_names, polygon_groups, sizes[0], f"{where}: group names")
        objects, object_index = _names(
            object_names, polygon_objects, sizes[0], f"{where}: object names"
        )
        uvs, corner_uvs = _layer(texcoords, corner_texcoords, 2, sizes[1], f"{where}: texcoords")
        bent, corner_bent = _layer(normals, corner_normals, 3, sizes[1], f"{where}: normals")
        triangles, triangle_polygons = triangulate(points, offsets, corners)
        mesh = cls(
            positions=points,
            polygon_offsets=offsets,
            corner_vertices=corners,
            triangles=triangles,
            triangle_polygons=triangle_polygons,
            texcoords=uvs,
            corner_texcoords=corner_uvs,
            normals=bent,
            corner_normals=corner_bent,
            colours=_colour_table(colours, len(points), where),
            group_names=groups,
            polygon_groups=group_index,
            object_names=objects,
            polygon_objects=object_index,
            name=name,
            source=source,
            notes=(),
        )
        _check_size(mesh, where)
        return _noted(mesh, (), None, None)

    def with_positions(self, positions: ArrayLike) -> "CreatureMesh":
        """Give the same mesh with its vertices elsewhere.

        Parameters
        ----------
        positions : (V, 3) array-like
            New vertex positions.

        Returns
        -------
        CreatureMesh
            Shares everything else with this one, triangles and notes too.

        Raises
        ------
        RibbonsimError
            If there are not as many positions as vertices, or one is not finite.
        """
        where = self.source or f"mesh {self.name!r}"
        points = _table(positions, 3, f"{where}: positions")
        if len(points) != len(self.positions):
            raise RibbonsimError(
                f"{where}: {len(points)} positions were given for {len(self.positions)} vertices; "
                "give one for each, in file order."
            )
        _check_range(points, where)
        return _carry(self, replace(self, positions=points), _OF_TOPOLOGY)

    @cached_property
    def polygons(self) -> list[Ints]:
        """Vertices of each polygon, as views of `corner_vertices`."""
        cuts = self.polygon_offsets.tolist()
        return [self.corner_vertices[a:b] for a, b in pairwise(cuts)]

    @cached_property
    def _edge_table(self) -> EdgeTable:
        return edge_table(self.polygon_offsets, self.corner_vertices, len(self.positions))

    @cached_property
    def _fans(self) -> Fans:
        return vertex_fans(self.polygon_offsets, self.corner_vertices, len(self.positions))

    @cached_property
    def _used(self) -> NDArray[np.bool_]:
        used = np.zeros(len(self.positions), dtype=bool)
        used[self.corner_vertices] = True
        return used

    @property
    def edges(self) -> Ints:
        """Polygon edges (E, 2), each once, the smaller vertex first, sorted."""
        return self._edge_table.edges

    @cached_property
    def components(self) -> Ints:
        """Connected piece of each vertex (V,), counted from 0 in file order; -1 if unused."""
        return label_components(self.edges, len(self.positions), self._used)

    @cached_property
    def body(self) -> int:
        """The piece that is the creature's body.

        It is the one whose surface area times the diagonal of its bounding box is largest: by area
        alone a crumpled tongue could outweigh a smooth body, by extent alone a whisker could.
        """
        count = int(self.components.max()) + 1
        piece_of_triangle = self.components[self.triangles[:, 0]]
        area = np.bincount(piece_of_triangle, weights=self.triangle_areas, minlength=count)
        order = np.argsort(self.components, kind="stable")
        order = order[np.searchsorted(self.components[order], 0) :]
        starts = np.searchsorted(self.components[order], np.arange(count))
        points = self.positions[order]
        extent = np.maximum.reduceat(points, starts) - np.minimum.reduceat(points, starts)
        return int(np.argmax(area * np.linalg.norm(extent, axis=1)))

    @cached_property
    def is_closed(self) -> bool:
        """Whether the body has no boundary edge."""
        boundary = self.edges[self._edge_table.uses == 1]
        return not bool((self.components[boundary[:, 0]] == self.body).any())

    @cached_property
    def bounds(self) -> Floats:
        """Least and greatest coordinates (2, 3) of the vertices that polygons use."""
        points = self.positions[self._used]
        return np.array([points.min(axis=0), points.max(axis=0)])

    @property
    def diagonal(self) -> float:
        """Length of the diagonal of `bounds`, in scene units."""
        return float(np.linalg.norm(self.bounds[1] - self.bounds[0]))

    @property
    def centre(self) -> Floats:
        """Middle (3,) of `bounds`."""
        middle: Floats = self.bounds.mean(axis=0)
        return middle

    @cached_property
    def triangle_areas(self) -> Floats:
        """Areas (T,) of the triangles."""
        return intake.triangle_measures(self.positions, self.triangles)[0]

    @cached_property
    def vertex_normals(self) -> Floats:
        """Unit normals (V, 3), each triangle counting by its area; zero where there is none."""
        a, b, c = (self.positions[self.triangles[:, i]] for i in range(3))
        area_vectors = np.cross(b - a, c - a)
        sums = np.zeros_like(self.positions)
        for axis in range(3):
            for corner in range(3):
                sums[:, axis] += np.bincount(
                    self.triangles[:, corner], area_vectors[:, axis], len(self.positions)
                )
        lengths = np.linalg.norm(sums, axis=1, keepdims=True)
        return np.divide(sums, lengths, out=np.zeros_like(sums), where=lengths > 0)

    @property
    def volume(self) -> float:
        """Signed volume, positive if the faces turn counter-clockwise seen from outside.

        By the divergence theorem over all pieces. Holes count as if closed towards `centre`.
        """
        return intake.signed_volume(self.positions, self.triangles, self.centre)


def load_mesh(path: str | os.PathLike[str]) -> CreatureMesh:
    """Read a mesh from an OBJ, glTF, PLY or STL file.

    Parameters
    ----------
    path : path
        The file; its name ends in ``.obj``, ``.glb``, ``.gltf``, ``.ply`` or ``.stl``.

    Returns
    -------
    CreatureMesh
        Vertices in number and order as in the file. What is odd but usable stands in `notes`.
        Of a glTF file the meshes of the scene stand where their nodes put them, one after the
        other. STL has no vertices: equal corners are merged.

    Raises
    ------
    RibbonsimError
        If the file cannot be read as a mesh; the sentence names the path and the line.
    """
    path = Path(path)
    if path.is_dir():
        raise RibbonsimError(f"{path}: this is a folder; name a mesh file in it.")
    contents = _reader(path)(path)
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
        name=path.stem,
        source=str(path),
        notes=(),
    )
    lines = contents.vertex_lines
    line = "" if lines is None else f", line {lines[mesh.corner_vertices[0]]}"
    _check_size(mesh, f"{path}{line}")
    return _noted(
        mesh, contents.notes, contents.vertex_lines, contents.polygon_lines, contents.joined
    )


def _reader(path: Path) -> Callable[[Path], MeshContents]:
    """What reads files of this kind; loaded when there is one, but for OBJ."""
    kind = path.suffix.lower()
    if kind == ".obj":
        return read_obj
    if kind == ".ply":
        from ribbonsim.ply import read_ply

        return read_ply
    if kind == ".stl":
        from ribbonsim.stl import read_stl

        return read_stl
    if kind in (".glb", ".gltf"):
        from ribbonsim.gltf_scene import read_gltf

        return read_gltf
    raise RibbonsimError(
        f"{path}: files of this kind are not read; export the mesh as "
        f"{', '.join(MESH_ENDINGS[:-1])} or {MESH_ENDINGS[-1]}."
    )


def edge_loop(mesh: CreatureMesh, edge: tuple[int, int]) -> Ints:
    """Follow a closed loop of edges round the mesh.

    From the edge's second vertex the loop goes straight on: where four polygons meet, to the edge
    across, which shares no polygon with the one it came along. A loop that starts on the boundary
    of a hole follows the boundary.

    Parameters
    ----------
    mesh : CreatureMesh
        The mesh.
    edge : (int, int)
        Two vertices that share an edge, counted from 0.

    Returns
    -------
    (n,) int array
        Vertices in order, beginning with the edge's two; the last is joined to the first.

    Raises
    ------
    RibbonsimError
        If the two vertices share no edge, or if the loop ends at a boundary or at a vertex where
        there is no straight on, or crosses itself.
    """
    start, following = int(edge[0]), int(edge[1])
    where = mesh.source or f"mesh {mesh.name!r}"
    in_range = min(start, following) >= 0 and max(start, following) < len(mesh.positions)
    fans = mesh._fans
    if not in_range or not any(following in pair for pair in fans.sides(start)):
        raise RibbonsimError(
            f"{where}: vertices {start} and {following} (counted from 0) share no edge; name two "
            "neighbours along the loop."
        )
    loop = [start, following]
    seen = {following}
    while True:
        ahead = straight_on(fans, loop[-2], loop[-1])
        if ahead == following and loop[-1] == start:
            return np.array(loop[:-1], dtype=np.int64)
        if ahead is None or ahead in seen:
            what = f"ends at vertex {loop[-1]}" if ahead is None else f"crosses itself at {ahead}"
            raise RibbonsimError(
                f"{where}: the edge loop from vertices {start} and {following} (counted from 0) "
                f"{what} and does not close; choose an edge that runs round the body."
            )
        loop.append(ahead)
        seen.add(ahead)


def loop_centre(mesh: CreatureMesh, loop: ArrayLike) -> Floats:
    """Centre of a closed loop of vertices, each edge counting by its length.

    Parameters
    ----------
    mesh : CreatureMesh
        The mesh.
    loop : (n,) int array-like
        Vertices in order, as `edge_loop` gives them.

    Returns
    -------
    (3,) float array
    """
    points = mesh.positions[np.asarray(loop, dtype=np.int64)]
    ends = np.roll(points, -1, axis=0)
    lengths = np.linalg.norm(ends - points, axis=1)
    if not lengths.any():
        mean: Floats = points.mean(axis=0)
        return mean
    return np.average((points + ends) / 2, axis=0, weights=lengths)


def _carry(old: CreatureMesh, new: CreatureMesh, names: Sequence[str]) -> CreatureMesh:
    """Hand on what was already found out about a mesh; cached properties live in its dict."""
    vars(new).update({name: vars(old)[name] for name in names if name in vars(old)})
    return new


def _noted(
    mesh: CreatureMesh,
    notes: tuple[str, ...],
    vertex_lines: Ints | None,
    polygon_lines: Ints | None,
    joined: Ints | None = None,
) -> CreatureMesh:
    found = intake.notes(mesh, mesh._edge_table, vertex_lines, polygon_lines, joined)
    # The edge table is the largest of what was found and the quickest to find again.
    return _carry(
        mesh, replace(mesh, notes=(*notes, *found)), ("components", "body", "is_closed", "bounds")
    )


def _table(values: ArrayLike, width: int, what: str) -> Floats:
    try:
        table = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise RibbonsimError(f"{what} are not all numbers; give rows of {width} numbers.") from None
    if table.ndim != 2 or table.shape[1] != width:
        raise RibbonsimError(
            f"{what} have the shape {table.shape}; give rows of {width} numbers each."
        )
    return table


def _check_range(points: Floats, where: str) -> None:
    bad = np.flatnonzero(~(np.abs(points) <= LARGEST_COORDINATE).all(axis=1))
    if len(bad):
        what = "larger than can be drawn" if np.isfinite(points[bad[0]]).all() else "not finite"
        raise RibbonsimError(
            f"{where}, positions[{bad[0]}]: a coordinate is {what}; give finite numbers below "
            f"{LARGEST_COORDINATE:g}."
        )


def _check_size(mesh: CreatureMesh, where: str) -> None:
    if mesh.diagonal < 1 / LARGEST_COORDINATE:
        raise RibbonsimError(
            f"{where}: the mesh has no size, as all its vertices stand at one point; export it "
            "again."
        )


def _flattened(
    polygons: Sequence[Sequence[int]] | Ints, vertex_count: int, where: str
) -> tuple[Ints, Ints]:
    rows = [np.asarray(polygon) for polygon in polygons]
    if not rows:
        raise RibbonsimError(f"{where}: there are no polygons; give at least one.")
    sizes = np.array([row.size if row.ndim == 1 else 0 for row in rows], dtype=np.int64)
    few = np.flatnonzero(sizes < 3)
    if len(few):
        raise RibbonsimError(
            f"{where}, polygons[{few[0]}]: it is not a row of three or more vertices; give every "
            "polygon at least three."
        )
    corners = np.concatenate(rows)
    if corners.dtype.kind not in "iu":
        raise RibbonsimError(
            f"{where}: polygons hold values that are not integers; give vertex indices."
        )
    corners = corners.astype(np.int64)
    offsets = np.concatenate(([0], np.cumsum(sizes)))
    out = np.flatnonzero((corners < 0) | (corners >= vertex_count))
    if len(out):
        polygon = int(np.searchsorted(offsets, out[0], side="right")) - 1
        raise RibbonsimError(
            f"{where}, polygons[{polygon}]: there is no vertex {corners[out[0]]} among "
            f"{vertex_count}; give indices from 0 to {vertex_count - 1}."
        )
    return offsets, corners


def _index(values: ArrayLike, length: int, least: int, count: int, what: str) -> Ints:
    index = np.asarray(values)
    if index.shape != (length,) or index.dtype.kind not in "iu":
        raise RibbonsimError(
            f"{what} have an index of shape {index.shape}; give {length} integers, one for each."
        )
    if length and (index.min() < least or index.max() >= count):
        raise RibbonsimError(
            f"{what} have an index out of range; give values from {least} to {count - 1}."
        )
    return np.array(index, dtype=np.int64)


def _layer(
    values: ArrayLike | None, index: ArrayLike | None, width: int, corner_count: int, what: str
) -> tuple[Floats | None, Ints | None]:
    if values is None and index is None:
        return None, None
    if values is None or index is None:
        raise RibbonsimError(f"{what} lack their other half; give both the values and the index.")
    table = _table(values, width, what)
    if not np.isfinite(table).all():
        raise RibbonsimError(f"{what} hold a value that is not finite; give finite numbers.")
    return table, _index(index, corner_count, -1, len(table), what)


def _colour_table(colours: ArrayLike | None, vertex_count: int, where: str) -> Floats | None:
    if colours is None:
        return None
    table = _table(colours, 3, f"{where}: colours")
    if len(table) != vertex_count or not ((table >= 0) & (table <= 1)).all():
        raise RibbonsimError(
            f"{where}: colours are not one for each of {vertex_count} vertices, from 0 to 1; give "
            "a row of three such numbers for each."
        )
    return table


def _names(
    names: Sequence[str], index: ArrayLike | None, polygon_count: int, what: str
) -> tuple[tuple[str, ...], Ints]:
    tidy = tuple(" ".join(name.split()) for name in names)
    for name in tidy:
        if not name or name.endswith("\\") or any(word.startswith("#") for word in name.split()):
            raise RibbonsimError(
                f"{what} hold {name!r}, which OBJ cannot; give names that are not empty, do not "
                "end in a backslash and have no word that begins with #."
            )
    chosen = np.zeros(polygon_count, dtype=np.int64) if index is None else index
    return tidy, _index(chosen, polygon_count, 0, len(tidy), what)
