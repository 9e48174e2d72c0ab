"""Places along the body: for each vertex, how far along the ribbon it belongs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from ribbonsim.field import Rings, edge_graph
from ribbonsim.guide import body_field, body_triangles, even_rings, flood
from ribbonsim.mesh import CreatureMesh
from ribbonsim.ribbon import Ribbon

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_SAMPLES = 2000
_ON_PLANE = 1e-3


def body_places(mesh: CreatureMesh, ribbon: Ribbon) -> Array:
    """Find the place along a ribbon that each vertex belongs to, through the body.

    A harmonic field between the ribbon's ends is turned into arc length by the rings of the
    field: the centre of each ring has a place on the ribbon. Straight-line distance plays no
    part, so parts of the body that only lie close do not mix; an appendage keeps the place
    that it grows from. Other components take the place of the body's nearest vertex.

    Parameters
    ----------
    mesh : CreatureMesh
    ribbon : Ribbon

    Returns
    -------
    (V,) array
        Arc length on the ribbon's midline, 0 to its length, scene units.
    """
    triangles = body_triangles(mesh)
    graph = edge_graph(mesh.positions, triangles)
    used = np.unique(triangles)
    low = beyond_end(mesh.positions, used, graph, *end_plane(ribbon, 0.0))
    high = beyond_end(mesh.positions, used, graph, *end_plane(ribbon, 1.0))
    field = body_field(mesh.positions, triangles, low, high)
    rings = even_rings(mesh.positions, triangles, field)
    return lengths_of_field(field, rings, ribbon)[homes(mesh)]


def lengths_of_field(field: Array, rings: Rings, ribbon: Ribbon) -> Array:
    """Turn a field between a ribbon's ends into arc length by the field's rings.

    Parameters
    ----------
    field : (V,) array
        0 to 1.
    rings : Rings
    ribbon : Ribbon

    Returns
    -------
    (V,) array
        0 to the ribbon's length, scene units.
    """
    levels = np.r_[0.0, rings.levels, 1.0]
    curve = PchipInterpolator(levels, np.r_[0.0, _ring_lengths(rings, ribbon), ribbon.length])
    return np.clip(curve(field), 0.0, ribbon.length)


def end_plane(ribbon: Ribbon, t: float) -> tuple[Array, Array]:
    """Plane across a ribbon's end.

    Parameters
    ----------
    ribbon : Ribbon
    t : float
        0 or 1.

    Returns
    -------
    origin, outward : (3,) arrays
    """
    frame = ribbon.frames(t)
    outward = frame[:3, 0] if t > 0.5 else -frame[:3, 0]
    return frame[:3, 3], outward


def beyond_end(
    positions: Array, used: Ints, graph: csr_array, origin: Array, outward: Array
) -> Ints:
    """Find vertices past the plane across a ribbon's end, as far as the surface leads there.

    Parameters
    ----------
    positions : (V, 3) array
    used : int array
        Vertices that count.
    graph : (V, V) sparse array
        Of their edges.
    origin, outward : (3,) arrays
        The plane.

    Returns
    -------
    int array
        At least one vertex.
    """
    nearest = int(used[np.argmin(np.linalg.norm(positions[used] - origin, axis=1))])
    # a flat end may lie in the plane itself, and rounding would cut it in two
    beyond = (positions - origin) @ outward >= -_ON_PLANE * np.ptp(positions[used], axis=0).max()
    ring = flood(graph, beyond, nearest)
    if len(ring) > 1 or beyond[nearest]:
        return ring
    # the nearest vertex lies just short of the plane: start from its nearest beyond
    past = used[beyond[used]]
    if not len(past):
        return ring
    start = int(past[np.argmin(np.linalg.norm(positions[past] - origin, axis=1))])
    return np.union1d(flood(graph, beyond, start), ring)


def _ring_lengths(rings: Rings, ribbon: Ribbon) -> Array:
    """Arc lengths of ring centres: the rising assignment with the least squared distance.

    Rising, so that a ring beside another part of the body is not taken for one of it.
    """
    t = np.linspace(0.0, 1.0, _SAMPLES + 1)
    samples = ribbon.midline(t)
    cost = np.sum((rings.centres[:, None, :] - samples[None, :, :]) ** 2, axis=-1)
    best = np.empty(cost.shape, dtype=np.int64)
    total = np.zeros(cost.shape[1])
    for row, squares in enumerate(cost):
        running = np.minimum.accumulate(total)
        best[row] = np.maximum.accumulate(np.where(total <= running, np.arange(len(total)), 0))
        total = running + squares
    choice = np.empty(len(cost), dtype=np.int64)
    choice[-1] = np.argmin(total)
    for row in range(len(cost) - 1, 0, -1):
        choice[row - 1] = best[row, choice[row]]
    place = t[choice]
    # within one sample the foot of the perpendicular is a Newton step away
    point, tangent = ribbon.midline(place), ribbon.midline(place, 1)
    step = np.sum((rings.centres - point) * tangent, axis=1) / np.sum(tangent**2, axis=1)
    place = np.clip(place + np.clip(step, -1.0 / _SAMPLES, 1.0 / _SAMPLES), 0.0, 1.0)
    return np.maximum.accumulate(ribbon.arc_length(place))


def homes(mesh: CreatureMesh) -> Ints:
    """For each vertex the vertex of the body whose place it takes.

    A vertex of the body is at home itself. All vertices of another component take the body's
    vertex that is nearest to the component, so that it stays rigid.

    Parameters
    ----------
    mesh : CreatureMesh

    Returns
    -------
    (V,) int array
    """
    used = np.unique(body_triangles(mesh))
    home = np.arange(len(mesh.positions))
    stray = np.ones(len(home), dtype=bool)
    stray[used] = False
    if not stray.any():
        return home
    strays = np.flatnonzero(stray)
    distance, nearest = cKDTree(mesh.positions[used]).query(mesh.positions[strays])
    parts = mesh.components[strays]
    home[strays] = used[nearest]
    for part in np.unique(parts[parts >= 0]):  # vertices that no face uses go their own way
        mine = np.flatnonzero(parts == part)
        home[strays[mine]] = used[nearest[mine[np.argmin(distance[mine])]]]
    return home
