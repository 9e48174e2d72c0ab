"""Places along the body: for each vertex, how far along the ribbon it belongs."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from ribbonsim.arrays import Array, Ints
from ribbonsim.body.field import Rings, body_surface, even_rings, flood, nearest_vertex
from ribbonsim.body.inside import inside_of
from ribbonsim.body.pieces import pieces_of
from ribbonsim.body.plane import alike_across_planes
from ribbonsim.body.solid_places import solid_places
from ribbonsim.curves.ribbon import Ribbon
from ribbonsim.errors import RibbonsimError
from ribbonsim.mesh.creature import CreatureMesh

_SAMPLES = 2000
_ON_PLANE = 1e-3
_MIDLINE = 400

# of each mesh the places along a few ribbons: layouts of one creature mostly share theirs
_PLACES: WeakKeyDictionary[CreatureMesh, dict[bytes, Array]] = WeakKeyDictionary()
_MOST_KEPT = 8


def body_places(mesh: CreatureMesh, ribbon: Ribbon) -> Array:
    """Find the place along a ribbon that each vertex belongs to, through the body.

    A harmonic field between the ribbon's ends is turned into arc length by the rings of the
    field: the centre of each ring has a place on the ribbon. Straight-line distance plays no
    part, so parts of the body that only lie close do not mix; an appendage keeps the place
    that it grows from. Other components take the place of the body's nearest vertex.

    Found once for each mesh and ribbon.

    Returns
    -------
    (V,) array
        Arc length on the ribbon's midline, 0 to its length, scene units; not to be written to.
    """
    kept = _PLACES.setdefault(mesh, {})
    key = ribbon.knots.tobytes() + ribbon.control_points.tobytes()
    places = kept.get(key)
    if places is None:
        places = _places(mesh, ribbon)
        places.flags.writeable = False
        if len(kept) >= _MOST_KEPT:
            kept.pop(next(iter(kept)), None)
        kept[key] = places
    return places


def _places(mesh: CreatureMesh, ribbon: Ribbon) -> Array:
    if len(pieces_of(mesh).body) > 1:
        return ribbon.length * _places_through_pieces(mesh, ribbon)[homes(mesh)]
    skin = body_surface(mesh)
    low = beyond_end(skin.positions, skin.used, skin.graph, *end_plane(ribbon, 0.0))
    high = beyond_end(skin.positions, skin.used, skin.graph, *end_plane(ribbon, 1.0))
    field = skin.field(low, high)
    rings = even_rings(skin.positions, skin.triangles, field)
    home = homes(mesh)
    places = lengths_of_field(field, rings, ribbon)[home]
    line = ribbon.midline(np.linspace(0.0, 1.0, _MIDLINE))
    return alike_across_planes(mesh, line, places)[home]


def _places_through_pieces(mesh: CreatureMesh, ribbon: Ribbon) -> Array:
    """Places (V,), 0 to 1 by length, of a body whose skin is several pieces."""
    inside = inside_of(mesh)
    if inside.solid is None:
        raise RibbonsimError(
            f"the pieces of {mesh.name} enclose nothing that a ribbon could run in: close them"
        )
    shares = np.linspace(0.0, 1.0, _MIDLINE)
    midline = ribbon.midline(ribbon.place_at(shares * ribbon.length))
    ways = [inside.axes.T @ end_plane(ribbon, t)[1] for t in (0.0, 1.0)]
    return solid_places(
        inside.solid,
        inside.positions,
        mesh.vertex_normals @ inside.axes,
        inside.to_own(midline),
        (ways[0], ways[1]),
    )


def lengths_of_field(field: Array, rings: Rings, ribbon: Ribbon) -> Array:
    """Turn a field between a ribbon's ends into arc length by the field's rings.

    Parameters
    ----------
    field : (V,) array
        0 to 1.

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
    nearest = nearest_vertex(positions, used, origin)
    # a flat end may lie in the plane itself, and rounding would cut it in two
    beyond = (positions - origin) @ outward >= -_ON_PLANE * np.ptp(positions[used], axis=0).max()
    ring = flood(graph, beyond, nearest)
    if len(ring) > 1 or beyond[nearest]:
        return ring
    # the nearest vertex lies just short of the plane: start from its nearest beyond
    past = used[beyond[used]]
    if not len(past):
        return ring
    start = nearest_vertex(positions, past, origin)
    return np.union1d(flood(graph, beyond, start), ring)


def _ring_lengths(rings: Rings, ribbon: Ribbon) -> Array:
    """Arc lengths of ring centres: the rising assignment with the least squared distance.

    Rising, so that a ring beside another part of the body is not taken for one of it.
    """
    t = np.linspace(0.0, 1.0, _SAMPLES + 1)
    samples = ribbon.midline(t)
    x, y, z = (rings.centres[:, k, None] - samples[None, :, k] for k in range(3))
    cost = x**2 + y**2 + z**2
    lowest = np.empty(cost.shape, dtype=bool)  # whether nothing before it costs less
    total = np.zeros(cost.shape[1])
    for row, squares in enumerate(cost):
        running = np.minimum.accumulate(total)
        lowest[row] = total <= running
        total = running + squares
    choice = np.empty(len(cost), dtype=np.int64)
    choice[-1] = np.argmin(total)
    for row in range(len(cost) - 1, 0, -1):
        choice[row - 1] = np.flatnonzero(lowest[row, : choice[row] + 1])[-1]
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

    Returns
    -------
    (V,) int array
    """
    used = body_surface(mesh).used
    home = mesh.welded.copy()
    stray = np.ones(len(home), dtype=bool)
    stray[used] = False
    stray = stray[home]
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
