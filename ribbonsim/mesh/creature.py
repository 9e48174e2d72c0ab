"""The creature's mesh: polygons and vertices as the file has them, and what they measure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from ribbonsim.arrays import Array, Flags, Ints
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.contents import (
    DEFAULT_NAME,
    LARGEST_COORDINATE,
    Shading,
)
from ribbonsim.mesh.given_arrays import (
    check_range,
    colour_table,
    flattened,
    layer_of,
    names_of,
    table_of,
)
from ribbonsim.mesh.oddities import MeshArrays, find_oddities
from ribbonsim.mesh.topology import (
    EdgeTable,
    Fans,
    edge_table,
    label_components,
    vertex_fans,
    weld,
)
from ribbonsim.mesh.triangles import signed_volume, triangle_measures, triangulate

# What depends on the polygons alone, so that a mesh moved elsewhere need not find it again. Which
# piece is the body is settled at rest.
_OF_TOPOLOGY = (
    "polygons",
    "_edge_table",
    "fans",
    "_used",
    "welded",
    "_skin_table",
    "components",
    "body",
    "is_closed",
)
# vertices on open edges that stand this near to each other, in diagonals, are one place of the skin
_SEAM = 1e-6
_SMALLEST = 1e-9  # diagonal, scene units: a ribbon in it would be thinner than layouts allow
_FARTHEST = 1e9  # diagonals from the origin: seven digits are left of sixteen


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

    positions: Array
    polygon_offsets: Ints
    corner_vertices: Ints
    triangles: Ints
    triangle_polygons: Ints
    texcoords: Array | None
    corner_texcoords: Ints | None
    normals: Array | None
    corner_normals: Ints | None
    colours: Array | None
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
        points = table_of(positions, 3, f"{where}: positions")
        check_range(points, where)
        offsets, corners = flattened(polygons, len(points), where)
        sizes = len(offsets) - 1, len(corners)
        groups, group_index = names_of(
            group_names, polygon_groups, sizes[0], f"{where}: group names"
        )
        objects, object_index = names_of(
            object_names, polygon_objects, sizes[0], f"{where}: object names"
        )
        uvs, corner_uvs = layer_of(texcoords, corner_texcoords, 2, sizes[1], f"{where}: texcoords")
        bent, corner_bent = layer_of(normals, corner_normals, 3, sizes[1], f"{where}: normals")
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
            colours=colour_table(colours, len(points), where),
            group_names=groups,
            polygon_groups=group_index,
            object_names=objects,
            polygon_objects=object_index,
            name=name,
            source=source,
            notes=(),
        )
        check_size(mesh, where)
        return noted(mesh, (), None, None)

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
        points = table_of(positions, 3, f"{where}: positions")
        if len(points) != len(self.positions):
            raise RibbonsimError(
                f"{where}: {len(points)} positions were given for {len(self.positions)} vertices; "
                "give one for each, in file order."
            )
        check_range(points, where)
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
    def fans(self) -> Fans:
        """Polygons round each vertex."""
        return vertex_fans(self.polygon_offsets, self.corner_vertices, len(self.positions))

    @cached_property
    def _used(self) -> Flags:
        used = np.zeros(len(self.positions), dtype=bool)
        used[self.corner_vertices] = True
        return used

    @property
    def edges(self) -> Ints:
        """Polygon edges (E, 2), each once, the smaller vertex first, sorted."""
        return self._edge_table.edges

    @cached_property
    def welded(self) -> Ints:
        """For each vertex (V,) the vertex that stands for its place on the skin.

        A file may part the skin along a seam, with a vertex for each side at one place; the first
        of them stands for all. Only open edges are looked at, and pieces that only touch stay
        apart. All other vertices stand for themselves.
        """
        table = self._edge_table
        return weld(self.positions, table.edges[table.uses == 1], _SEAM * self.diagonal)

    @cached_property
    def _skin_table(self) -> EdgeTable:
        if (self.welded == np.arange(len(self.welded))).all():
            return self._edge_table
        corners = self.welded[self.corner_vertices]
        return edge_table(self.polygon_offsets, corners, len(self.positions))

    @property
    def skin_edges(self) -> Ints:
        """Edges (E, 2) of the skin without seams: as `edges`, between `welded` vertices."""
        return self._skin_table.edges

    @cached_property
    def components(self) -> Ints:
        """Connected piece of each vertex (V,), counted from 0 in file order; -1 if unused.

        Sides of a seam are connected.
        """
        # the other side of a seam is no piece of its own
        stands = self._used & (self.welded == np.arange(len(self.welded)))
        label = label_components(self.skin_edges, len(self.positions), stands)
        return np.where(self._used, label[self.welded], -1)

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
        boundary = self.skin_edges[self._skin_table.uses == 1]
        return not bool((self.components[boundary[:, 0]] == self.body).any())

    @cached_property
    def bounds(self) -> Array:
        """Least and greatest coordinates (2, 3) of the vertices that polygons use."""
        points = self.positions[self._used]
        return np.array([points.min(axis=0), points.max(axis=0)])

    @property
    def diagonal(self) -> float:
        """Length of the diagonal of `bounds`, in scene units."""
        return float(np.linalg.norm(self.bounds[1] - self.bounds[0]))

    @property
    def centre(self) -> Array:
        """Middle (3,) of `bounds`."""
        middle: Array = self.bounds.mean(axis=0)
        return middle

    @cached_property
    def _measures(self) -> tuple[Array, Array]:
        return triangle_measures(self.positions, self.triangles)

    @property
    def triangle_areas(self) -> Array:
        """Areas (T,) of the triangles."""
        return self._measures[0]

    @cached_property
    def vertex_normals(self) -> Array:
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
        return signed_volume(self.positions, self.triangles, self.centre)


def check_size(mesh: CreatureMesh, where: str) -> None:
    """Refuse a mesh whose vertices all stand at one point, or as good as that."""
    if mesh.diagonal < 1 / LARGEST_COORDINATE:
        raise RibbonsimError(
            f"{where}: the mesh has no size, as all its vertices stand at one point; export it "
            "again."
        )
    if mesh.diagonal < _SMALLEST:
        raise RibbonsimError(
            f"{where}: the mesh is {mesh.diagonal:.3g} scene units large, too small to reckon "
            "with; scale it up, as its unit seems to be wrong, and export it again."
        )
    if float(np.abs(mesh.positions).max()) > _FARTHEST * mesh.diagonal:
        raise RibbonsimError(
            f"{where}: the mesh stands so far from the origin that its coordinates have too few "
            "digits left for its shape; move it to the origin and export it again."
        )


def _carry(old: CreatureMesh, new: CreatureMesh, names: Sequence[str]) -> CreatureMesh:
    """Hand on what was already found out about a mesh; cached properties live in its dict."""
    vars(new).update({name: vars(old)[name] for name in names if name in vars(old)})
    return new


def noted(
    mesh: CreatureMesh,
    notes: tuple[str, ...],
    vertex_lines: Ints | None,
    polygon_lines: Ints | None,
    joined: Ints | None = None,
) -> CreatureMesh:
    """The mesh with notes on all that is odd about it, after those given."""
    surface = MeshArrays(
        mesh.positions,
        mesh.polygon_offsets,
        mesh.corner_vertices,
        mesh.triangles,
        *mesh._measures,
        mesh._skin_table,
        mesh.welded,
        mesh.components,
        mesh.body,
        mesh.bounds,
    )
    found = find_oddities(surface, vertex_lines, polygon_lines, joined)
    kept = ("welded", "_skin_table", "components", "body", "bounds", "_edge_table", "_measures")
    return _carry(mesh, replace(mesh, notes=(*notes, *found)), kept)
