"""A rig's skin with far fewer vertices, on which changes are tried first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.limbs import Limb
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.rig.rig import Rig

_VERTICES = 3000


def coarse_rig(rig: Rig) -> Rig:
    """The same rig on some of its vertices; the rig itself if it is small or has tied parts."""
    mesh = rig.mesh
    if len(mesh.positions) <= 1.5 * _VERTICES or rig.layout.ties:
        return rig
    owner = np.zeros(len(mesh.positions), dtype=np.int64)
    for number, limb in enumerate(rig.limbs.values(), start=1):
        owner[limb.vertices] = number
    triangles = thinned(mesh, _VERTICES, owner)
    if len(triangles) < 100:
        return rig
    kept, triangles = np.unique(triangles, return_inverse=True)
    triangles = triangles.reshape(-1, 3)
    small = CreatureMesh.from_arrays(mesh.positions[kept], triangles, mesh.name)
    limbs = {name: _few(limb, kept, triangles) for name, limb in rig.limbs.items()}
    return replace(
        rig,
        mesh=small,
        places=rig.places[kept],
        mesh_weights=rig.mesh_weights[kept],
        limbs=limbs,
        body_weights=rig.body_weights[kept],
    )


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


def _few(limb: Limb, kept: Ints, triangles: Ints) -> Limb:
    """A limb's skin on the vertices that were kept."""
    inside = np.isin(limb.vertices, kept)
    vertices: Ints = np.searchsorted(kept, limb.vertices[inside])
    places: Array = limb.places[inside]
    base = np.searchsorted(kept, limb.base[np.isin(limb.base, kept)])
    own = np.isin(triangles, vertices).all(axis=1)
    return Limb(vertices, places, base if len(base) else vertices[:1], triangles[own])
