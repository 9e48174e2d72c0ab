"""What formats want of each vertex: one texture coordinate, and joints in sets of four."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ribbonsim.arrays import Array, Ints, Singles
from ribbonsim.mesh.creature import CreatureMesh


@dataclass(frozen=True, eq=False)
class SplitMesh:
    """A mesh with one texture coordinate a vertex.

    Parameters
    ----------
    sources : (R,) int array
        Vertex of the mesh that each vertex here stands for, from 0. The first are the mesh's
        own, in its order; those past them double a vertex at a seam.
    triangles : (T, 3) int array
        As the mesh's own.
    texcoords : (R, 2) array or None
        None if the mesh has none. Vertices without any have 0, 0.
    """

    sources: Ints
    triangles: Ints
    texcoords: Array | None


def split_at_seams(mesh: CreatureMesh) -> SplitMesh:
    """Give each vertex one texture coordinate, doubling those that have several different ones."""
    own = np.arange(len(mesh.positions))
    if mesh.texcoords is None or mesh.corner_texcoords is None:
        return SplitMesh(own, mesh.triangles, None)
    values = np.vstack([mesh.texcoords, np.zeros((1, 2))])
    different, number = np.unique(values, axis=0, return_inverse=True)
    # a corner without a texture coordinate has the index -1: the last row
    coordinate = number.reshape(-1)[mesh.corner_texcoords]
    pairs, corner_pair = np.unique(
        mesh.corner_vertices * len(different) + coordinate, return_inverse=True
    )
    vertex, value = np.divmod(pairs, len(different))
    doubles = np.r_[False, vertex[1:] == vertex[:-1]]
    place = vertex.copy()
    place[doubles] = len(own) + np.arange(np.count_nonzero(doubles))
    texcoords = np.zeros((len(own) + np.count_nonzero(doubles), 2))
    texcoords[place] = different[value]
    corners = triangle_corners(mesh)
    return SplitMesh(
        np.r_[own, vertex[doubles]], place[corner_pair.reshape(-1)[corners]], texcoords
    )


def triangle_corners(mesh: CreatureMesh) -> Ints:
    """(T, 3) the polygon corner that each corner of a triangle was cut from.

    Indices into the mesh's ``corner_vertices``; where a polygon uses a vertex more than once,
    its first use.
    """
    count = len(mesh.positions)
    polygons = np.repeat(np.arange(len(mesh.polygon_offsets) - 1), np.diff(mesh.polygon_offsets))
    keys = polygons * count + mesh.corner_vertices
    order = np.argsort(keys, kind="stable")
    wanted = mesh.triangle_polygons[:, None] * count + mesh.triangles
    return order[np.searchsorted(keys[order], wanted)]


@dataclass(frozen=True, eq=False)
class Influences:
    """The joints that move each vertex.

    Parameters
    ----------
    joints : (V, 4 s) int array
        Greatest weight first; 0 where there is no weight.
    weights : (V, 4 s) float32 array
        Rows sum to one, 0 where there is none.
    """

    joints: Ints
    weights: Singles

    @property
    def sets(self) -> int:
        """How many sets of four."""
        return self.joints.shape[1] // 4


def pack_influences(weights: Array) -> Influences:
    """Pack a (V, N) table of weights, whose rows sum to one; none is left out.

    What single precision rounds off a row is put on its greatest weight, so that the row
    sums to one within half a unit in that weight's last place.
    """
    small = weights.astype(np.float32)
    vertex, joint = np.nonzero(small)
    value = small[vertex, joint]
    order = np.lexsort((joint, -value, vertex))
    vertex, joint, value = vertex[order], joint[order], value[order]
    counts = np.bincount(vertex, minlength=len(weights))
    starts = np.cumsum(counts) - counts
    place = np.arange(len(vertex)) - starts[vertex]
    width = 4 * max(1, -(-int(counts.max(initial=1)) // 4))
    joints = np.zeros((len(weights), width), dtype=np.int64)
    packed = np.zeros((len(weights), width), dtype=np.float32)
    joints[vertex, place], packed[vertex, place] = joint, value
    packed[:, 0] = 1.0 - packed[:, 1:].sum(axis=1, dtype=np.float64)
    return Influences(joints, packed)
