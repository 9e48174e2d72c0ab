"""Catmull-Clark subdivision of closed quad meshes, and what keeps them symmetric."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Array = NDArray[np.float64]
Quads = NDArray[np.int64]


def _edges_of(quads: Quads) -> tuple[Quads, Quads]:
    """Find unique edges (e, 2) and, for each quad, the number of the edge after each corner."""
    ends = np.stack([quads, np.roll(quads, -1, axis=1)], axis=2).reshape(-1, 2)
    edges, inverse = np.unique(np.sort(ends, axis=1), axis=0, return_inverse=True)
    return edges, inverse.reshape(-1, 4)


def split_quads(quads: Quads, count: int) -> tuple[Quads, Quads, Quads]:
    """Each quad in four: corner, edge and face points numbered in this order.

    Parameters
    ----------
    quads : (q, 4) int array
    count : int
        Number of points that ``quads`` index.

    Returns
    -------
    (4q, 4) int array, (e, 2) int array, (q, 4) int array
        The new quads (four in a row belong to one old quad), the edges, and the edge
        that follows each corner.
    """
    edges, quad_edges = _edges_of(quads)
    edge_points = count + quad_edges
    face_points = count + len(edges) + np.arange(len(quads))
    small = [
        np.stack(
            [quads[:, k], edge_points[:, k], face_points, edge_points[:, k - 1]],
            axis=1,
        )
        for k in range(4)
    ]
    return np.stack(small, axis=1).reshape(-1, 4), edges, quad_edges


def catmull_clark(positions: Array, quads: Quads) -> tuple[Array, Quads]:
    """One step of Catmull-Clark subdivision of a closed quad mesh.

    Parameters
    ----------
    positions : (v, 3) array
    quads : (q, 4) int array

    Returns
    -------
    (v + e + q, 3) array, (4q, 4) int array

    References
    ----------
    Catmull, Clark: Recursively generated B-spline surfaces on arbitrary topological
    meshes. Computer-Aided Design 10(6), 1978.
    """
    small, edges, quad_edges = split_quads(quads, len(positions))
    face_points = positions[quads].mean(axis=1)
    middles = positions[edges].mean(axis=1)

    beside = np.zeros_like(middles)
    np.add.at(beside, quad_edges.ravel(), np.repeat(face_points, 4, axis=0))
    edge_points = 0.5 * middles + 0.25 * beside

    valence = np.bincount(quads.ravel(), minlength=len(positions))[:, None]
    around = np.zeros_like(positions)
    np.add.at(around, quads.ravel(), np.repeat(face_points, 4, axis=0))
    along = np.zeros_like(positions)
    np.add.at(along, edges.ravel(), np.repeat(middles, 2, axis=0))
    corners = (around / valence + 2.0 * along / valence + (valence - 3.0) * positions) / valence
    return np.vstack([corners, edge_points, face_points]), small


def split_texcoords(texcoords: Array, quads: Quads) -> tuple[Array, Quads]:
    """Split texture coordinates alike, straight-edged so that islands keep their outline."""
    small, edges, _ = split_quads(quads, len(texcoords))
    points = [texcoords, texcoords[edges].mean(axis=1), texcoords[quads].mean(axis=1)]
    return np.vstack(points), small


def vertex_normals(positions: Array, quads: Quads) -> Array:
    """Return unit normals (v, 3): the quads' area vectors added up; zero where no quad is."""
    a, b, c, d = (positions[quads[:, k]] for k in range(4))
    area = np.cross(c - a, d - b)
    normals = np.zeros_like(positions)
    np.add.at(normals, quads.ravel(), np.repeat(area, 4, axis=0))
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.divide(normals, lengths, out=normals, where=lengths > 0.0)


def mirrored_exactly(positions: Array) -> Array:
    """Positions of a mesh symmetric about x = 0 up to rounding, with the rounding removed.

    Each vertex and its mirror image are moved to their mean, so that the text written
    from them is the same but for the sign of x.
    """
    flip = np.array([-1.0, 1.0, 1.0])
    distance, partner = cKDTree(positions).query(positions * flip)
    if distance.max() > 1e-6 or not np.array_equal(partner[partner], np.arange(len(positions))):
        raise ValueError("the mesh is not symmetric about x = 0")
    even = 0.5 * (positions + positions[partner] * flip)
    even[partner == np.arange(len(positions)), 0] = 0.0
    return even
