"""Vertices split where a texture has a seam, and nowhere else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ribbonsim.mesh import CreatureMesh

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


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
    """Give each vertex one texture coordinate, doubling those that have several.

    Parameters
    ----------
    mesh : CreatureMesh

    Returns
    -------
    SplitMesh
        Texture coordinates that are equal count as one, whatever their indices.
    """
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
    """Find the polygon corner that each corner of a triangle was cut from.

    Parameters
    ----------
    mesh : CreatureMesh

    Returns
    -------
    (T, 3) int array
        Indices into the mesh's ``corner_vertices``. Where a polygon uses a vertex more than
        once, its first use.
    """
    count = len(mesh.positions)
    polygons = np.repeat(np.arange(len(mesh.polygon_offsets) - 1), np.diff(mesh.polygon_offsets))
    keys = polygons * count + mesh.corner_vertices
    order = np.argsort(keys, kind="stable")
    wanted = mesh.triangle_polygons[:, None] * count + mesh.triangles
    return order[np.searchsorted(keys[order], wanted)]
