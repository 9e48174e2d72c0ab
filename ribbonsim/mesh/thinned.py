"""A skin with far fewer triangles, between some of its vertices."""

from __future__ import annotations

import numpy as np

from ribbonsim.arrays import Ints
from ribbonsim.mesh.creature import CreatureMesh


def thinned(mesh: CreatureMesh, count: int, owner: Ints | None = None) -> Ints:
    """(t, 3) triangles between some of a mesh's vertices, about so many of them.

    ``owner`` (V,) keeps vertices apart that belong to different things.
    """
    triangles = _leaders(mesh, count, owner)[mesh.triangles]
    whole = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 2] != triangles[:, 0])
    )
    return _without_doubles(triangles[whole])


def _without_doubles(triangles: Ints) -> Ints:
    """Triangles of which each stands once; two that lie back to back are none.

    So a closed skin stays closed: what a map of vertices makes of a boundary of a solid is one.
    """
    order = np.argsort(triangles, axis=1)
    turn = np.take_along_axis(triangles, order, axis=1)
    sign = np.where((order[:, 1] - order[:, 0]) % 3 == 1, 1, -1)
    _, first, inverse = np.unique(turn, axis=0, return_index=True, return_inverse=True)
    net = np.bincount(inverse.ravel(), sign, len(first))
    kept = np.flatnonzero(sign == np.sign(net)[inverse.ravel()])
    _, once = np.unique(inverse.ravel()[kept], return_index=True)
    single: Ints = triangles[np.sort(kept[once])]
    return single


def _leaders(mesh: CreatureMesh, count: int, owner: Ints | None) -> Ints:
    """(V,) for each vertex the one that stands for it: the first in its box that faces alike."""
    size = 1.3 * np.sqrt(float(mesh.triangle_areas.sum()) / count)
    boxes = np.floor((mesh.positions - mesh.bounds[0]) / size).astype(np.int64)
    facing = (mesh.vertex_normals > 0.0) @ np.array([1, 2, 4])
    owned = () if owner is None else (owner,)
    key = np.column_stack([boxes, facing, *owned, mesh.components])
    _, first, inverse = np.unique(key, axis=0, return_index=True, return_inverse=True)
    leaders: Ints = first[inverse.ravel()]
    return leaders
