"""The mesh as it is drawn: split where parts meet, and fine enough to be lit at its vertices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse

from ribbonsim.arrays import Ints
from ribbonsim.mesh.creature import CreatureMesh

_ENOUGH = 12000
_MOST_HALVINGS = 4


@dataclass(frozen=True, eq=False)
class FineMesh:
    """A mesh to be drawn in place of another.

    Parameters
    ----------
    mesh : CreatureMesh
        All triangles; the same surface.
    spread : (V', V) sparse matrix
        Positions of the source's vertices in, positions of this mesh's vertices out.
    parts : (V',) int array
        Which part each vertex belongs to, from 0.
    edges : (E, 2) int array
        The polygon edges of the source, cut as the triangles are.
    """

    mesh: CreatureMesh
    spread: Any
    parts: Ints
    edges: Ints

    def positions(self, source: ArrayLike) -> NDArray[np.float32]:
        """(V', 3) where the vertices are when those of the source are somewhere."""
        return self.spread @ np.asarray(source, dtype=np.float32)

    def normals(self, source: ArrayLike) -> NDArray[np.float32]:
        """(V', 3) unit normals, from those of the source's vertices."""
        mixed = self.spread @ np.asarray(source, dtype=np.float32)
        length = np.sqrt(np.einsum("vi,vi->v", mixed, mixed))
        return mixed / np.maximum(length, np.float32(1e-12))[:, None]


def part_of_polygons(mesh: CreatureMesh) -> Ints:
    """Number the parts of a mesh: its named groups, or its pieces if nothing is named."""
    first = mesh.corner_vertices[mesh.polygon_offsets[:-1]]
    choices = (mesh.polygon_groups, mesh.polygon_objects, mesh.components[first])
    found = next((names for names in choices if len(np.unique(names)) > 1), choices[-1])
    _, numbers, counts = np.unique(found, return_inverse=True, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank[numbers]


def make_fine(mesh: CreatureMesh, enough: int = _ENOUGH) -> FineMesh:
    """Split a mesh where parts meet, and halve its edges until it is fine."""
    part = part_of_polygons(mesh)
    count = int(part.max()) + 1
    triangle_part = part[mesh.triangle_polygons]
    keys, corners = np.unique(mesh.triangles * count + triangle_part[:, None], return_inverse=True)
    triangles = corners.reshape(-1, 3)
    source = keys // count
    spread = sparse.csr_array(
        (np.ones(len(keys), dtype=np.float32), (np.arange(len(keys)), source)),
        shape=(len(keys), len(mesh.positions)),
    )
    edges = _polygon_edges(mesh, part, keys, count)
    for _ in range(_MOST_HALVINGS):
        if spread.shape[0] >= enough:
            break
        triangles, edges, spread = _halve(triangles, edges, spread)
    parts = np.zeros(spread.shape[0], dtype=np.int64)
    polygon_part = np.repeat(triangle_part, len(triangles) // len(triangle_part))
    parts[triangles] = polygon_part[:, None]
    fine = CreatureMesh.from_arrays(
        spread @ mesh.positions, triangles, mesh.name, source=mesh.source
    )
    return FineMesh(fine, spread, parts, edges)


def _polygon_edges(mesh: CreatureMesh, part: Ints, keys: Ints, count: int) -> Ints:
    """Edges of polygons between the split vertices, each once."""
    sizes = np.diff(mesh.polygon_offsets)
    following = np.arange(1, len(mesh.corner_vertices) + 1)
    following[mesh.polygon_offsets[1:] - 1] = mesh.polygon_offsets[:-1]
    corner = mesh.corner_vertices * count + np.repeat(part, sizes)
    place = np.minimum(np.searchsorted(keys, corner), len(keys) - 1)
    known = keys[place] == corner  # a polygon without area may have no triangle
    ends = np.stack([place, place[following]], axis=1)[known & known[following]]
    return np.unique(np.sort(ends, axis=1), axis=0)


def _halve(triangles: Ints, edges: Ints, spread: Any) -> tuple[Ints, Ints, Any]:
    """Each triangle in four, each edge in two."""
    vertices = spread.shape[0]
    sides = np.sort(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    keys, inverse = np.unique(sides[:, 0] * vertices + sides[:, 1], return_inverse=True)
    ends = np.stack(np.divmod(keys, vertices), axis=1)
    middle = vertices + inverse.reshape(-1, 3)
    rows = np.repeat(np.arange(len(ends)), 2)
    half = sparse.csr_array(
        (np.full(2 * len(ends), 0.5, dtype=np.float32), (rows, ends.ravel())),
        shape=(len(ends), vertices),
    )
    (a, b, c), (ab, bc, ca) = triangles.T, middle.T
    four = np.stack([a, ab, ca, ab, b, bc, ca, bc, c, ab, bc, ca], axis=1).reshape(-1, 3)
    place = np.minimum(np.searchsorted(keys, edges[:, 0] * vertices + edges[:, 1]), len(keys) - 1)
    cut = vertices + place
    halves = np.vstack([np.stack([edges[:, 0], cut], 1), np.stack([edges[:, 1], cut], 1)])
    known = keys[place] == edges[:, 0] * vertices + edges[:, 1]
    kept = np.vstack([halves[np.tile(known, 2)], edges[~known]])
    return four, np.sort(kept, axis=1), sparse.csr_array(sparse.vstack([spread, half @ spread]))
