"""A rig's skin with far fewer vertices, on which changes are tried first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.limbs import Limb
from ribbonsim.mesh.creature import CreatureMesh
from ribbonsim.mesh.thinned import thinned
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


def _few(limb: Limb, kept: Ints, triangles: Ints) -> Limb:
    """A limb's skin on the vertices that were kept."""
    inside = np.isin(limb.vertices, kept)
    vertices: Ints = np.searchsorted(kept, limb.vertices[inside])
    places: Array = limb.places[inside]
    base = np.searchsorted(kept, limb.base[np.isin(limb.base, kept)])
    own = np.isin(triangles, vertices).all(axis=1)
    return Limb(vertices, places, base if len(base) else vertices[:1], triangles[own])
